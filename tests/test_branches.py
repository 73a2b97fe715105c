"""Sides of unsigned checks: against Bayes by SciPy over every choice of sides, and against quadrature."""

import itertools

import numpy as np
import pytest
from scipy.stats import multivariate_normal, norm

from pipeline.core.branches import LEAST_WEIGHT, MOST_BRANCHES, branches_of


def random_covariance(count, rng):
    root = rng.standard_normal((count, count))
    return root @ root.T + 0.1 * np.eye(count)


@pytest.mark.parametrize("seed", range(8))
def test_weights_are_bayes_over_all_sides(seed):
    # Referee: scipy.stats.multivariate_normal at each of the 2^k signed residuals; equal odds of the sides before.
    rng = np.random.default_rng(seed)
    count = 6
    signed = rng.random(count) < 0.3
    offset, measured = rng.normal(0, 1, count), np.abs(rng.normal(0, 2, count))
    covariance = random_covariance(count, rng)
    residual, weight = branches_of(offset, measured, signed, covariance)
    sides = [(1.0,) if s else (1.0, -1.0) for s in signed]
    every = {side: multivariate_normal.pdf(side * measured - offset, cov=covariance) for side in itertools.product(*sides)}
    total = sum(every.values())
    found = {tuple(np.round((r + offset) / measured)): w for r, w in zip(residual, weight, strict=True)}
    assert weight.sum() == pytest.approx(1.0, abs=1e-12)
    for side, density in every.items():
        # A branch may be left out only where it is as unlikely as said, at each of the steps.
        assert found.get(side, 0.0) == pytest.approx(density / total, rel=1e-6, abs=10 * LEAST_WEIGHT)


def test_signed_checks_have_one_branch_and_zero_has_no_sides():
    residual, weight = branches_of(np.array([1.0, 2.0]), np.array([5.0, 0.0]), np.array([True, False]), np.eye(2))
    np.testing.assert_array_equal(residual, [[4.0, -2.0]])
    np.testing.assert_array_equal(weight, [1.0])
    residual, weight = branches_of(np.zeros(0), np.zeros(0), np.zeros(0, bool), np.zeros((0, 0)))
    assert residual.shape == (1, 0) and list(weight) == [1.0]


def test_a_signed_check_settles_the_sides_of_its_neighbours():
    # A shared shift of sd 10 and noise of 0.1: what lies 5 to the left there lies 5 to the left here.
    covariance = np.full((4, 4), 100.0) + 0.01 * np.eye(4)
    residual, weight = branches_of(np.zeros(4), np.full(4, 5.0), np.array([False, False, True, False]), covariance)
    np.testing.assert_array_equal(residual, np.full((1, 4), 5.0))
    assert weight[0] == 1.0


def test_sides_that_contradict_everything_still_leave_a_branch():
    # Every branch is some thousand standard deviations out; weights must not all underflow to zero.
    _, weight = branches_of(np.zeros(3), np.array([1e3, 2e3, 3e3]), np.zeros(3, bool), np.eye(3))
    assert weight.sum() == pytest.approx(1.0) and np.isfinite(weight).all()


@pytest.mark.parametrize(("count", "size"), [(12, 1.0), (20, 0.3), (20, 0.6), (20, 1.5), (40, 0.5)])
def test_many_distances_as_small_as_their_noise_against_quadrature(count, size):
    # 2^count branches of much the same weight, of which 512 are kept. One shift of sd 5, noise of sd 1, so the
    # posterior is a function of one number. Referee: its density summed on a fine grid (trapezoids).
    rng = np.random.default_rng(count)
    measured = np.abs(size * rng.standard_normal(count) + 0.4)
    covariance = np.full((count, count), 25.0) + np.eye(count)
    residual, weight = branches_of(np.zeros(count), measured, np.zeros(count, bool), covariance)
    assert len(weight) <= MOST_BRANCHES and weight.sum() == pytest.approx(1.0, abs=1e-12)
    gain = np.linalg.solve(covariance, np.full(count, 25.0))
    sd = np.sqrt(25.0 - 25.0 * gain.sum())
    shift = np.linspace(-10, 10, 20_001)
    likelihood = np.logaddexp(norm.logpdf(measured[:, None], shift), norm.logpdf(-measured[:, None], shift))
    density = np.exp(norm.logpdf(shift, scale=5.0) + likelihood.sum(axis=0) - likelihood.sum(axis=0).max())
    exact = np.cumsum(density) / density.sum()
    found = weight @ norm.cdf(shift[::20], (residual @ gain)[:, None], sd)
    # Sides taken evenly; the heaviest 512 alone would put the first case off by 0.12.
    assert np.abs(found - exact[::20]).max() < 0.015


def test_the_heaviest_branches_alone_would_be_wrong():
    # Why an even sample is taken: the same case, cut to the 512 heaviest of all 2^12, has another spread.
    rng = np.random.default_rng(12)
    measured = np.abs(rng.standard_normal(12) + 0.4)
    covariance = np.full((12, 12), 25.0) + np.eye(12)
    gain = np.linalg.solve(covariance, np.full(12, 25.0))
    every = np.array(list(itertools.product([1.0, -1.0], repeat=12))) * measured
    all_weight = multivariate_normal.pdf(every, cov=covariance)
    heaviest = np.argsort(all_weight)[-MOST_BRANCHES:]

    def spread(residual, weight):
        return np.sqrt(np.average((residual @ gain) ** 2, weights=weight))

    exact = spread(every, all_weight)
    assert spread(every[heaviest], all_weight[heaviest]) > 1.05 * exact
    assert spread(*branches_of(np.zeros(12), measured, np.zeros(12, bool), covariance)) == pytest.approx(exact, rel=0.03)


def test_order_does_not_matter():
    rng = np.random.default_rng(5)
    count = 7
    offset, measured, signed = rng.normal(0, 1, count), np.abs(rng.normal(0, 2, count)), np.arange(count) < 2
    covariance = random_covariance(count, rng)
    order = rng.permutation(count)
    one, weight = branches_of(offset, measured, signed, covariance)
    other, weight2 = branches_of(offset[order], measured[order], signed[order], covariance[np.ix_(order, order)])
    np.testing.assert_allclose(other, one[:, order], rtol=1e-12)
    np.testing.assert_allclose(weight2, weight, rtol=1e-9)
