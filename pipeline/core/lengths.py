"""Row length by offset: exact lengths inside a band, cuts where a class changes, runs, and the binned form."""

import numba
import numpy as np

from pipeline.core.kernels import sort_first

# Offsets are binned this fine for the odds; each piece is shared between its two neighbouring bin centres so
# that its mean is kept, and the error is of second order: bin^2 / 8 times the curvature of the odds.
BIN_M = 0.001
# Offsets that differ by less are one offset: their difference is rounding, and nothing may be divided by it.
FLAT_M = 1e-12


@numba.njit(cache=True, nogil=True)
def length_within(offset0, offset1, length, group, owner, limits, owners):
    """Length of row with |offset| <= limit.

    Parameters
    ----------
    offset0, offset1, length : ndarray, shape (n,)
        Linear pieces [m].
    group : ndarray of int, shape (n,)
        Which row of `limits` applies to each piece.
    owner : ndarray of int, shape (n,)
        To which line of the result its length goes.
    limits : ndarray, shape (groups, k)
        [m].
    owners : int
        Number of lines of the result.

    Returns
    -------
    ndarray, shape (owners, k)
        [m].
    """
    out = np.zeros((owners, limits.shape[1]))
    for i in range(len(length)):
        low, high = min(offset0[i], offset1[i]), max(offset0[i], offset1[i])
        limit, line = limits[group[i]], out[owner[i]]
        if high - low < FLAT_M:
            for k in range(len(line)):
                line[k] += length[i] if abs(low) <= limit[k] else 0.0
            continue
        per_m = length[i] / (high - low)
        # Without a branch, so that many limits are done at once.
        for k in range(len(line)):
            line[k] += per_m * max(0.0, min(high, limit[k]) - max(low, -limit[k]))
    return out


@numba.njit(cache=True, nogil=True)
def bin_offsets(offset0, offset1, length, owner, owners, origin, bins):
    """Length of row by offset, shape (owners, bins) [m]; bin k is centred on origin + k * BIN_M.

    Every piece spreads its length evenly over its range of offsets.
    """
    out = np.zeros((owners, bins))
    per_m, last = 1.0 / BIN_M, bins - 1.001
    for i in range(len(length)):
        at, end = (offset0[i] - origin) * per_m, (offset1[i] - origin) * per_m
        parts = int(abs(end - at)) + 1
        step, part_length, line = (end - at) / parts, length[i] / parts, owner[i]
        for k in range(parts):
            middle = min(max(at + (k + 0.5) * step, 0.0), last)
            cell = int(middle)
            upper = part_length * (middle - cell)
            out[line, cell] += part_length - upper
            out[line, cell + 1] += upper
    return out


@numba.njit(cache=True, nogil=True)
def longest_run(offset0, offset1, start, end, group, owner, limits, owners):
    """Longest stretch on which |offset| > limit, shape (owners, k) [m].

    Pieces come in order along each owner; where one does not begin at the end of the last, a stretch ends.
    """
    best, run = np.zeros((owners, limits.shape[1])), np.zeros(limits.shape[1])
    least = _least_of_each(limits)
    last_end, running = -1.0, False
    for i in range(len(owner)):
        if running and (owner[i] != owner[i - 1] or abs(start[i] - last_end) > 1e-6):
            _keep_longest(best[owner[i - 1]], run)
            run[:], running = 0.0, False
        last_end = end[i]
        length, low, high = end[i] - start[i], min(offset0[i], offset1[i]), max(offset0[i], offset1[i])
        # Most pieces lie within every limit, and nothing begins on them.
        if not running and max(high, -low) <= least[group[i]]:
            continue
        running = False
        for k in range(len(run)):
            x = limits[group[i], k]
            if x < 0.0 or low > x or high < -x:
                run[k] += length
            elif high - low > FLAT_M and (low < -x or high > x):
                run[k] = _through(run[k], offset0[i], offset1[i], length, x, best[owner[i]], k)
            elif run[k] > 0.0:
                best[owner[i], k] = max(best[owner[i], k], run[k])
                run[k] = 0.0
            running |= run[k] > 0.0
    if running:
        _keep_longest(best[owner[-1]], run)
    return best


@numba.njit(cache=True)
def _least_of_each(limits):
    least = np.full(len(limits), np.inf)
    for group in range(len(limits)):
        for limit in limits[group]:
            least[group] = min(least[group], limit)
    return least


@numba.njit(cache=True)
def _keep_longest(best, run):
    for k in range(len(run)):
        best[k] = max(best[k], run[k])


@numba.njit(cache=True)
def _through(run, o0, o1, length, x, best, k):
    """Carry a run over a piece that comes in from beyond the limit, or leaves; returns the run at its end."""
    slope = o1 - o0
    a, b = (-x - o0) / slope, (x - o0) / slope
    first, last = max(min(a, b), 0.0), max(a, b)
    best[k] = max(best[k], run + first * length)
    return (1.0 - last) * length if last < 1.0 else 0.0


@numba.njit(cache=True)
def class_pieces(offset0, offset1, start, end, row, group, kind, hold, reach):
    """Row pieces cut wherever the class of any tier changes.

    Parameters
    ----------
    offset0, offset1, start, end, row, group, kind : ndarray, shape (n,)
        Spans in order along the rows.
    hold, reach : ndarray, shape (groups, tiers)
        A place holds up to |offset| <= hold and misses beyond |offset| > reach [m].

    Returns
    -------
    tuple
        row, start, end, span (of its start), and classes, shape (pieces, tiers): 0 holds, 1 in doubt,
        2 misses, 3 no strip, 4 crossing.
    """
    tiers = hold.shape[1]
    room = 2 * len(row) + 1024
    out_row, out_span = np.empty(room, np.int64), np.empty(room, np.int64)
    out_start, out_end = np.empty(room), np.empty(room)
    classes = np.empty((room, tiers), np.uint8)
    cuts, code = np.empty(4 * tiers + 2), np.empty(tiers, np.uint8)
    n = 0
    for i in range(len(row)):
        m = _class_cuts(offset0[i], offset1[i], hold[group[i]], reach[group[i]], kind[i], cuts)
        for c in range(m - 1):
            if cuts[c + 1] - cuts[c] <= 1e-12:
                continue
            middle = abs(offset0[i] + 0.5 * (cuts[c] + cuts[c + 1]) * (offset1[i] - offset0[i]))
            for k in range(tiers):
                code[k] = _class_of(middle, hold[group[i], k], reach[group[i], k], kind[i])
            length = end[i] - start[i]
            s0, s1 = start[i] + cuts[c] * length, start[i] + cuts[c + 1] * length
            if n > 0 and out_row[n - 1] == row[i] and abs(out_end[n - 1] - s0) < 1e-6 and _same(classes[n - 1], code):
                out_end[n - 1] = s1
                continue
            if n == room:
                room *= 2
                out_row, out_span = _grown(out_row, room), _grown(out_span, room)
                out_start, out_end = _grown(out_start, room), _grown(out_end, room)
                wider = np.empty((room, tiers), np.uint8)
                wider[:n] = classes
                classes = wider
            out_row[n], out_start[n], out_end[n], out_span[n] = row[i], s0, s1, i
            classes[n] = code
            n += 1
    return out_row[:n], out_start[:n], out_end[:n], out_span[:n], classes[:n]


@numba.njit(cache=True)
def _class_cuts(o0, o1, hold, reach, kind, cuts):
    cuts[0], cuts[1] = 0.0, 1.0
    m = 2
    if kind == 0 and abs(o1 - o0) > FLAT_M:
        for limits in (hold, reach):
            for x in limits:
                for level in (-x, x):
                    t = (level - o0) / (o1 - o0)
                    if x >= 0.0 and 0.0 < t < 1.0:
                        cuts[m] = t
                        m += 1
        sort_first(cuts, m)
    return m


@numba.njit(cache=True)
def _class_of(offset, hold, reach, kind):
    if kind == 1:
        return 4
    if kind == 2:
        return 3
    if offset <= hold:
        return 0
    return 2 if offset > reach else 1


@numba.njit(cache=True)
def _same(a, b):
    for k in range(len(a)):  # noqa: SIM110 - a generator does not compile
        if a[k] != b[k]:
            return False
    return True


@numba.njit(cache=True)
def _grown(array, room):
    out = np.empty(room, array.dtype)
    out[: len(array)] = array
    return out
