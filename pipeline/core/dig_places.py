"""Places in a field where a ground check would tell most about how much of it is missed."""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from pipeline.core.checked import FieldGroups, conditioned_draws
from pipeline.core.conditioning import Posterior
from pipeline.core.digging import next_places
from pipeline.core.draws import BLOCK
from pipeline.core.offsets import ON_STRIP, Spans
from pipeline.core.pairs import Places

# Candidates, spread evenly over the row length.
CANDIDATES = 40


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
        What is left of it after each.
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
    """Choose the next places to dig under one tier.

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
    if not len(candidates) or count == 0:
        return DigPlaces(np.zeros(0, np.int64), 0.0, np.zeros(0))
    autumn, spring, machine = errors = conditioned_draws(posterior, seed=seed, block=0)
    share = field.table.under(field.pairs, errors, 1)[0] / field.length_m
    at = spans.take(candidates)
    strip, planter = places.strip_pass[candidates], places.planter_pass[candidates]
    shift = at.normal_x[:, None] * (autumn[0, strip] + spring[0, planter])
    shift += at.normal_y[:, None] * (autumn[1, strip] + spring[1, planter]) + at.heading[:, None] * machine
    wander = posterior.prior.wander_sd_m * _wander(len(candidates), seed)
    measured = 0.5 * (at.offset0_m + at.offset1_m)[:, None] + shift + wander
    digs = next_places(share, measured.astype(np.float32), tape_sd_m=tape_sd_m, count=count, seed=seed)
    return DigPlaces(candidates[digs.place], float(share.std()), digs.left_sd)


# The same for all tiers of a field, and mostly for its neighbours; one is a few hundred kilobytes.
@lru_cache(maxsize=4)
def _wander(candidates: int, seed: int) -> np.ndarray:
    """Standard normals of the wander at each candidate, shape (candidates, draws), read-only."""
    normals = np.random.default_rng([seed, 3]).standard_normal((candidates, BLOCK))
    normals.flags.writeable = False
    return normals


def spread_places(spans: Spans) -> np.ndarray:
    """Spans on strips, `CANDIDATES` of them, that lie evenly along the field's row length."""
    on = np.flatnonzero(spans.kind == ON_STRIP)
    along = np.cumsum(spans.length_m[on])
    if not len(on):
        return on
    wanted = (np.arange(CANDIDATES) + 0.5) / CANDIDATES * along[-1]
    return np.unique(on[np.searchsorted(along, wanted)])
