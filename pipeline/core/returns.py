"""The return error of a field: one covariance (DESIGN section 2), and joint draws from it.

    Cov(d_i, d_j) = n_i . n_j [S + g_A^2 exp(-|t_i - t_j| / T_A) + g_B^2 exp(-|u_i - u_j| / T_B)]
                    + a_i a_j sigma_m^2 + [i = j] sigma_w^2

The bracket is a sum over the two operations, autumn (A) and spring (B). Each pass of an operation has a visit
(the day's bias, shared) and a time (the drift, shared by neighbours). The unit is the pass: within one pair of
passes the drift is constant.
"""

from collections.abc import Sequence
from dataclasses import dataclass

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

    def drift(self, steps: np.ndarray) -> np.ndarray:
        """Drift of the passes on one axis with a standard deviation of 1.

        Parameters
        ----------
        steps : ndarray of float32, shape (passes, draws)
            Standard normals.

        Returns
        -------
        ndarray, shape (passes, draws)
            A first-order Gauss-Markov chain in the order of time, which has just the covariance above.
        """
        state = np.empty_like(steps)
        for source in np.unique(self.source):
            mine = np.flatnonzero(self.source == source)
            mine = mine[np.argsort(self.clock.time_s[mine], kind="stable")]
            gap = np.diff(self.clock.time_s[mine], prepend=-np.inf)
            _run_chain(mine, np.exp(-gap / self.correlation_time_s[mine]), steps, state)
        return state

    def scaled(self, bias: np.ndarray, drift: np.ndarray, out: np.ndarray) -> None:
        """Put errors of the passes on one axis [m] into `out`, float32 of shape (passes, draws).

        Parameters
        ----------
        bias : ndarray of float32, shape (visits, sources, draws)
            Standard normals.
        drift : ndarray of float32, shape (passes, draws)
            As `drift` gives it.
        """
        _scaled(bias, self.clock.visit, self.source, self.bias_sd_m, drift, self.drift_sd_m, out)


@numba.njit(cache=True, nogil=True)
def _run_chain(passes, keep, steps, state):
    """Drift of the passes of one source in order of time, put into their lines of `state`."""
    for k in range(len(passes)):
        old, fresh = np.float32(keep[k]), np.float32(np.sqrt(1.0 - keep[k] * keep[k]))
        now, last = state[passes[k]], state[passes[max(k - 1, 0)]]
        for j in range(len(now)):
            # Nothing is kept at the first, whose memory holds anything.
            now[j] = fresh * steps[passes[k], j] if k == 0 else old * last[j] + fresh * steps[passes[k], j]


@numba.njit(cache=True, nogil=True)
def _scaled(bias, visit, source, bias_sd, drift, drift_sd, error):
    for k in range(len(drift)):
        day, slow, shared = bias[visit[k], source[k]], np.float32(drift_sd[k]), np.float32(bias_sd[k])
        for j in range(drift.shape[1]):
            error[k, j] = slow * drift[k, j] + shared * day[j]


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

    def errors(self, errors: Sequence[ReturnError]) -> list[tuple[np.ndarray, np.ndarray, np.ndarray]]:
        """Errors of strip passes and planter passes, (2, passes, draws) each, and machine bias, (draws,), of each [m]."""
        drifts: dict = {}
        return [
            (
                self._operation(error.autumn, self.autumn_bias, self.autumn_drift, drifts),
                self._operation(error.spring, self.spring_bias, self.spring_drift, drifts),
                np.float32(error.machine_sd_m) * self.machine,
            )
            for error in errors
        ]

    def _operation(self, one: OperationError, bias: np.ndarray, steps: np.ndarray, drifts: dict) -> np.ndarray:
        """Errors of an operation's passes, (2, passes, draws); tiers of one correlation time share the drift."""
        key = (id(steps), one.source.tobytes(), one.correlation_time_s.tobytes())
        if key not in drifts:
            drifts[key] = [one.drift(axis) for axis in steps]
        out = np.empty_like(steps)
        for k in (0, 1):
            one.scaled(bias[k], drifts[key][k], out[k])
        return out
