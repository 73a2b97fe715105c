"""Ends of lines that turn where no machine drives: the stop of the implement, or what a cut left behind.

Digitised and exported lines have the machine's stop in them, logs its jitter, and an intersection may leave a last vertex a
nanometre beside the one before. A strip ends square to its last piece, so such a piece would turn the end of the strip.
"""

import numba
import numpy as np
import shapely

# ASSUME: the machine's stop. No implement turns by so much within so little: shorter than so many metres, and so many
# degrees or more aside or behind. A stub, a stop with the machine's jitter, and one from which it rolled back on its way.
TURNS = ((0.05, 30.0), (0.5, 91.0), (5.0, 150.0))
# What a cut at a boundary leaves of a piece.
CUT_TURNS = TURNS[:1]
# A place nearer to the half of a line than this share of it is at the half, whichever end the way is added up from.
ROUNDING = 1e-9


def without_turned_ends(
    lines: np.ndarray, *, turns: tuple[tuple[float, float], ...] = TURNS, ends: np.ndarray | None = None
) -> np.ndarray:
    """Lines without end pieces that turn away or back.

    What comes after a vertex is dropped if it is short and ends aside of the way to that vertex, or behind, by one of
    `turns`; then the next, until none is left. All that is dropped at one end lies on its half of the line, and the line
    ends within half a metre of where it did, or 5 m where it rolled back: no line vanishes, and one that jitters all along
    is not eaten up. A closed line has no ends.

    Parameters
    ----------
    lines : ndarray of shapely.LineString, shape (k,)
        In metric coordinates [m], without repeated points.
    turns : tuple of (float, float)
        Shorter than so much [m], and so many degrees or more; the shortest first.
    ends : ndarray of bool, shape (k, 2), optional
        Which of the first and last ends may be dropped; all of them otherwise.

    Returns
    -------
    ndarray of shapely.LineString, shape (k,)
        Those without such ends are the same objects.
    """
    xy, owner = shapely.get_coordinates(lines, return_index=True)
    border = np.searchsorted(owner, np.arange(len(lines) + 1))
    first, last = border[:-1].copy(), border[1:] - 1
    short, turn = np.array(turns).T
    may = np.repeat(~shapely.is_closed(lines)[:, None], 2, axis=1)
    _find_ends(xy, first, last, may if ends is None else may & ends, short, np.cos(np.radians(turn)))
    out = np.array(lines, object)
    for k in np.flatnonzero((first > border[:-1]) | (last < border[1:] - 1)):
        out[k] = shapely.linestrings(xy[first[k] : last[k] + 1])
    return out


@numba.njit(cache=True)
def _find_ends(xy, first, last, may, short, cosine):
    """Move `first` and `last`, the ends of each line in `xy`, inward to the vertices at which lines shall end."""
    for k in range(len(first)):
        a, b, half = first[k], last[k], 0.0
        for i in range(a, b):
            half += 0.5 * _apart(xy, i, i + 1)
        # Each end by itself and on its own half, so that a line driven the other way ends at the same vertices.
        half *= 1.0 - ROUNDING
        if may[k, 0]:
            first[k] = _end(xy, a, b, half, short, cosine)
        if may[k, 1]:
            last[k] = _end(xy, b, a, half, short, cosine)


@numba.njit(cache=True)
def _end(xy, end, other, half, short, cosine):
    """Vertex at which the line from vertex `other` to vertex `end` shall end."""
    step = -1 if other < end else 1
    kept, rest, passed = end, 0.0, 0.0
    i = end + step
    while i != other:
        ahead = _apart(xy, i, i - step)
        rest, passed = rest + ahead, passed + ahead
        if rest >= short[-1] or passed >= half:
            break
        dot = (xy[i, 0] - xy[i + step, 0]) * (xy[kept, 0] - xy[i, 0])
        dot += (xy[i, 1] - xy[i + step, 1]) * (xy[kept, 1] - xy[i, 1])
        kind = np.searchsorted(short, rest, side="right")
        within = short[min(max(kind, 1), len(short) - 1)]  # stubs upon stubs may come to more than one
        if dot <= cosine[kind] * _apart(xy, i, i + step) * _apart(xy, i, kept) and _apart(xy, i, end) < within:
            kept, rest = i, 0.0
        i += step
    return kept


@numba.njit(cache=True)
def _apart(xy, i, j):
    dx, dy = xy[i, 0] - xy[j, 0], xy[i, 1] - xy[j, 1]
    return np.sqrt(dx * dx + dy * dy)
