"""The return error of a field: one covariance (DEVELOPERS.md, "The model").

    Cov(d_i, d_j) = n_i . n_j [S + g_A^2 exp(-|t_i - t_j| / T_A) + g_B^2 exp(-|u_i - u_j| / T_B)]
                    + a_i a_j sigma_m^2 + [i = j] sigma_w^2

The bracket is a sum over the two operations, autumn (A) and spring (B), each an `OperationError`: a pass has a visit
(the day's bias, shared), a time (the drift, shared by neighbours), a start (what had not converged) and a base. The
unit is the pass: within one pair of passes the drift is constant. `draws.StandardDraws` draws from it.
"""

from dataclasses import dataclass

import numpy as np

from pipeline.core.operations import OperationError


@dataclass(frozen=True)
class ReturnError:
    """Return error of a field's pairs of passes under one tier.

    Attributes
    ----------
    autumn, spring : OperationError
        Of the strip passes and of the planter passes.
    wander_sd_m : float
        Steering and implement wander of both operations together [m].
    machine_sd_m : float
        Standard deviation of the planter's lateral bias in its own frame [m].
    """

    autumn: OperationError
    spring: OperationError
    wander_sd_m: float = 0.0
    machine_sd_m: float = 0.0

    def shift_sd(self, strip_pass: np.ndarray, planter_pass: np.ndarray) -> np.ndarray:
        """Standard deviation of how far a pair's rows have moved, without the wander [m], shape (pairs,)."""
        # A field without strips has no strip pass to ask; nothing is judged there, so any number will do.
        autumn = self.autumn.variance() if len(self.autumn.bias_sd_m) else np.zeros(1)
        return np.sqrt(autumn[strip_pass] + self.spring.variance()[planter_pass] + self.machine_sd_m**2)

    def sd(self, strip_pass: np.ndarray, planter_pass: np.ndarray) -> np.ndarray:
        """Standard deviation of the offset at a place of each pair [m], shape (pairs,)."""
        return np.hypot(self.shift_sd(strip_pass, planter_pass), self.wander_sd_m)

    def pair_sd(self) -> np.ndarray:
        """The same for every planter pass and strip pass [m], shape (planter passes, strip passes)."""
        planter, strip = np.meshgrid(
            np.arange(len(self.spring.bias_sd_m)), np.arange(len(self.autumn.bias_sd_m)), indexing="ij"
        )
        return self.sd(strip, planter)

    def covariance(
        self, strip_pass: np.ndarray, planter_pass: np.ndarray, normal: np.ndarray, heading: np.ndarray
    ) -> np.ndarray:
        """Covariance of the true offsets at n places [m^2], shape (n, n).

        Parameters
        ----------
        strip_pass, planter_pass : ndarray of int, shape (n,)
        normal : ndarray, shape (n, 2)
            Unit left normals of the strips (east, north).
        heading : ndarray, shape (n,)
            +1 where the planter travels as the strip did, -1 against it.
        """
        earth = self.autumn.covariance()[np.ix_(strip_pass, strip_pass)]
        earth = earth + self.spring.covariance()[np.ix_(planter_pass, planter_pass)]
        machine = np.outer(heading, heading) * self.machine_sd_m**2
        return (normal @ normal.T) * earth + machine + np.eye(len(normal)) * self.wander_sd_m**2
