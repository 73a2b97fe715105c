"""Places in a field where a ground check would tell most about how much of it is missed."""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from pipeline.core.checked import FieldGroups, conditioned_draws, places_of_groups
from pipeline.core.checks import Checks
from pipeline.core.conditioning import Posterior
from pipeline.core.dig_left import sd_left
from pipeline.core.digging import next_places
from pipeline.core.draws import BLOCK
from pipeline.core.offsets import ON_STRIP, Spans
from pipeline.core.pairs import Places

# Candidates, spread evenly over the row length.
CANDIDATES = 40
# Where the missed share is known better than this, there is nothing to learn.
LEAST_SHARE_SD = 0.005


@dataclass(frozen=True)
class DigPlaces:
    """Where to dig next, the most telling place first; arrays of shape (count,).

    Attributes
    ----------
    span : ndarray of int
        Span in whose middle the place lies.
    share_sd : float
        Standard deviation of the field's missed share now.
    left_sd : ndarray
        What is left of it after each, with those before it.
    """

    span: np.ndarray
    share_sd: float
    left_sd: np.ndarray


def dig_places(
    spans: Spans,
    places: Places,
    field: FieldGroups,
    posterior: Posterior,
    *,
    candidates: np.ndarray,
    count: int,
    tape_sd_m: float,
    seed: int,
) -> DigPlaces:
    """Choose the next places to dig under one tier; none where there is nothing to learn.

    That is where the standard deviation of the missed share is below `LEAST_SHARE_SD`, in the draws that places are chosen
    by or in those that they are told by.

    Parameters
    ----------
    spans : Spans
        All spans of the field, in order along the rows.
    places : Places
    field : FieldGroups
        Of the same spans.
    posterior : Posterior
        With the checks that there are, or none.
    candidates : ndarray of int
        Spans in whose middle one could dig.
    count : int
    tape_sd_m : float
        Standard deviation of a measurement [m].
    seed : int
    """
    nothing = DigPlaces(np.zeros(0, np.int64), 0.0, np.zeros(0))
    if not len(candidates) or count == 0:
        return nothing

    def share_of(shift_m: np.ndarray) -> np.ndarray:
        return field.table.moved_by(shift_m, 1)[0] / field.length_m

    drawn = conditioned_draws(posterior, seed=seed, block=0)
    share = field.table.under(field.pairs, drawn, 1)[0] / field.length_m
    if share.std(dtype=float) < LEAST_SHARE_SD:
        return nothing
    dug = _dug_at(spans, places, candidates, tape_sd_m)
    noise = posterior.prior.wander_sd_m * _wander(len(candidates), seed)
    measured = dug.offset_m[:, None] + drawn.shift(*dug.where) + noise
    chosen = next_places(share, measured.astype(np.float32), tape_sd_m=tape_sd_m, count=count, seed=seed)
    share_sd, left_sd = sd_left(
        posterior, dug.take(chosen), places_of_groups(field.table.groups, field.pairs), share_of, seed=seed
    )
    if share_sd < LEAST_SHARE_SD:
        return nothing
    return DigPlaces(candidates[chosen], share_sd, left_sd)


def _dug_at(spans: Spans, places: Places, which: np.ndarray, tape_sd_m: float) -> Checks:
    """Checks in the middle of spans, each measured as it is logged or planned."""
    at = spans.take(which)
    offset = 0.5 * (at.offset0_m + at.offset1_m)
    return Checks(
        places.strip_pass[which], places.planter_pass[which], np.column_stack([at.normal_x, at.normal_y]),
        at.heading.astype(float), offset, offset, np.ones(len(which), bool), np.full(len(which), tape_sd_m),
    )  # fmt: skip


# The same for all tiers of a field, and mostly for its neighbours; one is a few hundred kilobytes.
@lru_cache(maxsize=4)
def _wander(candidates: int, seed: int) -> np.ndarray:
    """Standard normals of the wander at each candidate, shape (candidates, draws), read-only."""
    normals = np.random.default_rng([seed, 3]).standard_normal((candidates, BLOCK))
    normals.flags.writeable = False
    return normals


def spread_places(spans: Spans) -> np.ndarray:
    """Spans on strips that lie evenly along the field's row length: `CANDIDATES`, or fewer where a span would be two."""
    on = np.flatnonzero(spans.kind == ON_STRIP)
    along = np.cumsum(spans.length_m[on])
    if not len(on):
        return on
    wanted = (np.arange(CANDIDATES) + 0.5) / CANDIDATES * along[-1]
    return np.unique(on[np.searchsorted(along, wanted)])
