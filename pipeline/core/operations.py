"""Error of one operation, autumn's or spring's: which passes share what, and how much of it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numba
import numpy as np

from pipeline.core.tier import TierSpread

if TYPE_CHECKING:
    from pipeline.core.draws import SharedDraws

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
    def from_times(cls, time_s: np.ndarray) -> Clock:
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

    A pass whose error changes on the way comes in stretches (`core.stretches`), each of them a pass here.

    Attributes
    ----------
    clock : Clock
    bias_sd_m, drift_sd_m : ndarray
        Standard deviations of the visit's bias and of the drift [m].
    correlation_time_s : ndarray
        Time constant of the drift [s].
    source : ndarray of int
        Passes share errors only within the same source (tier).
    start_sd_m : ndarray
        What is left of the error at switch-on [m], shared by the passes after one start.
    start : ndarray of int
        Number of the start that each pass follows.
    base_sd_m : ndarray
        How far the base may stand elsewhere than in the other season [m], shared by all passes of the source.
    """

    clock: Clock
    bias_sd_m: np.ndarray
    drift_sd_m: np.ndarray
    correlation_time_s: np.ndarray
    source: np.ndarray
    start_sd_m: np.ndarray
    start: np.ndarray
    base_sd_m: np.ndarray

    @classmethod
    def under(cls, clock: Clock, spreads: list[TierSpread]) -> OperationError:
        """Error of passes each made under a tier that has converged; one visit has half of a return's variance.

        Parameters
        ----------
        clock : Clock
        spreads : list of TierSpread, one a pass
        """
        kinds = {spread: number for number, spread in enumerate(dict.fromkeys(spreads))}
        nothing = np.zeros(len(spreads))
        return cls(
            clock,
            np.array([s.bias_sd_m for s in spreads]) / np.sqrt(2.0),
            np.array([s.drift_sd_m for s in spreads]),
            np.array([s.correlation_time_s for s in spreads]),
            np.array([kinds[s] for s in spreads], np.int64),
            nothing, np.zeros(len(spreads), np.int64), nothing,
        )  # fmt: skip

    def covariance(self) -> np.ndarray:
        """Covariance of the passes' errors on one axis [m^2], shape (passes, passes)."""
        same = self.source[:, None] == self.source[None, :]
        visit = self.clock.visit[:, None] == self.clock.visit[None, :]
        start = self.start[:, None] == self.start[None, :]
        apart = np.abs(self.clock.time_s[:, None] - self.clock.time_s[None, :])
        drift = np.outer(self.drift_sd_m, self.drift_sd_m) * np.exp(-apart / self.correlation_time_s[:, None])
        shared = visit * np.outer(self.bias_sd_m, self.bias_sd_m) + start * np.outer(self.start_sd_m, self.start_sd_m)
        return same * (shared + np.outer(self.base_sd_m, self.base_sd_m) + drift)

    def variance(self) -> np.ndarray:
        """Variance of each pass on one axis [m^2], shape (passes,)."""
        return self.bias_sd_m**2 + self.drift_sd_m**2 + self.start_sd_m**2 + self.base_sd_m**2

    @cached_property
    def _chains(self) -> list[tuple[np.ndarray, np.ndarray]]:
        """Passes of each source in the order of time, and what each keeps of the drift of the one before; float64."""
        chains = []
        for source in np.unique(self.source):
            mine = np.flatnonzero(self.source == source)
            mine = mine[np.argsort(self.clock.time_s[mine], kind="stable")]
            gap = np.diff(self.clock.time_s[mine], prepend=-np.inf)
            chains.append((mine, np.exp(-gap / self.correlation_time_s[mine])))
        return chains

    def drift(self, steps: np.ndarray) -> np.ndarray:
        """Drift of the passes with a standard deviation of 1.

        Parameters
        ----------
        steps : ndarray of float32, shape (2, passes, draws)
            Standard normals of both axes.

        Returns
        -------
        ndarray, shape (2, passes, draws)
            A first-order Gauss-Markov chain in the order of time, which has just the covariance above.
        """
        state = np.empty_like(steps)
        for mine, keep in self._chains:
            for axis in (0, 1):
                _run_chain(mine, keep, steps[axis], state[axis])
        return state

    def scaled(self, shared: SharedDraws, drift: np.ndarray) -> np.ndarray:
        """Errors of the passes [m], float32 of shape (2, passes, draws).

        Parameters
        ----------
        shared : SharedDraws
        drift : ndarray of float32, shape (2, passes, draws)
            As `drift` gives it.
        """
        out = np.empty_like(drift)
        _scaled(shared.bias, self.clock.visit, self.source, self.bias_sd_m, drift, self.drift_sd_m, out)
        for draw, number, sd_m in (
            (shared.start, self.start, self.start_sd_m), (shared.base, self.source, self.base_sd_m)
        ):  # fmt: skip
            if sd_m.any():
                for axis in (0, 1):
                    _add_shared(draw[axis], number, sd_m, out[axis])
        return out


@numba.njit(cache=True, nogil=True)
def _run_chain(passes, keep, steps, state):
    """Drift of the passes of one source in order of time, put into their lines of `state`."""
    for k in range(len(passes)):
        old, fresh = np.float32(keep[k]), np.float32(np.sqrt(1.0 - keep[k] * keep[k]))
        step, now, last = steps[passes[k]], state[passes[k]], state[passes[max(k - 1, 0)]]
        for j in range(len(now)):
            # Nothing is kept at the first, whose memory holds anything.
            now[j] = fresh * step[j] if k == 0 else old * last[j] + fresh * step[j]


@numba.njit(cache=True, nogil=True)
def _scaled(bias, visit, source, bias_sd, drift, drift_sd, error):
    for axis in range(len(drift)):
        for k in range(drift.shape[1]):
            day, slow, shared = bias[axis, visit[k], source[k]], np.float32(drift_sd[k]), np.float32(bias_sd[k])
            for j in range(drift.shape[2]):
                error[axis, k, j] = slow * drift[axis, k, j] + shared * day[j]


@numba.njit(cache=True, nogil=True)
def _add_shared(draw, number, sd, error):
    """Add to each pass the draw that it shares, times its own standard deviation."""
    for k in range(len(error)):
        size = np.float32(sd[k])
        if size > 0.0:
            for j in range(error.shape[1]):
                error[k, j] += size * draw[number[k], j]
