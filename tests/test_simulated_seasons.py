"""The odds, before and after checks, against seasons simulated from the model and laid over the strips.

What is tested is the chain from layers on disk to the field's figures. The referee (`seasons`) simulates receivers,
implements and both operations, moves every piece of row and lays it over the strips as they were laid.

Nothing is left out of the comparison but what the tables report apart: rows are laid over strips where one runs their way
within half a row spacing, so the ends of rows that cross a headland take no part. Errors are those of the trade, inches to
a foot. Rows are clipped at the field's edge and strips go on beyond it, as a bar is lifted in the headland; so a shift
along the rows bares none of their ends.
"""

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest
from helpers import INCH, Z, tier
from scipy.stats import norm
from seasons import HALF_WIDTH_M, Figures, Overlay, Seasons
from small_fields import SHAPES, SmallField, two_headings_field
from small_runs import judged, measured, middle_of, write_small

from pipeline import columns as c
from pipeline.core.checked import FieldGroups, conditioned_draws, judge_checked
from pipeline.core.checks import Checks
from pipeline.core.conditioning import Posterior
from pipeline.core.dig_places import dig_places, spread_places
from pipeline.core.draws import StandardDraws
from pipeline.core.odds import judge
from pipeline.core.operations import Clock
from pipeline.core.pairs import Places
from pipeline.core.returns import ReturnError
from pipeline.core.stretches import Stretches
from pipeline.core.tiering import Side, Site, return_errors
from pipeline.files.catalogue import load_catalogue
from pipeline.files.field_data import FieldData
from pipeline.files.ground_checks import GroundChecks, posteriors

pytestmark = pytest.mark.slow

# --- before any check ---

# Shapely overlays the first seasons of each regime, 1,500 of a shape; plain distances, held to be the same in every one of
# those, all of them. 10,000 would leave the referee's own mean uncertain by 0.4 points where one shift rules.
OVERLAID, SEASONS = 750, 50_000
# Share of a return's variance that is drift: the rest is the days' bias.
REGIMES = {"the day's bias rules": 0.02, "the drift rules": 0.9}


def figures_of(small: SmallField, drift_share: float) -> Figures:
    """An invented tier that returns within 8 in, and a planter that hangs far enough aside to matter."""
    return Figures(
        repeatable_m=8 * INCH, drift_share=drift_share, correlation_s=small.correlation_s, start_m=30 * INCH,
        converges_s=600.0, wander_m=1.8 * INCH, machine_m=2 * INCH,
    )  # fmt: skip


@pytest.mark.parametrize("shape", SHAPES)
def test_missed_share_of_simulated_seasons(shape, tmp_path):
    small = SHAPES[shape]()
    tiers = {f"tier_{k}": figures_of(small, share) for k, share in enumerate(REGIMES.values())}
    found = judged(tmp_path, write_small(tmp_path, small, tiers))
    for number, (name, figures) in enumerate(tiers.items()):
        rng, one = np.random.default_rng([4, number]), found.loc[name]
        overlay, seasons = Overlay.of(small, figures), Seasons.simulated(small, figures, SEASONS, rng)
        few = seasons.some(slice(OVERLAID))
        overlaid, by_distance = (way(few, np.random.default_rng(5)) for way in (overlay.shapely_share, overlay.share))
        # Distances are as good as the overlay: the middle of a piece stands for it, at most 3 m of several thousand.
        assert abs((by_distance - overlaid).mean()) < 1e-3 and np.abs(by_distance - overlaid).max() < 6e-3
        # The same rows are judged: those with a strip beside them (a grid metre is not quite a metre on the ground).
        assert one.length_m == pytest.approx(overlay.pieces.length_m.sum(), rel=1e-3)
        share = overlay.share(seasons, rng)
        p10, p90 = np.percentile(share, [10, 90])
        assert one["mean"] == pytest.approx(share.mean(), abs=0.005)
        assert one[c.P10] == pytest.approx(p10, abs=0.01)
        assert one[c.P90] == pytest.approx(p90, abs=0.01)


# --- after checks ---

TAPE_SD_M = 0.25 * INCH / Z
# Half of the variance of a return is drift, or none of it.
MIXED = Figures(8 * INCH, 0.5, 1800.0, converges_s=60.0, start_m=1.0, wander_m=1.8 * INCH, machine_m=2 * INCH)
DAY = replace(MIXED, drift_share=0.0)
checked_field = pytest.mark.xdist_group("simulated checks")


@dataclass(frozen=True)
class Dug:
    """The field of two headings, through the steps, with eight places to dig: four in either block."""

    small: SmallField
    field: FieldData
    places: Places
    errors: dict[str, ReturnError]
    checks: Checks
    piece: np.ndarray

    def measured(self, overlay: Overlay, seasons: Seasons, rng: np.random.Generator) -> np.ndarray:
        """What a tape says at the places, (8, seasons) [m]."""
        true = overlay.offsets_m(seasons, self.piece, rng)
        return true + TAPE_SD_M * rng.standard_normal(true.shape)

    @property
    def whole(self) -> tuple:
        """Spans and places, and how `judge` is told of passes."""
        rows = self.field.rows[c.PASS].to_numpy(np.int64)
        return self.field.spans, self.places, {"pass_of_row": rows, "passes": len(self.field.planter_passes), "seed": 1}

    @classmethod
    def of(cls, small: SmallField, folder: Path) -> "Dug":
        pieces, rng = small.pieces, np.random.default_rng(12)
        north = pieces.row_pass >= 8
        piece = np.concatenate([rng.choice(np.flatnonzero(block), 4, replace=False) for block in (~north, north)])
        settings = write_small(folder, small, {"mixed": MIXED, "day": DAY}, checks=pieces.middle_m[piece])
        field, judging, _ = measured(folder, settings)
        places, errors = field.places(0.0), field.errors(judging)
        found = GroundChecks.of(field, places, errors)
        order = [int(np.argmin(np.hypot(*(pieces.middle_m[piece] - middle_of(field, s)).T))) for s in found.span]
        # The checks come back in an order of place, block by block.
        assert sorted(order[:4]) == list(range(4)) and sorted(order[4:]) == list(range(4, 8))
        np.testing.assert_allclose(found.checks.tape_sd_m, TAPE_SD_M, rtol=1e-6)
        return cls(small, field, places, errors, found.checks, piece[order])


@pytest.fixture(scope="module")
def dug(tmp_path_factory) -> Dug:
    return Dug.of(two_headings_field(days=2), tmp_path_factory.mktemp("dug"))


def rank_among(truth: float, draws: np.ndarray, rng: np.random.Generator) -> float:
    """Probability integral transform of a truth by draws of its distribution, uniform where both are of one kind.

    A missed share has atoms: no season misses less than nothing, and many miss all but nothing. Both are rounded to
    0.1 points (shifts to 1 mm), and among equals the truth takes a place by lot; an interval so drawn holds just its
    nominal share, where a plain one would hold all of an atom or none of it.
    """
    truth, draws = np.round(truth, 3), np.round(draws, 3)
    return ((draws < truth).sum() + rng.random() * ((draws == truth).sum() + 1)) / (len(draws) + 1)


@checked_field
@pytest.mark.parametrize("signed", [True, False])
def test_ninety_per_cent_intervals_hold_the_simulated_truths(dug, signed):
    # Of the missed share, the shift common to the field, east and north, and the machine bias. What is asked:
    # 88-92 %; the standard error over 2,000 seasons is 0.7.
    count, rng = 2000, np.random.default_rng([21, signed])
    overlay, seasons = Overlay.of(dug.small, MIXED), Seasons.simulated(dug.small, MIXED, count, rng)
    truth, found = overlay.share(seasons, rng), dug.measured(overlay, seasons, rng)[::2]
    few = replace(dug.checks.take(slice(None, None, 2)), signed=np.full(4, signed))
    spans, places, _ = dug.whole
    error = dug.errors["mixed"]
    groups = FieldGroups.of(spans, places, error)
    table, pairs = groups.table, groups.pairs
    weight = np.bincount(table.groups.pair, table.groups.length_m, len(pairs.strip_pass))
    shift = np.vstack([true_common_shift(dug, seasons), seasons.machine])
    rank, z = np.empty((4, count)), np.empty((3, count))
    for k in range(count):
        now = replace(few, measured_m=found[:, k] if signed else np.abs(found[:, k]))
        posterior = Posterior.of(error, now)
        draws = autumn, spring, machine = conditioned_draws(posterior, seed=1, block=k % 16)
        moved = np.average(autumn[:, pairs.strip_pass] + spring[:, pairs.planter_pass], axis=1, weights=weight)
        drawn = [table.under(pairs, draws, 1)[0] / groups.length_m, *moved, machine]
        rank[:, k] = [rank_among(one, many, rng) for one, many in zip((truth[k], *shift[:, k]), drawn, strict=True)]
        said = posterior.common_shift(pairs.strip_pass, pairs.planter_pass, weight)
        z[:, k] = (shift[:, k] - said.mean_m) / said.sd_m
    closed = (np.abs(z) < norm.ppf(0.95)).mean(axis=1)
    held = ((rank > 0.05) & (rank < 0.95)).mean(axis=1)
    assert (held > 0.88).all() and (held < 0.92).all()
    if signed:  # then mean and standard deviation are all there is to it
        assert (closed > 0.88).all() and (closed < 0.92).all()


def true_common_shift(dug: Dug, seasons: Seasons) -> np.ndarray:
    """Mean shift of the rows against their strips, by length, (2, seasons) [m].

    North is the grid's here and true north in the field, not a degree apart: a millimetre of a shift of 4 in.
    """
    p = dug.small.pieces
    spring, autumn = (np.bincount(which, p.length_m) / p.length_m.sum() for which in (p.row_pass, p.strip_pass))
    return np.einsum("p,kps->ks", spring, seasons.spring) - np.einsum("p,kps->ks", autumn, seasons.autumn)


@checked_field
def test_eight_checks_narrow_the_missed_share(tmp_path):
    # One shift moves the whole field, planted in a day, and nothing is aside. Every check of a block tells the shift
    # across its rows, so its variance falls to 1 / (1 / sigma^2 + n / tau^2) (Gelman et al., Bayesian Data Analysis,
    # 3rd ed., section 2.5, from memory), tau being tape and wander together. Seasons as they come, none is chosen.
    dug, figures = Dug.of(two_headings_field(days=1), tmp_path), replace(DAY, machine_m=0.0)
    error, rng, count = replace(dug.errors["day"], machine_sd_m=0.0), np.random.default_rng(31), 100
    overlay, seasons = Overlay.of(dug.small, figures), Seasons.simulated(dug.small, figures, count, rng)
    truth, found = overlay.share(seasons, rng), dug.measured(overlay, seasons, rng)
    spans, places, how = dug.whole
    prior = judge(spans, places, {"": error}, spacing_m=30 * INCH, **how)[""].field_share
    after = np.array([
        judge_checked(spans, places, Posterior.of(error, replace(dug.checks, measured_m=one)), **how).field_share
        for one in found.T
    ])  # fmt: skip
    wide, narrow, inside = prior[2] - prior[0], after[:, 2] - after[:, 0], (truth > after[:, 0]) & (truth < after[:, 2])
    assert prior[0] < 0.10 and prior[2] > 0.70
    assert narrow.max() < bound_of(overlay, figures)
    assert np.median(narrow) < wide / 4
    # From the 10th to the 90th percentile lie 80 % of the truths, give or take three standard errors of 4 points.
    assert 0.68 <= inside.mean() <= 0.92


def bound_of(overlay: Overlay, figures: Figures) -> float:
    """The widest that p10 to p90 can be once four checks have told the shift across each of the two blocks.

    A function of independent normals that changes by at most L for each standard deviation of them together is within
    L x 1.2816 of its median from the 10th to the 90th percentile (Borell 1975; Sudakov and Tsirelson 1974; from
    memory). L is the steepest slope of a block's missed share in the shift, as its own rows lie, times the standard
    deviation that is left of that, both blocks together by Pythagoras.
    """
    p, none = overlay.pieces, np.zeros((2, 14, 1))
    straight = Seasons(none, none, none[:, 0], none[:, 0], np.zeros(1))
    offset = replace(overlay, wander_sd_m=0.0).offsets_m(straight, np.arange(len(p.strip)), np.random.default_rng(1))[:, 0]
    wander, shift = figures.wander_m / Z, np.arange(-0.4, 0.4, 0.002)
    tau, prior = np.hypot(wander, TAPE_SD_M), figures.repeatable_m / Z
    left_sd, slopes = 1 / np.sqrt(1 / prior**2 + 4 / tau**2), []
    for block in (p.row_pass < 8, p.row_pass >= 8):
        # Strips of a block run both ways: a shift to the left of one is one to the right of the next.
        way = np.where(p.strip_pass[block] % 2, -1.0, 1.0)
        moved = offset[block, None] + way[:, None] * shift
        missed = norm.sf((HALF_WIDTH_M - moved) / wander) + norm.cdf((-HALF_WIDTH_M - moved) / wander)
        share = p.length_m[block] @ missed / p.length_m.sum()
        slopes.append(np.abs(np.diff(share)).max() / 0.002)
    return 2 * norm.ppf(0.9) * float(np.hypot(*slopes)) * left_sd


# --- where to dig ---


@checked_field
def test_the_first_place_to_dig_is_no_worse_than_a_random_one(dug):
    # Referee: what a check leaves is the standard deviation of the missed share among seasons with the same measured
    # offset, by 40 classes of 500 simulated seasons. No conditioning, and none of the pipeline's candidates: 41 places
    # by lot over the row length. The block to the east has more of it, so a place there should say more.
    overlay, rng = Overlay.of(dug.small, MIXED), np.random.default_rng(41)
    spans, places, _ = dug.whole
    error = dug.errors["mixed"]
    found = dig_places(
        spans, places, FieldGroups.of(spans, places, error), posteriors({"": error}, None)[""],
        candidates=spread_places(spans), count=1, tape_sd_m=TAPE_SD_M, seed=1,
    )  # fmt: skip
    pieces = overlay.pieces
    first = np.argmin(np.hypot(*(pieces.middle_m - middle_of(dug.field, found.span[0])).T))
    which = np.append(rng.choice(len(pieces.strip), 41, p=pieces.length_m / pieces.length_m.sum(), replace=False), first)
    seasons = Seasons.simulated(dug.small, MIXED, 20_000, rng)
    share = overlay.share(seasons, rng)
    tape = overlay.offsets_m(seasons, which, rng)
    tape += TAPE_SD_M * rng.standard_normal(tape.shape)
    left = [np.sqrt(np.mean([share[some].var(ddof=1) for some in np.array_split(np.argsort(one), 40)])) for one in tape]
    assert left[-1] <= np.median(left[:-1])
    assert found.share_sd == pytest.approx(share.std(), rel=0.05)  # of 1,024 draws
    assert found.left_sd[0] == pytest.approx(left[-1], rel=0.15)  # what `next_places` says of itself


# --- the figures of a tier ---


@pytest.mark.parametrize("pass_to_pass_m", [0.5 * INCH, 4 * INCH])
def test_a_drift_run_in_small_steps_gives_the_figures_back(pass_to_pass_m):
    # First-order Gauss-Markov is dg = -g dt / T + sigma sqrt(2 / T) dW, taken here in 600 steps to the quarter of an
    # hour of a pass-to-pass figure, and two visits a season apart. 95 % of the differences of 200,000 seasons.
    one = tier(repeatable_m=8 * INCH, pass_to_pass_m=pass_to_pass_m, correlation_s=1800.0)
    spread, rng, count = one.spread(), np.random.default_rng(51), 200_000
    begun = [spread.drift_sd_m * rng.standard_normal(count) for _ in range(2)]
    days = [spread.bias_sd_m / np.sqrt(2) * rng.standard_normal(count) for _ in range(2)]
    step, drift = 900.0 / 600 / spread.correlation_time_s, begun[0].copy()
    for _ in range(600):
        drift += -drift * step + spread.drift_sd_m * np.sqrt(2 * step) * rng.standard_normal(count)
    assert np.percentile(np.abs(drift - begun[0]), 95) == pytest.approx(pass_to_pass_m, rel=0.02)
    assert np.percentile(np.abs(days[0] + drift - days[1] - begun[1]), 95) == pytest.approx(8 * INCH, rel=0.02)


@pytest.mark.parametrize("since_s", [0.0, 60.0, 200.0, 600.0, 1800.0])
def test_two_visits_after_a_start_return_within_the_figure_of_that_moment(since_s):
    # R(t) = R + (R_start - R) exp(-3 t / T_conv): 95 % of the differences of two visits, each so long after
    # its own start, over 131,072 joint draws.
    one = replace(tier(repeatable_m=3 * INCH, pass_to_pass_m=1 * INCH), start_error_m=1.0, convergence_s=600.0)
    now = replace(Stretches.whole(1), since_s=np.array([[since_s, since_s]]))
    side = Side.of_passes(Clock.from_times(np.zeros(1)), [""], now)
    error = return_errors(
        {"t": one}, compare=["t"], autumn="same", kind="planned", strips=side, rows=side, site=Site(),
        steering_95_m=(0.0, 0.0),
    )["t"]  # fmt: skip
    autumn, spring, _ = StandardDraws.seeded([error], draws=2**17, seed=1).errors([error])[0]
    formula = 3 * INCH + (1.0 - 3 * INCH) * np.exp(-3 * since_s / 600.0)
    for axis in (0, 1):
        assert np.percentile(np.abs(autumn[axis] + spring[axis]), 95) == pytest.approx(formula, rel=0.02)


@pytest.mark.parametrize(("miles", "inches"), [(0, 1.0), (4, 1.5), (8, 2.0), (10, 2.25)])
def test_an_inch_at_the_base_and_an_eighth_more_for_each_mile(miles, inches):
    # Common practice, no source.
    base = load_catalogue(Path(__file__).parents[1] / "shared" / "tiers.yaml").tiers["rtk_base"]
    assert base.repeatable_at(miles * 1609.344) == pytest.approx(inches * INCH, rel=1e-9)
    assert base.spread(miles * 1609.344).repeatable_sd_m == pytest.approx(inches * INCH / Z, rel=1e-9)
