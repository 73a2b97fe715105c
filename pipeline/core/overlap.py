"""The second route to every figure: planted rows and strip bands counted in cells.

Independent of the exact route: each cell that a planted row crosses is judged by the distance from the middle
of its piece of row to the nearest strip centre line, so it lies in the hold band (the strip narrowed by the
tier's error), in the reach band (widened by it) or in neither. All tiers share that one distance.
"""

from dataclasses import dataclass, replace

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
        lines = int(np.ceil((north - bounds[1]) / cell_m - 1e-9))
        return cls(float(west), float(north), cell_m, max(columns, 1), max(lines, 1))


@dataclass(frozen=True)
class Bands:
    """Half widths of the bands that strips make under every tier.

    Attributes
    ----------
    pass_of_row : ndarray of int, shape (planted lines,)
        Planter pass of each planted line.
    row_of_line : ndarray of int, shape (planted lines,)
        Planted row, as the tables count it, of each planted line.
    pass_of_strip : ndarray of int, shape (strip lines,)
    half_width_m : ndarray, shape (strip lines,)
        Half strip width less the margin [m].
    bound_m : ndarray, shape (tiers, planter passes, strip passes)
        95 % bound of the error of a pair of passes [m]: the hold band is narrower than the strip by it, the
        reach band wider.
    """

    pass_of_row: np.ndarray
    row_of_line: np.ndarray
    pass_of_strip: np.ndarray
    half_width_m: np.ndarray
    bound_m: np.ndarray


@dataclass(frozen=True)
class Lines:
    """Planted rows, strips and an index over the strips, all in one plane.

    Attributes
    ----------
    rows, strips : Segments
    index : Cells
        Over the strips.
    reach_m : ndarray, shape (planted lines,)
        Beyond this distance there is no strip [m].
    row_key, strip_key : ndarray of int, shape (planted lines,) and (strip lines,)
        A row with a key that is not negative only meets strips with the same one.
    """

    rows: Segments
    strips: Segments
    index: Cells
    reach_m: np.ndarray
    row_key: np.ndarray
    strip_key: np.ndarray

    def near(self, south_m: float, north_m: float) -> "Lines":
        """The same with the planted segments that touch a belt between two northings [m]."""
        y = self.rows.xy[:, 1::2]
        keep = (y.min(axis=1) <= north_m) & (y.max(axis=1) >= south_m)
        part = Segments(self.rows.xy[keep], self.rows.line[keep], self.rows.start_m[keep])
        return replace(self, rows=part)


def count_cells(
    lines: Lines, bands: Bands, grid: Grid, *, first_line: int, window: np.ndarray, counted: np.ndarray,
    crossing_deg: float,
) -> None:  # fmt: skip
    """Paint the cells of some lines of the grid, and add up row length by class, all tiers at once.

    Parameters
    ----------
    lines : Lines
    bands : Bands
    grid : Grid
    first_line : int
        Line of the grid at which the window starts.
    window : ndarray of uint8, shape (tiers, lines, columns)
        Painted in place; where rows share a cell the higher class code stays.
    counted : ndarray, shape (tiers, rows, 6)
        Row length by class code, added to in place [m].
    crossing_deg : float
        A strip at a wider angle than this is crossed.
    """
    index = lines.index
    _count(
        lines.rows.xy, lines.rows.line, lines.strips.xy, lines.strips.line, lines.reach_m, lines.row_key,
        lines.strip_key, index.first, index.members, index.x0, index.y0, index.per_m, index.nx, index.ny,
        bands.pass_of_row, bands.row_of_line, bands.pass_of_strip, bands.half_width_m, bands.bound_m,
        grid.west, grid.north, grid.cell_m, first_line, window, counted, np.cos(np.radians(crossing_deg)),
    )  # fmt: skip


@numba.njit(cache=True)
def _count(
    rows, row_line, strips, strip_line, reach, row_key, strip_key, first, members, x0, y0, per_m, nx, ny,
    pass_of_row, row_of_line, pass_of_strip, half_width, bound, west, north, cell, first_line, window, counted,
    cos_limit,
):  # fmt: skip
    near = np.empty(512, np.int64)
    tiers, height, width = window.shape
    for i in range(len(rows)):
        ax, ay, bx, by = rows[i, 0], rows[i, 1], rows[i, 2], rows[i, 3]
        dx, dy = bx - ax, by - ay
        whole = np.hypot(dx, dy)
        planted = row_line[i]
        m = _near(rows[i], reach[planted], strips, strip_line, strip_key, row_key[planted],
                  first, members, x0, y0, per_m, nx, ny, near)  # fmt: skip
        t = 0.0
        while t < 1.0 - 1e-12:
            step = min(_next_border(ax, dx, west, cell, t), _next_border(ay, dy, north, cell, t), 1.0)
            middle, length = 0.5 * (t + step), (step - t) * whole
            t = step
            px, py = ax + middle * dx, ay + middle * dy
            column, line = int(np.floor((px - west) / cell)), int(np.floor((north - py) / cell)) - first_line
            if not (0 <= line < height and 0 <= column < width):
                continue
            gap, strip = _nearest(px, py, dx / whole, dy / whole, strips, strip_line, near, m, reach[planted], cos_limit)
            for k in range(tiers):
                code = NO_STRIP if strip == -1 else CROSSING
                if strip >= 0:
                    error = bound[k, pass_of_row[planted], pass_of_strip[strip]]
                    code = HOLDS if gap <= half_width[strip] - error else DOUBT
                    if gap > half_width[strip] + error:
                        code = MISSES
                counted[k, row_of_line[planted], code] += length
                window[k, line, column] = max(window[k, line, column], code)


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
def _near(row, far, strips, strip_line, strip_key, key, first, members, x0, y0, per_m, nx, ny, near):
    """Strip segments that may lie within `far` of a planted segment; returns how many were put into `near`."""
    ix0, ix1 = cell_range(min(row[0], row[2]) - far, max(row[0], row[2]) + far, x0, per_m, nx)
    iy0, iy1 = cell_range(min(row[1], row[3]) - far, max(row[1], row[3]) + far, y0, per_m, ny)
    m = 0
    for iy in range(iy0, iy1 + 1):
        for ix in range(ix0, ix1 + 1):
            for q in range(first[iy * nx + ix], first[iy * nx + ix + 1]):
                k = members[q]
                if not first_shared_cell(strips, k, ix, iy, ix0, iy0, x0, y0, per_m):
                    continue
                if key >= 0 and strip_key[strip_line[k]] != key:
                    continue
                vx, vy = strips[k, 2] - strips[k, 0], strips[k, 3] - strips[k, 1]
                limit = far * np.hypot(vx, vy)
                side0 = vx * (row[1] - strips[k, 1]) - vy * (row[0] - strips[k, 0])
                side1 = vx * (row[3] - strips[k, 1]) - vy * (row[2] - strips[k, 0])
                if min(side0, side1) <= limit and max(side0, side1) >= -limit:
                    if m == len(near):
                        raise ValueError("more than 512 strip segments lie beside one planted segment")
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
