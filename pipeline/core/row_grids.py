"""Grids of parallel passes: which passes of a field lie on one, at what place, and which way they travel on it."""

from dataclasses import dataclass

import numpy as np
import shapely

from pipeline.core.headings import CROSSING_ANGLE_DEG, ahead

# Passes are compared at these shares of a pass's length; the ends may be turned.
_SHARES = np.linspace(0.05, 0.95, 19)
# Passes within so many widths of one another are neighbours.
_REACH_WIDTHS = 1.6


@dataclass(frozen=True)
class GridPlaces:
    """Places of passes on their grids: arrays of shape (passes,).

    Attributes
    ----------
    grid : ndarray of int
        The grid that each pass lies on, numbered from 0.
    place : ndarray of int
        Place on it, counted to the left of the grid's first feature.
    flipped : ndarray of bool
        Whether a pass travels against that feature, so that its left is the grid's right.
    """

    grid: np.ndarray
    place: np.ndarray
    flipped: np.ndarray


def grid_places(lines: np.ndarray, width_m: float) -> GridPlaces:
    """Place of each pass on a grid of parallel passes.

    Parameters
    ----------
    lines : ndarray of LineString, shape (k,)
    width_m : float
        Width of a pass [m].

    Returns
    -------
    GridPlaces

    Notes
    -----
    Neighbours run the same way as well as near one another: a headland pass lies beside no pass whose end it crosses.
    A block out of reach lies on the grid of another where it goes on in line with it, as beyond a waterway; else it has
    a grid of its own, as the headlands at two ends of a field have.
    """
    # The order of the features, their travel and where rings begin say nothing of the field, so nothing hangs on them.
    middle = shapely.get_coordinates(shapely.centroid(lines))
    order = np.lexsort([np.round(part, 3) for part in (shapely.length(lines), middle[:, 1], middle[:, 0])])
    grid, place, flipped = (np.empty(len(lines), kind) for kind in (np.int64, np.int64, bool))
    grid[order], place[order], flipped[order] = _join_blocks(lines[order], width_m)
    first = np.unique(grid, return_index=True)[1][grid]
    place = np.where(flipped[first], place[first] - place, place - place[first])
    return GridPlaces(grid, place, flipped ^ flipped[first])


@dataclass(frozen=True)
class _Grid:
    """Passes that lie on one grid so far, and an index to find the nearest of them."""

    passes: np.ndarray
    tree: shapely.STRtree

    @classmethod
    def of(cls, lines: np.ndarray, passes: np.ndarray) -> "_Grid":
        return cls(passes, shapely.STRtree(lines[passes]))


def _join_blocks(lines: np.ndarray, width_m: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Grid, place and travel of every pass, block by block."""
    grid, place, flipped = np.full(len(lines), -1), np.zeros(len(lines), np.int64), np.zeros(len(lines), bool)
    grids: list[_Grid] = []
    for block, steps, against in _blocks(lines, width_m):
        home = _in_line(lines, block, grids, place, width_m)
        if home is None:
            number = len(grids)
            place[block], flipped[block] = steps, against
        else:
            known, k, step, turned = home
            number = grid[known]
            # The block's count is turned where its own first pass and the grid's travel against one another.
            mirrored = flipped[known] ^ turned ^ against[k]
            at = place[known] + (-step if flipped[known] else step)
            place[block] = at + (steps[k] - steps if mirrored else steps - steps[k])
            flipped[block] = against ^ mirrored
        grid[block] = number
        grids[number : number + 1] = [_Grid.of(lines, np.flatnonzero(grid == number))]
    return grid, place, flipped


def _blocks(lines: np.ndarray, width_m: float) -> list[tuple[np.ndarray, np.ndarray, np.ndarray]]:
    """Passes that hang together as neighbours, with place and travel counted from the first of each block."""
    pairs = shapely.STRtree(lines).query(lines, predicate="dwithin", distance=_REACH_WIDTHS * width_m)
    known, other = pairs[:, pairs[0] != pairs[1]]
    step, alike = _compare(lines[known], lines[other], width_m)
    beside = _same_way(lines, known, other, alike, width_m)
    beside = np.flatnonzero(beside)[np.lexsort([other[beside], known[beside]])]
    place, flipped = np.zeros(len(lines), np.int64), np.zeros(len(lines), bool)
    todo, out = np.ones(len(lines), bool), []
    begins = np.searchsorted(known[beside], np.arange(len(lines) + 1))
    while todo.any():
        block = [int(np.argmax(todo))]
        todo[block] = False
        for k in block:  # grows while it is gone through
            for pair in beside[begins[k] : begins[k + 1]]:
                near = int(other[pair])
                if todo[near]:
                    todo[near] = False
                    place[near] = place[k] + (-step[pair] if flipped[k] else step[pair])
                    flipped[near] = flipped[k] ^ (alike[pair] < 0.0)
                    block.append(near)
        out.append((np.array(block), place[block], flipped[block]))
    return out


def _in_line(
    lines: np.ndarray, block: np.ndarray, grids: list[_Grid], place: np.ndarray, width_m: float
) -> tuple[int, int, int, bool] | None:
    """The nearest pass of a grid on whose places the block goes on, the block's pass, the step, and if it is turned.

    None where the block lies in line with no grid.
    """
    if not grids:
        return None
    pairs = [one.tree.query_nearest(lines[block]) for one in grids]
    known = np.concatenate([one.passes[near[1]] for one, near in zip(grids, pairs, strict=True)])
    k = np.concatenate([near[0] for near in pairs])
    step, alike = _compare(lines[known], lines[block[k]], width_m)
    # Counted to either side, the place must be one of the grid's: passes abreast beyond a gap are no part of it.
    ends = np.array([[place[one.passes].min(), place[one.passes].max()] for one in grids])
    low, high = np.repeat(ends, [len(near[0]) for near in pairs], axis=0).T
    fits = np.flatnonzero(np.abs(step) <= np.minimum(place[known] - low, high - place[known]))
    fits = fits[_same_way(lines, known[fits], block[k[fits]], alike[fits], width_m)]
    if len(fits) == 0:
        return None
    known, other = known[fits], block[k[fits]]
    apart = np.round(shapely.distance(lines[known], lines[other]), 3)
    n = np.lexsort([other, known, apart])[0]
    return int(known[n]), int(k[fits][n]), int(step[fits][n]), bool(alike[fits][n] < 0.0)


def _same_way(lines: np.ndarray, known: np.ndarray, other: np.ndarray, alike: np.ndarray, width_m: float) -> np.ndarray:
    """Whether passes run along one another, seen from both: a closed lap runs beside every pass, none beside all of it."""
    back = _compare(lines[other], lines[known], width_m)[1]
    return np.minimum(np.abs(alike), np.abs(back)) >= np.cos(np.radians(CROSSING_ANGLE_DEG))


def _compare(known: np.ndarray, other: np.ndarray, width_m: float) -> tuple[np.ndarray, np.ndarray]:
    """Passes from `known` to `other`, left positive, and the mean cosine of their directions, shape (pairs,)."""
    if len(known) == 0:
        return np.zeros(0, np.int64), np.zeros(0)
    known, other = known[:, None], other[:, None]
    probes = shapely.line_interpolate_point(other, _SHARES, normalized=True)
    at, whole = shapely.line_locate_point(known, probes), shapely.length(known)
    abreast = (at > 0) & (at < whole)
    # Passes that lie end to end are compared where they are nearest; both ends may be turned.
    end_on = np.flatnonzero(~abreast.any(axis=1))
    abreast[end_on, shapely.distance(known[end_on], probes[end_on]).argmin(axis=1)] = True
    at[end_on] = np.clip(at[end_on], _SHARES[0] * whole[end_on], _SHARES[-1] * whole[end_on])
    here = shapely.line_interpolate_point(known, at)
    along, there = ahead(known, at), ahead(other, shapely.length(other) * _SHARES)
    cosine = (along * there).sum(axis=-1)
    # On from one to the other they may curve: across the mean of both directions is right on a circle.
    along[end_on] += np.where(cosine[end_on] < 0.0, -1.0, 1.0)[..., None] * there[end_on]
    along /= np.maximum(np.hypot(along[..., 0], along[..., 1]), 1e-12)[..., None]
    east, north = shapely.get_x(probes) - shapely.get_x(here), shapely.get_y(probes) - shapely.get_y(here)
    left = np.where(abreast, along[..., 0] * north - along[..., 1] * east, np.nan)
    return np.rint(np.nanmedian(left, axis=1) / width_m).astype(np.int64), np.average(cosine, axis=1, weights=abreast)
