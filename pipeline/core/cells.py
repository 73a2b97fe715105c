"""A uniform grid of cells over short segments: which segments lie near a place."""

from dataclasses import dataclass

import numba
import numpy as np


@dataclass(frozen=True)
class Cells:
    """Segments listed by the grid cells that their boxes touch (compressed rows).

    Attributes
    ----------
    x0, y0 : float
        South-west corner of the grid [m].
    per_m : float
        Cells per metre; kernels multiply by it, for they would spend a fifth of their time dividing by the size.
    nx, ny : int
        Number of cells.
    first : ndarray, shape (nx * ny + 1,)
        Where the list of each cell starts in `members`.
    members : ndarray of int32
        Segment indices, ascending inside a cell.
    """

    x0: float
    y0: float
    per_m: float
    nx: int
    ny: int
    first: np.ndarray
    members: np.ndarray

    @classmethod
    def over(cls, xy: np.ndarray, *, size: float) -> "Cells":
        """Grid over segments `xy`, shape (n, 4) [m], with cells of `size` [m]."""
        if len(xy) == 0:
            return cls(0.0, 0.0, 1.0 / size, 1, 1, np.zeros(2, np.int64), np.zeros(0, np.int32))
        x0, y0 = xy[:, 0::2].min(), xy[:, 1::2].min()
        per_m = 1.0 / size
        nx = int(np.floor((xy[:, 0::2].max() - x0) * per_m)) + 1
        ny = int(np.floor((xy[:, 1::2].max() - y0) * per_m)) + 1
        first, members = _fill(xy, x0, y0, per_m, nx, ny)
        return cls(x0, y0, per_m, nx, ny, first, members)


@numba.njit(cache=True, nogil=True)
def _fill(xy, x0, y0, per_m, nx, ny):
    first = np.zeros(nx * ny + 1, np.int64)
    for i in range(len(xy)):
        for iy in range(_low(xy[i, 1], xy[i, 3], y0, per_m), _high(xy[i, 1], xy[i, 3], y0, per_m) + 1):
            for ix in range(_low(xy[i, 0], xy[i, 2], x0, per_m), _high(xy[i, 0], xy[i, 2], x0, per_m) + 1):
                first[iy * nx + ix + 1] += 1
    first = np.cumsum(first)
    members = np.empty(first[-1], np.int32)
    at = first[:-1].copy()
    for i in range(len(xy)):
        for iy in range(_low(xy[i, 1], xy[i, 3], y0, per_m), _high(xy[i, 1], xy[i, 3], y0, per_m) + 1):
            for ix in range(_low(xy[i, 0], xy[i, 2], x0, per_m), _high(xy[i, 0], xy[i, 2], x0, per_m) + 1):
                members[at[iy * nx + ix]] = i
                at[iy * nx + ix] += 1
    return first, members


@numba.njit(cache=True, inline="always")
def _low(a, b, origin, per_m):
    return int(np.floor((min(a, b) - origin) * per_m))


@numba.njit(cache=True, inline="always")
def _high(a, b, origin, per_m):
    return int(np.floor((max(a, b) - origin) * per_m))


@numba.njit(cache=True)
def cell_range(low, high, origin, per_m, count):
    """First and last cell that an interval touches, cut to the grid (empty if first > last)."""
    return max(0, int(np.floor((low - origin) * per_m))), min(count - 1, int(np.floor((high - origin) * per_m)))


@numba.njit(cache=True)
def first_shared_cell(xy, i, ix, iy, ix0, iy0, x0, y0, per_m):
    """Whether (ix, iy) is the first cell in which a search from (ix0, iy0) meets segment i.

    A segment lies in several cells; this visits it once without a list of those seen.
    """
    return ix == max(ix0, _low(xy[i, 0], xy[i, 2], x0, per_m)) and iy == max(iy0, _low(xy[i, 1], xy[i, 3], y0, per_m))
