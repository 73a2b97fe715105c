"""The maps of a field sheet: how many go beside each other, at which round scale, and how rows are drawn."""

import itertools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from matplotlib.axes import Axes
from matplotlib.collections import PathCollection
from matplotlib.colors import to_rgba_array
from matplotlib.patches import PathPatch
from matplotlib.path import Path

from pipeline.files.sheet_parts import CLASS_COLOURS, GROUND, INK

ROUND_SCALES = (
    1,
    1.1,
    1.2,
    1.3,
    1.4,
    1.5,
    1.6,
    1.8,
    2,
    2.2,
    2.5,
    3,
    3.5,
    4,
    4.5,
    5,
    5.5,
    6,
    6.5,
    7,
    7.5,
    8,
    9,
    10,
)
GAP_MM, WIDEST_GAP_MM, NARROWEST_CELL_MM, READABLE_CELL_MM = 5.0, 16.0, 14.0, 40.0


@dataclass(frozen=True)
class MapGrid:
    """Small multiples of one size and scale.

    Attributes
    ----------
    columns, rows : int
        Number of maps beside and under each other.
    scale : float
        Denominator of the map scale, round.
    cell_mm, heading_mm : float
        Width of a map with its heading, height of the heading [mm].
    map_mm : tuple of float
        Width and height of the map itself [mm].
    pitch_mm : tuple of float
        Distance from one cell to the next, across and down [mm].
    """

    columns: int
    rows: int
    scale: float
    cell_mm: float
    heading_mm: float
    map_mm: tuple[float, float]
    pitch_mm: tuple[float, float]

    @classmethod
    def best(
        cls,
        *,
        maps: int,
        extent_m: tuple[float, float],
        room_mm: tuple[float, float],
        heading_mm: Callable[[float], float],
    ) -> "MapGrid":
        """Grid with the largest maps of a field of `extent_m` (width, height) in `room_mm`.

        `heading_mm` gives the height of the heading in a cell of some width.
        """
        grids = [cls._of(maps, columns, extent_m, room_mm, heading_mm) for columns in range(1, maps + 1)]
        wide = [grid for grid in grids if grid.cell_mm >= NARROWEST_CELL_MM] or grids[:1]
        return min(wide, key=lambda grid: (grid.scale, grid.columns * grid.rows, grid.columns))

    @classmethod
    def _of(
        cls,
        maps: int,
        columns: int,
        extent_m: tuple[float, float],
        room_mm: tuple[float, float],
        heading_mm: Callable[[float], float],
    ) -> "MapGrid":
        rows = math.ceil(maps / columns)
        cell = (room_mm[0] - (columns - 1) * GAP_MM) / columns
        head = heading_mm(min(cell, READABLE_CELL_MM))
        tall = (room_mm[1] - (rows - 1) * GAP_MM) / rows - head
        scale = _round_scale(1000 * max(extent_m[0] / cell, extent_m[1] / max(tall, 1)))
        size = (1000 * extent_m[0] / scale, 1000 * extent_m[1] / scale)
        cell = min(cell, max(size[0], READABLE_CELL_MM))
        slack = (room_mm[0] - columns * cell) / max(columns - 1, 1)
        spare = (room_mm[1] - rows * (size[1] + head)) / max(rows - 1, 1)
        pitch = (cell + min(slack, WIDEST_GAP_MM), size[1] + head + min(spare, 1.6 * GAP_MM))
        return cls(columns, rows, scale, cell, head, size, pitch)

    @property
    def used_mm(self) -> float:
        """Width that the maps take [mm]."""
        return (self.columns - 1) * self.pitch_mm[0] + self.cell_mm


def draw_rows(
    page: Axes, *, maps: Sequence[tuple[np.ndarray, np.ndarray]], row_spacing_mm: float, dpi: float
) -> None:
    """Draw the rows of all maps, coloured by class, in the order given, as one rasterised collection.

    Parameters
    ----------
    page : Axes
        Page in millimetres.
    maps : sequence of (ndarray, ndarray)
        Per map segments, shape (n, 2, 2) [mm on the page], and their class codes, shape (n,), uint8.
    row_spacing_mm : float
        Distance of neighbouring rows on paper [mm].
    dpi : float
        Resolution the sheet is saved at.
    """
    pixel_mm = 25.4 / dpi
    paths, colours = [], []
    for segments, codes in maps:
        segments, codes = joined(segments, codes=codes, shortest=pixel_mm)
        # Neighbours of one class share a path. The order stays, so that where rows are finer than a pixel no
        # class covers the others and the tint is their mixture.
        edges = np.r_[0, np.flatnonzero(np.diff(codes)) + 1, len(codes)]
        steps = np.tile(np.array([Path.MOVETO, Path.LINETO], np.uint8), len(codes))
        points = segments.reshape(-1, 2)
        paths += [
            Path(points[2 * i : 2 * k], steps[2 * i : 2 * k]) for i, k in itertools.pairwise(edges) if k > i
        ]
        colours.append(codes[edges[:-1]] if len(codes) else codes)
    if paths:
        page.add_collection(
            PathCollection(
                paths,
                facecolors="none",
                edgecolors=to_rgba_array(CLASS_COLOURS)[np.concatenate(colours)],
                linewidths=_line_points(row_spacing_mm / pixel_mm, dpi),
                capstyle="butt",
                rasterized=True,
                zorder=2,
            ),
            autolim=False,
        )


def joined(segments: np.ndarray, *, codes: np.ndarray, shortest: float) -> tuple[np.ndarray, np.ndarray]:
    """Join touching neighbours of one class into chords of about `shortest`: fewer lines, the same picture.

    Raises
    ------
    ValueError
        If the shapes do not match or a class is unknown.
    """
    if segments.shape[1:] != (2, 2) or codes.shape != segments.shape[:1]:
        raise ValueError(f"segments (n, 2, 2) and codes (n,) wanted, not {segments.shape} and {codes.shape}")
    if len(codes) == 0:
        return segments, codes
    if codes.max() >= len(CLASS_COLOURS):
        raise ValueError(f"class codes are 0 to {len(CLASS_COLOURS) - 1}, not {codes.max()}")
    length = np.hypot(*(segments[:, 1] - segments[:, 0]).T)
    step = np.floor(np.cumsum(length) / shortest)
    apart = (segments[1:, 0] != segments[:-1, 1]).any(axis=1)
    first = np.flatnonzero(np.r_[True, apart | (codes[1:] != codes[:-1]) | (step[1:] != step[:-1])])
    last = np.r_[first[1:] - 1, len(codes) - 1]
    return np.stack([segments[first, 0], segments[last, 1]], axis=1), codes[first]


def draw_boundary(page: Axes, *, boundary: shapely.Geometry) -> None:
    """Draw the field [mm on the page]: its ground under the rows and its boundary over them."""
    outline = _outline(boundary)
    page.add_patch(PathPatch(outline, facecolor=GROUND, edgecolor="none", zorder=1))
    page.add_patch(
        PathPatch(outline, facecolor="none", edgecolor=INK, linewidth=0.8, joinstyle="round", zorder=3)
    )


def _outline(boundary: shapely.Geometry) -> Path:
    # Shells one way and holes the other, so that holes stay open when filled.
    polygons = shapely.get_parts(shapely.orient_polygons(boundary))
    rings = [ring for polygon in polygons for ring in (polygon.exterior, *polygon.interiors)]
    return Path.make_compound_path(*(Path(shapely.get_coordinates(ring), closed=True) for ring in rings))


def _line_points(pitch_px: float, dpi: float) -> float:
    # Rows closer than three pixels cannot be told apart: lines a little wider than their distance blend into
    # an even tint of the classes, where thinner ones would beat against the pixels as moire. Each line covers
    # the surplus of the one before it, so every row still shows one row's width.
    width_px = max(1.8 * pitch_px, 0.9) if pitch_px < 3 else min(0.6 * pitch_px, 6)
    return width_px * 72 / dpi


def _round_scale(least: float) -> float:
    power = 10.0 ** math.floor(math.log10(least))
    return next(step * power for step in ROUND_SCALES if step * power >= least * (1 - 1e-9))
