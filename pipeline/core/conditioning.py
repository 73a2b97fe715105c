"""Ground checks: the return error of a field, given what was measured at some places.

    y_j = o_j + n_j . (a_p + b_q) + h_j m + w_j + tape error

All is normal, so the errors given the measurements are normal too, with mean and covariance in closed form; a
distance without a side makes them a mixture. The covariance is the one of `returns`, and there is no other model.
"""

from dataclasses import dataclass, replace

import numpy as np
from scipy.linalg import solve_triangular

from pipeline.core.branches import branches_of
from pipeline.core.checks import Checks
from pipeline.core.draws import JointErrors
from pipeline.core.returns import ReturnError


@dataclass(frozen=True)
class CommonShift:
    """Return shift that is common to some pairs, and machine bias: (east, north, machine).

    Attributes
    ----------
    mean_m : ndarray, shape (3,)
    covariance_m2 : ndarray, shape (3, 3)
    """

    mean_m: np.ndarray
    covariance_m2: np.ndarray

    @property
    def sd_m(self) -> np.ndarray:
        """Standard deviations [m], shape (3,)."""
        return _root(np.diag(self.covariance_m2))


@dataclass(frozen=True)
class Posterior:
    """Return error of a field, given its checks.

    Attributes
    ----------
    prior : ReturnError
    checks : Checks
    weights : ndarray, shape (branches,)
        Weight of each choice of sides of the unsigned checks; one branch where there are none.
    residual_m : ndarray, shape (branches, n)
        Measured less expected offset [m].
    autumn_m2, spring_m2 : ndarray, shape (passes, passes)
        Prior covariances of the passes on one axis [m^2].
    whitener : ndarray, shape (n, n)
        Inverse of the lower root of the measurements' covariance [1/m].
    """

    prior: ReturnError
    checks: Checks
    weights: np.ndarray
    residual_m: np.ndarray
    autumn_m2: np.ndarray
    spring_m2: np.ndarray
    whitener: np.ndarray

    @classmethod
    def of(cls, prior: ReturnError, checks: Checks) -> "Posterior":
        """Condition a prior with mean zero on some checks, or none."""
        covariance = checks.covariance(prior)
        residual, weights = branches_of(checks.offset_m, checks.measured_m, checks.signed, covariance)
        autumn, spring = prior.autumn.covariance(), prior.spring.covariance()
        # A field without strips has no strip pass to ask (as in `ReturnError.shift_sd`).
        autumn = autumn if len(autumn) else np.zeros((1, 1))
        return cls(prior, checks, weights, residual, autumn, spring, _whitener(covariance))

    def shift_of_branches(
        self, strip_pass: np.ndarray, planter_pass: np.ndarray, normal: np.ndarray, heading: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray]:
        """Mean in every branch, (branches, n), and standard deviation, (n,), of the shift at n places [m].

        The shift is n . (a + b) + h m, without the wander; arguments as of `ReturnError.covariance`.
        """
        told, variance = self.told(strip_pass, planter_pass, normal, heading)
        return self._white @ told.T, _root(variance - np.sum(told**2, axis=1))

    def moments(
        self, strip_pass: np.ndarray, planter_pass: np.ndarray, normal: np.ndarray, heading: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray]:
        """Mean and standard deviation over all branches of the same shift [m], (n,) each."""
        told, variance = self.told(strip_pass, planter_pass, normal, heading)
        mean, known = self._mixed()
        return told @ mean, _root(variance - np.sum((told @ known) * told, axis=1))

    def common_shift(self, strip_pass: np.ndarray, planter_pass: np.ndarray, weight: np.ndarray) -> CommonShift:
        """Mean shift a + b of some pairs, each with a weight such as its length, and the machine bias."""
        checks, machine = self.checks, self.prior.machine_sd_m**2
        autumn, spring = (
            np.bincount(which, weight / weight.sum(), len(covariance))
            for which, covariance in ((strip_pass, self.autumn_m2), (planter_pass, self.spring_m2))
        )
        seen = (autumn @ self.autumn_m2)[checks.strip_pass] + (spring @ self.spring_m2)[checks.planter_pass]
        told = np.vstack([checks.normal.T * seen, checks.heading * machine]) @ self.whitener.T
        axis = autumn @ self.autumn_m2 @ autumn + spring @ self.spring_m2 @ spring
        mean, known = self._mixed()
        return CommonShift(told @ mean, np.diag([axis, axis, machine]) - told @ known @ told.T)

    @property
    def _white(self) -> np.ndarray:
        """Residuals as independent standard normals of the prior, shape (branches, checks)."""
        return self.residual_m @ self.whitener.T

    def _mixed(self) -> tuple[np.ndarray, np.ndarray]:
        """Mean of the whitened residuals over the branches, and identity less their scatter."""
        mean = self.weights @ self._white
        apart = self._white - mean
        return mean, np.eye(len(mean)) - apart.T @ (self.weights[:, None] * apart)

    def told(
        self, strip_pass: np.ndarray, planter_pass: np.ndarray, normal: np.ndarray, heading: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray]:
        """Covariance of the shift at n places with the whitened residuals, (n, checks), and its prior variance."""
        checks, machine = self.checks, self.prior.machine_sd_m**2
        seen = self.autumn_m2[np.ix_(strip_pass, checks.strip_pass)]
        seen = seen + self.spring_m2[np.ix_(planter_pass, checks.planter_pass)]
        seen = (normal @ checks.normal.T) * seen + np.outer(heading, checks.heading) * machine
        variance = np.diag(self.autumn_m2)[strip_pass] + np.diag(self.spring_m2)[planter_pass] + machine
        return seen @ self.whitener.T, variance

    def conditioned(self, drawn: JointErrors, pick: np.ndarray, noise: np.ndarray) -> JointErrors:
        """Joint draws from the posterior, made of joint draws from the prior (Matheron's rule).

        Parameters
        ----------
        drawn : JointErrors
            From the prior.
        pick : ndarray, shape (draws,)
            Uniform numbers; they choose the branch.
        noise : ndarray, shape (checks, draws)
            Standard normals of wander and tape.

        Returns
        -------
        JointErrors
            Prior draw + gain (measured - what the draw would have measured).
        """
        checks = self.checks
        if not len(checks.measured_m):
            return drawn
        autumn, spring, machine = drawn
        simulated = self.simulated(drawn, noise)
        # Rounding may leave the sum of the weights a little below 1.
        branch = np.minimum(np.searchsorted(np.cumsum(self.weights), pick, side="right"), len(self.weights) - 1)
        pull = self.whitener.T @ (self.whitener @ (self.residual_m[branch].T - simulated))
        along = checks.normal.T[:, None, :]
        to_autumn, to_spring = self.autumn_m2[:, checks.strip_pass], self.spring_m2[:, checks.planter_pass]
        return JointErrors(
            autumn + ((to_autumn * along) @ pull).astype(np.float32),
            spring + ((to_spring * along) @ pull).astype(np.float32),
            machine + (self.prior.machine_sd_m**2 * checks.heading @ pull).astype(np.float32),
        )

    def simulated(self, drawn: JointErrors, noise: np.ndarray) -> np.ndarray:
        """What draws from the prior would measure less what is expected, (checks, draws) [m]; `noise` as above."""
        noise_m = np.hypot(self.prior.wander_sd_m, self.checks.tape_sd_m)[:, None] * noise
        return drawn.shift(*self.checks.where, beside_m=noise_m)

    def joined(self, more: Checks) -> "Posterior":
        """With further checks behind its own, each measured as expected; the weights are those of its own alone."""
        checks = self.checks.joined(more)
        residual = np.hstack([self.residual_m, np.zeros((len(self.weights), len(more.measured_m)))])
        return replace(self, checks=checks, residual_m=residual, whitener=_whitener(checks.covariance(self.prior)))


def _whitener(covariance: np.ndarray) -> np.ndarray:
    """Inverse of the lower root."""
    return solve_triangular(np.linalg.cholesky(covariance), np.eye(len(covariance)), lower=True)


def _root(variance: np.ndarray) -> np.ndarray:
    """Square root of a variance that rounding may leave a little below zero."""
    return np.sqrt(np.maximum(variance, 0.0))
