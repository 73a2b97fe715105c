"""Where the planter will drive when no rows layer says so: after the strips, or on the same grid of rows."""

from dataclasses import dataclass

import numpy as np
import shapely

from pipeline.core.passes import beside
from pipeline.core.row_grids import grid_places


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
    """Planter passes of `planter_rows` consecutive grid rows, each led by the bar pass under its centre."""
    if _counts_from_far_side(lines, place, flipped):
        place, flipped = -place, ~flipped
    first = (place - place.min()) * bar_rows  # grid number of each pass's first row, counted to the left
    count = int(np.ceil((first.max() + bar_rows) / planter_rows))
    centre = np.arange(count) * planter_rows + 0.5 * (planter_rows - 1)
    middle = first + 0.5 * (bar_rows - 1)
    out, leader = [], []
    for c in centre:
        mine: list = []
        apart = np.abs(middle - c)
        nearest = first[apart <= apart.min() + 1e-9].min()
        # Nearest first; half way between two places one of them leads, always the same.
        for k in np.lexsort([first, np.round(apart, 6)]):
            if apart[k] >= 0.5 * (bar_rows + planter_rows) - 1e-9:
                break
            side = -1.0 if flipped[k] else 1.0
            line = beside(lines[k], np.array([side * (c - middle[k]) * spacing_m]))[0][0]
            # Passes in one place or in another part of the field are followed each; a neighbour abreast is not.
            if not mine or first[k] == nearest or shapely.distance(line, mine).min() >= 0.5 * spacing_m:
                mine.append(line)
                leader.append(k)
        out.extend(mine)
    return Plan(np.array(out, object), np.array(leader, np.int64))


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
