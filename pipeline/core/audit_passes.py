"""Logged values with scatter between passes and wander along them, solved where the scatter is known.

    y = X b + p(pass) + w(along),   Var p = sigma_p^2,   Cov(w(s), w(s')) = sigma_w^2 exp(-|s - s'| / L)

The wander is a first-order chain along its pass, so whitening it takes one subtraction a sample. What remains of
a pass is its mean with the variance sigma_p^2 + sigma_w^2 / A; every function of sigma_p is a sum over passes.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np

# ASSUME: steering wanders over some 10 m. A weak prior (a factor of 4.5 either way, one sigma) that only rules
# where the log has nothing to say, as at a step much longer than the wander.
TYPICAL_LENGTH_M, LENGTH_LOG_SD = 10.0, 1.5
# Scatter below a micrometre is rounding.
FLOOR_M2 = 1e-12


@dataclass(frozen=True)
class Whitened:
    """Samples with the wander of one correlation length taken out, at a wander variance of 1.

    Attributes
    ----------
    precision : ndarray, shape (passes,)
        A: one over the variance of each pass's mean.
    mean : ndarray, shape (passes, r + 1)
        Best linear means of the design's columns and of y in each pass.
    within : ndarray, shape (r + 1, r + 1)
        Products about these means.
    log_det : float
        Log determinant of the correlations.
    """

    precision: np.ndarray
    mean: np.ndarray
    within: np.ndarray
    log_det: float

    @property
    def slack(self) -> float:
        """How far sigma_p^2 / sigma_w^2 may fall below zero while the mean of every pass still varies."""
        return float(1.0 / self.precision.max())


@dataclass(frozen=True)
class Solution:
    """Generalised least squares under known scatter.

    Attributes
    ----------
    beta : ndarray, shape (r,)
    covariance : ndarray, shape (r, r)
        At a wander variance of 1.
    squares : float
        Weighted residual squares at a wander variance of 1 [m^2].
    log_dets : float
        Log determinants of the restricted likelihood.
    """

    beta: np.ndarray
    covariance: np.ndarray
    squares: float
    log_dets: float


@dataclass(frozen=True)
class PassModel:
    """A design and its logged values, pass by pass.

    Attributes
    ----------
    x : ndarray, shape (n, r)
        Of full rank.
    y : ndarray, shape (n,)
        [m]
    gap_m : ndarray, shape (n,)
        Distance to the sample before; infinite at the first of a pass [m].
    """

    x: np.ndarray
    y: np.ndarray
    gap_m: np.ndarray

    @classmethod
    def of(cls, x: np.ndarray, y: np.ndarray, *, planter_pass: np.ndarray, along_m: np.ndarray) -> "PassModel":
        """A model of samples that are in order of pass and place."""
        new = np.diff(planter_pass, prepend=planter_pass[:1] - 1) != 0
        return cls(x, y, np.where(new, np.inf, np.diff(along_m, prepend=0.0)))

    @cached_property
    def first(self) -> np.ndarray:
        """Where each pass begins, shape (passes,)."""
        return np.flatnonzero(np.isinf(self.gap_m))

    @cached_property
    def of_pass(self) -> np.ndarray:
        """Pass of each sample, counted from 0, shape (n,)."""
        return np.cumsum(np.isinf(self.gap_m)) - 1

    @cached_property
    def between_dof(self) -> int:
        """Passes more than the design can explain; without any the scatter between passes is not known."""
        mean = np.add.reduceat(self.x, self.first) / np.diff(self.first, append=len(self.y))[:, None]
        return len(mean) - int(np.linalg.matrix_rank(mean, tol=1e-6 * max(1.0, float(np.abs(mean).max()))))

    @cached_property
    def within_dof(self) -> int:
        """Samples more than passes; without any, wander is not told from scatter between passes."""
        return len(self.y) - len(self.first)

    @cached_property
    def _centred(self) -> tuple[np.ndarray, np.ndarray]:
        """Columns of design, y and ones: plain means by pass, and what is left of them in each sample."""
        z = np.column_stack([self.x, self.y])
        mean = np.add.reduceat(z, self.first) / np.diff(self.first, append=len(z))[:, None]
        return mean, np.column_stack([z - mean[self.of_pass], np.ones(len(z))])

    def chain(self, length_m: float) -> tuple[np.ndarray, np.ndarray]:
        """Correlation with the sample before, and one over the sd of what is new, shape (n,) each."""
        keep = np.exp(-self.gap_m / length_m)
        return keep, 1.0 / np.sqrt(-np.expm1(-2.0 * self.gap_m / length_m))

    def whitened(self, length_m: float) -> Whitened:
        """Take out the wander of a correlation length [m]."""
        keep, fresh = self.chain(length_m)
        mean, left = self._centred
        white = left * fresh[:, None]
        white[1:] -= (keep * fresh)[1:, None] * left[:-1]
        precision = np.add.reduceat(white[:, -1] ** 2, self.first)
        shift = np.add.reduceat(white[:, -1:] * white[:, :-1], self.first) / precision[:, None]
        within = white[:, :-1].T @ white[:, :-1] - (precision[:, None] * shift).T @ shift
        return Whitened(precision, mean + shift, within, float(-2.0 * np.log(fresh).sum()))

    def solve(self, white: Whitened, ratio: float) -> Solution:
        """Least squares where sigma_p^2 is `ratio` times sigma_w^2; it may be negative as long as all means vary."""
        spread = 1.0 + ratio * white.precision
        product = white.within + (white.mean * (white.precision / spread)[:, None]).T @ white.mean
        normal, right = product[:-1, :-1], product[:-1, -1]
        covariance = np.linalg.inv(normal)
        beta = covariance @ right
        log_dets = white.log_det + np.log(spread).sum() + np.linalg.slogdet(normal)[1]
        return Solution(beta, covariance, float(max(product[-1, -1] - right @ beta, 0.0)), float(log_dets))

    def deviance(self, solution: Solution, wander_m2: float, length_m: float) -> float:
        """Minus twice the restricted log likelihood, with the weak prior on the correlation length."""
        prior = (np.log(length_m / TYPICAL_LENGTH_M) / LENGTH_LOG_SD) ** 2
        dof = len(self.y) - self.x.shape[1]
        return dof * np.log(wander_m2) + solution.log_dets + solution.squares / wander_m2 + prior

    def wander_m2(self, solution: Solution) -> float:
        """The likeliest wander variance given the rest [m^2]."""
        return max(solution.squares / max(len(self.y) - self.x.shape[1], 1), FLOOR_M2)
