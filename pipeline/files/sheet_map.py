"""The maps of a field sheet: how many go beside each other, at which round scale, and how rows are drawn."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from matplotlib.backend_bases import GraphicsContextBase
from matplotlib.backends.backend_agg import RendererAgg
from matplotlib.colors import to_rgb
from matplotlib.patches import PathPatch
from matplotlib.path import Path
from matplotlib.transforms import Affine2D

from pipeline.files.sheet_page import Page
from pipeline.files.sheet_parts import CLASS_COLOURS, GROUND, INK
from pipeline.files.sheet_picture import Picture
from pipeline.files.sheet_words import DPI, MM_PER_INCH

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
PIXEL_MM = MM_PER_INCH / DPI
# A bend in a chord of three pixels is a small part of one: 3^2 / 8 r, r being 30 pixels even on a small pivot.
CHORD_MM = 3 * PIXEL_MM
AROUND_PX = 2
# A cell is as wide as its map, but where there is room not narrower than the name of a tier on two lines.
GAP_MM, WIDEST_GAP_MM, NARROWEST_CELL_MM, NAME_CELL_MM = 5.0, 8.0, 14.0, 52.0


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
        head = heading_mm(min(cell, NAME_CELL_MM))
        tall = (room_mm[1] - (rows - 1) * GAP_MM) / rows - head
        scale = _round_scale(1000 * max(extent_m[0] / cell, extent_m[1] / max(tall, 1)))
        size = (1000 * extent_m[0] / scale, 1000 * extent_m[1] / scale)
        cell = min(cell, max(size[0], NAME_CELL_MM))
        slack = (room_mm[0] - columns * cell) / max(columns - 1, 1)
        spare = (room_mm[1] - rows * (size[1] + head)) / max(rows - 1, 1)
        pitch = (cell + min(slack, WIDEST_GAP_MM), size[1] + head + min(spare, 1.6 * GAP_MM))
        return cls(columns, rows, scale, cell, head, size, pitch)

    @property
    def used_mm(self) -> float:
        """Width that the maps take [mm]."""
        return (self.columns - 1) * self.pitch_mm[0] + self.cell_mm


@dataclass(frozen=True)
class DrawnMap:
    """One field under one tier, laid out on the page.

    Attributes
    ----------
    corner : tuple of float
        Upper left corner, on whole pixels (`on_pixels`) [mm on the page].
    boundary : Polygon or MultiPolygon
        [mm from the corner].
    segments, codes : ndarray
        Pieces of row, shape (n, 2, 2) [mm from the corner], and their class codes, shape (n,), uint8. Maps that show the
        same rows share the array.
    """

    corner: tuple[float, float]
    boundary: shapely.Geometry
    segments: np.ndarray
    codes: np.ndarray


def on_pixels(page: Page, *, x: float, y: float) -> tuple[float, float]:
    """The place [mm] near (x, y) where pixels of the PNG meet: counted from the left and from the foot of the page."""
    tall = page.tall_mm
    return round(x / PIXEL_MM) * PIXEL_MM, tall - round((tall - y) / PIXEL_MM) * PIXEL_MM


def draw_fields(page: Page, *, maps: Sequence[DrawnMap], row_spacing_mm: float) -> None:
    """Draw the ground of all maps and their rows, coloured by class, in the order given, as one picture.

    It is drawn once, at the resolution of the PNG, and the PDF shows the same pixels: there are more rows than
    a page has room for lines.

    Parameters
    ----------
    page : Page
        Page in millimetres.
    maps : sequence of DrawnMap
    row_spacing_mm : float
        Distance of neighbouring rows on paper [mm].
    """
    tall = page.tall_mm
    corners = np.array([[one.corner[0], tall - one.corner[1]] for one in maps]) / PIXEL_MM
    lefts, tops = np.rint(corners).astype(int).T
    pictures = _pictures(maps, pitch_px=row_spacing_mm / PIXEL_MM)
    high, wide = pictures[0].shape[:2]
    left, top = lefts.min() - AROUND_PX, tops.max() + AROUND_PX
    pixels = np.full((top - tops.min() + high, lefts.max() + wide - left, 4), 255, np.uint8)
    for picture, x, y in zip(pictures, lefts - AROUND_PX - left, top - tops - AROUND_PX, strict=True):
        under = pixels[y : y + high, x : x + wide, :3]
        np.minimum(under, picture, out=under)
    foot = top - pixels.shape[0]
    page.add(Picture(pixels, corner=(left * PIXEL_MM, tall - foot * PIXEL_MM)))


def _pictures(maps: Sequence[DrawnMap], *, pitch_px: float) -> list[np.ndarray]:
    """Each map as pixels, `AROUND_PX` more to every side.

    All rows in the colour of the commonest class, then those of each other class over it. A class is one path, however
    many pieces it has: it covers of each pixel just what its rows do, so that where rows are finer than a pixel the tint
    is the mixture of the classes. What all rows cover is the same under most tiers, and is found once.
    """
    wide, high = (math.ceil(size / PIXEL_MM) + 2 * AROUND_PX for size in maps[0].boundary.bounds[2:])
    paper = Paper(wide, high)
    ground = paper.inside(maps[0].boundary)
    beneath_px, over_px = _line_widths(pitch_px)
    shared, out = {}, []
    for one in maps:
        if id(one.segments) not in shared:
            starts = chord_starts(one.segments, shortest=CHORD_MM)
            lines, _ = joined(one.segments, codes=np.zeros(len(one.segments), np.uint8), starts=starts)
            shared[id(one.segments)] = starts, paper.covered(lines, width_px=beneath_px)
        starts, beneath = shared[id(one.segments)]
        lines, codes = joined(one.segments, codes=one.codes, starts=starts)
        counts = np.bincount(codes, minlength=1)
        layers = [(GROUND, ground), (CLASS_COLOURS[counts.argmax()], beneath)]
        for code in np.flatnonzero(counts):
            if code != counts.argmax():
                layers.append((CLASS_COLOURS[code], paper.covered(lines[codes == code], width_px=over_px)))
        out.append(_painted(layers))
    return out


def _painted(layers: Sequence[tuple[str, np.ndarray]]) -> np.ndarray:
    """White paper with colours on it, each as thick as it covers a pixel (0 to 1)."""
    # One plane a colour: long runs of numbers, where a pixel's three would be worked through one pixel at a time.
    planes = np.full((3, *layers[0][1].shape), 255, np.float32)
    for colour, cover in layers:
        planes += cover * (255 * np.array(to_rgb(colour), np.float32)[:, None, None] - planes)
    return np.moveaxis(np.rint(planes).astype(np.uint8), 0, -1)


@dataclass(frozen=True)
class Paper:
    """Pixels on which shapes are found to cover something; `wide` and `high` with `AROUND_PX` to every side."""

    wide: int
    high: int

    def covered(self, segments: np.ndarray, *, width_px: float) -> np.ndarray:
        """How much of each pixel lines cover, shape (high, wide), float32 of 0 to 1; segments in mm from the corner."""
        paper, gc = self._blank()
        gc.set_linewidth(width_px * 72 / DPI)
        if len(segments):
            paper.draw_path(gc, _lines(segments), self._to_pixels())
        return self._cover(paper)

    def inside(self, boundary: shapely.Geometry) -> np.ndarray:
        """The same of a polygon."""
        paper, gc = self._blank()
        gc.set_linewidth(0)
        paper.draw_path(gc, _outline(boundary), self._to_pixels(), (0, 0, 0))
        return self._cover(paper)

    def _blank(self) -> tuple[RendererAgg, GraphicsContextBase]:
        paper = RendererAgg(self.wide, self.high, DPI)
        gc = paper.new_gc()
        gc.set_capstyle("butt")
        gc.set_snap(False)
        return paper, gc

    def _to_pixels(self) -> Affine2D:
        return Affine2D().scale(1 / PIXEL_MM, -1 / PIXEL_MM).translate(AROUND_PX, self.high - AROUND_PX)

    @staticmethod
    def _cover(paper: RendererAgg) -> np.ndarray:
        return np.asarray(paper.buffer_rgba())[:, :, 3].astype(np.float32) / 255


def _lines(segments: np.ndarray) -> Path:
    path = Path(segments.reshape(-1, 2), np.tile(np.array([Path.MOVETO, Path.LINETO], np.uint8), len(segments)))
    path.should_simplify = False
    return path


def chord_starts(segments: np.ndarray, *, shortest: float) -> np.ndarray:
    """Where a chord of about `shortest` begins whatever the classes, shape (n,), for touching neighbours (n, 2, 2)."""
    along = segments[:, 1] - segments[:, 0]
    step = np.floor(np.cumsum(np.hypot(along[:, 0], along[:, 1])) / shortest)
    apart = (segments[1:, 0] != segments[:-1, 1]).any(axis=1)
    return np.r_[True, apart | (step[1:] != step[:-1])][: len(segments)]


def joined(segments: np.ndarray, *, codes: np.ndarray, starts: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Join neighbours of one class into chords, which begin at `starts` at least: fewer lines, the same picture.

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
    first = np.flatnonzero(starts | np.r_[True, codes[1:] != codes[:-1]])
    last = np.r_[first[1:] - 1, len(codes) - 1]
    # Ends lie one after another: `take` fetches whole ones, many times faster than an index of segment and end.
    ends = np.stack([2 * first, 2 * last + 1], axis=1)
    return segments.reshape(-1, 2).take(ends, axis=0), codes[first]


def draw_boundary(page: Page, *, boundary: shapely.Geometry) -> None:
    """Draw the boundary of a field [mm on the page], over its rows."""
    page.add(
        PathPatch(
            _outline(boundary), facecolor="none", edgecolor=INK, linewidth=0.8, joinstyle="round", zorder=3
        )
    )


def _outline(boundary: shapely.Geometry) -> Path:
    # Shells one way and holes the other, so that holes stay open when filled.
    polygons = shapely.get_parts(shapely.orient_polygons(boundary))
    rings = [ring for polygon in polygons for ring in (polygon.exterior, *polygon.interiors)]
    return Path.make_compound_path(*(Path(shapely.get_coordinates(ring), closed=True) for ring in rings))


def _line_widths(pitch_px: float) -> tuple[float, float]:
    """Widths of the lines beneath and of those over them [pixels]."""
    if pitch_px >= 3:
        return (min(0.6 * pitch_px, 6),) * 2
    # Rows closer than three pixels cannot be told apart: lines beneath that are wider than their distance blend
    # into an even tint, where thinner ones would beat against the pixels as moire.
    return max(1.8 * pitch_px, 0.9), pitch_px


def _round_scale(least: float) -> float:
    power = 10.0 ** math.floor(math.log10(least))
    return next(step * power for step in ROUND_SCALES if step * power >= least * (1 - 1e-9))
