"""Compiled walks along the points of a log: spikes, standing, bends, turns, closing rings, settings.

All take points in the order travelled and `piece` (n,), a number that changes where one line cannot go on;
headings are mathematical, counter-clockwise from east [rad]. Nothing is mutated but what is returned.
"""

import numba
import numpy as np

_LONGEST_SPIKE = 5  # points that a receiver may stand aside together
_STILL_WINDOW_S, _STILL_POINTS = 4.0, 30
# A point belongs to the pass while the way on from it leads less than this aside [m], and deviates by less [rad].
_TRIM_M, _TRIM = 0.1, np.radians(8.0)
_FULL_TURN = 2.0 * np.pi


@numba.njit(cache=True, nogil=True)
def wrapped(angle):
    """The same angle in [-pi, pi)."""
    return (angle + np.pi) % (2.0 * np.pi) - np.pi


@numba.njit(cache=True, nogil=True)
def _from_line(x, y, px, py, qx, qy):
    """Distance of (x, y) from the segment p-q."""
    dx, dy = qx - px, qy - py
    along = dx * dx + dy * dy
    u = 0.0 if along == 0.0 else min(1.0, max(0.0, ((x - px) * dx + (y - py) * dy) / along))
    return np.hypot(x - px - u * dx, y - py - u * dy)


@numba.njit(cache=True, nogil=True)
def _is_spike(xy, a, b, spike_m):
    """Whether all points between a and b stand aside of a way that goes straight on without them."""
    bx, by = xy[a, 0] - xy[a - 1, 0], xy[a, 1] - xy[a - 1, 1]
    fx, fy = xy[b + 1, 0] - xy[b, 0], xy[b + 1, 1] - xy[b, 1]
    gx, gy = xy[b, 0] - xy[a, 0], xy[b, 1] - xy[a, 1]
    if bx * fx + by * fy <= 0.5 * np.hypot(bx, by) * np.hypot(fx, fy) or bx * gx + by * gy <= 0.0:
        return False
    rest = max(
        _from_line(xy[a, 0], xy[a, 1], xy[a - 1, 0], xy[a - 1, 1], xy[b, 0], xy[b, 1]),
        _from_line(xy[b, 0], xy[b, 1], xy[a, 0], xy[a, 1], xy[b + 1, 0], xy[b + 1, 1]),
    )
    aside = max(spike_m, 4.0 * rest)
    if b - a > 2:  # several together count only where the way leaps to them and back
        usual = max(np.hypot(bx, by), np.hypot(fx, fy))
        leap_in = np.hypot(xy[a + 1, 0] - xy[a, 0], xy[a + 1, 1] - xy[a, 1])
        leap_out = np.hypot(xy[b, 0] - xy[b - 1, 0], xy[b, 1] - xy[b - 1, 1])
        if min(leap_in, leap_out) < 2.0 * usual:
            return False
    least = np.inf
    for i in range(a + 1, b):
        least = min(least, _from_line(xy[i, 0], xy[i, 1], xy[a, 0], xy[a, 1], xy[b, 0], xy[b, 1]))
    return least > aside


@numba.njit(cache=True, nogil=True)
def spikes(xy, piece, spike_m, gap_m):
    """True at points that stand aside, alone or a few together, while the way goes on without them."""
    n = len(xy)
    out = np.zeros(n, np.bool_)
    i = 2
    while i < n - 2:
        # Most points lie where the step before leads to, and need no closer look.
        bx, by = xy[i - 1, 0] - xy[i - 2, 0], xy[i - 1, 1] - xy[i - 2, 1]
        dx, dy = xy[i, 0] - xy[i - 1, 0], xy[i, 1] - xy[i - 1, 1]
        back, ahead = bx * bx + by * by, bx * dx + by * dy
        if 0.0 <= ahead <= 2.0 * back and abs(bx * dy - by * dx) <= 0.5 * spike_m * np.sqrt(back):
            i += 1
            continue
        step = np.hypot(dx, dy)
        length = 0
        if step > spike_m and piece[i - 2] == piece[i] and not out[i - 2] and not out[i - 1]:
            for m in range(1, _LONGEST_SPIKE + 1):
                b = i + m
                if b + 1 >= n or piece[b + 1] != piece[i]:
                    break
                if np.hypot(xy[b, 0] - xy[i - 1, 0], xy[b, 1] - xy[i - 1, 1]) <= gap_m and _is_spike(
                    xy, i - 1, b, spike_m
                ):
                    length = m
                    break
        out[i : i + length] = True
        i += max(length, 1)
    return out


@numba.njit(cache=True, nogil=True)
def standing(xy, time_s, piece, still_m_s, pace_m):
    """True where the way made good around a point is no more than that speed.

    `time_s` are good times or NaN; without them a point is taken to last as long as `pace_m` of usual travel.
    """
    n = len(xy)
    out = np.zeros(n, np.bool_)
    for i in range(n):
        a, b = i, i
        timed = not np.isnan(time_s[i])
        for k in range(_STILL_POINTS):
            if not timed and k >= 2:
                break
            if timed and time_s[b] - time_s[a] >= _STILL_WINDOW_S:
                break
            if a > 0 and piece[a - 1] == piece[i]:
                a -= 1
            if b < n - 1 and piece[b + 1] == piece[i]:
                b += 1
        way = np.hypot(xy[b, 0] - xy[a, 0], xy[b, 1] - xy[a, 1])
        if timed and time_s[b] - time_s[a] > 0.0:
            out[i] = b - a >= 2 and way < still_m_s * (time_s[b] - time_s[a])
        else:
            out[i] = b - a >= 2 and way < 0.1 * pace_m * (b - a)
    return out


@numba.njit(cache=True, nogil=True)
def chords(xy, along_m, piece, reach_m):
    """Heading over `reach_m` before and after each point, and the bend between them [rad, rad, 1/m]."""
    n = len(xy)
    before, after, bend = np.zeros(n), np.zeros(n), np.zeros(n)
    a = b = first = 0
    for i in range(n):
        if i > 0 and piece[i] != piece[i - 1]:
            first = i
        a = max(a, first)
        while a + 1 < i and along_m[i] - along_m[a + 1] >= reach_m:
            a += 1
        b = max(b, i)
        while b + 1 < n and piece[b + 1] == piece[i] and along_m[b] - along_m[i] < reach_m:
            b += 1
        back, on = along_m[i] - along_m[a], along_m[b] - along_m[i]
        after[i] = np.arctan2(xy[b, 1] - xy[i, 1], xy[b, 0] - xy[i, 0]) if on > 0.0 else np.nan
        before[i] = np.arctan2(xy[i, 1] - xy[a, 1], xy[i, 0] - xy[a, 0]) if back > 0.0 else after[i]
        if on == 0.0:
            after[i] = before[i]
        if min(back, on) >= 0.5 * reach_m:
            bend[i] = wrapped(after[i] - before[i]) / (0.5 * (back + on))
    return before, after, bend


@numba.njit(cache=True, nogil=True)
def _into(xy, along_m, before, after, bend, start, end, way, reach_m):
    """Walk from outside into a turn; returns the last index that still goes on as the pass did.

    `way` is +1 from before the turn, -1 from behind it; `start` lies outside, `end` is the far side.
    """
    i = start
    reference = before[start] if way > 0 else after[start]
    curve = bend[start]
    while i != end:
        j = i + way
        while j != end and abs(along_m[j] - along_m[i]) < 1.0:
            j += way
        heading = np.arctan2(way * (xy[j, 1] - xy[i, 1]), way * (xy[j, 0] - xy[i, 0]))
        middle = 0.5 * (along_m[i] + along_m[j]) - along_m[start] + way * 0.5 * reach_m
        onward = max(np.hypot(xy[j, 0] - xy[i, 0], xy[j, 1] - xy[i, 1]), 0.1)
        if abs(wrapped(heading - reference - curve * middle)) > min(_TRIM, _TRIM_M / onward):
            break
        i += way
    return i


@numba.njit(cache=True, nogil=True)
def _turn_end(along_m, piece, tight, bend, start, join_m):
    """Last tight point of the run that begins at `start`, and the range of headings in it [rad]."""
    n, last, i = len(along_m), start, start
    heading = low = high = 0.0
    while i < n and piece[i] == piece[start] and along_m[i] - along_m[last] <= join_m:
        left = along_m[i - 1] if i > 0 and piece[i - 1] == piece[i] else along_m[i]
        right = along_m[i + 1] if i + 1 < n and piece[i + 1] == piece[i] else along_m[i]
        heading += bend[i] * 0.5 * (right - left)
        if tight[i]:
            last = i
            low, high = min(low, heading), max(high, heading)
        i += 1
    return last, high - low


@numba.njit(cache=True, nogil=True)
def turns(xy, along_m, piece, before, after, bend, radius_m, angle, reach_m):
    """Points of turns, bent tighter than the radius and by more than the angle in all; points that begin anew.

    A corner between two points that both go on as their passes do has no points of its own. Tight runs with
    less than twice the reach between them are one, as in a turn that first swings out.
    """
    n = len(xy)
    out, anew = np.zeros(n, np.bool_), np.zeros(n, np.bool_)
    tight = np.abs(bend) > 1.0 / radius_m
    i = 0
    while i < n:
        if not tight[i]:
            i += 1
            continue
        last, swept = _turn_end(along_m, piece, tight, bend, i, 2.0 * reach_m)
        if swept > angle:
            a, b = i, last
            while a > 0 and piece[a - 1] == piece[i] and along_m[i] - along_m[a] < 2.0 * reach_m and not out[a - 1]:
                a -= 1
            while b < n - 1 and piece[b + 1] == piece[i] and along_m[b] - along_m[last] < 2.0 * reach_m:
                b += 1
            # A piece that begins or ends in a turn has no way of a pass there to go on.
            opens, closes = along_m[i] - along_m[a] < 1.2 * reach_m, along_m[b] - along_m[last] < 1.2 * reach_m
            far = b
            b = b + 1 if closes else _into(xy, along_m, before, after, bend, b, a, -1, reach_m)
            a = a - 1 if opens else _into(xy, along_m, before, after, bend, a, far, 1, reach_m)
            out[a + 1 : b] = True
            # Where the pass goes on as it did to the last point of all, nothing begins behind it.
            if b <= a + 1 and a + 1 < n:
                anew[a + 1] = True
        i = last + 1
    return out, anew


@numba.njit(cache=True, nogil=True)
def closed_rings(along_m, piece, bend, shortest_m):
    """True at points where a line has come round once and goes on: the next ring begins."""
    n = len(along_m)
    out = np.zeros(n, np.bool_)
    end_m = np.empty(n)
    for i in range(n - 1, -1, -1):
        end_m[i] = end_m[i + 1] if i + 1 < n and piece[i + 1] == piece[i] else along_m[i]
    heading = 0.0
    for i in range(1, n):
        if piece[i] != piece[i - 1]:
            heading = 0.0
            continue
        heading += 0.5 * (bend[i] + bend[i - 1]) * (along_m[i] - along_m[i - 1])
        if abs(heading) >= _FULL_TURN and end_m[i] - along_m[i] >= shortest_m:
            out[i] = True
            heading = 0.0
    return out


@numba.njit(cache=True, nogil=True)
def new_settings(along_m, piece, setting, shortest_m):
    """True at points from which another setting holds, for a pass's length at least."""
    n = len(setting)
    out = np.zeros(n, np.bool_)
    i = 0
    while i < n:
        start, current, run = i, setting[i], i
        i += 1
        while i < n and piece[i] == piece[start]:
            if setting[i] != setting[i - 1]:
                run = i
            if setting[i] != current and i - run >= 4 and along_m[i] - along_m[run] >= shortest_m:
                if along_m[run] - along_m[start] >= shortest_m:
                    out[run] = True
                    start = run
                current = setting[i]
            i += 1
    return out
