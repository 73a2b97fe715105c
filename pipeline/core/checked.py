"""A field judged again, given what was measured in it: the same offsets, with the return error after the checks."""

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import ndtr

from pipeline.core.accuracy import ON_LIMIT_M, Z95
from pipeline.core.conditioning import Posterior
from pipeline.core.draws import BLOCK, FIELD_DRAWS, PASS_DRAWS, JointErrors, StandardDraws
from pipeline.core.groups import Groups
from pipeline.core.kernels import THREADS
from pipeline.core.lengths import length_within, longest_run
from pipeline.core.odds import Judgement
from pipeline.core.offsets import ON_STRIP, Spans
from pipeline.core.pairs import Pairs, Places
from pipeline.core.percentiles import PERCENTILES, percentiles_of_draws, percentiles_of_weights
from pipeline.core.place_odds import even_odds_offset
from pipeline.core.reduced import Reduced, Scale, wander_odds
from pipeline.core.returns import ReturnError
from pipeline.core.shift_table import ShiftTable

# Lighter branches of unsigned checks change no figure that is printed.
_LEAST_WEIGHT = 1e-4


@dataclass(frozen=True)
class Conditioned:
    """Places on strips, moved by what the checks say of each, and how unsure that is.

    Attributes
    ----------
    spans : Spans
        Of all spans; those on strips have their offsets moved by the mean shift of their pair and direction.
    kind : ndarray of int, shape (n,)
        Pair and direction of each span.
    half_width_m, sd_m : ndarray, shape (kinds,)
        Half strip width less the margin; standard deviation of the true offset about the moved one [m].
    """

    spans: Spans
    kind: np.ndarray
    half_width_m: np.ndarray
    sd_m: np.ndarray

    @classmethod
    def of(cls, spans: Spans, places: Places, posterior: Posterior) -> "Conditioned":
        """Spans of a field under the posterior of one tier."""
        pairs = Pairs.of(places, {"": posterior.prior})
        mean = pairs.mean_normals(spans.normal_x, spans.normal_y, spans.length_m)
        nobody = np.zeros(len(spans.row), np.int64)
        groups, kind = Groups.of(
            nobody, pairs.of_place, spans.heading, spans.normal_x, spans.normal_y, spans.length_m, mean=mean
        )
        shift_m, sd_m = posterior.moments(*places_of_groups(groups, pairs))
        on = spans.kind == ON_STRIP
        move = np.where(on, shift_m[kind], 0.0)
        moved = replace(spans, offset0_m=spans.offset0_m + move, offset1_m=spans.offset1_m + move)
        sd_m = np.hypot(sd_m, posterior.prior.wander_sd_m)
        return cls(moved, kind, pairs.half_width_m[groups.pair], sd_m)

    @property
    def hold_m(self) -> np.ndarray:
        """A place holds up to this |offset| [m], shape (kinds, 1); negative where none does."""
        return (self.half_width_m - Z95 * self.sd_m + ON_LIMIT_M)[:, None]

    @property
    def reach_m(self) -> np.ndarray:
        """A place misses beyond this |offset| [m], shape (kinds, 1)."""
        return (self.half_width_m + Z95 * self.sd_m + ON_LIMIT_M)[:, None]

    @property
    def even_m(self) -> np.ndarray:
        """Beyond this |offset| missing is likelier than not [m], shape (kinds, 1); -1 where it always is."""
        return even_odds_offset(self.half_width_m, self.sd_m)[:, None]


def judge_checked(
    spans: Spans, places: Places, posterior: Posterior, *, pass_of_row: np.ndarray, passes: int, seed: int
) -> Judgement:
    """Judge a field under one tier after its checks.

    Parameters
    ----------
    spans : Spans
        All spans of the field, in order along the rows.
    places : Places
    posterior : Posterior
    pass_of_row : ndarray of int, shape (rows,)
    passes : int
    seed : int

    Returns
    -------
    Judgement
        Without the odds of any strip, which is not asked here (NaN).

    Notes
    -----
    The classes take the posterior as a normal with its mean and variance; expectations and percentiles take unsigned
    checks as what they are, a mixture.
    """
    rows = len(pass_of_row)
    given = Conditioned.of(spans, places, posterior)
    on = spans.kind == ON_STRIP
    moved, kind, row = given.spans.take(on), given.kind[on], places.row[on]
    limits = np.column_stack([given.hold_m, given.reach_m])
    within = length_within(moved.offset0_m, moved.offset1_m, moved.length_m, kind, row, limits, rows)
    run = longest_run(
        moved.offset0_m, moved.offset1_m, moved.start_m, moved.end_m, kind, row, given.even_m, rows
    )  # fmt: skip
    _, table, pairs = _reduced(spans, places, places.row, posterior.prior)
    weight = shift_weights(table, pairs, posterior)
    expected = np.bincount(table.groups.owner, np.einsum("gs,gs->g", table.missed_m, weight), rows)
    length = np.bincount(row, moved.length_m, rows)
    row_share, pass_share, field_share = _shares(table, pairs, posterior, weight, pass_of_row, passes, seed)
    return Judgement(
        within[:, 0], within[:, 1] - within[:, 0], length - within[:, 1], expected, np.full(rows, np.nan), run[:, 0],
        row_share, pass_share, field_share,
    )  # fmt: skip


def conditioned_draws(posterior: Posterior, *, seed: int, block: int) -> JointErrors:
    """One block of joint draws of the passes' errors after the checks."""
    return posterior.conditioned(*draws_before(posterior, seed=seed, block=block))


def draws_before(posterior: Posterior, *, seed: int, block: int) -> tuple[JointErrors, np.ndarray, np.ndarray]:
    """What those are made of: draws before the checks, and numbers for sides, (draws,), and noise, (checks, draws)."""
    prior = posterior.prior
    (drawn,) = StandardDraws.seeded([prior], draws=BLOCK, seed=seed, block=block).errors([prior])
    rng = np.random.default_rng([seed, 2, block])
    noise = rng.standard_normal((len(posterior.checks.measured_m), BLOCK))
    return drawn, rng.random(BLOCK), noise


def places_of_groups(groups: Groups, pairs: Pairs) -> tuple:
    """Strip pass, planter pass, normal and heading of groups: where a posterior may be asked for its moments."""
    normal = np.column_stack([groups.normal_x, groups.normal_y])
    return pairs.strip_pass[groups.pair], pairs.planter_pass[groups.pair], normal, groups.heading.astype(float)


@dataclass(frozen=True)
class FieldGroups:
    """A field's row length on strips by pair of passes and direction.

    Attributes
    ----------
    table : ShiftTable
        Owned by one, the field.
    pairs : Pairs
    offset_m : ndarray, shape (groups,)
        Mean offset of each group [m].
    """

    table: ShiftTable
    pairs: Pairs
    offset_m: np.ndarray

    @classmethod
    def of(cls, spans: Spans, places: Places, prior: ReturnError) -> "FieldGroups":
        """Of all spans of a field; only the wander of the error has a part, so it serves for every tier."""
        reduced, table, pairs = _reduced(spans, places, np.zeros(len(places.row), np.int64), prior)
        length = np.maximum(reduced.groups.length_m, 1e-12)
        return cls(table, pairs, reduced.length_m @ reduced.scale.offset_m / length)

    @property
    def length_m(self) -> float:
        """Row length on strips [m]."""
        return float(self.table.groups.length_m.sum())


def _reduced(
    spans: Spans, places: Places, owner: np.ndarray, prior: ReturnError
) -> tuple[Reduced, ShiftTable, Pairs]:
    """Length by offset, and missed length by shift with the wander in it, of groups of owner, pair and direction.

    Of the spans on strips alone.
    """
    on = np.flatnonzero(spans.kind == ON_STRIP)
    pairs = Pairs.of(places.take(on), {"": prior})
    wander = prior.wander_sd_m
    mean = pairs.mean_normals(spans.normal_x[on], spans.normal_y[on], spans.length_m[on])
    scale = Scale.over(spans, half_width_m=pairs.half_width_m, wander_sd_m=wander)
    odds, width = wander_odds(pairs, scale, wander)
    reduced = Reduced.by_parts(spans, which=on, owner=owner[on], pair=pairs.of_place, scale=scale, mean=mean)
    return reduced, reduced.missed_by_shift(odds, width[reduced.groups.pair]), pairs


def shift_weights(table: ShiftTable, pairs: Pairs, posterior: Posterior, *, moved_m: np.ndarray | float = 0.0) -> np.ndarray:
    """Probability of each step of shift for each group, shape (groups, steps): a mixture over the branches.

    `moved_m` is how far each group's rows are moved besides, (groups,) [m].
    """
    mean, sd = posterior.shift_of_branches(*places_of_groups(table.groups, pairs))
    mean = mean + moved_m
    sd = np.maximum(sd, 1e-12)[:, None]
    inner = 0.5 * (table.shift_m[1:] + table.shift_m[:-1])
    below = np.zeros((len(sd), len(inner)))
    heavy = posterior.weights >= _LEAST_WEIGHT * posterior.weights.max()
    share = posterior.weights[heavy] / posterior.weights[heavy].sum()
    for one, of_groups in zip(share, mean[heavy], strict=True):
        below += one * ndtr((inner - of_groups[:, None]) / sd)
    return np.diff(below, axis=1, prepend=0.0, append=1.0)


def _shares(
    table: ShiftTable, pairs: Pairs, posterior: Posterior, weight: np.ndarray, pass_of_row: np.ndarray, passes: int,
    seed: int,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Percentiles of the missed share of rows, (3, rows), of passes, (3, passes), and of the field, (3,)."""
    rows, g = len(pass_of_row), table.groups
    alone = np.bincount(g.owner, minlength=rows)[g.owner] == 1
    row_share = np.zeros((len(PERCENTILES), rows))
    row_share[:, g.owner[alone]] = percentiles_of_weights(
        table.missed_m[alone], g.length_m[alone], weight[alone][:, :, None], np.arange(alone.sum())
    )[0]
    some, several = table.several(rows)
    of_some = np.empty((len(some), BLOCK), np.float32)
    of_passes, of_field = np.empty((passes, PASS_DRAWS), np.float32), np.empty((1, FIELD_DRAWS))
    by_pass = replace(table, groups=replace(g, owner=pass_of_row[g.owner]))

    def judge_block(block: int) -> None:
        errors, at = conditioned_draws(posterior, seed=seed, block=block), slice(block * BLOCK, (block + 1) * BLOCK)
        missed = by_pass.under(pairs, errors, passes)
        of_field[0, at] = missed.sum(axis=0, dtype=float)
        if at.stop <= PASS_DRAWS:
            of_passes[:, at] = missed
        if block == 0:
            of_some[:] = several.under(pairs, errors, len(some))

    with ThreadPoolExecutor(THREADS) as pool:
        list(pool.map(judge_block, range(FIELD_DRAWS // BLOCK)))
    row_share[:, some] = percentiles_of_draws(of_some, table.lengths(rows)[some])
    length = by_pass.lengths(passes)
    field_share = percentiles_of_draws(of_field, length.sum(keepdims=True))[:, 0]
    return row_share, percentiles_of_draws(of_passes, length), field_share
