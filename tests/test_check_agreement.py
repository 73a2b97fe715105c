"""Whether checks agree: p-values against simulated seasons, explicit fits and SciPy's chi-square."""

import numpy as np
import pytest
from dug import checks_at, error_of, measure, places, simulated
from helpers import INCH, tier
from scipy.stats import chi2, kstest

from pipeline.core.checks import check_agreement
from pipeline.core.conditioning import Posterior
from pipeline.errors import InputError

NORTH = np.array([0.0, 1.0])


def in_one_pass(measured_in, **how):
    """Checks [in] along one pass, tape 1 in."""
    count = len(measured_in)
    zero = np.zeros(count, np.int64)
    where = (zero, zero, np.tile(NORTH, (count, 1)), np.ones(count))
    return checks_at(where, np.array(measured_in) * INCH, tape_sd_m=INCH, **how)


def seasons(count, *, signed=True, seed=5):
    rng, error = np.random.default_rng(seed), error_of()
    blank = checks_at(places(8, seed=2), np.zeros(8), offset_m=0.04, signed=signed, tape_sd_m=0.02)
    return [check_agreement(error, measure(simulated(error, rng), error, blank, rng)) for _ in range(count)]


def test_p_values_are_uniform_under_the_model():
    # Referee: 1,000 seasons simulated by NumPy; Kolmogorov-Smirnov against SciPy's uniform and normal.
    found = seasons(1000)
    assert kstest([one.tier_p for one in found], "uniform").pvalue > 0.01
    assert kstest([one.among_p for one in found], "uniform").pvalue > 0.01
    assert {one.among_dof for one in found} == {5}  # eight less east, north and machine bias
    z = np.array([one.left_out_z for one in found])
    assert all(kstest(column, "norm").pvalue > 0.001 for column in z.T)


def test_unsigned_checks_never_agree_worse_than_signed_ones():
    # The likeliest sides can only be nearer. Same seed, same seasons.
    for one, other in zip(seasons(200), seasons(200, signed=False), strict=True):
        assert other.tier_p >= one.tier_p - 1e-12


def test_contradictory_checks():
    # +10 in and -10 in along one pass: whatever the shift, they differ by 20 in where the tape allows sqrt 2 in.
    # All the common shift can do is sit in the middle: chi-square 20^2 / 2 = 200 with one degree of freedom.
    wide = error_of(tier(repeatable_m=0.9, pass_to_pass_m=0.2), wander_sd_m=0.0)
    found = check_agreement(wide, in_one_pass([10.0, -10.0]))
    assert found.among_dof == 1 and found.among_p == pytest.approx(chi2.sf(200.0, 1), rel=1e-9)
    assert found.tier_p < 1e-40
    assert found.left_out_z[0] > 10 and found.left_out_z[1] < -10


def test_checks_that_agree_with_each_other_but_not_with_the_tier():
    # 10 in off with RTK (2.5 cm at 95 %): a tier that cannot be, and three checks that say the same.
    found = check_agreement(error_of(tier(repeatable_m=0.025, pass_to_pass_m=0.02)), in_one_pass([10.0, 10.2, 9.8]))
    assert found.tier_p < 1e-6 and found.among_p > 0.9


def test_p_values_against_explicit_fits():
    # Referee: NumPy's least squares on whitened columns, SciPy's chi-square.
    error = error_of()
    rng = np.random.default_rng(3)
    checks = checks_at(places(9, seed=5), rng.normal(0, 0.2, 9), offset_m=0.02, tape_sd_m=0.03)
    residual = checks.measured_m - 0.02
    where = (checks.strip_pass, checks.planter_pass, checks.normal, checks.heading)
    covariance = error.covariance(*where) + np.eye(9) * 0.03**2
    lower = np.linalg.cholesky(covariance)
    columns = np.linalg.solve(lower, np.column_stack([checks.normal, checks.heading]))
    _, left, rank, _ = np.linalg.lstsq(columns, np.linalg.solve(lower, residual))
    found = check_agreement(error, checks)
    assert rank == 3 and found.among_dof == 6
    assert found.among_p == pytest.approx(chi2.sf(left[0], 6), rel=1e-8)
    assert found.tier_p == pytest.approx(chi2.sf(residual @ np.linalg.solve(covariance, residual), 9), rel=1e-8)
    for j in range(9):
        others = np.arange(9) != j
        mean, sd = Posterior.of(error, checks.take(others)).moments(*(one[[j]] for one in where))
        alone = (residual[j] - mean[0]) / np.sqrt(sd[0] ** 2 + error.wander_sd_m**2 + 0.03**2)
        assert found.left_out_z[j] == pytest.approx(alone, rel=1e-8)


def test_a_shift_common_to_all_changes_nothing_among_the_checks():
    error, where = error_of(), places(8, seed=2)
    measured = np.random.default_rng(1).normal(0, 0.1, 8)
    moved = measured + where[2] @ [3.0, -2.0] + 0.5 * where[3]
    one, other = (check_agreement(error, checks_at(where, m)) for m in (measured, moved))
    assert other.among_p == pytest.approx(one.among_p, rel=1e-6) and other.tier_p < one.tier_p


def test_no_degrees_of_freedom_is_not_a_number():
    error = error_of()
    none = check_agreement(error, checks_at(places(0), np.zeros(0)))
    assert np.isnan(none.tier_p) and np.isnan(none.among_p) and none.left_out_z.shape == (0,)
    one = check_agreement(error, in_one_pass([3.0]))
    assert np.isnan(one.among_p) and one.among_dof == 0 and 0 < one.tier_p < 1
    # One direction, one way: shift and machine bias are one number there.
    assert check_agreement(error, in_one_pass([3.0, 3.0, 3.0])).among_dof == 2


def test_unsigned_sides_are_told():
    found = check_agreement(error_of(), in_one_pass([4.0, 4.0, 5.0], signed=np.array([True, False, False]), offset_m=INCH))
    np.testing.assert_allclose(found.residual_m / INCH, [3.0, 3.0, 4.0])


def test_no_error_at_all_is_judged_by_the_tape():
    exact = error_of(tier(repeatable_m=0.0), wander_sd_m=0.0, machine_sd_m=0.0)
    found = check_agreement(exact, in_one_pass([1.0, -2.0]))
    assert found.tier_p == pytest.approx(chi2.sf(5.0, 2), rel=1e-12)
    np.testing.assert_allclose(found.left_out_z, [1.0, -2.0])


@pytest.mark.parametrize(("measured", "tape"), [([1.0, 2.0], [1.0, 0.0]), ([1.0, np.nan], [1.0, 1.0])])
def test_a_check_without_tape_error_or_number_is_refused(measured, tape):
    with pytest.raises(InputError, match="check 1: measured .* expected finite numbers and a tape error above zero"):
        checks_at(places(2), measured, tape_sd_m=np.array(tape))


def test_distances_that_some_sides_explain_contradict_nothing():
    # Rows logged 6 cm to either side, all 30 cm farther left in truth: 36 and 24 cm from the strip. Under a tier of 2 cm
    # other sides are likelier (24 cm to the right is nearer to -6), but those tell nothing of the checks themselves.
    error = error_of(tier(repeatable_m=0.02, pass_to_pass_m=0.01), wander_sd_m=0.01)
    zero = np.zeros(2, np.int64)
    where, logged = (zero, zero, np.tile(NORTH, (2, 1)), np.ones(2)), np.array([0.06, -0.06])
    found = {
        signed: check_agreement(error, checks_at(where, logged + 0.30, offset_m=logged, signed=signed, tape_sd_m=0.005))
        for signed in (True, False)
    }
    assert found[True].among_p > 0.99
    assert found[False].among_p == pytest.approx(found[True].among_p, rel=1e-6)


@pytest.mark.parametrize("seed", range(6))
def test_among_unsigned_checks_the_sides_that_agree_best_count(seed):
    # Referee: every choice of sides written out, each by NumPy's weighted least squares.
    rng, error = np.random.default_rng(seed), error_of()
    checks = checks_at(places(7, seed=seed), rng.uniform(0.02, 0.3, 7), offset_m=0.04, signed=False, tape_sd_m=0.02)
    root = np.linalg.inv(np.linalg.cholesky(checks.covariance(error)))
    free = root @ np.column_stack([checks.normal, checks.heading])
    sides = np.array(np.meshgrid(*[[1.0, -1.0]] * 7)).reshape(7, -1)
    white = root @ (sides * checks.measured_m[:, None] - checks.offset_m[:, None])
    left = white - free @ np.linalg.lstsq(free, white, rcond=None)[0]
    least = (left**2).sum(axis=0).min()
    found = check_agreement(error, checks)
    assert found.among_p == pytest.approx(chi2.sf(least, found.among_dof), rel=1e-6)
