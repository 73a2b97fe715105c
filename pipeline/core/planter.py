"""Where the planter will drive when no rows layer says so: after the strips, or on the same grid of rows."""

from dataclasses import dataclass

import numpy as np
import shapely

from pipeline.core.passes import beside, clip_lines
from pipeline.core.row_grids import grid_places

# Where strips go on beside the end of the pass that the planter follows, it does if they do for so many of its widths.
_WORTH_A_PASS_WIDTHS = 2.0


@dataclass(frozen=True)
class Plan:
    """Planter passes: arrays of shape (passes,).

    Attributes
    ----------
    line : ndarray of LineString
        Centre lines [m].
    leader : ndarray of int
        The strip pass that each follows.
    """

    line: np.ndarray
    leader: np.ndarray


def plan_passes(lines: np.ndarray, *, bar_rows: int, planter_rows: int, spacing_m: float) -> Plan:
    """Planter passes over the strip passes of a field.

    Parameters
    ----------
    lines : ndarray of LineString, shape (k,)
        Centre lines of the strip passes [m].
    bar_rows, planter_rows : int
        Row units of the strip-till bar and of the planter.
    spacing_m : float
        Row spacing of both [m].

    Returns
    -------
    Plan
        Where the planter's rows divide or equal the bar's, each strip pass is followed by as many planter
        passes as it takes. Else the planter takes its own number of rows from the same grid, and its outer
        rows stand on the strips of another bar pass.
    """
    if bar_rows % planter_rows == 0:
        return _following(lines, bar_rows // planter_rows, planter_rows * spacing_m)
    return _on_grid(lines, bar_rows, planter_rows, spacing_m)


def _following(lines: np.ndarray, times: int, width_m: float) -> Plan:
    distances = (0.5 * (times - 1) - np.arange(times)) * width_m
    beside_each = [beside(line, distances)[0] for line in lines]
    return Plan(np.concatenate(beside_each), np.repeat(np.arange(len(lines)), times))


def _on_grid(lines: np.ndarray, bar_rows: int, planter_rows: int, spacing_m: float) -> Plan:
    """Planter passes on every grid of the field, each grid planned by itself."""
    on = grid_places(lines, bar_rows * spacing_m)
    out, leader = [np.array([], object)], [np.array([], np.int64)]
    for number in range(on.grid.max(initial=-1) + 1):
        mine = np.flatnonzero(on.grid == number)
        plan = _on_one_grid(lines[mine], on.place[mine], on.flipped[mine], bar_rows, planter_rows, spacing_m)
        out.append(plan.line)
        leader.append(mine[plan.leader])
    return Plan(np.concatenate(out), np.concatenate(leader))


def _on_one_grid(
    lines: np.ndarray, place: np.ndarray, flipped: np.ndarray, bar_rows: int, planter_rows: int, spacing_m: float
) -> Plan:
    """Planter passes of `planter_rows` consecutive grid rows, each led by the bar pass nearest to its centre."""
    if _counts_from_far_side(lines, place, flipped):
        place, flipped = -place, ~flipped
    place = place - place.min()
    held_m = np.bincount(place, shapely.length(lines))
    # Grid numbers of the rows' middle, counted to the left: of the bar by place, and of the planter's passes.
    middle = np.arange(len(held_m)) * bar_rows + 0.5 * (bar_rows - 1)
    count = int(np.ceil(len(held_m) * bar_rows / planter_rows))
    out, leader = [], []
    for c in np.arange(count) * planter_rows + 0.5 * (planter_rows - 1):
        mine: list = []
        apart = np.round(np.abs(middle - c), 6)
        under = np.flatnonzero(apart < 0.5 * (bar_rows + planter_rows))
        # Nearest first; half way between two places that with the longer passes, else always the same.
        for number in under[np.lexsort([under, -np.round(held_m[under], 3), apart[under]])]:
            passes = np.flatnonzero(place == number)
            to_left = np.where(flipped[passes], -1.0, 1.0) * (c - middle[number]) * spacing_m
            led = [beside(lines[k], to_left[[n]])[0][0] for n, k in enumerate(passes)]
            more, of = _gone_on(led, mine, planter_rows * spacing_m, spacing_m)
            mine.extend(more)
            leader.extend(passes[of])
        out.extend(mine)
    return Plan(np.array(out, object), np.array(leader, np.int64))


def _gone_on(led: list, mine: list, width_m: float, spacing_m: float) -> tuple[list, np.ndarray]:
    """What of the lines that passes of one place lead is not driven yet, and the index of the line each part is of.

    Passes in another part of the field are followed whole, and those abreast of one that leads already are not: but
    where they go on beyond its end the planter goes on, too.
    """
    if not mine or not led:
        return led, np.arange(len(led))
    lines, driven = np.array(led, object), shapely.multilinestrings(shapely.get_parts(mine))
    # Passes waver against one another: a line as near as half a planter is abreast of what is driven.
    beside_it = shapely.buffer(driven, 0.5 * width_m, cap_style="flat")
    around = shapely.buffer(shapely.box(*shapely.total_bounds(lines)), width_m)
    parts, of, _ = clip_lines(lines, shapely.difference(around, beside_it))
    elsewhere = shapely.distance(lines, driven) >= 0.5 * spacing_m
    keep = ~elsewhere[of] & (shapely.length(parts) >= _WORTH_A_PASS_WIDTHS * width_m)
    return [*lines[elsewhere], *parts[keep]], np.concatenate([np.flatnonzero(elsewhere), of[keep]])


def _counts_from_far_side(lines: np.ndarray, place: np.ndarray, flipped: np.ndarray) -> bool:
    """Whether the planter's first pass belongs at the other edge than the one where the count begins.

    ASSUME: the planter begins on the side of the shorter passes, and where both sides are alike in the south
    or east; a rule that hangs on the first feature and its travel would make another plan of the same field.
    """
    length = shapely.length(lines)
    moment = np.sum(length * (place - 0.5 * (place.min() + place.max())))
    if abs(moment) > 1e-6 * length.sum():
        return bool(moment < 0)
    start, end = (shapely.get_coordinates(shapely.get_point(lines, k)) for k in (0, -1))
    if np.hypot(*(end - start).T).sum() < 1e-3 * length.sum():  # rings: the inside of one is its shorter side
        return bool(_area_to_the_left(lines, flipped) > 0)
    east, north = np.where(flipped, -1.0, 1.0) @ (end - start)
    return bool(east < 0 if abs(east) > 1e-6 * abs(north) else north < 0)


def _area_to_the_left(lines: np.ndarray, flipped: np.ndarray) -> float:
    """Area that rings go round, positive where the grid's left is their inside [m^2]."""
    xy, owner = shapely.get_coordinates(lines, return_index=True)
    xy = xy - xy[0]
    twice = (xy[:-1, 0] * xy[1:, 1] - xy[1:, 0] * xy[:-1, 1])[owner[1:] == owner[:-1]]
    return float(0.5 * np.sum(twice * np.where(flipped, -1.0, 1.0)[owner[1:][owner[1:] == owner[:-1]]]))
