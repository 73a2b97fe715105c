"""The audit of logged offsets: against simulation, dense least squares, and arithmetic.

    strip 1  ------------->          planter:  ------------>   a = +1, its left is the strip's left
    strip 2  ------------->                    <------------   a = -1, its left is the strip's right
"""

from dataclasses import replace

import numpy as np
import pytest
from audit_logs import Truth, log_of, turned_strips
from scipy import optimize, stats

from pipeline.core.audit import audit
from pipeline.core.audit_estimates import Estimate, Scatter, probability_scatter_within, probability_within
from pipeline.core.audit_fit import Fit
from pipeline.core.audit_outliers import near_their_pass
from pipeline.core.audit_passes import LENGTH_LOG_SD, TYPICAL_LENGTH_M, PassModel
from pipeline.core.audit_samples import Samples
from pipeline.errors import InputError

Z = 1.959963984540054
NO_NOISE = Truth(between_m=0.0, wander_m=0.0)
CROSSED = (90.0, 20.0)


def z_scores(truth: Truth, runs: int, *, seed: int, **how) -> np.ndarray:
    """Errors of shift east, north, machine bias, log sigma_p, log sigma_w in standard errors, shape (runs, 5).

    The first three are turned from Student's t, as the audit states them, to the normal of equal probability.
    """
    rng, out = np.random.default_rng(seed), []
    for _ in range(runs):
        found = audit(log_of(truth, rng, **how))
        day, true = found.days[0], (*truth.shift_m[0], truth.machine_m)
        parts = zip((day.east, day.north, found.machine), true, strict=True)
        raw = [((one.value_m - value) / one.se_m, one.dof) for one, value in parts]
        row = [-np.sign(z) * stats.norm.ppf(stats.t.sf(abs(z), dof)) for z, dof in raw]
        out.append(row + [log_error(found.between, truth.between_m), log_error(found.wander, truth.wander_m)])
    return np.array(out)


def log_error(scatter: Scatter, true_m: float) -> float:
    """Error of a log standard deviation in standard errors; nan where none was found."""
    return np.log(scatter.sd_m / true_m) / scatter.log_se if scatter.sd_m > 0.0 else np.nan


def dense_covariance(samples: Samples, between_m2: float, wander_m2: float, length_m: float) -> np.ndarray:
    """Covariance of the offsets in the planter's frame, entry by entry from the model."""
    same = samples.planter_pass[:, None] == samples.planter_pass
    apart = np.abs(samples.along_m[:, None] - samples.along_m)
    return same * (between_m2 + wander_m2 * np.exp(-apart / length_m))


def plain_design(samples: Samples) -> tuple[np.ndarray, np.ndarray]:
    """Columns of shift east, shift north and machine bias for one day, and the offsets, as logged."""
    x = np.column_stack([samples.normal, samples.heading])
    return x, samples.offset_m


# --- simulated logs ------------------------------------------------------------------------------------------


def check_z(z: np.ndarray, *, mean: float, sd: tuple[float, float]) -> None:
    assert np.abs(z.mean(axis=0)).max() < mean, z.mean(axis=0)
    assert sd[0] < z.std(axis=0).min() and z.std(axis=0).max() < sd[1], z.std(axis=0)


def test_100_logs_are_recovered_within_their_errors():
    # Referee: simulation. The bounds are some three standard errors of a mean and sd of 100: 0.3 and 0.21.
    check_z(z_scores(Truth(), 100, seed=11, headings_deg=CROSSED, outliers=0.05), mean=0.3, sd=(0.79, 1.21))


@pytest.mark.slow
@pytest.mark.parametrize("headings_deg", [(0.0, 90.0), (90.0, 20.0)])
def test_500_logs_are_recovered_within_their_errors(headings_deg):
    # Bounds: a mean within 0.15 and a deviation of 0.9 to 1.1; the sampling error of the mean is 0.045 and of the sd 0.032.
    check_z(z_scores(Truth(), 500, seed=12, headings_deg=headings_deg, outliers=0.05), mean=0.15, sd=(0.9, 1.1))


@pytest.mark.slow
def test_few_passes_and_little_scatter_keep_their_level():
    # Six passes and hardly any scatter between them: the error of shift and bias rests on three degrees of freedom.
    z = z_scores(Truth(between_m=0.002), 300, seed=13, passes=6, headings_deg=(0.0, 90.0, 0.0), outliers=0.05)
    check_z(z[:, :3], mean=0.2, sd=(0.85, 1.15))


@pytest.mark.slow
def test_stated_probability_of_a_scatter_is_uniform():
    # P(true sd <= c) at c = the true sd is uniform over logs, also where sigma_p drowns in the wander. Referee: scipy's
    # Kolmogorov-Smirnov test at a chance of 1 in 1,000.
    for truth in (Truth(), Truth(between_m=0.003)):
        rng, said = np.random.default_rng(14), []
        for _ in range(300):
            found = audit(log_of(truth, rng, headings_deg=CROSSED))
            said.append(
                [
                    probability_scatter_within(found.between, promised_95_m=Z * truth.between_m),
                    probability_scatter_within(found.wander, promised_95_m=Z * truth.wander_m),
                ]
            )
        for column in np.array(said).T:
            assert stats.kstest(column, "uniform").pvalue > 1e-3


def test_outliers_do_not_move_the_answer():
    # The same log with and without 5 % outliers, and with one pass of 24 laid on a line half a metre off.
    rng = np.random.default_rng(3)
    clean = log_of(Truth(), rng, headings_deg=CROSSED)
    wrong = rng.random(len(clean)) < 0.05
    spoilt = replace(clean, offset_m=clean.offset_m + wrong * rng.uniform(0.3, 1.0, len(clean)))
    astray = replace(clean, offset_m=clean.offset_m + 0.5 * (clean.planter_pass == 7))
    one, other, third = audit(clean), audit(spoilt), audit(astray)
    assert other.aside_share == pytest.approx(wrong.mean(), abs=0.002)
    assert third.passes_aside == 1 and third.aside_share == pytest.approx(1 / 24, abs=0.002)
    for day in (other.days[0], third.days[0]):
        for name in ("east", "north"):
            before, after = getattr(one.days[0], name), getattr(day, name)
            assert abs(after.value_m - before.value_m) < 0.7 * before.se_m
    # All on one side, they would have moved the mean by 3 cm; the wander by a factor of ten.
    assert other.wander.sd_m == pytest.approx(one.wander.sd_m, rel=0.05)
    assert other.between.sd_m == pytest.approx(one.between.sd_m, rel=0.1)


def test_a_clean_log_loses_next_to_nothing():
    found = audit(log_of(Truth(), np.random.default_rng(4), headings_deg=CROSSED))
    assert found.aside_share < 0.002 and found.passes_aside == 0
    assert (found.passes, found.samples) == (24, 24 * 80)


def short_passes(counts: list[int], rng: np.random.Generator) -> Samples:
    """A clean log of passes of so many samples each, there and back along two headings."""
    log = log_of(Truth(), rng, passes=len(counts), pass_m=5.0 * max(counts), headings_deg=CROSSED)
    return log.take(log.along_m < 5.0 * np.array(counts)[log.planter_pass])


@pytest.mark.parametrize("counts", [[1] * 30 + [7] * 4, [3, 3, 3, 3, 3, 12] * 10, [1, 2, 3, 4] * 10])
def test_good_samples_of_short_passes_are_kept(counts):
    # Nothing here is an outlier. At most 2 in 10,000 may go astray, plus what chance does to that in 60 logs once in
    # 1,000; by the distances of all samples from their pass's median 41 %, 1.2 % and 3 % were set aside.
    rng, aside, count = np.random.default_rng(17), 0, 0
    for _ in range(60):
        log = short_passes(counts, rng)
        x, y = np.column_stack([log.heading[:, None] * log.normal, np.ones(len(log))]), log.heading * log.offset_m
        keep = near_their_pass(x, y, log.planter_pass)
        # A whole pass may be set aside once in 200 logs.
        gone = np.bincount(log.planter_pass, keep) == 0
        aside, count = aside + int((~keep & ~gone[log.planter_pass]).sum()), count + len(keep)
    assert aside <= stats.binom.isf(1e-3, count, 2e-4)


def test_gross_outliers_among_short_passes_are_set_aside():
    # 0.4 m in a wander of 15 mm, one in each of the four longer passes, of which no pass of one sample can tell.
    log = short_passes([1] * 30 + [7] * 4, np.random.default_rng(18))
    wrong = (log.planter_pass >= 30) & (log.along_m == 17.5)
    x = np.column_stack([log.heading[:, None] * log.normal, np.ones(len(log))])
    keep = near_their_pass(x, log.heading * (log.offset_m + 0.4 * wrong), log.planter_pass)
    assert wrong.sum() == 4 and (keep == ~wrong).all()


def test_intervals_of_short_passes_hold_the_truth():
    # 95 % of 150 logs, less what chance takes once in 1,000: 133. Good samples set aside had made them 125 of 150.
    rng, truth, held = np.random.default_rng(19), Truth(), np.zeros(2, int)
    for _ in range(150):
        found = audit(short_passes([3, 3, 3, 3, 3, 12] * 10, rng))
        for k, (scatter, true) in enumerate(((found.between, truth.between_m), (found.wander, truth.wander_m))):
            low, high = scatter.interval_m
            held[k] += low <= true <= high
    assert held.min() >= stats.binom.ppf(1e-3, 150, 0.95), held


# --- exact answers -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("outliers", [0.0, 0.05])
def test_without_noise_the_truth_comes_back(outliers):
    log = log_of(NO_NOISE, np.random.default_rng(1), headings_deg=CROSSED, outliers=outliers)
    found = audit(log)
    day = found.days[0]
    got = (day.east.value_m, day.north.value_m, found.machine.value_m)
    np.testing.assert_allclose(got, (0.05, -0.03, 0.02), atol=1e-9)
    assert found.between.sd_m < 1e-5 and found.wander.sd_m < 1e-5 and day.rank == 2


def test_scatter_of_passes_without_wander_is_the_plain_standard_deviation():
    # Without wander each pass is one number; referee: analysis of variance of 24 numbers about three parameters.
    truth = Truth(wander_m=0.0)
    log = log_of(truth, np.random.default_rng(8), headings_deg=CROSSED)
    first = log.take(np.arange(0, len(log), 80))
    x, y = plain_design(first)
    beta, squares, *_ = np.linalg.lstsq(x, y, rcond=None)
    found = audit(log)
    assert found.between.variance_m2 == pytest.approx(squares[0] / 21, rel=1e-3)
    assert found.between.dof == pytest.approx(21, rel=0.01)
    np.testing.assert_allclose(found.days[0].east.value_m, beta[0], atol=1e-9)
    se = np.sqrt(squares[0] / 21 * np.linalg.inv(x.T @ x)[0, 0])
    assert found.days[0].east.se_m == pytest.approx(se, rel=1e-3)
    assert found.days[0].east.dof == pytest.approx(21, rel=0.02)


def test_least_squares_are_those_of_a_dense_covariance():
    # Referee: numpy's solve with the whole matrix of the scatter that the audit found, in the strips' frame.
    log = log_of(Truth(), np.random.default_rng(5), passes=12, pass_m=150.0, headings_deg=CROSSED)
    log = log.take(np.random.default_rng(6).random(len(log)) > 0.2)  # uneven gaps
    found = audit(log)
    assert found.aside_share == 0.0
    cov = dense_covariance(log, found.between.variance_m2, found.wander.variance_m2, found.correlation_m)
    sign = np.outer(log.heading, log.heading)
    x, y = plain_design(log)
    inverse = np.linalg.inv(sign * cov)
    normal = np.linalg.inv(x.T @ inverse @ x)
    beta, day = normal @ x.T @ inverse @ y, found.days[0]
    got = (day.east.value_m, day.north.value_m, found.machine.value_m)
    np.testing.assert_allclose(got, beta, rtol=1e-8, atol=1e-12)
    np.testing.assert_allclose(day.covariance_m2, normal[:2, :2], rtol=1e-8)
    np.testing.assert_allclose([day.east.se_m, day.north.se_m], np.sqrt(np.diag(normal)[:2]), rtol=1e-8)
    assert found.machine.se_m == pytest.approx(np.sqrt(normal[2, 2]), rel=1e-8)


def small_model() -> tuple[Samples, PassModel]:
    log = log_of(Truth(), np.random.default_rng(15), passes=10, pass_m=100.0, headings_deg=CROSSED).in_order()
    log = log.take(np.random.default_rng(16).random(len(log)) > 0.2)
    x = np.column_stack([log.heading[:, None] * log.normal, np.ones(len(log))])
    return log, PassModel.of(x, log.heading * log.offset_m, planter_pass=log.planter_pass, along_m=log.along_m)


def dense_deviance(log: Samples, model: PassModel, between_m2: float, wander_m2: float, length_m: float) -> float:
    """Restricted likelihood as Harville has it, with scipy's density of the residuals for the quadratic form."""
    cov = dense_covariance(log, between_m2, wander_m2, length_m)
    normal = model.x.T @ np.linalg.solve(cov, model.x)
    beta = np.linalg.solve(normal, model.x.T @ np.linalg.solve(cov, model.y))
    density = stats.multivariate_normal(np.zeros(len(cov)), cov).logpdf(model.y - model.x @ beta)
    prior = (np.log(length_m / TYPICAL_LENGTH_M) / LENGTH_LOG_SD) ** 2
    return -2.0 * density - len(cov) * np.log(2.0 * np.pi) + np.linalg.slogdet(normal)[1] + prior


def test_likelihood_is_the_dense_one_and_its_top_is_found():
    log, model = small_model()

    def fast(between_m2, wander_m2, length_m):
        solution = model.solve(model.whitened(length_m), between_m2 / wander_m2)
        # The fast one scales the normal equations by the wander's variance.
        return model.deviance(solution, wander_m2, length_m)

    places = [(4e-4, 2e-4, 15.0), (1e-5, 4e-4, 40.0), (9e-4, 1e-4, 3.0)]
    gaps = [fast(*p) - dense_deviance(log, model, *p) for p in places]
    np.testing.assert_allclose(gaps, gaps[0], atol=1e-7)
    fit = Fit.of(model)
    top = optimize.minimize(
        lambda q: dense_deviance(log, model, *np.exp(q)), np.log(places[0]), method="Nelder-Mead",
        options={"xatol": 1e-4, "fatol": 1e-7, "maxiter": 2000},
    )  # fmt: skip
    np.testing.assert_allclose(np.log([fit.between_m2, fit.wander_m2, fit.length_m]), top.x, atol=0.02)


def test_surprise_is_the_distance_from_what_the_others_say():
    # Referee: conditional normal of one value given all others, each by its own dense solve.
    log, model = small_model()
    fit = Fit.of(model)
    cov = dense_covariance(log, fit.between_m2, fit.wander_m2, fit.length_m)
    left, got = model.y - model.x @ fit.beta, fit.surprise()
    for k in range(0, len(cov), 7):
        rest = np.arange(len(cov)) != k
        weight = np.linalg.solve(cov[np.ix_(rest, rest)], cov[rest, k])
        sd = np.sqrt(cov[k, k] - weight @ cov[rest, k])
        assert got[k] == pytest.approx(abs(left[k] - weight @ left[rest]) / sd, rel=1e-6)


# --- what the headings tell ----------------------------------------------------------------------------------


@pytest.mark.parametrize("waver_deg", [0.0, 0.5])
def test_one_heading_gives_the_across_part_only(waver_deg):
    # Strips run at 30 degrees; (cos 30, -sin 30) is across them. Half a degree of waver does not change what is known.
    across = np.array([np.cos(np.pi / 6), -0.5])
    log = log_of(Truth(), np.random.default_rng(2), headings_deg=(30.0,), normal_noise_deg=waver_deg)
    found = audit(log)
    day = found.days[0]
    assert day.rank == 1 and found.machine_separable
    np.testing.assert_allclose(day.across_unit, across, atol=1e-3)
    assert day.across.value_m == pytest.approx(across @ (0.05, -0.03), abs=4 * day.across.se_m)
    # As many numbers as passes, 24, half of them each way: sd of a mean of 24.
    expected = np.sqrt((found.between.variance_m2 + found.between.sampling_m2) / 24)
    assert day.across.se_m == pytest.approx(expected, rel=0.03)
    assert np.isnan([day.east.value_m, day.east.se_m, day.north.value_m, day.north.se_m]).all()
    assert np.isnan(day.covariance_m2).all()


def test_one_direction_gives_the_sum_only():
    # Left of travel at 30 degrees is (-cos 30, sin 30): there the planter lies at left . S + m.
    log = log_of(NO_NOISE, np.random.default_rng(2), headings_deg=(30.0,), one_way=(True,))
    found = audit(log)
    day, left = found.days[0], np.array([-np.cos(np.pi / 6), 0.5])
    assert day.rank == 0 and not found.machine_separable
    numbers = [found.machine, day.east, day.north, day.across]
    assert np.isnan([(one.value_m, one.se_m) for one in numbers]).all()
    assert np.isnan(probability_within(found.machine, promised_95_m=1.0))
    np.testing.assert_allclose(day.mean_left, left, atol=1e-12)
    assert day.summed.value_m == pytest.approx(left @ (0.05, -0.03) + 0.02, abs=1e-9)


def test_two_headings_one_way_each_give_the_difference_and_the_mean():
    # Left normals (0, 1) and (-1, 0). y1 = Sn + m, y2 = -Se + m: y1 - y2 = Se + Sn is free of m, nothing else is.
    log = log_of(NO_NOISE, np.random.default_rng(2), headings_deg=(90.0, 0.0), one_way=(True,))
    found = audit(log)
    day = found.days[0]
    assert day.rank == 1 and not found.machine_separable
    np.testing.assert_allclose(day.across_unit, np.sqrt([0.5, 0.5]), atol=1e-9)
    assert day.across.value_m == pytest.approx((0.05 - 0.03) / np.sqrt(2), abs=1e-9)
    assert day.summed.value_m == pytest.approx(0.5 * (-0.05 - 0.03) + 0.02, abs=1e-9)


def test_three_headings_one_way_tell_all():
    log = log_of(NO_NOISE, np.random.default_rng(2), headings_deg=(90.0, 0.0, 225.0), one_way=(True,))
    found = audit(log)
    day = found.days[0]
    assert day.rank == 2 and found.machine_separable
    got = (day.east.value_m, day.north.value_m, found.machine.value_m)
    np.testing.assert_allclose(got, (0.05, -0.03, 0.02), atol=1e-9)


def test_a_day_both_ways_tells_the_bias_for_a_day_one_way():
    truth = replace(NO_NOISE, shift_m=((0.05, -0.03), (-0.2, 0.01)))
    log = log_of(truth, np.random.default_rng(2), headings_deg=(90.0,), one_way=(False, True))
    found = audit(log)
    assert found.machine_separable and [day.rank for day in found.days] == [1, 1]
    assert found.machine.value_m == pytest.approx(0.02, abs=1e-9)
    np.testing.assert_allclose([day.across.value_m for day in found.days], (-0.03, 0.01), atol=1e-9)
    alone = audit(log.take(log.day == 1))
    assert alone.days[0].rank == 0 and alone.days[0].summed.value_m == pytest.approx(0.03, abs=1e-9)


def test_days_have_shifts_of_their_own():
    truth = Truth(shift_m=((0.05, -0.03), (-0.4, 0.2), (1.3, 0.9)))
    found = audit(log_of(truth, np.random.default_rng(9), headings_deg=CROSSED, outliers=0.05))
    for day, (east, north) in zip(found.days, truth.shift_m, strict=True):
        assert abs(day.east.value_m - east) < 4 * day.east.se_m < 0.05
        assert abs(day.north.value_m - north) < 4 * day.north.se_m < 0.05
        assert day.passes == 24


# --- symmetry and size ---------------------------------------------------------------------------------------


def test_turning_the_field_turns_the_shift():
    log = log_of(Truth(), np.random.default_rng(7), headings_deg=CROSSED, outliers=0.05)
    angle = np.radians(37.0)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    one, other = audit(log), audit(replace(log, normal=log.normal @ turn.T))
    a, b = one.days[0], other.days[0]
    np.testing.assert_allclose(
        [b.east.value_m, b.north.value_m], turn @ [a.east.value_m, a.north.value_m], atol=1e-7
    )
    np.testing.assert_allclose(b.covariance_m2, turn @ a.covariance_m2 @ turn.T, rtol=1e-4, atol=1e-9)
    assert other.machine.value_m == pytest.approx(one.machine.value_m, abs=1e-7)
    assert other.between.sd_m == pytest.approx(one.between.sd_m, rel=1e-4)


@pytest.mark.parametrize("share", [0.0, 0.5])
def test_the_strips_direction_of_travel_changes_nothing(share):
    # n -> -n, o -> -o, a -> -a: shift and bias stay, whether all strips are turned or some.
    log = log_of(Truth(), np.random.default_rng(7), headings_deg=CROSSED, outliers=0.05)
    which = np.random.default_rng(1).random(len(log)) >= share
    one, other = audit(log), audit(turned_strips(log, which))
    for name in ("east", "north", "summed"):
        assert getattr(other.days[0], name).value_m == pytest.approx(getattr(one.days[0], name).value_m, abs=1e-12)
    assert other.machine.value_m == pytest.approx(one.machine.value_m, abs=1e-12)


def test_reversing_the_planter_flips_the_bias():
    # a -> -a with everything else as it was: the same offsets now lie on the planter's other side.
    log = log_of(Truth(), np.random.default_rng(7), headings_deg=(90.0,))
    one, other = audit(log), audit(replace(log, heading=-log.heading))
    assert other.machine.value_m == pytest.approx(-one.machine.value_m, abs=1e-12)
    assert other.days[0].across.value_m == pytest.approx(one.days[0].across.value_m, abs=1e-12)


def test_the_order_of_samples_does_not_matter():
    log = log_of(Truth(), np.random.default_rng(7), headings_deg=CROSSED, outliers=0.05)
    mixed = log.take(np.random.default_rng(1).permutation(len(log)))
    assert audit(mixed).days[0].east == audit(log).days[0].east


def test_errors_shrink_with_passes_and_hardly_with_points():
    # Closed form, between passes only: the se goes with 1 / sqrt(passes); of the points only the wander's part of it.
    rng = np.random.default_rng(10)
    few = np.mean([audit(log_of(Truth(), rng, passes=16)).days[0].across.se_m for _ in range(12)])
    many = np.mean([audit(log_of(Truth(), rng, passes=64)).days[0].across.se_m for _ in range(12)])
    dense = np.mean([audit(log_of(Truth(), rng, passes=16, step_m=1.25)).days[0].across.se_m for _ in range(12)])
    assert few / many == pytest.approx(2.0, rel=0.15)
    assert dense / few == pytest.approx(1.0, rel=0.15)


# --- too little to tell --------------------------------------------------------------------------------------


def test_passes_that_are_all_used_up_leave_no_error():
    # Two passes, there and back, for a shift and a bias: nothing is left to judge the scatter by.
    found = audit(log_of(Truth(), np.random.default_rng(2), passes=2))
    day = found.days[0]
    assert np.isfinite(day.across.value_m) and day.across.se_m == np.inf
    assert np.isnan(found.between.sd_m) and found.wander.sd_m > 0.0
    assert np.isnan(probability_within(day.across, promised_95_m=0.1))
    assert np.isnan(probability_scatter_within(found.between, promised_95_m=0.1))


def test_one_sample_a_pass_does_not_tell_scatter_from_wander():
    found = audit(log_of(Truth(), np.random.default_rng(2), pass_m=5.0))
    assert np.isnan([found.between.sd_m, found.wander.sd_m, found.correlation_m]).all()
    # The shift's error needs just their sum: 24 values about two parameters.
    assert 0.0 < found.days[0].across.se_m < 0.01 and found.days[0].across.dof == pytest.approx(22, rel=0.05)


def test_a_single_sample_is_taken():
    found = audit(log_of(Truth(), np.random.default_rng(2), passes=1, pass_m=5.0))
    assert found.days[0].rank == 0 and found.days[0].summed.se_m == np.inf


@pytest.mark.parametrize(
    ("spoil", "message"),
    [
        (lambda log: log.take(slice(0)), "no planted row lies on a strip"),
        (lambda log: replace(log, offset_m=np.where(log.along_m > 100, np.nan, 0.0)), "not finite"),
        (lambda log: replace(log, heading=0 * log.heading), "neither"),
        (lambda log: replace(log, along_m=np.minimum(log.along_m, 300.0)), "two samples at 300 m"),
    ],
)
def test_bad_samples_are_refused(spoil, message):
    with pytest.raises(InputError, match=message):
        audit(spoil(log_of(Truth(), np.random.default_rng(2))))


# --- what a tier promises ------------------------------------------------------------------------------------


def test_probability_of_a_part_within_its_promise():
    # Closed form with many degrees of freedom (normal), and drawn from Student's t with few.
    sure = Estimate(0.01, 0.02, np.inf)
    expected = stats.norm.cdf(0.05, 0.01, 0.02) - stats.norm.cdf(-0.05, 0.01, 0.02)
    assert probability_within(sure, promised_95_m=0.05) == pytest.approx(expected, rel=1e-12)
    draws = 0.01 + 0.02 * np.random.default_rng(1).standard_t(4.0, 400_000)
    assert probability_within(Estimate(0.01, 0.02, 4.0), promised_95_m=0.05) == pytest.approx(
        np.mean(np.abs(draws) <= 0.05), abs=0.003
    )
    assert [probability_within(Estimate(v, 0.0, 5.0), promised_95_m=0.1) for v in (-0.1, 0.11)] == [1.0, 0.0]


def test_an_interval_ends_where_a_fortieth_remains_on_each_side():
    low, high = Estimate(0.3, 0.1, 7.0).interval_m
    np.testing.assert_allclose(stats.t.cdf([(low - 0.3) / 0.1, (high - 0.3) / 0.1], 7.0), [0.025, 0.975], rtol=1e-9)
    ends = np.array(Scatter(4e-4, 9.0, 1e-4).interval_m)
    said = [probability_scatter_within(Scatter(4e-4, 9.0, 1e-4), promised_95_m=Z * end) for end in ends]
    np.testing.assert_allclose(said, [0.025, 0.975], rtol=1e-9)


def test_probability_of_a_scatter_within_its_promise():
    # dof s^2 / sigma^2 is chi-square; drawn. The wander's part of a pass's mean is known and adds to both.
    scatter = Scatter(4e-4, 12.0, 1e-4)
    sigma2 = 12.0 * 5e-4 / np.random.default_rng(1).chisquare(12.0, 400_000) - 1e-4
    got = probability_scatter_within(scatter, promised_95_m=Z * 0.022)
    assert got == pytest.approx(np.mean(sigma2 <= 0.022**2), abs=0.003)
    promises = [probability_scatter_within(scatter, promised_95_m=p) for p in (0.0, 0.02, 0.05, 0.5)]
    assert promises == sorted(promises) and promises[0] >= 0.0 and promises[-1] == pytest.approx(1.0, abs=1e-6)


def test_the_log_of_a_scatter_is_unbiased():
    # Means of plain samples of a known standard deviation, 5 degrees of freedom.
    s2 = np.random.default_rng(2).standard_normal((40_000, 6)).var(axis=1, ddof=1)
    logs = np.array([np.log(Scatter(v, 5.0, 0.0).sd_m) for v in s2])
    assert logs.mean() == pytest.approx(0.0, abs=0.01)
    assert logs.std() == pytest.approx(Scatter(1.0, 5.0, 0.0).log_se, rel=0.02)
