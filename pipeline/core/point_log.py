"""Passes from the points of a log: ordered, cleaned, cut where a line cannot go on, laid as centre lines.

A pass is a plausible straight or smooth line. The points are put in the order travelled and cut wherever the
machine, the number of the pass or the day changes, where points are missing over too long a way or time, and
in turns. What is left over says why. No step guesses: a point ends in one pass, or has one reason.
"""

from dataclasses import dataclass

import numpy as np

from pipeline.core import log_kernels as k
from pipeline.core.log_lines import centre_lines
from pipeline.core.log_walk import PointLog, Walk, along_m, begins, changes, steps_m

# Headings are taken over this way: 2 cm of noise at both ends is then a third of a degree.
REACH_M = 5.0
# Where a clock is too coarse for pauses, it still tells one day's work from the next.
_NIGHT_S = 6 * 3600.0
_SAME_M = 0.001
_NUDGE_M = 0.5


@dataclass(frozen=True)
class LogRules:
    """When a line ends.

    Attributes
    ----------
    gap_m : float
        Longest way without a point that is bridged [m].
    pause_s : float
        Longest time without a point that is bridged [s].
    turn_radius_m, turn_angle_deg : float
        A turn is bent tighter than this radius [m] and by more than this angle in all [degrees].
    shortest_m : float
        Shorter pieces are no passes [m].
    still_m_s : float
        Slower is standing [m/s].
    spike_m : float
        Farther aside of a way that goes on without it, a point is a jump of the receiver [m].
    smooth_m : float
        Half width of the window in which noise is averaged out [m]; 0 for none.
    thin_m : float
        Vertices that change the line by less are left out [m]; a quarter of the noise of good receivers.
    """

    gap_m: float = 20.0
    pause_s: float = 30.0
    turn_radius_m: float = 12.0
    turn_angle_deg: float = 60.0
    shortest_m: float = 10.0
    still_m_s: float = 0.1
    spike_m: float = 0.5
    smooth_m: float = 9.0
    thin_m: float = 0.005


@dataclass(frozen=True)
class LoggedPasses:
    """What became of the points.

    Attributes
    ----------
    lines : ndarray of LineString, shape (p,)
        In travel order, the earliest first.
    pass_of : ndarray of int64, shape (n,)
        Which pass a point ended in, -1 for none.
    reason : ndarray of str, shape (n,)
        Why a point is in no pass; empty for the others.
    """

    lines: np.ndarray
    pass_of: np.ndarray
    reason: np.ndarray


OK, NOWHERE, TWICE, JUMP, STILL, TURNING, SHORT, ALONE, UNNUMBERED = range(9)


def passes_of(log: PointLog, rules: LogRules | None = None) -> LoggedPasses:
    """Passes of a log.

    Every point is in one pass or has a reason; with times or record numbers, the order of the points in the
    arrays has no part in the result.
    """
    rules = rules or LogRules()
    n = len(log.xy)
    code = np.full(n, NOWHERE, np.uint8)
    walk = Walk.start(log)
    for cut in (
        _drop_unnumbered, _drop_twice, _drop_jumps, _cut_gaps, _drop_still, _drop_turns, _cut_settings,
        _drop_alone, _drop_short,
    ):  # fmt: skip
        walk, dropped, why = cut(walk, rules)
        code[dropped] = why
    code[walk.point] = OK
    piece = np.cumsum(begins(walk.piece)) - 1 if len(walk.point) else walk.piece
    along = along_m(walk.xy, piece)
    chord = k.chords(walk.xy, along, piece, REACH_M)
    how = {"smooth_m": rules.smooth_m, "thin_m": rules.thin_m, "sharpest": 1.0 / rules.turn_radius_m, "reach_m": REACH_M}
    lines = centre_lines(walk.xy, along, piece, chord, **how) if len(piece) else np.empty(0, object)
    rank = np.argsort(walk.rank[begins(walk.piece)], kind="stable")
    place = np.empty(len(rank), np.int64)
    place[rank] = np.arange(len(rank))
    pass_of = np.full(n, -1, np.int64)
    pass_of[walk.point] = place[piece]
    return LoggedPasses(lines[rank], pass_of, _reasons(rules)[code])


def _reasons(rules: LogRules) -> np.ndarray:
    short = f"pass shorter than {rules.shortest_m:g} m"
    return np.array(
        ["", "no position", "duplicate of the point before", "jump", "stands still", "turning", short, "alone",
         "has no pass number"],
        object,
    )


_Cut = tuple[Walk, np.ndarray, int]


def _drop_unnumbered(walk: Walk, rules: LogRules) -> _Cut:
    """Points without a pass number in a group where most have one: turns, and ways between the fields."""
    return *walk.without(walk.idle), UNNUMBERED


def _drop_twice(walk: Walk, rules: LogRules) -> _Cut:
    """Points that are there twice, and points on the very place of the point before."""
    grid = np.round(walk.xy / _SAME_M).astype(np.int64)
    clock = np.nan_to_num(walk.time_s, nan=-1.0)
    key = grid[:, 0] * 0x1E3779B97F4A7C15 + grid[:, 1] * 0x3F58476D1CE4E5B9 + walk.piece * 0x14D049BB133111EB
    key += clock.view(np.int64) * 0x2545F4914F6CDD1D
    order = np.argsort(key, kind="stable")
    alike = np.flatnonzero(np.diff(key[order]) == 0)
    a, b = order[alike], order[alike + 1]
    same = np.zeros(len(key), bool)
    same[b] = (grid[a] == grid[b]).all(axis=1) & (clock[a] == clock[b]) & (walk.piece[a] == walk.piece[b])
    same[1:] |= (np.diff(grid[:, 0]) == 0) & (np.diff(grid[:, 1]) == 0) & (np.diff(walk.piece) == 0)
    return *walk.without(same), TWICE


def _drop_jumps(walk: Walk, rules: LogRules) -> _Cut:
    return *walk.without(k.spikes(walk.xy, walk.piece, rules.spike_m, rules.gap_m)), JUMP


def _cut_gaps(walk: Walk, rules: LogRules) -> _Cut:
    """Cut where points are missing over too long a way or time, and where the heading reverses at once."""
    step, on = steps_m(walk.xy), np.diff(walk.piece) == 0
    late = np.nan_to_num(np.diff(walk.time_s))
    limit = rules.pause_s if _clock_is_good(late, on, rules) else _NIGHT_S
    anew = np.zeros(len(walk.point), bool)
    anew[1:] = (step > rules.gap_m) | (late > limit) | _reversed(walk, step, on, rules)
    return walk.cut_at(anew), walk.point[:0], OK


def _drop_still(walk: Walk, rules: LogRules) -> _Cut:
    step, on = steps_m(walk.xy), np.diff(walk.piece) == 0
    moving = step[on & (step > 0.05)]
    pace = float(np.median(moving)) if len(moving) else 0.0
    good = _clock_is_good(np.nan_to_num(np.diff(walk.time_s)), on, rules)
    time = walk.time_s if good else np.full(len(walk.point), np.nan)
    still = k.standing(walk.xy, time, walk.piece, rules.still_m_s, pace)
    near = np.ones(len(still), bool)  # a speed of zero counts only where the points say no other
    near[1:] &= (step < _NUDGE_M) | ~on
    near[:-1] &= (step < _NUDGE_M) | ~on
    still |= near & (walk.speed_m_s < rules.still_m_s)
    return *walk.without(still), STILL


def _drop_turns(walk: Walk, rules: LogRules) -> _Cut:
    along = along_m(walk.xy, walk.piece)
    before, after, bend = k.chords(walk.xy, along, walk.piece, REACH_M)
    angle = np.radians(rules.turn_angle_deg)
    if not len(along):
        return walk, walk.point, TURNING
    turning, anew = k.turns(walk.xy, along, walk.piece, before, after, bend, rules.turn_radius_m, angle, REACH_M)
    # What is too short to be a pass, between two turns, is a part of the turn.
    walk = walk.cut_at(changes(turning) | anew)
    starts = np.flatnonzero(begins(walk.piece))
    turned, inside = turning[starts], np.zeros(len(starts), bool)
    ends = np.append(starts[1:], len(along)) - 1
    inside[1:-1] = ~turned[1:-1] & turned[:-2] & turned[2:] & (along[ends] - along[starts] < rules.shortest_m)[1:-1]
    return *walk.without(turning | np.repeat(inside, ends - starts + 1)), TURNING


def _cut_settings(walk: Walk, rules: LogRules) -> _Cut:
    """Cut where a ring closes, and where row count, tier and the like, or whether the signal is lost, change for good."""
    along = along_m(walk.xy, walk.piece)
    bend = k.chords(walk.xy, along, walk.piece, REACH_M)[2]
    walk = walk.cut_at(k.closed_rings(along, walk.piece, bend, rules.shortest_m))
    for held in (walk.setting, walk.lost):
        walk = walk.cut_at(k.new_settings(along, walk.piece, held, rules.shortest_m))
    return walk, walk.point[:0], OK


def _drop_alone(walk: Walk, rules: LogRules) -> _Cut:
    first = begins(walk.piece)
    return *walk.without(first & np.append(first[1:], True)[: len(first)]), ALONE


def _drop_short(walk: Walk, rules: LogRules) -> _Cut:
    along = along_m(walk.xy, walk.piece)
    starts = np.flatnonzero(begins(walk.piece))
    ends = np.append(starts[1:], len(along)) - 1 if len(starts) else starts
    short = np.repeat(along[ends] - along[starts] < rules.shortest_m, ends - starts + 1)
    return *walk.without(short), SHORT


def _clock_is_good(late: np.ndarray, on: np.ndarray, rules: LogRules) -> bool:
    """Whether times are finer than the pauses looked for; dates, or times to the minute, are not."""
    ticks = late[on & (late > 0)]
    return len(ticks) > 0 and bool(np.median(ticks) <= rules.pause_s / 3.0)


def _reversed(walk: Walk, step: np.ndarray, on: np.ndarray, rules: LogRules) -> np.ndarray:
    """True for steps over which a good heading turns by more than the angle and stays turned."""
    none = np.zeros(len(step), bool)
    track = np.arctan2(np.diff(walk.xy[:, 1]), np.diff(walk.xy[:, 0]))
    off = np.abs(k.wrapped(walk.heading[:-1] - track))[on & (step > _NUDGE_M)]
    off = off[np.isfinite(off)]
    if len(off) < 10 or np.median(off) > np.radians(15.0):  # missing, or by another convention
        return none
    change = np.abs(k.wrapped(np.diff(walk.heading)))
    steady = np.ones(len(step) + 2, bool)
    steady[1:-1] = (change < np.radians(8.0)) & on
    return on & (change > np.radians(rules.turn_angle_deg)) & (step > _NUDGE_M) & steady[:-2] & steady[2:]
