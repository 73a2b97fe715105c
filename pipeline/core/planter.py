"""Where the planter will drive when no rows layer says so: after the strips, or on the same grid of rows."""

from dataclasses import dataclass

import numpy as np
import shapely

from pipeline.core.passes import beside


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
    """Planter passes of `planter_rows` consecutive grid rows, each led by the bar pass under its centre."""
    place, flipped = grid_places(lines, bar_rows * spacing_m)
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
    east, north = np.where(flipped, -1.0, 1.0) @ (end - start)
    return bool(east < 0 if abs(east) > 1e-6 * abs(north) else north < 0)


def grid_places(lines: np.ndarray, width_m: float) -> tuple[np.ndarray, np.ndarray]:
    """Place of each pass on a grid of parallel passes, counted to the left of the first one.

    Parameters
    ----------
    lines : ndarray of LineString, shape (k,)
    width_m : float
        Width of a pass [m].

    Returns
    -------
    place : ndarray of int, shape (k,)
    flipped : ndarray of bool, shape (k,)
        Whether a pass travels against the first one, so that its left is the grid's right.
    """
    place, flipped = np.zeros(len(lines), np.int64), np.zeros(len(lines), bool)
    todo, edge = set(range(1, len(lines))), [0]
    while todo:
        if not edge:  # nothing lies beside the passes placed so far: start anew, on the same grid
            edge = [min(todo)]
            todo.discard(edge[0])
            place[edge[0]], flipped[edge[0]] = _step(lines[0], lines[edge[0]], width_m)
            continue
        known = edge.pop(0)
        near = [k for k in sorted(todo) if shapely.distance(lines[known], lines[k]) < 1.6 * width_m]
        for k in near:
            step, against = _step(lines[known], lines[k], width_m)
            place[k] = place[known] + (-step if flipped[known] else step)
            flipped[k] = flipped[known] ^ against
            edge.append(k)
            todo.discard(k)
    return place, flipped


def _step(known: shapely.LineString, other: shapely.LineString, width_m: float) -> tuple[int, bool]:
    """Passes from `known` to `other`, left positive, and whether they travel against each other."""
    probes = shapely.line_interpolate_point(other, np.linspace(0.05, 0.95, 19), normalized=True)
    at = shapely.line_locate_point(known, probes)
    abreast = (at > 0) & (at < shapely.length(known))
    probes, at = (probes[abreast], at[abreast]) if abreast.any() else (probes, at)
    here = shapely.get_coordinates(shapely.line_interpolate_point(known, at))
    ahead = shapely.get_coordinates(shapely.line_interpolate_point(known, np.minimum(at + 1.0, shapely.length(known))))
    behind = shapely.get_coordinates(shapely.line_interpolate_point(known, np.maximum(at - 1.0, 0.0)))
    along = ahead - behind
    gap = shapely.get_coordinates(probes) - here
    size = np.maximum(np.hypot(along[:, 0], along[:, 1]), 1e-12)
    left = (along[:, 0] * gap[:, 1] - along[:, 1] * gap[:, 0]) / size
    against = len(at) > 1 and at[-1] < at[0]
    return int(round(float(np.median(left)) / width_m)), bool(against)
