"""The second route to every figure: planted rows and strip bands counted in cells.

Independent of the exact route: each cell that a planted row crosses is judged by the distance from the middle
of its piece of row to the nearest strip centre line, so it lies in the hold band (the strip narrowed by the
tier's error), in the reach band (widened by it) or in neither. All tiers share that one distance.
"""

from dataclasses import dataclass, fields

import numba
import numpy as np

from pipeline.core.cells import Cells, cell_range, first_shared_cell
from pipeline.core.segments import Segments

# Codes of the raster; 0 is a cell without a planted row.
EMPTY, HOLDS, DOUBT, MISSES, NO_STRIP, CROSSING = 0, 1, 2, 3, 4, 5
INDEX_CELL_M = 1.0


@dataclass(frozen=True)
class Grid:
    """A north-up raster grid: west edge, north edge, square cell [m], and its shape."""

    west: float
    north: float
    cell_m: float
    columns: int
    lines: int

    @classmethod
    def around(cls, bounds: tuple[float, float, float, float], *, cell_m: float) -> "Grid":
        """The grid of whole cells that holds `bounds` (west, south, east, north) [m]."""
        west, north = np.floor(bounds[0] / cell_m) * cell_m, np.ceil(bounds[3] / cell_m) * cell_m
        columns = int(np.ceil((bounds[2] - west) / cell_m - 1e-9))
        return cls(float(west), float(north), cell_m, max(columns, 1), max(int(np.ceil((north - bounds[1]) / cell_m - 1e-9)), 1))


@dataclass(frozen=True)
class RowCells:
    """Pieces of planted row, one a cell that it crosses; arrays of shape (n,).

    Attributes
    ----------
    column, line : ndarray of int32
        Cell.
    row : ndarray of int32
        Planted line.
    length_m : ndarray
    distance_m : ndarray
        From the middle of the piece to the nearest strip that runs its way; infinite where there is none [m].
    strip : ndarray of int32
        That strip line; -1 for none, -2 where strips are crossed.
    """

    column: np.ndarray
    line: np.ndarray
    row: np.ndarray
    length_m: np.ndarray
    distance_m: np.ndarray
    strip: np.ndarray

    def take(self, which: np.ndarray) -> "RowCells":
        """The pieces at an index or mask."""
        return RowCells(**{f.name: getattr(self, f.name)[which] for f in fields(self)})


def row_cells(
    rows: Segments, strips: Segments, index: Cells, grid: Grid, *, reach_m: np.ndarray, crossing_deg: float
) -> RowCells:
    """Cut planted rows at cell borders and measure each piece.

    Parameters
    ----------
    rows, strips : Segments
    index : Cells
        Over the strips.
    grid : Grid
    reach_m : ndarray, shape (number of planted lines,)
        Beyond this distance there is no strip [m].
    crossing_deg : float
        A strip at a wider angle than this is crossed.
    """
    room = int((rows.length_m / grid.cell_m * 2 + 3).sum())
    found = _cut_and_measure(
        rows.xy, rows.line, strips.xy, strips.line, reach_m, index.first, index.members, index.x0, index.y0,
        index.size, index.nx, index.ny, grid.west, grid.north, grid.cell_m, np.cos(np.radians(crossing_deg)), room,
    )  # fmt: skip
    return RowCells(*(column[: found[0]] for column in found[1:]))


def cell_classes(cells: RowCells, hold_m: np.ndarray, reach_m: np.ndarray) -> np.ndarray:
    """Class of every piece under one tier, shape (n,), uint8.

    Parameters
    ----------
    cells : RowCells
    hold_m, reach_m : ndarray, shape (n,)
        Half widths of the hold band and of the reach band of the piece's strip [m].
    """
    out = np.full(len(cells.row), DOUBT, np.uint8)
    out[cells.distance_m <= hold_m] = HOLDS
    out[cells.distance_m > reach_m] = MISSES
    out[cells.strip == -1] = NO_STRIP
    out[cells.strip == -2] = CROSSING
    return out


@numba.njit(cache=True)
def paint(window, column, line, classes):
    """Put classes into a window (lines, columns); where rows share a cell the worse class stays."""
    for i in range(len(column)):
        window[line[i], column[i]] = max(window[line[i], column[i]], classes[i])


@numba.njit(cache=True)
def _cut_and_measure(
    rows, row_line, strips, strip_line, reach, first, members, x0, y0, size, nx, ny, west, north, cell, cos_limit, room
):
    column, line, row = np.empty(room, np.int32), np.empty(room, np.int32), np.empty(room, np.int32)
    length, distance, strip = np.empty(room), np.empty(room), np.empty(room, np.int32)
    near = np.empty(512, np.int64)
    n = 0
    for i in range(len(rows)):
        ax, ay, bx, by = rows[i, 0], rows[i, 1], rows[i, 2], rows[i, 3]
        dx, dy = bx - ax, by - ay
        whole = np.hypot(dx, dy)
        far = reach[row_line[i]]
        m = _near(strips, min(ax, bx) - far, max(ax, bx) + far, min(ay, by) - far, max(ay, by) + far,
                  first, members, x0, y0, size, nx, ny, near)  # fmt: skip
        t = 0.0
        while t < 1.0 - 1e-12:
            step = min(_next_border(ax, dx, west, cell, t), _next_border(ay, dy, north, cell, t), 1.0)
            middle = 0.5 * (t + step)
            px, py = ax + middle * dx, ay + middle * dy
            column[n], line[n] = int(np.floor((px - west) / cell)), int(np.floor((north - py) / cell))
            row[n], length[n] = row_line[i], (step - t) * whole
            distance[n], strip[n] = _nearest(px, py, dx / whole, dy / whole, strips, strip_line, near, m, far, cos_limit)
            n += 1
            t = step
    return n, column, line, row, length, distance, strip


@numba.njit(cache=True)
def _next_border(start, delta, origin, cell, t):
    """The next t at which start + t * delta meets a cell border after t."""
    if delta == 0.0:
        return np.inf
    # Half a nanometre ahead, so that a border just met is not met again.
    at = (start + t * delta - origin) / cell + (1e-9 if delta > 0 else -1e-9)
    border = np.floor(at) + 1.0 if delta > 0 else np.ceil(at) - 1.0
    return max((origin + border * cell - start) / delta, t + 1e-12)


@numba.njit(cache=True)
def _near(strips, west, east, south, north, first, members, x0, y0, size, nx, ny, near):
    ix0, ix1 = cell_range(west, east, x0, size, nx)
    iy0, iy1 = cell_range(south, north, y0, size, ny)
    m = 0
    for iy in range(iy0, iy1 + 1):
        for ix in range(ix0, ix1 + 1):
            for q in range(first[iy * nx + ix], first[iy * nx + ix + 1]):
                k = members[q]
                if m < len(near) and first_shared_cell(strips, k, ix, iy, ix0, iy0, x0, y0, size):
                    near[m] = k
                    m += 1
    return m


@numba.njit(cache=True)
def _nearest(px, py, ux, uy, strips, strip_line, near, m, far, cos_limit):
    """Distance to the nearest strip that runs the row's way, and which; -2 where only crossing ones are near."""
    least, found, crossed = np.inf, -1, False
    for q in range(m):
        k = near[q]
        vx, vy = strips[k, 2] - strips[k, 0], strips[k, 3] - strips[k, 1]
        square = vx * vx + vy * vy
        along = ((px - strips[k, 0]) * vx + (py - strips[k, 1]) * vy) / square
        # Past the end of a segment its neighbour takes over; past the end of a strip there is none.
        if along < 0.0 and not (k > 0 and strip_line[k - 1] == strip_line[k]):
            continue
        if along > 1.0 and not (k + 1 < len(strips) and strip_line[k + 1] == strip_line[k]):
            continue
        along = min(max(along, 0.0), 1.0)
        gap = np.hypot(px - strips[k, 0] - along * vx, py - strips[k, 1] - along * vy)
        if gap > far:
            continue
        if abs(ux * vx + uy * vy) < cos_limit * np.sqrt(square):
            crossed = True
        elif gap < least:
            least, found = gap, strip_line[k]
    if found < 0 and crossed:
        found = -2
    return least, found
