"""Lines as flat arrays of segments: what the compiled kernels read."""

from dataclasses import dataclass

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
        same = line[1:] == line[:-1]
        xy = np.hstack([coords[:-1], coords[1:]])[same]
        owner = line[:-1][same]
        length = np.hypot(xy[:, 2] - xy[:, 0], xy[:, 3] - xy[:, 1])
        keep = length > 0
        return cls._cut(xy[keep], owner[keep], length[keep], longest_m)

    @classmethod
    def _cut(cls, xy: np.ndarray, owner: np.ndarray, length: np.ndarray, longest_m: float) -> "Segments":
        parts = np.maximum(1, np.ceil(length / longest_m)).astype(np.int64)
        first = np.repeat(np.cumsum(parts) - parts, parts)
        step = np.arange(parts.sum()) - first
        whole = np.repeat(xy, parts, axis=0)
        share = np.repeat(1.0 / parts, parts)
        delta = whole[:, 2:] - whole[:, :2]
        begin = whole[:, :2] + delta * (step * share)[:, None]
        last = (step + 1 == np.repeat(parts, parts))[:, None]
        end = np.where(last, whole[:, 2:], whole[:, :2] + delta * ((step + 1) * share)[:, None])
        owner = np.repeat(owner, parts)
        return cls(np.hstack([begin, end]), owner, _running_start(np.repeat(length, parts) * share, owner))

    def corner_normals(self) -> np.ndarray:
        """Unit vectors of the planes that part each segment from its neighbours.

        At a bend the plane is the bisector: there both segments give the same offset, so the offset is
        continuous along the strip. At the ends of a line it is square to the segment: a strip ends there.

        Returns
        -------
        ndarray, shape (n, 4)
            At the start (0, 1) and at the end (2, 3) of each segment, both pointing along the travel.
        """
        along = (self.xy[:, 2:] - self.xy[:, :2]) / self.length_m[:, None]
        at_start, at_end = along.copy(), along.copy()
        joined = self.line[1:] == self.line[:-1]
        both = along[1:] + along[:-1]
        size = np.hypot(both[:, 0], both[:, 1])
        # ASSUME: a line that turns straight back (a spike) has no bisector; it is parted square to each side.
        joined &= size > 1e-9
        bisector = both[joined] / size[joined][:, None]
        at_start[1:][joined] = bisector
        at_end[:-1][joined] = bisector
        return np.hstack([at_start, at_end])


def _running_start(length: np.ndarray, owner: np.ndarray) -> np.ndarray:
    total = np.concatenate([[0.0], np.cumsum(length)])[:-1]
    if len(owner) == 0:
        return total
    first = np.concatenate([[True], owner[1:] != owner[:-1]])
    return total - np.repeat(total[first], np.diff(np.append(np.flatnonzero(first), len(owner))))
