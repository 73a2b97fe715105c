"""The second route to every figure: planted rows and strip bands counted in cells.

Independent of the exact route: each cell that a planted row crosses is judged by the distance from the middle
of its piece of row to the nearest strip centre line, so it lies in the hold band (the strip narrowed by the
tier's error), in the reach band (widened by it) or in neither. All tiers share that one distance.
"""

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numba
import numpy as np

from pipeline.core.accuracy import ON_LIMIT_M
from pipeline.core.cells import Cells, cell_range, first_shared_cell
from pipeline.core.kernels import THREADS
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
        # What lies on a border belongs to the cell east or south of it, so the last one begins at the far edge at most.
        columns = int(np.floor((bounds[2] - west) / cell_m + 1e-9)) + 1
        lines = int(np.floor((north - bounds[1]) / cell_m + 1e-9)) + 1
        return cls(float(west), float(north), cell_m, columns, lines)


@dataclass(frozen=True)
class Bands:
    """Half widths of the bands that strips make under every tier.

    Attributes
    ----------
    pass_of_row : ndarray of int, shape (planted lines,)
        Planter pass, or stretch of one, of each planted line.
    row_of_line : ndarray of int, shape (planted lines,)
        Planted row, as the tables count it, of each planted line.
    pass_of_strip : ndarray of int, shape (strip lines,)
        The same of each strip line.
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
    edges = first_line + np.linspace(0, window.shape[1], THREADS + 1).astype(int)
    parts = [np.zeros_like(counted) for _ in range(THREADS)]

    def count_belt(k: int, room: int = 512) -> None:
        near = np.empty(room, np.int64)
        held = _count(
            lines.rows.xy, lines.rows.line, lines.strips.xy, lines.strips.line, lines.strips.length_m, lines.reach_m,
            lines.row_key, lines.strip_key, index.first, index.members, index.x0, index.y0, index.per_m, index.nx,
            index.ny, bands.pass_of_row, bands.row_of_line, bands.pass_of_strip, bands.half_width_m, bands.bound_m,
            grid.west, grid.north, grid.cell_m, first_line, edges[k], edges[k + 1], window, parts[k],
            np.cos(np.radians(crossing_deg)), near,
        )  # fmt: skip
        if not held:
            # Strips are drawn more finely than usual. Painted cells stay as they are when painted again.
            parts[k][:] = 0.0
            count_belt(k, 4 * room)

    # Belts of the window share no cell, so they are painted side by side; their sums are added in order.
    with ThreadPoolExecutor(THREADS) as pool:
        list(pool.map(count_belt, range(THREADS)))
    for part in parts:
        counted += part


@numba.njit(cache=True, nogil=True)
def _count(
    rows, row_line, strips, strip_line, strip_length, reach, row_key, strip_key, first, members, x0, y0, per_m, nx, ny,
    pass_of_row, row_of_line, pass_of_strip, half_width, bound, west, north, cell, first_line, top, bottom, window,
    counted, cos_limit, near,
):  # fmt: skip
    tiers, width = window.shape[0], window.shape[2]
    hold, reached, sums = np.empty(tiers), np.empty(tiers), np.zeros((tiers, 6))
    highest, lowest = north - top * cell, north - bottom * cell
    for i in range(len(rows)):
        ax, ay, bx, by = rows[i, 0], rows[i, 1], rows[i, 2], rows[i, 3]
        if min(ay, by) > highest or max(ay, by) < lowest:
            continue
        dx, dy = bx - ax, by - ay
        whole = np.hypot(dx, dy)
        ux, uy = dx / whole, dy / whole
        planted = row_line[i]
        m = _near(rows[i], reach[planted], strips, strip_line, strip_length, strip_key, row_key[planted],
                  first, members, x0, y0, per_m, nx, ny, near)  # fmt: skip
        if m > len(near):
            return False
        sums[:] = 0.0
        # From border to border of the cells, each found anew from its number so that no rounding adds up.
        column, line = int(np.floor((ax - west) / cell)), int(np.floor((north - ay) / cell))
        right, down = (1 if dx > 0 else -1), (1 if dy < 0 else -1)
        per_dx, per_dy = (1.0 / dx if dx != 0.0 else np.inf), (-1.0 / dy if dy != 0.0 else np.inf)
        border_x, border_y = column + max(right, 0), line + max(down, 0)
        t, before = 0.0, -1
        while t < 1.0:
            t_x = (west + border_x * cell - ax) * per_dx if dx != 0.0 else np.inf
            t_y = (ay - north + border_y * cell) * per_dy if dy != 0.0 else np.inf
            step, here_x, here_y = max(min(t_x, t_y, 1.0), t), column, line
            if t_x <= t_y:
                column, border_x = column + right, border_x + right
            else:
                line, border_y = line + down, border_y + down
            middle, length = 0.5 * (t + step), (step - t) * whole
            t = step
            if length <= 0.0 or not (top <= here_y < bottom and 0 <= here_x < width):
                continue
            px, py = ax + middle * dx, ay + middle * dy
            gap, strip = _nearest(
                px, py, ux, uy, strips, strip_line, strip_length, near, m, reach[planted], cos_limit
            )
            if strip >= 0 and strip != before:
                before = strip
                for k in range(tiers):
                    error = bound[k, pass_of_row[planted], pass_of_strip[strip]]
                    hold[k], reached[k] = half_width[strip] - error + ON_LIMIT_M, half_width[strip] + error + ON_LIMIT_M
            for k in range(tiers):
                code = NO_STRIP if strip == -1 else CROSSING
                if strip >= 0:
                    code = HOLDS if gap <= hold[k] else DOUBT
                    if gap > reached[k]:
                        code = MISSES
                sums[k, code] += length
                if code > window[k, here_y - first_line, here_x]:
                    window[k, here_y - first_line, here_x] = code
        counted[:, row_of_line[planted]] += sums
    return True


@numba.njit(cache=True)
def _near(row, far, strips, strip_line, strip_length, strip_key, key, first, members, x0, y0, per_m, nx, ny, near):
    """Strip segments that may lie within `far` of a planted segment; returns how many, more than `near` holds or not."""
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
                limit = far * strip_length[k]
                side0 = vx * (row[1] - strips[k, 1]) - vy * (row[0] - strips[k, 0])
                side1 = vx * (row[3] - strips[k, 1]) - vy * (row[2] - strips[k, 0])
                if min(side0, side1) <= limit and max(side0, side1) >= -limit:
                    if m < len(near):
                        near[m] = k
                    m += 1
    return m


@numba.njit(cache=True)
def _nearest(px, py, ux, uy, strips, strip_line, strip_length, near, m, far, cos_limit):
    """Distance to the nearest strip that runs the row's way, and which; -2 where only crossing ones are near."""
    least, found, crossed = np.inf, -1, False
    for q in range(m):
        k = near[q]
        vx, vy = strips[k, 2] - strips[k, 0], strips[k, 3] - strips[k, 1]
        along = ((px - strips[k, 0]) * vx + (py - strips[k, 1]) * vy) / (strip_length[k] * strip_length[k])
        # Past the end of a segment its neighbour takes over; past the end of a strip there is none. Their corner is nearest
        # only before the start of the neighbour: past that too, it or one after it is nearer, or the strip has ended, for
        # the distance to the vertices falls from one to the next as long as the place lies past them.
        if along < 0.0:
            if not (k > 0 and strip_line[k - 1] == strip_line[k]):
                continue
            wx, wy = strips[k, 0] - strips[k - 1, 0], strips[k, 1] - strips[k - 1, 1]
            if (px - strips[k, 0]) * wx + (py - strips[k, 1]) * wy <= 0.0:
                continue
            along = 0.0
        elif along > 1.0:
            if not (k + 1 < len(strips) and strip_line[k + 1] == strip_line[k]):
                continue
            wx, wy = strips[k + 1, 2] - strips[k + 1, 0], strips[k + 1, 3] - strips[k + 1, 1]
            if (px - strips[k + 1, 0]) * wx + (py - strips[k + 1, 1]) * wy >= 0.0:
                continue
            along = 1.0
        gap_x, gap_y = px - strips[k, 0] - along * vx, py - strips[k, 1] - along * vy
        square = gap_x * gap_x + gap_y * gap_y
        if square > far * far:
            continue
        if abs(ux * vx + uy * vy) < cos_limit * strip_length[k]:
            crossed = True
        elif square < least:
            least, found = square, strip_line[k]
    if found < 0 and crossed:
        found = -2
    return np.sqrt(least), found
