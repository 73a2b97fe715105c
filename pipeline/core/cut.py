"""Lines cut at distances along them, all at once."""

import numpy as np
import shapely

# Pieces shorter than this are rounding, not ground [m].
SLIVER_M = 1e-6


def before_in_owner(length: np.ndarray, owner: np.ndarray) -> np.ndarray:
    """Length of the parts of the same owner that come before each part, shape (n,); owners ascending."""
    before = np.cumsum(length) - length
    return before - before[np.searchsorted(owner, owner)]


def cut_lines(lines: np.ndarray, line: np.ndarray, start_m: np.ndarray, end_m: np.ndarray) -> np.ndarray:
    """Pieces of lines between two distances.

    Parameters
    ----------
    lines : ndarray of shapely.LineString, shape (k,)
    line : ndarray of int, shape (n,)
        Which line each piece is cut from.
    start_m, end_m : ndarray, shape (n,)
        Distances along that line, start before end [m]; beyond the line its end is taken.

    Returns
    -------
    ndarray of shapely.LineString, shape (n,)
        With the vertices of the line that lie between the two places.
    """
    line = np.asarray(line, np.int64)
    if len(line) == 0:
        return np.zeros(0, object)
    xy, owner = shapely.get_coordinates(lines, return_index=True)
    along, base = _distances(xy, owner, len(lines))
    length = base[line + 1] - base[line]
    # Lines lie one behind the other on one axis, with a gap, so one sorted search serves them all.
    ends = (
        np.column_stack([np.clip(start_m, 0.0, length), np.clip(end_m, 0.0, length)]) + along[_first(owner, line)][:, None]
    )
    inner = np.searchsorted(along, ends[:, 0], side="right"), np.searchsorted(along, ends[:, 1], side="left")
    count = np.maximum(inner[1] - inner[0], 0)
    size = count + 2
    first = np.cumsum(size) - size
    out = np.empty((size.sum(), 2))
    out[first] = _points_at(xy, owner, along, line, ends[:, 0])
    out[first + size - 1] = _points_at(xy, owner, along, line, ends[:, 1])
    step = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count)
    out[np.repeat(first + 1, count) + step] = xy[np.repeat(inner[0], count) + step]
    return shapely.linestrings(out, indices=np.repeat(np.arange(len(line)), size))


def _distances(xy: np.ndarray, owner: np.ndarray, lines: int) -> tuple[np.ndarray, np.ndarray]:
    """Place of each vertex on the common axis, lines 1 m apart, and the running sum of the lines' lengths."""
    step = np.hypot(*np.diff(xy, axis=0, prepend=xy[:1]).T)
    step[np.flatnonzero(np.diff(owner, prepend=owner[:1] - 1))] = 0.0
    along = np.cumsum(step) + owner
    base = np.concatenate([[0.0], np.cumsum(np.bincount(owner, step, lines))])
    return along, base


def _first(owner: np.ndarray, line: np.ndarray) -> np.ndarray:
    return np.searchsorted(owner, line, side="left")


def _points_at(xy: np.ndarray, owner: np.ndarray, along: np.ndarray, line: np.ndarray, at: np.ndarray) -> np.ndarray:
    """Points at places on the common axis, shape (n, 2); exactly the vertex where one lies there."""
    lowest, highest = _first(owner, line), np.searchsorted(owner, line, side="right") - 1
    after = np.clip(np.searchsorted(along, at, side="left"), lowest + 1, highest)
    before = after - 1
    share = ((at - along[before]) / np.maximum(along[after] - along[before], 1e-300)).clip(0.0, 1.0)[:, None]
    return xy[before] * (1.0 - share) + xy[after] * share
