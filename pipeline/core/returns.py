"""The return error of a field: one covariance (DESIGN section 2), and joint draws from it.

    Cov(d_i, d_j) = n_i . n_j [S + g_A^2 exp(-|t_i - t_j| / T_A) + g_B^2 exp(-|u_i - u_j| / T_B)]
                    + a_i a_j sigma_m^2 + [i = j] sigma_w^2

The bracket is a sum over the two operations, autumn (A) and spring (B). Each pass of an operation has a visit
(the day's bias, shared) and a time (the drift, shared by neighbours). The unit is the pass: within one pair of
passes the drift is constant.
"""

from dataclasses import dataclass
from functools import cached_property

import numba
import numpy as np
from scipy.special import ndtri

from pipeline.core.tier import TierSpread

# ASSUME: work with no longer break than this is one visit, with one bias; a longer break is another day.
VISIT_BREAK_S = 6 * 3600.0


@dataclass(frozen=True)
class Clock:
    """When the passes of one operation were laid; both arrays have shape (passes,).

    Attributes
    ----------
    time_s : ndarray
        Middle of each pass [s].
    visit : ndarray of int
        Number of the visit, from 0.
    """

    time_s: np.ndarray
    visit: np.ndarray

    @classmethod
    def from_times(cls, time_s: np.ndarray) -> "Clock":
        """Clock of passes at `time_s` [s], visits parted at breaks longer than `VISIT_BREAK_S`."""
        order = np.argsort(time_s, kind="stable")
        visit = np.zeros(len(time_s), np.int64)
        visit[order] = np.cumsum(np.diff(time_s[order], prepend=time_s[order][:1]) > VISIT_BREAK_S)
        return cls(np.asarray(time_s, float), visit)

    @property
    def visit_count(self) -> int:
        """Number of visits."""
        return int(self.visit.max(initial=-1)) + 1


@dataclass(frozen=True)
class OperationError:
    """Earth-frame error of one operation's passes, per axis; arrays of shape (passes,).

    Attributes
    ----------
    clock : Clock
    bias_sd_m, drift_sd_m : ndarray
        Standard deviations of the visit's bias and of the drift [m].
    correlation_time_s : ndarray
        Time constant of the drift [s].
    source : ndarray of int
        Passes share errors only within the same source (tier).
    """

    clock: Clock
    bias_sd_m: np.ndarray
    drift_sd_m: np.ndarray
    correlation_time_s: np.ndarray
    source: np.ndarray

    @classmethod
    def under(cls, clock: Clock, spreads: list[TierSpread]) -> "OperationError":
        """Error of passes each made under a tier; one visit has half of a return's variance.

        Parameters
        ----------
        clock : Clock
        spreads : list of TierSpread, one a pass
        """
        kinds = {spread: number for number, spread in enumerate(dict.fromkeys(spreads))}
        return cls(
            clock,
            np.array([s.bias_sd_m for s in spreads]) / np.sqrt(2.0),
            np.array([s.drift_sd_m for s in spreads]),
            np.array([s.correlation_time_s for s in spreads]),
            np.array([kinds[s] for s in spreads], np.int64),
        )

    def covariance(self) -> np.ndarray:
        """Covariance of the passes' errors on one axis [m^2], shape (passes, passes)."""
        same = self.source[:, None] == self.source[None, :]
        visit = self.clock.visit[:, None] == self.clock.visit[None, :]
        apart = np.abs(self.clock.time_s[:, None] - self.clock.time_s[None, :])
        drift = np.outer(self.drift_sd_m, self.drift_sd_m) * np.exp(-apart / self.correlation_time_s[:, None])
        return same * (visit * np.outer(self.bias_sd_m, self.bias_sd_m) + drift)

    def variance(self) -> np.ndarray:
        """Variance of each pass on one axis [m^2], shape (passes,)."""
        return self.bias_sd_m**2 + self.drift_sd_m**2

    def draw(self, bias: np.ndarray, drift: np.ndarray, *, out: np.ndarray | None = None) -> np.ndarray:
        """Joint errors of the passes on one axis.

        Parameters
        ----------
        bias : ndarray, shape (visits, sources, draws)
            Standard normals of the biases.
        drift : ndarray, shape (passes, draws)
            Standard normals of the drift's steps.
        out : ndarray, shape (passes, draws), optional
            Where the errors go; made new unless given.

        Returns
        -------
        ndarray, shape (passes, draws)
            [m]. The drift is run as a first-order Gauss-Markov chain in the order of time, which has just
            the covariance above.
        """
        error = np.empty_like(drift) if out is None else out
        for source, mine, keep in self._chains:
            _run_chain(
                mine, keep, drift, self.drift_sd_m, bias[:, source], self.clock.visit, self.bias_sd_m, error
            )
        return error

    @cached_property
    def _chains(self) -> list[tuple[int, np.ndarray, np.ndarray]]:
        """Of each source: its passes in order of time, and how much of the drift each keeps from the last."""
        out = []
        for source in np.unique(self.source):
            mine = np.flatnonzero(self.source == source)
            mine = mine[np.argsort(self.clock.time_s[mine], kind="stable")]
            gap = np.diff(self.clock.time_s[mine], prepend=-np.inf)
            out.append((int(source), mine, np.exp(-gap / self.correlation_time_s[mine])))
        return out


@numba.njit(cache=True, nogil=True)
def _run_chain(passes, keep, drift, drift_sd, bias, visit, bias_sd, error):
    """Errors of the passes of one source in order of time, put into their lines of `error`."""
    draws = drift.shape[1]
    state = np.zeros(draws, drift.dtype)
    for k in range(len(passes)):
        number = passes[k]
        day, old, fresh = bias[visit[number]], np.float32(keep[k]), np.float32(np.sqrt(1.0 - keep[k] * keep[k]))
        slow, shared = np.float32(drift_sd[number]), np.float32(bias_sd[number])
        for j in range(draws):
            state[j] = old * state[j] + fresh * drift[number, j]
            error[number, j] = slow * state[j] + shared * day[j]


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

    def sd(self, strip_pass: np.ndarray, planter_pass: np.ndarray) -> np.ndarray:
        """Standard deviation of the offset at a place of each pair [m], shape (pairs,)."""
        # A field without strips has no strip pass to ask; nothing is judged there, so any number will do.
        autumn = self.autumn.variance() if len(self.autumn.bias_sd_m) else np.zeros(1)
        shared = autumn[strip_pass] + self.spring.variance()[planter_pass]
        return np.sqrt(shared + self.machine_sd_m**2 + self.wander_sd_m**2)

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


@dataclass(frozen=True)
class StandardDraws:
    """Standard normals of a field (float32), drawn once and scaled by every tier.

    The few numbers that rule a field, the visits' biases, are a scrambled Sobol sequence; the many of the
    drift are pseudo-random. Common numbers make tiers comparable draw by draw.
    """

    autumn_bias: np.ndarray  # (2 axes, visits, sources, draws)
    spring_bias: np.ndarray
    autumn_drift: np.ndarray  # (2 axes, passes, draws)
    spring_drift: np.ndarray
    machine: np.ndarray  # (draws,)

    @classmethod
    def seeded(
        cls, autumn: Clock, spring: Clock, *, sources: tuple[int, int], draws: int, seed: int, block: int = 0
    ) -> "StandardDraws":
        """One block of draws for two clocks, so that a field's many draws need not be in memory at once.

        Parameters
        ----------
        autumn, spring : Clock
        sources : tuple of int
            Number of tiers used in autumn and in spring.
        draws : int
            Draws of a block, a power of two.
        seed, block : int
            Blocks of one seed continue the same sequence.
        """
        shapes = [(2, autumn.visit_count, sources[0]), (2, spring.visit_count, sources[1])]
        sizes = [int(np.prod(shape)) for shape in shapes]
        from scipy.stats import qmc  # a second to import, and only the odds draw

        sobol = qmc.Sobol(sum(sizes) + 1, scramble=True, rng=np.random.default_rng(seed))
        if block:  # it takes no zero
            sobol.fast_forward(block * draws)
        points = ndtri(np.clip(sobol.random(draws), 1e-12, 1 - 1e-12)).T.astype(np.float32)
        rng = np.random.default_rng([seed, 1, block])
        autumn_drift, spring_drift = (
            rng.standard_normal((2, len(clock.time_s), draws), np.float32) for clock in (autumn, spring)
        )
        autumn_bias, spring_bias, machine = np.split(points, np.cumsum(sizes))
        return cls(
            autumn_bias.reshape(*shapes[0], draws), spring_bias.reshape(*shapes[1], draws), autumn_drift,
            spring_drift, machine[0],
        )  # fmt: skip

    def errors(self, error: ReturnError) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Errors of strip passes and planter passes, (2, passes, draws) each, and machine bias, (draws,) [m]."""
        autumn, spring = np.empty_like(self.autumn_drift), np.empty_like(self.spring_drift)
        for k in (0, 1):
            error.autumn.draw(self.autumn_bias[k], self.autumn_drift[k], out=autumn[k])
            error.spring.draw(self.spring_bias[k], self.spring_drift[k], out=spring[k])
        return autumn, spring, np.float32(error.machine_sd_m) * self.machine
