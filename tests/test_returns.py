"""The return error: its covariance against the formula, and its draws against its covariance."""

from dataclasses import replace

import numpy as np
import pytest
from helpers import Z, drawn_errors, drift_and_bias_var, tier, tier_without_error

from pipeline.core.draws import StandardDraws
from pipeline.core.operations import Clock, OperationError
from pipeline.core.returns import ReturnError

DRAWS = 2**17


def operation(times, one, *, other=None, with_other=()):
    """Error of passes at these times, those in `with_other` under a second tier."""
    spreads = [other.spread() if k in with_other else one.spread() for k in range(len(times))]
    return OperationError.under(Clock.from_times(np.asarray(times, float)), spreads)


@pytest.mark.parametrize(
    ("repeatable_m", "pass_to_pass_m", "correlation_s"),
    [
        (0.9, 0.2, 3600.0),
        (0.04, 0.035, 3600.0),
        (0.025, 0.025, 1800.0),
        (0.1, 0.0, 900.0),
        (0.05, 0.2, 3600.0),
    ],
)
def test_covariance_is_the_formula_of_design_2(repeatable_m, pass_to_pass_m, correlation_s):
    # Written out pair by pair; three passes in each operation, two of them in one visit.
    one = tier(repeatable_m=repeatable_m, pass_to_pass_m=pass_to_pass_m, correlation_s=correlation_s)
    drift, bias = drift_and_bias_var(one)
    t, u = np.array([0.0, 700.0, 90_000.0]), np.array([500.0, 0.0, 2000.0])
    error = ReturnError(operation(t, one), operation(u, one), wander_sd_m=0.01, machine_sd_m=0.02)
    angle = np.radians([90.0, 60.0, 200.0])
    normal, heading = np.column_stack([np.cos(angle), np.sin(angle)]), np.array([1, -1, 1])
    got = error.covariance(np.arange(3), np.arange(3), normal, heading)
    for i in range(3):
        for j in range(3):
            one_day = abs(t[i] - t[j]) < 6 * 3600
            bracket = bias * one_day + bias + drift * np.exp(-abs(t[i] - t[j]) / correlation_s)
            bracket += drift * np.exp(-abs(u[i] - u[j]) / correlation_s)
            value = normal[i] @ normal[j] * bracket + heading[i] * heading[j] * 0.02**2 + (i == j) * 0.01**2
            assert got[i, j] == pytest.approx(value, rel=1e-12, abs=1e-18)
    np.testing.assert_allclose(error.sd(np.arange(3), np.arange(3)) ** 2, np.diag(got), rtol=1e-12)


@pytest.mark.parametrize("pass_to_pass_m", [0.0, 0.02, 0.3])
def test_one_tier_and_no_steering_has_the_repeatable_variance(pass_to_pass_m):
    # DEVELOPERS.md, "The model": one tier in both operations without steering gives d_i the variance sigma_R^2.
    one = tier(repeatable_m=0.1, pass_to_pass_m=pass_to_pass_m)
    error = ReturnError(operation([0.0], one), operation([0.0], one))
    assert error.sd(np.array([0]), np.array([0]))[0] == pytest.approx(0.1 / Z, rel=1e-12)


def test_two_passes_a_quarter_of_an_hour_apart_differ_by_the_pass_to_pass_figure():
    # ISO 12188-1: 95 % of the absolute relative cross-track error of two passes at most 15 min apart
    # (from memory; the 15 min were read in the EGNOS user support pages).
    one = tier(repeatable_m=0.9, pass_to_pass_m=0.2)
    cov = operation([0.0, 900.0], one).covariance()
    assert Z * np.sqrt(cov[0, 0] + cov[1, 1] - 2 * cov[0, 1]) == pytest.approx(0.2, rel=1e-12)


def test_tiers_are_independent_of_each_other():
    one, other = tier(repeatable_m=0.1), tier(repeatable_m=0.5, pass_to_pass_m=0.1)
    cov = operation([0.0, 600.0, 1200.0], one, other=other, with_other=(1,)).covariance()
    assert cov[0, 1] == cov[1, 2] == 0.0
    assert cov[0, 2] == pytest.approx((0.1 / Z) ** 2 / 2, rel=1e-12)


def test_visits_are_parted_at_a_night_and_not_at_noon():
    hours = np.array([30.0, 0.0, 2.0, 5.0, 31.0])  # not in the order of time
    assert list(Clock.from_times(hours * 3600).visit) == [1, 0, 0, 0, 1]
    assert Clock.from_times(np.zeros(0)).visit_count == 0


@pytest.mark.parametrize("pass_to_pass_m", [0.0, 0.05, 0.3])
def test_draws_have_the_covariance_they_say(pass_to_pass_m):
    one = tier(repeatable_m=0.2, pass_to_pass_m=pass_to_pass_m, correlation_s=2700.0)
    times = np.array([1200.0, 0.0, 600.0, 5000.0, 100_000.0, 100_300.0])
    error = ReturnError(operation(times, one), operation(times / 2, one), machine_sd_m=0.03)
    autumn, spring, machine = drawn_errors(error, draws=DRAWS)
    for drawn, exact in ((autumn, error.autumn.covariance()), (spring, error.spring.covariance())):
        # Standard error of a sample covariance of normals: sqrt((c_ii c_jj + c_ij^2) / draws); five of them.
        scale = np.sqrt((np.outer(np.diag(exact), np.diag(exact)) + exact**2) / DRAWS)
        for axis in (0, 1):
            assert (np.abs(drawn[axis] @ drawn[axis].T / DRAWS - exact) < 5 * scale).all()
        # The two axes have nothing to do with each other.
        assert (np.abs(drawn[0] @ drawn[1].T / DRAWS) < 5 * scale).all()
    assert (
        np.abs(autumn[0] @ spring[0].T / DRAWS) < 5 * error.autumn.variance().max() / np.sqrt(DRAWS)
    ).all()
    assert machine.std() == pytest.approx(0.03, rel=0.01)


def test_drift_is_gauss_markov():
    # First order: given the pass between them, first and last are independent, so the middle of the inverse
    # covariance has no direct link; and the correlation falls as exp(-t / T), whatever the steps.
    one = tier(repeatable_m=0.2, pass_to_pass_m=0.2, correlation_s=1800.0)
    times = np.array([0.0, 500.0, 2500.0, 2600.0])
    error = operation(times, one)
    inverse = np.linalg.inv(error.covariance())
    assert np.abs([inverse[0, 2], inverse[0, 3], inverse[1, 3]]).max() < 1e-9 * inverse.max()
    drawn = drawn_errors(ReturnError(error, error), draws=DRAWS)[0][0]
    expected = np.exp(-np.abs(times[:, None] - times) / 1800.0)
    np.testing.assert_allclose(np.corrcoef(drawn), expected, atol=5 / np.sqrt(DRAWS))


def test_the_same_seed_gives_the_same_draws_and_tiers_share_them():
    small, large = (tier(repeatable_m=r) for r in (0.1, 0.2))
    errors = [ReturnError(operation([0.0, 600.0], t), operation([0.0], t)) for t in (small, large)]
    first, second = (drawn_errors(error, draws=256)[0] for error in errors)
    np.testing.assert_array_equal(first, drawn_errors(errors[0], draws=256)[0])
    np.testing.assert_allclose(2 * first, second, rtol=1e-12)
    assert not np.array_equal(first, drawn_errors(errors[0], draws=256, seed=4)[0])


def test_no_error_draws_zeros():
    exact = ReturnError(operation([0.0, 600.0], tier_without_error()), operation([0.0], tier_without_error()))
    autumn, spring, machine = drawn_errors(exact, draws=64)
    assert not autumn.any() and not spring.any() and not machine.any()


def test_blocks_continue_one_sequence():
    one = operation([0.0, 600.0], tier(repeatable_m=0.1))
    error = [ReturnError(one, one)]
    whole = StandardDraws.seeded(error, draws=256, seed=3)
    blocks = [StandardDraws.seeded(error, draws=64, seed=3, block=k) for k in range(4)]
    # The quasi-random numbers of the biases are those of SciPy's one sequence.
    bias = np.concatenate([b.autumn.bias for b in blocks], axis=-1)
    np.testing.assert_array_equal(bias, whole.autumn.bias)
    np.testing.assert_array_equal(np.concatenate([b.machine for b in blocks]), whole.machine)
    # The pseudo-random ones of the drift are new in every block.
    drift = np.concatenate([b.autumn_drift for b in blocks], axis=-1)
    assert len(np.unique(drift)) == drift.size


def test_what_is_left_of_a_start_is_shared_by_the_passes_after_it():
    # Passes 0 and 1 follow one start, 2 another; each with another rest of it. Written out pair by pair.
    one = operation([0.0, 60.0, 4000.0], tier(repeatable_m=0.1, pass_to_pass_m=0.05))
    rest, start = np.array([0.4, 0.1, 0.3]), np.array([0, 0, 1])
    starting = replace(one, start_sd_m=rest, start=start)
    added = starting.covariance() - one.covariance()
    np.testing.assert_allclose(added, [[0.16, 0.04, 0.0], [0.04, 0.01, 0.0], [0.0, 0.0, 0.09]], atol=1e-15)
    np.testing.assert_allclose(starting.variance(), np.diag(starting.covariance()), rtol=1e-12)
    spring = operation([0.0], tier_without_error())
    drawn = drawn_errors(ReturnError(starting, spring), draws=DRAWS)[0]
    # A covariance of 131,072 draws: standard errors are about 0.4 % of the product of the sds.
    for axis in drawn:
        size = np.outer(*2 * [np.sqrt(starting.variance())])
        np.testing.assert_allclose(np.cov(axis) / size, starting.covariance() / size, atol=0.015)


def test_a_base_that_stands_elsewhere_moves_every_pass_of_every_visit():
    one = operation([0.0, 90_000.0], tier(repeatable_m=0.02))
    moved = replace(one, base_sd_m=np.full(2, 0.5))
    np.testing.assert_allclose(moved.covariance() - one.covariance(), 0.25, atol=1e-12)
    drawn = drawn_errors(ReturnError(one, moved), draws=DRAWS)[1]
    np.testing.assert_allclose(np.cov(drawn[0]), moved.covariance(), atol=0.005)
    assert abs(np.cov(drawn[0].mean(axis=0), drawn[1].mean(axis=0))[0, 1]) < 0.005  # east and north apart
