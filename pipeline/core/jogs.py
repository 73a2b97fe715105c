"""Jogs within lines: places where a line turns aside or back and then goes on, as no machine drives.

Digitised lines and logs have them: a click too many, a machine that rolled back on its way, a vertex a nanometre beside the
one before. Rows are laid out square to each piece of a line, so at such a piece, however short it is, an implement would
swing out by half its width, to and fro.
"""

import numba
import numpy as np
import shapely

from pipeline.core.line_ends import ROUNDING, TURNS, apart

# Vertices nearer to one another say nothing of the way between them [m].
NEAR_M = 0.01


def without_jogs(lines: np.ndarray, *, turns: tuple[tuple[float, float], ...] = TURNS) -> np.ndarray:
    """Lines without places at which they turn aside or back, and then on as if nothing had been.

    Vertices less than a centimetre after another are dropped. A piece becomes its middle if it is short and turned by one of
    `turns`, at both its ends or at a tip within it, and what it turns one way it turns back the other: a step aside by
    jitter, a roll-back, a spike. A corner is none, whatever its angle, nor is a bend in short pieces, nor a step aside
    that could be driven. The two ends of a line stay.

    Parameters
    ----------
    lines : ndarray of shapely.LineString, shape (k,)
        In metric coordinates [m], without repeated points.
    turns : tuple of (float, float)
        Shorter than so much [m], and so many degrees or more; the shortest first.

    Returns
    -------
    ndarray of shapely.LineString, shape (k,)
        Those without such places are the same objects.
    """
    xy, owner = shapely.get_coordinates(lines, return_index=True)
    border = np.searchsorted(owner, np.arange(len(lines) + 1))
    short, turn = np.array(turns).T
    size = _drop_jogs(xy, border, short, np.radians(turn))
    out = np.array(lines, object)
    for k in np.flatnonzero(size < np.diff(border)):
        line = shapely.linestrings(xy[border[k] : border[k] + size[k]])
        out[k] = line if line.length > NEAR_M else out[k]
    return out


@numba.njit(cache=True)
def _drop_jogs(xy, border, short, turn):
    """Move what is left of each line in `xy` to the front of its place there; how many vertices that are."""
    size, straight = np.empty(len(border) - 1, np.int64), np.cos(turn[0]) ** 2
    for k in range(len(size)):
        first, end = border[k], _drop_near(xy, border[k], border[k + 1])
        write = i = first + 1
        while i < end - 1:
            j, write = i, write + 1
            if _bends(xy, i, straight):
                j = _end_of_jog(xy, i, end, short, turn)
            if j > i:
                write, j = _join(xy, first, write - 1, i, j, end, straight, short[0])
            elif write - 1 < i:
                xy[write - 1, 0], xy[write - 1, 1] = xy[i, 0], xy[i, 1]
            i = j + 1
        xy[write, 0], xy[write, 1] = xy[end - 1, 0], xy[end - 1, 1]
        size[k] = write + 1 - first
    return size


@numba.njit(cache=True)
def _join(xy, first, write, i, j, end, straight, least):
    """Write the middle of the jog from vertex `i` to `j`; where to write on, and the last vertex that was dropped."""
    x, y, reach = 0.5 * (xy[i, 0] + xy[j, 0]), 0.5 * (xy[i, 1] + xy[j, 1]), apart(xy, i, j) + least
    back, down = xy[i - 1, 0] - xy[i, 0], xy[i - 1, 1] - xy[i, 1]
    on, up = xy[j + 1, 0] - xy[j, 0], xy[j + 1, 1] - xy[j, 1]
    # What rolled back had been beyond the middle before, and came from behind it: the line would be turned there again.
    while write > first + 1 and _aside(xy, write - 1, x, y, back, down, reach, straight):
        write -= 1
    while j + 1 < end - 1 and _aside(xy, j + 1, x, y, on, up, reach, straight):
        j += 1
    xy[write, 0], xy[write, 1] = x, y
    return write + 1, j


@numba.njit(cache=True)
def _aside(xy, i, x, y, u, v, reach, straight):
    """Whether vertex `i`, no farther than `reach` from a place, does not lie ahead of it in a direction."""
    dx, dy = xy[i, 0] - x, xy[i, 1] - y
    dot, square = dx * u + dy * v, dx * dx + dy * dy
    return square < reach * reach and (dot <= 0.0 or dot * dot <= straight * square * (u * u + v * v))


@numba.njit(cache=True)
def _drop_near(xy, first, end):
    """Drop vertices near the one before, or near the last; where the line ends then."""
    write = first + 1
    for i in range(first + 1, end - 1):
        if not _near(xy, i, write - 1):
            if write < i:
                xy[write, 0], xy[write, 1] = xy[i, 0], xy[i, 1]
            write += 1
    while write > first + 1 and _near(xy, write - 1, end - 1):
        write -= 1
    xy[write, 0], xy[write, 1] = xy[end - 1, 0], xy[end - 1, 1]
    return write + 1


@numba.njit(cache=True)
def _near(xy, i, j):
    dx, dy = xy[i, 0] - xy[j, 0], xy[i, 1] - xy[j, 1]
    return dx * dx + dy * dy < NEAR_M * NEAR_M


@numba.njit(cache=True)
def _end_of_jog(xy, i, end, short, turn):
    """Vertex at which the jog ends that begins at vertex `i`; `i` if none does."""
    found, most = i, 0.0
    sharpest = turned = _angle(xy, i - 1, i, i, i + 1)
    way = 0.0
    for j in range(i + 1, end - 1):
        way += apart(xy, j - 1, j)
        if way >= 2.0 * short[-1]:
            break
        here = _angle(xy, j - 1, j, j, j + 1)
        sharpest, turned = max(sharpest, here), turned + here
        kind = np.searchsorted(short, max(apart(xy, i, j), 0.5 * way), side="right")  # a spike is as long as its arm
        if here < turn[0] or kind == len(short):
            continue
        # What the piece turns to and fro: nothing in a bend, the turns at both ends in a jog.
        in_vain = turned - _angle(xy, i - 1, i, j, j + 1)
        by_rule = sharpest >= turn[kind] or min(_angle(xy, i - 1, i, i, j), _angle(xy, i, j, j, j + 1)) >= turn[kind]
        if by_rule and in_vain >= 2.0 * turn[kind] and in_vain > most + ROUNDING:
            found, most = j, in_vain
    return found


@numba.njit(cache=True)
def _bends(xy, i, straight):
    """Whether a line bends at vertex `i` by an acute angle or more, the square of whose cosine is `straight`."""
    x, y, u, v = xy[i, 0] - xy[i - 1, 0], xy[i, 1] - xy[i - 1, 1], xy[i + 1, 0] - xy[i, 0], xy[i + 1, 1] - xy[i, 1]
    dot = x * u + y * v
    return dot <= 0.0 or dot * dot <= straight * (x * x + y * y) * (u * u + v * v)


@numba.njit(cache=True)
def _angle(xy, a, b, c, d):
    """Angle between the ways from vertex `a` to `b` and from `c` to `d` [rad]."""
    x, y, u, v = xy[b, 0] - xy[a, 0], xy[b, 1] - xy[a, 1], xy[d, 0] - xy[c, 0], xy[d, 1] - xy[c, 1]
    return abs(np.arctan2(x * v - y * u, x * u + y * v))
