"""Lines as flat arrays of segments: what the compiled kernels read."""

import math
from dataclasses import dataclass

import numba
import numpy as np
import shapely

# Long segments are cut for the spatial index only: a 1,600 m two-point line as one box would touch every
# cell of a field. The cuts lie on the segment, so offsets stay exact.
INDEX_LENGTH_M = 6.0


@dataclass(frozen=True)
class Segments:
    """Directed segments of many lines.

    Attributes
    ----------
    xy : ndarray, shape (n, 4)
        Start and end point, x0 y0 x1 y1 [m].
    line : ndarray, shape (n,)
        Index of the line that each segment belongs to.
    start_m : ndarray, shape (n,)
        Distance along its line at which the segment starts [m].
    """

    xy: np.ndarray
    line: np.ndarray
    start_m: np.ndarray

    @property
    def length_m(self) -> np.ndarray:
        """Length of each segment [m], shape (n,)."""
        return np.hypot(self.xy[:, 2] - self.xy[:, 0], self.xy[:, 3] - self.xy[:, 1])

    @classmethod
    def from_lines(cls, lines: np.ndarray, *, longest_m: float = INDEX_LENGTH_M) -> "Segments":
        """Segments of an array of LineStrings, none longer than `longest_m`.

        Parameters
        ----------
        lines : ndarray of shapely.LineString, shape (k,)
            In metric coordinates [m].
        longest_m : float
            Longest segment kept whole [m].
        """
        coords, line = shapely.get_coordinates(lines, return_index=True)
        count = _count(coords, line, longest_m)
        # By numpy and not in the kernel, for it asks for large pages: a field fills thousands of small ones, each a wait.
        xy, owner, start_m = np.empty((count, 4)), np.empty(count, np.int64), np.empty(count)
        _cut(coords, line, longest_m, xy, owner, start_m)
        return cls(xy, owner, start_m)

    def left_normals(self) -> np.ndarray:
        """Unit left normal of each segment (east, north), shape (n, 2)."""
        return _left_normals(self.xy)

    def corner_normals(self) -> np.ndarray:
        """Unit vectors of the planes that part each segment from its neighbours.

        At a bend the plane is the bisector: there both segments give the same offset, so the offset is
        continuous along the strip. At the ends of a line it is square to the segment: a strip ends there.

        Returns
        -------
        ndarray, shape (n, 4)
            At the start (0, 1) and at the end (2, 3) of each segment, both pointing along the travel.
        """
        return _corner_normals(self.xy, self.line)


@numba.njit(cache=True)
def _count(coords, line, longest):
    """Number of the segments that `_cut` makes."""
    count = 0
    for i in range(len(line) - 1):
        if line[i] == line[i + 1]:
            count += _parts(coords, i, longest)
    return count


@numba.njit(cache=True)
def _cut(coords, line, longest, xy, owner, start):
    """Put segments of lines given by their vertices, in equal parts none longer than `longest`, into arrays."""
    n, run = 0, 0.0
    for i in range(len(line) - 1):
        if line[i] != line[i + 1]:
            run = 0.0
            continue
        parts = _parts(coords, i, longest)
        ax, ay, bx, by = coords[i, 0], coords[i, 1], coords[i + 1, 0], coords[i + 1, 1]
        length = _apart(coords, i)
        for k in range(parts):
            xy[n, 0], xy[n, 1] = ax + (bx - ax) * (k / parts), ay + (by - ay) * (k / parts)
            xy[n, 2], xy[n, 3] = bx, by
            if k > 0:
                xy[n - 1, 2], xy[n - 1, 3] = xy[n, 0], xy[n, 1]
            owner[n], start[n] = line[i], run + length * (k / parts)
            n += 1
        run += length


@numba.njit(cache=True)
def _parts(coords, i, longest):
    return int(np.ceil(_apart(coords, i) / longest))


@numba.njit(cache=True)
def _apart(coords, i):
    # A root of squares takes a third of the time of a hypotenuse that is safe from overflow; metres are safe.
    dx, dy = coords[i + 1, 0] - coords[i, 0], coords[i + 1, 1] - coords[i, 1]
    return np.sqrt(dx * dx + dy * dy)


@numba.njit(cache=True, nogil=True)
def _left_normals(xy):
    out = np.empty((len(xy), 2))
    for i in range(len(xy)):
        length = math.hypot(xy[i, 2] - xy[i, 0], xy[i, 3] - xy[i, 1])
        out[i, 0], out[i, 1] = (xy[i, 1] - xy[i, 3]) / length, (xy[i, 2] - xy[i, 0]) / length
    return out


@numba.njit(cache=True, nogil=True)
def _corner_normals(xy, line):
    out = np.empty((len(xy), 4))
    last_x, last_y = 0.0, 0.0
    for i in range(len(xy)):
        ux, uy = xy[i, 2] - xy[i, 0], xy[i, 3] - xy[i, 1]
        length = np.sqrt(ux * ux + uy * uy)
        ux, uy = ux / length, uy / length
        out[i, 0], out[i, 1], out[i, 2], out[i, 3] = ux, uy, ux, uy
        if i > 0 and line[i] == line[i - 1]:
            bx, by = ux + last_x, uy + last_y
            size = np.sqrt(bx * bx + by * by)
            # ASSUME: a line that turns straight back (a spike) has no bisector; it is parted square to each side.
            if size > 1e-9:
                out[i, 0], out[i, 1] = bx / size, by / size
                out[i - 1, 2], out[i - 1, 3] = out[i, 0], out[i, 1]
        last_x, last_y = ux, uy
    return out
