"""Which passes lie side by side on one grid, and the place of each on it: headlands have a grid of their own."""

from dataclasses import dataclass

import numpy as np
import shapely

from pipeline.core.offsets import CROSSING_ANGLE_DEG
from pipeline.core.turned import ahead

# Passes whose middles are nearer than this many widths have no other one between them.
_NEIGHBOURS_WIDTHS = 1.6
# Passes run alike where the mean cosine of their directions, side by side, is no less.
_ALIKE = np.cos(np.radians(CROSSING_ANGLE_DEG))
# Where along a pass it is looked at.
_SHARES = np.linspace(0.05, 0.95, 19)


@dataclass(frozen=True)
class PassGrids:
    """Places of passes on grids of parallel ones; arrays of shape (passes,).

    Attributes
    ----------
    grid : ndarray of int
        The grid of each pass, from 0.
    place : ndarray of int
        Counted on each grid to the left of its first pass, which has 0.
    flipped : ndarray of bool
        Whether a pass travels against its grid's first one, so that its left is the grid's right.
    """

    grid: np.ndarray
    place: np.ndarray
    flipped: np.ndarray

    @classmethod
    def of(cls, lines: np.ndarray, width_m: float) -> "PassGrids":
        """Of centre lines of passes, all of one width [m].

        Passes are neighbours where they lie next to one another and run alike, each seen from the other: a headland pass
        across the ends of others is none of theirs, nor is a ring that of the straight passes inside it. Blocks of alike
        passes one behind the other, as on both sides of a waterway, are on one grid, as a planter's guidance has it: each
        is placed from the nearest pass. Those that lie side by side but apart, as headlands at both ends do, are not.
        """
        found = cls(np.full(len(lines), -1), np.zeros(len(lines), np.int64), np.zeros(len(lines), bool))
        todo, known = set(range(len(lines))), _Known(lines, width_m)
        while todo:
            start = found._next_behind(todo, known)
            if start is None:
                start = min(todo)
                found.grid[start] = found.grid.max() + 1
            todo.discard(start)
            edge = [start]
            while edge:
                placed = edge.pop(0)
                for k in [k for k in known.near(placed) if k in todo and known.alike(placed, k)]:
                    found._put(k, placed, known)
                    todo.discard(k)
                    edge.append(k)
        return found

    def _put(self, k: int, placed: int, known: "_Known") -> None:
        seen = known.seen(placed, k)
        self.grid[k] = self.grid[placed]
        self.place[k] = self.place[placed] + (-seen.step if self.flipped[placed] else seen.step)
        self.flipped[k] = self.flipped[placed] ^ (seen.lean < 0.0)

    def _next_behind(self, todo: set[int], known: "_Known") -> int | None:
        """Put the pass of `todo` nearest to a placed one that it is ahead or behind of, and say which; None if none is."""
        placed, left = np.flatnonzero(self.grid >= 0), np.array(sorted(todo))
        apart = shapely.distance(known.lines[placed][:, None], known.lines[left][None, :])
        for at in np.argsort(apart, axis=None, kind="stable"):
            one, other = (int(some[k]) for some, k in zip((placed, left), np.unravel_index(at, apart.shape), strict=True))
            if known.alike(one, other) and not known.seen(one, other).abreast:
                self._put(other, one, known)
                return other
        return None


@dataclass(frozen=True)
class _Seen:
    """A pass seen from another one.

    Attributes
    ----------
    step : int
        Passes to it, left positive.
    lean : float
        How far the two run alike, from 1 the same way to -1 the other way.
    abreast : bool
        Whether some of it lies beside the other one, not ahead or behind.
    """

    step: int
    lean: float
    abreast: bool


class _Known:
    """What is known of pairs of passes, each asked once."""

    def __init__(self, lines: np.ndarray, width_m: float) -> None:
        self.lines, self._width_m = np.asarray(lines, object), width_m
        self._tree = shapely.STRtree(lines)
        self._seen: dict[tuple[int, int], _Seen] = {}

    def near(self, k: int) -> list[int]:
        """Those so near that no pass fits between."""
        near = self._tree.query(self.lines[k], "dwithin", _NEIGHBOURS_WIDTHS * self._width_m)
        return sorted(int(other) for other in near if other != k)

    def alike(self, one: int, other: int) -> bool:
        """Whether they run alike or against one another, each seen from the other."""
        return min(abs(self.seen(one, other).lean), abs(self.seen(other, one).lean)) >= _ALIKE

    def seen(self, one: int, other: int) -> _Seen:
        """The other one, from the first."""
        if (one, other) not in self._seen:
            self._seen[one, other] = _seen_from(self.lines[one], self.lines[other], self._width_m)
        return self._seen[one, other]


def _seen_from(known: shapely.LineString, other: shapely.LineString, width_m: float) -> _Seen:
    at_other = _SHARES * shapely.length(other)
    probes = shapely.line_interpolate_point(other, at_other)
    at = shapely.line_locate_point(known, probes)
    abreast = (at > 0) & (at < shapely.length(known))
    if abreast.any():
        probes, at, at_other = probes[abreast], at[abreast], at_other[abreast]
    along = ahead(np.full(len(at), known), at)
    gap = shapely.get_coordinates(probes) - shapely.get_coordinates(shapely.line_interpolate_point(known, at))
    left = along[:, 0] * gap[:, 1] - along[:, 1] * gap[:, 0]
    lean = (along * ahead(np.full(len(at), other), at_other)).sum(axis=1)
    return _Seen(round(float(np.median(left)) / width_m), float(lean.mean()), bool(abreast.any()))
