"""Centre lines from the points of passes: noise averaged out, bends kept, few vertices."""

import numba
import numpy as np
import shapely

from pipeline.core.log_kernels import wrapped

_MOST_EACH_SIDE = 10
_FEWEST = 5
# Mean of a quartic under a local quadratic fit, as a share of its value at the window's end.
_QUARTIC_SHARE = 3.0 / 35.0
_BIAS_M = 0.01
_STEP_M = 0.3
_OFF_ARC_M = 0.005


def centre_lines(
    xy, along_m, piece, chord, *, smooth_m: float, thin_m: float, sharpest: float, reach_m: float
) -> np.ndarray:
    """One LineString a piece, through smoothed points, with arcs where consecutive points lie on a bend.

    Parameters
    ----------
    xy : ndarray, shape (n, 2)
        In travel order [m].
    along_m : ndarray, shape (n,)
        Way travelled [m].
    piece : ndarray of int64, shape (n,)
        0, 1, 2 ... in order.
    chord : tuple of ndarray
        Headings before and after, and bend, of each point [rad, rad, 1/m].
    smooth_m : float
        Half width of the smoothing window [m]; 0 for none.
    thin_m : float
        Vertices nearer to the line without them are left out [m].
    sharpest : float
        Largest bend an arc may have [1/m].
    reach_m : float
        Way over which the headings of `chord` were taken [m].
    """
    before, after, bend = chord
    smooth = _smoothed(xy, along_m, piece, bend, smooth_m) if smooth_m > 0 else xy
    vertex = _vertices(smooth, piece)
    laid, owner = _with_arcs(smooth[vertex], before[vertex], after[vertex], piece[vertex], sharpest, reach_m)
    return shapely.simplify(shapely.linestrings(laid, indices=owner), thin_m, preserve_topology=False)


@numba.njit(cache=True, nogil=True)
def _fitted(xy, along_m, low, high, i, axis):
    """Value at point i of the least-squares parabola through the points low ... high - 1."""
    s1 = s2 = s3 = s4 = y0 = y1 = y2 = 0.0
    n = float(high - low)
    scale = max(along_m[high - 1] - along_m[low], 1e-9)
    for j in range(low, high):
        s = (along_m[j] - along_m[i]) / scale
        v = xy[j, axis] - xy[i, axis]
        s1, s2, s3, s4 = s1 + s, s2 + s * s, s3 + s**3, s4 + s**4
        y0, y1, y2 = y0 + v, y1 + v * s, y2 + v * s * s
    c0, c1, c2 = s2 * s4 - s3 * s3, s2 * s3 - s1 * s4, s1 * s3 - s2 * s2
    whole = n * c0 + s1 * c1 + s2 * c2
    return xy[i, axis] + (c0 * y0 + c1 * y1 + c2 * y2) / whole if whole > 1e-9 else xy[i, axis]


@numba.njit(cache=True, nogil=True)
def _smoothed(xy, along_m, piece, bend, smooth_m):
    """Points moved onto a local parabola, no farther than three times the pass's own noise.

    The window narrows in bends so that the parabola's bias stays below 1 cm: a circle departs from its
    parabola by s^4 / (8 R^3).
    """
    n = len(xy)
    out = xy.copy()
    first = 0
    while first < n:
        last = first
        while last < n and piece[last] == piece[first]:
            last += 1
        for i in range(first, last):
            reach = smooth_m
            if bend[i] != 0.0:
                reach = min(reach, (8.0 * _BIAS_M / _QUARTIC_SHARE / abs(bend[i]) ** 3) ** 0.25)
            low, high = i, i + 1
            while low > first and i - low < _MOST_EACH_SIDE and along_m[i] - along_m[low - 1] <= reach:
                low -= 1
            while high < last and high - i <= _MOST_EACH_SIDE and along_m[high] - along_m[i] <= reach:
                high += 1
            if high - low >= _FEWEST:
                out[i, 0] = _fitted(xy, along_m, low, high, i, 0)
                out[i, 1] = _fitted(xy, along_m, low, high, i, 1)
        shift = np.hypot(out[first:last, 0] - xy[first:last, 0], out[first:last, 1] - xy[first:last, 1])
        most = 3.0 * np.median(shift)
        for i in range(first, last):
            if shift[i - first] > most:
                share = most / shift[i - first]
                out[i, 0] = xy[i, 0] + share * (out[i, 0] - xy[i, 0])
                out[i, 1] = xy[i, 1] + share * (out[i, 1] - xy[i, 1])
        first = last
    return out


@numba.njit(cache=True, nogil=True)
def _vertices(xy, piece):
    """Mask of points at least a step apart, with the ends of every piece."""
    n = len(xy)
    keep = np.zeros(n, np.bool_)
    held = 0
    for i in range(n):
        first = i == 0 or piece[i] != piece[i - 1]
        if first or np.hypot(xy[i, 0] - xy[held, 0], xy[i, 1] - xy[held, 1]) >= _STEP_M:
            keep[i], held = True, i
        elif i == n - 1 or piece[i + 1] != piece[i]:
            if held > 0 and piece[held - 1] == piece[i]:
                keep[held] = False
            keep[i] = True
    return keep


@numba.njit(cache=True, nogil=True)
def _bulge(xy, before, after, i, sharpest, reach_m):
    """Height of the arc over the step i, i + 1 [m], positive to the left; from the headings on both sides."""
    length = np.hypot(xy[i + 1, 0] - xy[i, 0], xy[i + 1, 1] - xy[i, 1])
    chord = np.arctan2(xy[i + 1, 1] - xy[i, 1], xy[i + 1, 0] - xy[i, 0])
    # A bend that goes on through the step turns as much before as after it; the lesser of the two is an arc.
    into, out = wrapped(chord - before[i]), wrapped(after[i + 1] - chord)
    if into * out <= 0.0:
        return 0.0
    turned = np.sign(into) * min(abs(into), abs(out)) * 2.0
    bend = turned / (length + reach_m)
    bend = np.sign(bend) * min(abs(bend), sharpest)
    return -bend * length * length / 8.0


@numba.njit(cache=True, nogil=True)
def _with_arcs(xy, before, after, piece, sharpest, reach_m):
    """The vertices with those of arcs between them, such that no chord lies farther than 5 mm off its arc."""
    n = len(xy)
    extra = np.zeros(n, np.int64)
    for i in range(n - 1):
        if piece[i] == piece[i + 1]:
            # A parabola of height h in k chords is h / k^2 from each of them.
            chords = int(np.ceil(np.sqrt(abs(_bulge(xy, before, after, i, sharpest, reach_m)) / _OFF_ARC_M)))
            extra[i] = max(chords - 1, 0)
    total = n + extra.sum()
    out, owner = np.empty((total, 2)), np.empty(total, np.int64)
    k = 0
    for i in range(n):
        out[k], owner[k] = xy[i], piece[i]
        k += 1
        if extra[i] > 0:
            rise = 4.0 * _bulge(xy, before, after, i, sharpest, reach_m)
            dx, dy = xy[i + 1, 0] - xy[i, 0], xy[i + 1, 1] - xy[i, 1]
            length = np.hypot(dx, dy)
            for m in range(extra[i]):
                u = (m + 1.0) / (extra[i] + 1.0)
                lift = rise * u * (1.0 - u) / length
                out[k, 0], out[k, 1] = xy[i, 0] + u * dx - lift * dy, xy[i, 1] + u * dy + lift * dx
                owner[k] = piece[i]
                k += 1
    return out, owner
