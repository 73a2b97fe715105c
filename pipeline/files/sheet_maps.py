"""The maps of all tiers on a field sheet, each under its heading."""

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
import shapely

from pipeline import columns as c
from pipeline.core import show
from pipeline.files.sheet_data import SheetData
from pipeline.files.sheet_map import DrawnMap, MapGrid, draw_boundary, draw_fields, on_pixels
from pipeline.files.sheet_page import Page
from pipeline.files.sheet_parts import INK, NOWHERE, SOFT, ZONE_DASHES, dug_marks, next_marks, stroke, words, wrapped
from pipeline.files.sheet_table import no_row_by_a_strip, out_of_reach

# In narrower cells a heading is letter and share alone, with the tier's name in the table; then the share is short.
NAMED_CELL_MM, READABLE_CELL_MM = 27.0, 40.0
NO_ROWS = (np.zeros((0, 2, 2)), np.zeros(0, np.uint8))


def map_grid(data: SheetData, *, room_mm: tuple[float, float]) -> MapGrid:
    """Grid of the maps of all tiers in `room_mm` (width, height) [mm], with headings that fit their cells."""
    west, south, east, north = data.boundary.bounds
    names = list(data.tier_names.values())

    def heading_mm(cell: float) -> float:
        return 4.7 + 3.2 * max(len(_heading(name, cell=cell)) for name in names)

    grid = MapGrid.best(
        maps=len(names), extent_m=(east - west, north - south), room_mm=room_mm, heading_mm=heading_mm
    )
    # The grid reckons with the narrowest cell; a wider one may need fewer lines.
    return replace(grid, heading_mm=heading_mm(grid.cell_mm))


def _heading(name: str, *, cell: float) -> list[str]:
    if cell < NAMED_CELL_MM:
        return []
    bound = re.sub(r"(\d) (mm|cm|m|km|in|ft|mi)\b", rf"\1{show.GAP}\2", show.plain_text(name))
    return wrapped(bound, size=7, bold=True, width=cell - 5, lines=4)


def draw_maps(
    page: Page,
    *,
    data: SheetData,
    table: Sequence[Mapping],
    letters: str,
    grid: MapGrid,
    corner: tuple[float, float],
) -> None:
    """Draw heading, boundary and rows of every tier, the first map's cell at `corner` (left, top) [mm]."""
    west, _, _, north = data.boundary.bounds
    on_map = _Scaled(west=west, north=north, scale=grid.scale)
    outline = shapely.transform(data.boundary, on_map)
    # Tiers share their rows, and so do their maps.
    known = {id(one): one for one, _ in [NO_ROWS, *data.rows.values()]}
    known = {key: on_map(one) for key, one in known.items()}
    drawn, places = [], []
    for place, figures in enumerate(table):
        x = corner[0] + place % grid.columns * grid.pitch_mm[0]
        y = corner[1] + place // grid.columns * grid.pitch_mm[1]
        words(page, x=x, y=y + 2.8, text=letters[place], size=7.5, bold=True)
        heading = _heading(data.tier_names[figures[c.TIER]], cell=grid.cell_mm)
        for number, text in enumerate(heading):
            words(page, x=x + 4.5, y=y + 2.8 + 3.2 * number, text=text, size=7, bold=True)
        words(
            page,
            x=x + (4.5 if heading else 3.6),
            y=y + 2.9 + 3.2 * len(heading),
            text=_share_line(figures, cell=grid.cell_mm),
            size=6.5 if heading else 6.0,
            colour=SOFT,
            width=max(grid.cell_mm, grid.pitch_mm[0] - 1.5) - 4.5,
        )
        segments, codes = data.rows.get(figures[c.TIER], NO_ROWS)
        at = on_pixels(page, x=x, y=y + grid.heading_mm)
        drawn.append(DrawnMap(at, outline, known[id(segments)], codes))
        to_page = partial(_moved, on_map=on_map, corner=at)
        draw_boundary(page, boundary=shapely.transform(data.boundary, to_page))
        places.append((to_page, figures[c.TIER]))
    draw_fields(page, maps=drawn, row_spacing_mm=1000 * data.row_spacing_m / grid.scale)
    for to_page, tier in places:
        _draw_marks(page, data=data, tier=tier, to_page=to_page)


def _draw_marks(page: Page, *, data: SheetData, tier: str, to_page: Callable[[np.ndarray], np.ndarray]) -> None:
    """Zones, ground checks and where to dig next, over the rows."""
    for zone in data.zones:
        for ring in shapely.get_parts(shapely.boundary(shapely.intersection(zone, data.boundary))):
            stroke(page, *to_page(shapely.get_coordinates(ring)).T, color=INK, linewidth=0.8, linestyle=ZONE_DASHES)
    dug = to_page(data.dug)
    dug_marks(page, dug)
    next_marks(page, to_page(data.next_places.get(tier, NOWHERE)), others=dug)


@dataclass(frozen=True)
class _Scaled:
    """From metres to millimetres from the corner of a map."""

    west: float
    north: float
    scale: float

    def __call__(self, xy: np.ndarray) -> np.ndarray:
        return (xy - np.array([self.west, self.north])) * np.array([1000, -1000]) / self.scale


def _moved(xy: np.ndarray, *, on_map: _Scaled, corner: tuple[float, float]) -> np.ndarray:
    return np.array(corner) + on_map(xy)


def _share_line(line: Mapping, *, cell: float) -> str:
    share = show.share_text(line[c.EXPECTED_MISS_SHARE])
    if out_of_reach(line):
        return (
            "out of reach"
            if share == show.NOTHING or cell < NAMED_CELL_MM
            else f"{share} off, but out of reach"
        )
    if no_row_by_a_strip(line):
        return "no row by a strip"
    if cell < NAMED_CELL_MM:
        return f"{share} off"
    return f"{share} expected off the strip" if cell >= READABLE_CELL_MM else f"{share} expected off"
