"""Odds and percentiles against the normal distribution, quadrature and a plain Monte Carlo."""

from dataclasses import replace

import numpy as np
import pytest
import shapely
from helpers import INCH, SPACING_M, Field, Z, drift_and_bias_var, straight, tier, tier_without_error, wave
from scipy.integrate import quad
from scipy.optimize import minimize_scalar
from scipy.stats import norm

from pipeline.core import odds
from pipeline.core.percentiles import percentiles_of_weights
from pipeline.core.tier import Tier

HALF_WIDTH_M = 4 * INCH
DRAWS = 1_000_000
CHUNK = 100_000


def miss(offset_m, half_width_m, sd_m):
    """P(|offset + error| > half width), by SciPy's normal distribution."""
    return norm.sf((half_width_m - offset_m) / sd_m) + norm.cdf((-half_width_m - offset_m) / sd_m)


@pytest.mark.parametrize("repeatable_m", [1 * INCH, 1.5 * INCH, 4 * INCH, 8 * INCH, 20 * INCH, 36 * INCH])
@pytest.mark.parametrize("shift_m", [0.0, 0.03, -0.1016, 0.15, -0.3])
@pytest.mark.parametrize("pass_to_pass_m", [0.0, 1 * INCH])
def test_straight_rows_shifted_by_a_constant(repeatable_m, shift_m, pass_to_pass_m):
    field = straight(5, shift_m=shift_m)
    one = tier(repeatable_m=repeatable_m, pass_to_pass_m=pass_to_pass_m)
    (found,) = field.judge(one, half_width_m=HALF_WIDTH_M)
    # One tier in both operations, no steering error: the variance of d is sigma_R^2.
    expected = miss(shift_m, HALF_WIDTH_M, repeatable_m / Z)
    assert found.expected_miss_m.sum() / 500.0 == pytest.approx(expected, abs=1e-3)


def test_steering_wander_adds_to_the_variance():
    (found,) = straight(4, shift_m=0.05).judge(
        tier(repeatable_m=2 * INCH), half_width_m=HALF_WIDTH_M, steering_95_m=3 * INCH
    )
    sd = np.hypot(2 * INCH, 3 * INCH) / Z
    assert found.expected_miss_m.sum() / 400.0 == pytest.approx(miss(0.05, HALF_WIDTH_M, sd), abs=1e-3)


@pytest.mark.parametrize(
    ("slope_m", "off_m"), [(0.05, 0.0), (0.2032, 50.0), (0.3, 100.0 * (1 - 0.1016 / 0.3))]
)
def test_no_error_gives_the_bare_geometry(slope_m, off_m):
    # The row starts `slope` to the right of its strip and ends as far to the left; |offset| <= 0.1016 holds:
    #      ---.___            of the 100 m the share 0.1016 / slope lies on the strip
    #   =========`---.====
    (found,) = straight(3, slope_m=slope_m).judge(tier_without_error(), half_width_m=HALF_WIDTH_M)
    scale = np.hypot(100.0, 2 * slope_m) / 100.0
    # What lies within a micrometre of a limit is on its near side.
    for lengths in (found.misses_m, found.expected_miss_m):
        np.testing.assert_allclose(lengths, off_m * scale, rtol=1e-9, atol=100.0 * 1e-6 / slope_m)
    np.testing.assert_allclose(found.doubt_m, 0.0, atol=1e-9)
    for shares in (found.row_share, found.pass_share, found.field_share):
        np.testing.assert_allclose(shares, off_m / 100.0, rtol=1e-6, atol=1e-6 / slope_m)


@pytest.mark.parametrize("shift_m", [0.0, 0.10159, 0.10163, -0.10163, 0.3])
def test_without_an_error_no_bin_parts_rows_at_the_edge(shift_m):
    """A row at one offset is on its strip or off it as a whole, in every draw; and the next strip is too far to hold it."""
    (found,) = straight(3, shift_m=shift_m).judge(tier_without_error(), half_width_m=HALF_WIDTH_M)
    missed = float(abs(shift_m) > HALF_WIDTH_M)
    for shares in (found.row_share, found.pass_share, found.field_share):
        np.testing.assert_array_equal(shares, missed)
    for lengths in (found.expected_miss_m, found.expected_miss_any_m):
        np.testing.assert_allclose(lengths, 100.0 * missed, rtol=1e-9)


def test_without_an_error_the_order_of_rows_plays_no_part():
    """Three rows 0.10 m aside, of strips 0.15, 0.05 and 0.05 m to either side: the first is on its strip."""
    field = straight(3, shift_m=0.10)
    spans = field.spans()
    places = field.places(spans, np.array([0.15, 0.05, 0.05])[spans.strip])
    back = np.argsort(-spans.row, kind="stable")
    for order in (np.arange(len(spans.row)), back):
        (found,) = odds.judge(
            spans.take(order), places.take(order), {"sure": field.error(tier_without_error())}, pass_of_row=field.row_pass,
            passes=3, spacing_m=SPACING_M, seed=1,
        ).values()  # fmt: skip
        np.testing.assert_allclose(found.expected_miss_any_m, [0.0, 100.0, 100.0], atol=1e-9)
        np.testing.assert_allclose(found.expected_miss_m, [0.0, 100.0, 100.0], atol=1e-9)


def test_without_an_error_a_row_on_the_next_strip_is_off_its_own_alone():
    field = straight(3)
    spans = field.spans()
    moved = replace(spans, offset0_m=spans.offset0_m + SPACING_M, offset1_m=spans.offset1_m + SPACING_M)
    (found,) = odds.judge(
        moved, field.places(moved, HALF_WIDTH_M), {"sure": field.error(tier_without_error())}, pass_of_row=field.row_pass,
        passes=3, spacing_m=SPACING_M, seed=1,
    ).values()  # fmt: skip
    np.testing.assert_array_equal(found.field_share, 1.0)
    np.testing.assert_allclose(found.expected_miss_m, 100.0)
    np.testing.assert_allclose(found.expected_miss_any_m, 0.0, atol=1e-9)


@pytest.mark.parametrize("vector", [(0.0, 0.08), (0.5, 0.0), (-0.3, 0.12)])
@pytest.mark.parametrize("repeatable_m", [0.03, 0.2])
def test_wavy_strips_with_rows_shifted_by_a_vector(vector, repeatable_m):
    x = np.arange(0.0, 120.01, 0.2)
    strip = shapely.LineString(np.column_stack([np.linspace(-5, 125, 651), wave(np.linspace(-5, 125, 651))]))
    row = shapely.LineString(np.column_stack([x + vector[0], wave(x) + vector[1]]))
    (found,) = Field.of([row], [strip]).judge(tier(repeatable_m=repeatable_m), half_width_m=HALF_WIDTH_M)

    def distance(at):
        px, py = at + vector[0], wave(at) + vector[1]
        gap = minimize_scalar(
            lambda u: (u - px) ** 2 + (wave(u) - py) ** 2, bounds=(px - 1, px + 1), method="bounded"
        )
        return np.sqrt(gap.fun)

    def arc(at):
        return np.sqrt(1 + (2.0 * 2 * np.pi / 60 * np.cos(2 * np.pi * at / 60)) ** 2)

    # The wave is periodic and the strip goes on beyond the row, so one period of 60 m stands for both.
    sd = repeatable_m / Z
    off = quad(
        lambda u: arc(u) * miss(distance(u), HALF_WIDTH_M, sd), 0, 60, limit=200, epsabs=1e-5, epsrel=1e-5
    )[0]
    length = quad(arc, 0, 60)[0]
    assert found.expected_miss_m[0] / row.length == pytest.approx(off / length, abs=2e-3)


def plain_monte_carlo(field: Field, one: Tier, *, slope_m, shift_m, normal, seed=7) -> np.ndarray:
    """Percentiles of the missed share: the covariance of the model, dense, through Cholesky.

    Each pass's row runs evenly from shift - slope to shift + slope, so its missed share is one minus the part
    of that interval that the true offset leaves inside the strip.
    """
    drift, bias = drift_and_bias_var(one)
    t, u = field.strip_time_s, field.row_time_s
    bracket = 2.0 * bias
    bracket = bracket + drift * np.exp(-np.abs(t[:, None] - t[None, :]) / one.correlation_time_s)
    bracket = bracket + drift * np.exp(-np.abs(u[:, None] - u[None, :]) / one.correlation_time_s)
    root = np.linalg.cholesky((normal @ normal.T) * bracket + 1e-12 * np.eye(len(t)))
    rng = np.random.default_rng(seed)
    share = []
    for _ in range(DRAWS // CHUNK):
        error = root @ rng.standard_normal((len(t), CHUNK)) + np.broadcast_to(shift_m, len(t))[:, None]
        inside = np.minimum(error + slope_m, HALF_WIDTH_M) - np.maximum(error - slope_m, -HALF_WIDTH_M)
        share.append(1.0 - np.clip(inside, 0.0, None).mean(axis=0) / (2 * slope_m))
    return np.percentile(np.concatenate(share), [10, 50, 90])


# Shared shift: no in-day drift to speak of. Drift: the pass-to-pass figure takes all of the repeatable one,
# and the passes of a whole field last two to four time constants, so a field holds only a few effective
# samples.
REGIMES = {
    "shared shift rules": (tier(repeatable_m=0.25), 12, 300.0),
    "shared shift, larger than the strip": (tier(repeatable_m=0.5, pass_to_pass_m=0.02), 12, 300.0),
    "in-day drift rules": (tier(repeatable_m=0.25, pass_to_pass_m=0.25, correlation_s=3600.0), 16, 600.0),
    "drift, two time constants": (
        tier(repeatable_m=0.3, pass_to_pass_m=0.3, correlation_s=5400.0),
        18,
        600.0,
    ),
    "both": (tier(repeatable_m=0.3, pass_to_pass_m=0.12, correlation_s=1800.0), 20, 300.0),
}


@pytest.mark.parametrize("regime", REGIMES)
def test_percentiles_against_a_million_draws(regime):
    one, count, step_s = REGIMES[regime]
    field = straight(count, slope_m=0.12, shift_m=0.02, step_s=step_s)
    (found,) = field.judge(one, half_width_m=HALF_WIDTH_M)
    normal = np.tile([0.0, 1.0], (count, 1))
    plain = plain_monte_carlo(field, one, slope_m=0.12, shift_m=0.02, normal=normal)
    np.testing.assert_allclose(found.field_share, plain, atol=0.01)


@pytest.mark.parametrize("pass_to_pass_m", [0.0, 0.25])
def test_percentiles_where_half_of_the_passes_run_across(pass_to_pass_m):
    # Two blocks, one worked along x and one along y: a shift east moves only the second one off its strips.
    one, half = tier(repeatable_m=0.25, pass_to_pass_m=pass_to_pass_m), 8
    east = straight(half, slope_m=0.12)
    turn = east.moved(lambda xy: np.column_stack([-xy[:, 1] - 50.0, xy[:, 0]]))
    field = Field.of([*east.rows, *turn.rows], [*east.strips, *turn.strips])
    (found,) = field.judge(one, half_width_m=HALF_WIDTH_M)
    normal = np.repeat([[0.0, 1.0], [-1.0, 0.0]], half, axis=0)
    plain = plain_monte_carlo(field, one, slope_m=0.12, shift_m=0.0, normal=normal)
    np.testing.assert_allclose(found.field_share, plain, atol=0.01)


def test_few_effective_samples_widen_the_distribution():
    # The same drift, once over many time constants (the field averages it out), once over two.
    one = tier(repeatable_m=0.25, pass_to_pass_m=0.25, correlation_s=3600.0)
    spread = {}
    for step_s in (600.0, 4 * 3600.0):
        (found,) = straight(20, slope_m=0.12, step_s=step_s).judge(one, half_width_m=HALF_WIDTH_M)
        spread[step_s] = found.field_share[2] - found.field_share[0]
        mean = found.expected_miss_m.sum() / (20 * np.hypot(100.0, 0.24))
    # Independent passes: the spread is 2 x 1.2816 standard deviations of a mean of twenty shares, by the
    # plain variance of one share under its normal; in the short day the mean is of few samples, so much
    # wider.
    sd = 0.25 / Z
    draws = np.random.default_rng(3).normal(0.0, sd, 400_000)
    inside = np.minimum(draws + 0.12, HALF_WIDTH_M) - np.maximum(draws - 0.12, -HALF_WIDTH_M)
    one_share = 1.0 - np.clip(inside, 0.0, None) / 0.24
    assert mean == pytest.approx(one_share.mean(), abs=3e-3)
    assert spread[4 * 3600.0] == pytest.approx(2 * 1.28155 * one_share.std() / np.sqrt(20), rel=0.1)
    assert spread[600.0] > 1.8 * spread[4 * 3600.0]


def test_any_strip_counts_the_neighbours():
    # A shift of about a whole row spacing is a miss of the own strip and a hit of the next.
    sd = 20 * INCH / Z
    (found,) = straight(3, shift_m=0.0).judge(tier(repeatable_m=20 * INCH), half_width_m=HALF_WIDTH_M)
    held = sum(
        norm.cdf((HALF_WIDTH_M - k * SPACING_M) / sd) - norm.cdf((-HALF_WIDTH_M - k * SPACING_M) / sd)
        for k in range(-6, 7)
    )
    assert found.expected_miss_any_m.sum() / 300.0 == pytest.approx(1.0 - held, abs=1e-3)
    assert found.expected_miss_any_m.sum() < found.expected_miss_m.sum()


def test_a_row_wider_than_its_strip_never_holds():
    # The margin eats the strip: half width below zero.
    (found,) = straight(2).judge(tier(repeatable_m=0.02), half_width_m=-0.01)
    np.testing.assert_allclose(found.expected_miss_m, 100.0)
    np.testing.assert_allclose(found.holds_m, 0.0, atol=1e-12)


def test_the_longest_run_is_where_missing_is_likelier_than_not():
    # Offset from -0.3 to 0.3 over 100 m; with a small error even odds lie at the strip's edge, 0.1016 m:
    #   off 33.07 m | on 33.87 m | off 33.07 m
    (found,) = straight(1, slope_m=0.3).judge(tier(repeatable_m=0.002), half_width_m=HALF_WIDTH_M)
    assert found.longest_miss_run_m[0] == pytest.approx(
        50 * (1 - 0.1016 / 0.3) * np.hypot(1, 0.006), abs=1e-3
    )


def test_rows_and_passes_have_the_distribution_of_their_own_shift():
    # One row a pass, off its strip by 0.02 m all along: it misses as a whole or not at all, and misses in the share
    # of draws that the normal distribution gives; the percentiles of a share of 0 or 1 turn over there.
    for repeatable_m, p10_p50_p90 in ((0.08, [0, 0, 0]), (0.13, [0, 0, 1]), (0.5, [0, 1, 1])):
        chance = miss(0.02, HALF_WIDTH_M, repeatable_m / Z)
        assert [int(chance > 1 - q) for q in (0.1, 0.5, 0.9)] == p10_p50_p90  # the referee agrees with the table
        (found,) = straight(4, shift_m=0.02).judge(tier(repeatable_m=repeatable_m), half_width_m=HALF_WIDTH_M)
        np.testing.assert_allclose(found.row_share, np.tile(p10_p50_p90, (4, 1)).T, atol=0.02)
        np.testing.assert_allclose(found.pass_share, np.tile(p10_p50_p90, (4, 1)).T, atol=0.02)


@pytest.mark.parametrize("pass_to_pass_m", [0.0, 0.2])
def test_row_percentiles_against_plain_draws(pass_to_pass_m):
    # A slanting row under one shift: its share is a function of one normal number, drawn a million times, whether
    # the day's bias or the drift makes it.
    one = tier(repeatable_m=0.2, pass_to_pass_m=pass_to_pass_m)
    (found,) = straight(3, slope_m=0.12, shift_m=0.02).judge(one, half_width_m=HALF_WIDTH_M)
    error = np.random.default_rng(5).normal(0.02, 0.2 / Z, DRAWS)
    plain = np.percentile(share_off(error, 0.12), [10, 50, 90])
    # Steps of 1 mm are 0.4 points of a slant of 0.24 m, half of that off at most; the referee's noise is 0.1.
    np.testing.assert_allclose(found.row_share, np.tile(plain, (3, 1)).T, atol=0.003)
    np.testing.assert_allclose(found.pass_share, np.tile(plain, (3, 1)).T, atol=0.003)


@pytest.mark.parametrize("repeatable_m", [0.050, 0.059, 0.062, 0.065, 0.072])
def test_with_little_wander_percentiles_are_as_good(repeatable_m):
    # Rows 6 cm off their strips, steered within 0.5 cm: near the edge a millimetre of shift is 15 points of share. One
    # normal number moves them all, and a share rises with its size: SciPy's quantile of the normal gives the percentile.
    one, wander = tier(repeatable_m=repeatable_m), 0.005 / Z
    (found,) = straight(4, shift_m=0.06).judge(one, half_width_m=HALF_WIDTH_M, steering_95_m=0.005)
    shift = 0.06 + repeatable_m / Z * norm.ppf((np.arange(200_000) + 0.5) / 200_000)
    plain = np.percentile(miss(shift, HALF_WIDTH_M, wander), [10, 50, 90])
    np.testing.assert_allclose(found.row_share, np.tile(plain, (4, 1)).T, atol=0.01)
    np.testing.assert_allclose(found.pass_share, np.tile(plain, (4, 1)).T, atol=0.01)
    np.testing.assert_allclose(found.field_share, plain, atol=0.01)


@pytest.mark.parametrize("pass_to_pass_m", [0.0, 0.2])
def test_a_row_over_strips_of_two_passes_has_two_shifts(pass_to_pass_m):
    # The second half of the row stands beside a strip made hours later: another shift, partly the same.
    #   row    ----------------------------
    #   strips =====0========  =====1======
    one = tier(repeatable_m=0.2, pass_to_pass_m=pass_to_pass_m)
    halves = [shapely.LineString([(0, 0), (50, 0)]), shapely.LineString([(50, 0), (100, 0)])]
    row = shapely.LineString([(0, 0.0), (50, 0.24), (50, 0.0), (100, 0.24)])
    (found,) = Field.of([row], halves, step_s=5 * 3600.0).judge(one, half_width_m=HALF_WIDTH_M)
    drift, bias = drift_and_bias_var(one)
    rng, sd = np.random.default_rng(5), 0.2 / Z
    # Cov = 2 B + spring's drift, which is that of one pass, + autumn's after 5 h.
    alike = (2 * bias + drift + drift * np.exp(-5 * 3600.0 / one.correlation_time_s)) / sd**2
    errors = np.linalg.cholesky([[1.0, alike], [alike, 1.0 + 1e-12]]) @ rng.normal(0.0, sd, (2, DRAWS))
    plain = np.percentile(share_off(errors + 0.12, 0.12).mean(axis=0), [10, 50, 90])
    # Of 1,024 draws where they are random; the standard deviation of a percentile is 1 to 2 points then.
    np.testing.assert_allclose(found.row_share[:, 0], plain, atol=0.06 if pass_to_pass_m else 0.01)
    np.testing.assert_allclose(found.pass_share[:, 0], plain, atol=0.03 if pass_to_pass_m else 0.01)


def share_off(error, slope_m):
    """Missed share of rows that slant from error - slope to error + slope, by the part of it inside the strip."""
    inside = np.minimum(error + slope_m, HALF_WIDTH_M) - np.maximum(error - slope_m, -HALF_WIDTH_M)
    return 1.0 - np.clip(inside, 0.0, None) / (2 * slope_m)


def test_parts_of_a_field_change_nothing(monkeypatch):
    one = tier(repeatable_m=0.2, pass_to_pass_m=0.1)
    field = straight(7, slope_m=0.12, shift_m=0.02, step_s=900.0)
    (whole,) = field.judge(one, half_width_m=HALF_WIDTH_M)
    monkeypatch.setattr(odds, "_SPANS_AT_ONCE", 1)
    (parts,) = field.judge(one, half_width_m=HALF_WIDTH_M)
    for name in ("holds_m", "doubt_m", "misses_m", "expected_miss_m", "expected_miss_any_m", "longest_miss_run_m"):
        np.testing.assert_allclose(getattr(parts, name), getattr(whole, name), rtol=1e-12, atol=1e-12)
    for name in ("row_share", "pass_share", "field_share"):
        # The tables of the draws are added up in another order, in numbers of seven digits.
        np.testing.assert_allclose(getattr(parts, name), getattr(whole, name), atol=1e-5)


def test_a_missed_length_that_is_no_number_gives_no_percentiles():
    # The middle owner's is none at one step of shift: it has no percentiles, and those beside it have theirs.
    missed = np.array([[0.0, 0.0, 5.0, 5.0], [0.0, np.nan, 5.0, 5.0], [10.0] * 4], np.float32)
    weight = np.array([[[0.40], [0.05], [0.05], [0.50]]])
    found = percentiles_of_weights(missed, np.full(3, 10.0), weight, np.zeros(3, np.int64))[0]
    np.testing.assert_allclose(found.T, [[0.0, 0.5, 0.5], [np.nan] * 3, [1.0] * 3])
