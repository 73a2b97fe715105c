"""What is left once somebody has dug: against quadrature and plain simulation, for few places and for many."""

import numpy as np
import pytest
from dug import WANDER_M, checks_at, error_of
from helpers import INCH, Z, tier
from scipy.special import ndtr
from scipy.stats import norm

from pipeline.core.checked import FieldGroups
from pipeline.core.conditioning import Posterior
from pipeline.core.dig_left import sd_left
from pipeline.core.dig_places import dig_places
from pipeline.core.offsets import ON_STRIP, Spans
from pipeline.core.pairs import Places

HALF_WIDTH_M = 4 * INCH
TAPE_M = 1 * INCH / Z
OFFSET_M = 0.07
MANY = np.array([1, 2, 5, 10, 20, 40])
# Pairs of springs that what is left is told by: four blocks.
PAIRS = 4096


def one_shift(
    repeatable_m: float, *, places: int = 40, tape_sd_m: float = TAPE_M, seed: int = 1
) -> tuple[float, np.ndarray]:
    """A field of one day that one shift across it moves, dug at one row again and again; it misses wholly or not at all."""
    error = error_of(tier(repeatable_m=repeatable_m), passes=3, wander_sd_m=0.0, machine_sd_m=0.0)
    where = every_pass_east(np.zeros(places, int))
    dug = checks_at(where, np.full(places, OFFSET_M), offset_m=OFFSET_M, tape_sd_m=tape_sd_m)
    return sd_left(nobody_dug(error), dug, tuple(one[:1] for one in where), missed_wholly, seed=seed)


def missed_wholly(shift: np.ndarray) -> np.ndarray:
    return (np.abs(shift[0] + OFFSET_M) > HALF_WIDTH_M).astype(np.float32)


def every_pass_east(pair: np.ndarray, *, heading: float | np.ndarray = 1.0) -> tuple:
    """Rows of these pairs of passes, strips driven east or west."""
    heading = np.broadcast_to(heading, len(pair)).astype(float)
    return pair, pair, heading[:, None] * np.array([[0.0, 1.0]]), heading


def nobody_dug(error) -> Posterior:
    return Posterior.of(error, checks_at(every_pass_east(np.zeros(0, int)), np.zeros(0)))


def left_by_quadrature(sd: float, tape_sd_m: float) -> float:
    """Root of the mean of p (1 - p) over what one measurement says, p being the odds of a miss after it (SciPy's normal)."""
    z = np.linspace(-8.0, 8.0, 8001)
    told = sd**2 / np.hypot(sd, tape_sd_m) * z  # mean of the shift given the measurement
    rest = sd * tape_sd_m / np.hypot(sd, tape_sd_m)
    p = norm.sf(HALF_WIDTH_M, told + OFFSET_M, rest) + norm.cdf(-HALF_WIDTH_M, told + OFFSET_M, rest)
    return float(np.sqrt(np.average(p * (1.0 - p), weights=norm.pdf(z))))


def by_chance(left: np.ndarray) -> np.ndarray:
    """Four standard errors where a field misses wholly or not at all: 2 left^2 of the pairs differ, a binomial number."""
    return 4.0 * 0.5 * left / np.sqrt(PAIRS * 2.0 * left**2)


@pytest.mark.parametrize("repeatable_m", [0.05, 0.15, 0.9])
def test_one_shared_shift_by_quadrature(repeatable_m):
    # k measurements of one shift are one with the tape's error over the root of k.
    sd = repeatable_m / Z
    now, left = one_shift(repeatable_m)
    exact = np.array([left_by_quadrature(sd, TAPE_M / np.sqrt(k)) for k in MANY])
    assert (np.abs(left[MANY - 1] - exact) < by_chance(exact)).all()
    miss = norm.sf(HALF_WIDTH_M, OFFSET_M, sd) + norm.cdf(-HALF_WIDTH_M, OFFSET_M, sd)
    assert now == pytest.approx(np.sqrt(miss * (1 - miss)), abs=0.02)
    assert (np.diff(left) <= 0.0).all()


def test_the_mean_of_seeds_has_no_bias():
    # Where a figure that is fitted to its draws is told too well: five places, and 40.
    exact = np.array([left_by_quadrature(0.05 / Z, TAPE_M / np.sqrt(k)) for k in (5, 40)])
    told = np.mean([one_shift(0.05, seed=seed)[1][[4, 39]] for seed in range(16)], axis=0)
    # A sixteenth of the chance's variance, and 3 % at most for the least so far.
    assert (np.abs(told - exact) < by_chance(exact) / 4.0 + 0.03 * exact).all()


def test_measurements_that_say_nothing_leave_all():
    now, left = one_shift(0.15, tape_sd_m=100.0)
    np.testing.assert_allclose(left, now, rtol=3e-3)


def test_an_exact_tape_leaves_nothing_of_one_shift():
    # Two springs that agree to a hundredth of a millimetre have an edge of the strip between them once in some thousands
    # of pairs; seven of the 4,096 would leave 0.03.
    assert one_shift(0.15, tape_sd_m=1e-5, places=1)[1][0] < 0.03


@pytest.mark.parametrize(
    ("repeatable_m", "drift_m", "step_s", "offset_m"),
    [(0.05, 0.04, 900.0, 0.07), (0.1, 0.09, 900.0, 0.0), (0.1, 0.09, 1800.0, 0.07), (0.3, 0.12, 900.0, 0.0)],
)
def test_drift_of_forty_passes_by_plain_simulation(repeatable_m, drift_m, step_s, offset_m):
    # Referee: the covariance, conditioned by the textbook's formula; 300 seasons, each with 1,500 draws of its own.
    one, count = tier(repeatable_m=repeatable_m, pass_to_pass_m=drift_m, correlation_s=1800.0), 40
    error = error_of(one, passes=count, step_s=step_s, machine_sd_m=0.0)
    heading = np.where(np.arange(count) % 2, 1.0, -1.0)
    where, offset = every_pass_east(np.arange(count), heading=heading), offset_m * heading
    rng = np.random.default_rng(7)
    order = rng.permutation(count)
    dug = checks_at(where, offset, offset_m=offset, tape_sd_m=TAPE_M).take(order)

    def share_of(shift):
        aside = shift + offset[:, None]
        return (ndtr((aside - HALF_WIDTH_M) / WANDER_M) + ndtr((-aside - HALF_WIDTH_M) / WANDER_M)).mean(axis=0)

    _, left = sd_left(nobody_dug(error), dug, where, share_of, seed=1)
    covariance, noise = error.covariance(*where) - WANDER_M**2 * np.eye(count), np.hypot(WANDER_M, TAPE_M)
    root = np.linalg.cholesky(covariance + 1e-12 * np.eye(count))
    for k in MANY:
        at = order[:k]
        gain = covariance[:, at] @ np.linalg.inv(covariance[np.ix_(at, at)] + noise**2 * np.eye(k))
        drawn = root @ rng.standard_normal((count, 1500))
        apart = drawn - gain @ (drawn[at] + noise * rng.standard_normal((k, 1500)))
        seasons = root[at] @ rng.standard_normal((count, 300)) + noise * rng.standard_normal((k, 300))
        exact = np.sqrt(np.mean([share_of((gain @ one)[:, None] + apart).var() for one in seasons.T]))
        # Both are by chance, the referee by that of 300 seasons.
        assert left[k - 1] == pytest.approx(exact, rel=0.12)


@pytest.mark.parametrize("inches", [[3.0], [3.0, 2.4], [3.0, 2.4, 3.9]])
def test_sides_that_are_not_known_are_settled_by_what_is_dug_next(inches):
    # Dug so far off without a side, in a field of one shift. Referee: Bayes on a grid of shifts, told apart by the next
    # measurement on another grid. To take sides for known would leave what a check of known side leaves.
    sd, tape, distance = 0.3 / Z, TAPE_M, INCH * np.array(inches)
    error = error_of(tier(repeatable_m=0.3), passes=3, wander_sd_m=0.0, machine_sd_m=0.0)
    where = every_pass_east(np.zeros(3, int))
    before_dug = every_pass_east(np.zeros(len(inches), int))
    known = checks_at(before_dug, distance, offset_m=OFFSET_M, signed=False, tape_sd_m=tape)
    dug = checks_at(where, np.full(3, OFFSET_M), offset_m=OFFSET_M, tape_sd_m=tape)
    now, left = sd_left(Posterior.of(error, known), dug, tuple(one[:1] for one in where), missed_wholly, seed=1)
    true = np.linspace(-0.5, 0.5, 2001) + OFFSET_M
    either = [norm.pdf(true, far, tape) + norm.pdf(true, -far, tape) for far in distance]
    before = norm.pdf(true, OFFSET_M, sd) * np.prod(either, axis=0)
    before, miss = before / before.sum(), np.abs(true) > HALF_WIDTH_M
    assert now == pytest.approx(np.sqrt(before @ miss * (1 - before @ miss)), abs=0.02)
    for k in (1, 2, 3):
        said = norm.pdf(true[:, None], true[None, ::4], tape / np.sqrt(k)) * before[:, None]
        odds = (said * miss[:, None]).sum(axis=0) / np.maximum(said.sum(axis=0), 1e-300)  # nothing is said so far off
        exact = np.sqrt(np.average(odds * (1 - odds), weights=said.sum(axis=0)))
        assert abs(left[k - 1] - exact) < by_chance(exact)


def test_the_same_seed_tells_the_same():
    (now, left), (again, other) = one_shift(0.15, places=3), one_shift(0.15, places=3)
    assert now == again
    np.testing.assert_array_equal(left, other)


def field_of_one_shift(repeatable_m: float) -> tuple:
    """Ten rows of 10 m in one pair of passes, each 7 cm to the left; what `dig_places` is asked with."""
    error = error_of(tier(repeatable_m=repeatable_m), passes=3, wander_sd_m=0.0, machine_sd_m=0.0)
    row, ones = np.arange(10), np.ones(10)
    spans = Spans(
        row, row, np.full(10, ON_STRIP), 0 * ones, 10 * ones, OFFSET_M * ones, OFFSET_M * ones, 0 * ones, ones, ones,
    )  # fmt: skip
    places = Places(row, 0 * row, 0 * row, HALF_WIDTH_M * ones)
    return spans, places, FieldGroups.of(spans, places, error), nobody_dug(error)


@pytest.mark.parametrize("repeatable_m", [0.05, 0.15])
def test_the_places_of_a_field_say_what_they_leave(repeatable_m):
    found = dig_places(*field_of_one_shift(repeatable_m), candidates=np.arange(10), count=10, tape_sd_m=TAPE_M, seed=1)
    assert sorted(found.span) == list(range(10))
    some = np.array([1, 2, 5, 10])
    exact = np.array([left_by_quadrature(repeatable_m / Z, TAPE_M / np.sqrt(k)) for k in some])
    assert (np.abs(found.left_sd[some - 1] - exact) < by_chance(exact)).all()


@pytest.mark.parametrize("repeatable_m", [0.0, 0.01])
def test_where_there_is_nothing_to_learn_no_place_is_proposed(repeatable_m):
    # 7 cm aside on a strip of 4 in to each side: 3.2 cm are left, six standard deviations of 1 cm / 1.96.
    found = dig_places(*field_of_one_shift(repeatable_m), candidates=np.arange(10), count=5, tape_sd_m=TAPE_M, seed=1)
    assert (len(found.span), len(found.left_sd), found.share_sd) == (0, 0, 0.0)


def test_what_only_the_choosing_draws_find_is_nothing():
    # 3.4 standard deviations: with this seed missed in some of the springs that choose, and in none of those that tell.
    found = dig_places(*field_of_one_shift(0.018), candidates=np.arange(10), count=1, tape_sd_m=TAPE_M, seed=5)
    assert (len(found.span), found.share_sd) == (0, 0.0)


def test_little_is_not_nothing():
    # The same 3.2 cm are 2.8 standard deviations: missed in one spring of 400, a standard deviation of 5 %.
    found = dig_places(*field_of_one_shift(0.022), candidates=np.arange(10), count=5, tape_sd_m=TAPE_M, seed=1)
    assert len(found.span) == 5
