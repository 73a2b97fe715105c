"""Ends of lines that turn where no machine drives: the stop of the implement, or what a cut left behind.

Digitised and exported lines have the machine's stop in them, logs its jitter, and an intersection may leave a last vertex a
nanometre beside the one before. A strip ends square to its last piece, so such a piece would turn the end of the strip.
"""

import numba
import numpy as np
import shapely

# ASSUME: the machine's stop. No implement turns by so much within so little, nor turns back within half a metre of its end.
STUB_M, STUB_TURN_DEG = 0.05, 30.0
ROLL_BACK_M, ROLL_BACK_TURN_DEG = 0.5, 90.0


def without_turned_ends(lines: np.ndarray) -> np.ndarray:
    """Lines without end pieces that turn away or back.

    What comes after a vertex is dropped if it is shorter than `STUB_M` and ends `STUB_TURN_DEG` or more aside of the way
    to that vertex, or shorter than `ROLL_BACK_M` and ends `ROLL_BACK_TURN_DEG` aside or behind; then the next, until
    none is left. All that is dropped at one end lies on its half of the line, and the line ends within `ROLL_BACK_M` of
    where it did: no line vanishes, and one that jitters all along is not eaten up.

    Parameters
    ----------
    lines : ndarray of shapely.LineString, shape (k,)
        In metric coordinates [m].

    Returns
    -------
    ndarray of shapely.LineString, shape (k,)
        Those without such ends are the same objects.
    """
    xy, owner = shapely.get_coordinates(lines, return_index=True)
    border = np.searchsorted(owner, np.arange(len(lines) + 1))
    first, last = border[:-1].copy(), border[1:] - 1
    cosines = np.cos(np.radians([STUB_TURN_DEG, ROLL_BACK_TURN_DEG]))
    _find_ends(xy, first, last, STUB_M, ROLL_BACK_M, cosines[0], cosines[1])
    out = np.array(lines, object)
    for k in np.flatnonzero((first > border[:-1]) | (last < border[1:] - 1)):
        out[k] = shapely.linestrings(xy[first[k] : last[k] + 1])
    return out


@numba.njit(cache=True)
def _find_ends(xy, first, last, stub, roll_back, cos_stub, cos_back):
    """Move `first` and `last`, the ends of each line in `xy`, inward to the vertices at which lines shall end."""
    for k in range(len(first)):
        a, b, half = first[k], last[k], 0.0
        for i in range(a, b):
            half += 0.5 * _apart(xy, i, i + 1)
        # Each end by itself and on its own half, so that a line driven the other way ends at the same vertices.
        first[k] = _end(xy, a, b, half, stub, roll_back, cos_stub, cos_back)
        last[k] = _end(xy, b, a, half, stub, roll_back, cos_stub, cos_back)


@numba.njit(cache=True)
def _end(xy, end, other, half, stub, roll_back, cos_stub, cos_back):
    """Vertex at which the line from vertex `other` to vertex `end` shall end."""
    step = -1 if other < end else 1
    kept, rest, passed = end, 0.0, 0.0
    i = end + step
    while i != other:
        ahead = _apart(xy, i, i - step)
        rest, passed = rest + ahead, passed + ahead
        if rest >= roll_back or passed >= half:
            break
        dot = (xy[i, 0] - xy[i + step, 0]) * (xy[kept, 0] - xy[i, 0])
        dot += (xy[i, 1] - xy[i + step, 1]) * (xy[kept, 1] - xy[i, 1])
        limit = cos_stub if rest < stub else cos_back
        if dot <= limit * _apart(xy, i, i + step) * _apart(xy, i, kept) and _apart(xy, i, end) < roll_back:
            kept, rest = i, 0.0
        i += step
    return kept


@numba.njit(cache=True)
def _apart(xy, i, j):
    dx, dy = xy[i, 0] - xy[j, 0], xy[i, 1] - xy[j, 1]
    return np.sqrt(dx * dx + dy * dy)
