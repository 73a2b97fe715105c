"""Joint draws of a field's errors: standard normals drawn once, scaled by every tier."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from scipy.special import ndtri

from pipeline.core.operations import OperationError
from pipeline.core.returns import ReturnError

# The draws that a percentile needs to be good to 1 point (0.3 on average) in a field; passes and rows, of
# which there are many, get the first of the same draws.
FIELD_DRAWS = 16384
PASS_DRAWS = 4096
ROW_DRAWS = 1024
# A block of draws is small enough to stay near the processor.
BLOCK = ROW_DRAWS
# Normals of the drift are kept for so many passes or starts, more than nearly all fields have: a megabyte a block.
_MOST_KEPT = 128


class JointErrors(NamedTuple):
    """Errors of a field's passes in the same draws, under one tier; arrays of float32 [m].

    Attributes
    ----------
    autumn, spring : ndarray, shape (2, passes, draws)
        Of strip passes and of planter passes; the first axis is east, north.
    machine : ndarray, shape (draws,)
        Lateral bias of the planter.
    """

    autumn: np.ndarray
    spring: np.ndarray
    machine: np.ndarray

    def shift(
        self, strip_pass: np.ndarray, planter_pass: np.ndarray, normal: np.ndarray, heading: np.ndarray, *,
        beside_m: np.ndarray | float = 0.0,
    ) -> np.ndarray:  # fmt: skip
        """Shift n . (a + b) + h m at n places, and what comes beside it [m], (n, draws).

        The other arguments as of `ReturnError.covariance`.
        """
        out = beside_m + np.outer(heading, self.machine)
        for k in (0, 1):
            out += normal[:, [k]] * (self.autumn[k, strip_pass] + self.spring[k, planter_pass])
        return out


@dataclass(frozen=True)
class SharedDraws:
    """Standard normals (float32) that passes of one operation share; the first axis is east, north."""

    bias: np.ndarray  # (2, visits, sources, draws)
    start: np.ndarray  # (2, starts, draws)
    base: np.ndarray  # (2, sources, draws)


@dataclass(frozen=True)
class StandardDraws:
    """Standard normals of a field (float32), drawn once and scaled by every tier.

    The few numbers that rule a field, the visits' biases, are a scrambled Sobol sequence; the many of the
    drift are pseudo-random. Common numbers make tiers comparable draw by draw.
    """

    autumn: SharedDraws
    spring: SharedDraws
    autumn_drift: np.ndarray  # (2, passes, draws)
    spring_drift: np.ndarray
    machine: np.ndarray  # (draws,)

    @classmethod
    def seeded(cls, errors: Sequence[ReturnError], *, draws: int, seed: int, block: int = 0) -> "StandardDraws":
        """One block of draws for some tiers, so that a field's many draws need not be in memory at once.

        Parameters
        ----------
        errors : sequence of ReturnError
            Of tiers of one piece of work: all with the same clocks and starts.
        draws : int
            Draws of a block, a power of two.
        seed, block : int
            Blocks of one seed continue the same sequence.
        """
        sides = [_Sizes.of([error.autumn for error in errors]), _Sizes.of([error.spring for error in errors])]
        # What is always there comes first, so that a field without moved bases has the same numbers as ever.
        shapes = [*(side.bias for side in sides), (1,), *(side.base for side in sides)]
        sizes = [int(np.prod(shape)) for shape in shapes]
        points = np.split(_sobol_normals(sum(sizes), draws=draws, seed=seed, block=block), np.cumsum(sizes)[:-1])
        bias_a, bias_b, machine, base_a, base_b = (
            part.reshape(*shape, draws) for part, shape in zip(points, shapes, strict=True)
        )
        counts = (*(side.passes for side in sides), *(side.starts for side in sides))
        autumn_drift, spring_drift, start_a, start_b = (
            _normals(count, draws=draws, seed=seed, block=block, stream=stream) for stream, count in enumerate(counts)
        )
        autumn, spring = SharedDraws(bias_a, start_a, base_a), SharedDraws(bias_b, start_b, base_b)
        return cls(autumn, spring, autumn_drift, spring_drift, machine[0])

    def errors(self, errors: Sequence[ReturnError]) -> list[JointErrors]:
        """The errors of the passes under each of these tiers."""
        return list(self.each(errors))

    def each(self, errors: Sequence[ReturnError]) -> Iterator[JointErrors]:
        """The same one after another: made when it is looked at, each stays near the processor."""
        drifts: dict = {}
        for error in errors:
            yield JointErrors(
                _operation(error.autumn, self.autumn, self.autumn_drift, drifts),
                _operation(error.spring, self.spring, self.spring_drift, drifts),
                np.float32(error.machine_sd_m) * self.machine,
            )


def _operation(one: OperationError, shared: SharedDraws, steps: np.ndarray, drifts: dict) -> np.ndarray:
    """Errors of an operation's passes, (2, passes, draws); tiers of one correlation time share the drift."""
    key = (id(steps), one.source.tobytes(), one.correlation_time_s.tobytes())
    if key not in drifts:
        drifts[key] = one.drift(steps)
    return one.scaled(shared, drifts[key])


@dataclass(frozen=True)
class _Sizes:
    """How many standard normals one operation takes under all tiers."""

    bias: tuple[int, int, int]
    base: tuple[int, int]
    passes: int
    starts: int

    @classmethod
    def of(cls, operations: Sequence[OperationError]) -> "_Sizes":
        clock = operations[0].clock
        sources = 1 + max(int(one.source.max(initial=0)) for one in operations)
        moved = any(one.base_sd_m.any() for one in operations)
        starting = any(one.start_sd_m.any() for one in operations)
        starts = 1 + max(int(one.start.max(initial=0)) for one in operations) if starting else 0
        return cls((2, clock.visit_count, sources), (2, sources if moved else 0), len(clock.time_s), starts)


def _normals(count: int, *, draws: int, **of: int) -> np.ndarray:
    """One block of standard normals of passes or starts on both axes, (2, count, draws), float32; not to be written to."""
    if count == 0:  # seeding a generator takes longer than all else that a field without starts asks for
        return np.zeros((2, 0, draws), np.float32)
    if count <= _MOST_KEPT and draws == BLOCK:
        return _kept_normals(_MOST_KEPT, draws=draws, **of)[:, :count]
    return _made_normals(count, draws=draws, **of)


def _made_normals(count: int, *, draws: int, seed: int, block: int, stream: int) -> np.ndarray:
    rng = np.random.default_rng([seed, 1, block, stream])
    normals = rng.standard_normal((2, count, draws), np.float32)
    normals.flags.writeable = False
    return normals


# Made once for all fields of a batch, and for all their tiers: passes and starts of both operations in all blocks.
_kept_normals = lru_cache(maxsize=4 * FIELD_DRAWS // BLOCK)(_made_normals)


# Fields of a batch, and tiers of a field, mostly ask for the same; a block is some tens of kilobytes.
@lru_cache(maxsize=64)
def _sobol_normals(count: int, *, draws: int, seed: int, block: int) -> np.ndarray:
    """One block of standard normals from a scrambled Sobol sequence, shape (count, draws), float32, read-only."""
    from scipy.stats import qmc  # a second to import, and only the odds draw

    sobol = qmc.Sobol(count, scramble=True, rng=np.random.default_rng(seed))
    if block:  # it takes no zero
        sobol.fast_forward(block * draws)
    # Draws of one number side by side: they are read so, by every pass of every tier.
    normals = ndtri(np.clip(sobol.random(draws), 1e-12, 1 - 1e-12)).T.astype(np.float32, order="C")
    normals.flags.writeable = False
    return normals
