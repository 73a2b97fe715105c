"""The field sheet: maps of one field by tier, a table and a row's-eye view on one page to hand over."""

import string
from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
import pandas as pd
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from pipeline import columns as c
from pipeline.core import show
from pipeline.files import cautions
from pipeline.files.sheet_data import AFTER_CHECKS, SheetData
from pipeline.files.sheet_eye import row_eye
from pipeline.files.sheet_maps import draw_maps, map_grid
from pipeline.files.sheet_page import Page
from pipeline.files.sheet_parts import (
    HAIR,
    INK,
    SOFT,
    legend,
    north_arrow,
    scale_bar,
    stroke,
    words,
    wrapped,
)
from pipeline.files.sheet_picture import png_bytes
from pipeline.files.sheet_table import draw_table, no_row_by_a_strip, out_of_reach, table_height
from pipeline.files.sheet_words import DPI, text_width
from pipeline.files.store import whole_file, write_bytes

PAPERS_MM = {"a4": (297.0, 210.0), "letter": (279.4, 215.9)}
PAPER_NAMES = {"a4": "A4", "letter": "US Letter"}
MARGIN_MM, TOP_MM, FOOT_MM = 13.0, 35.0, 24.0
SIDE_MM, WIDEST_SIDE_MM, SIDE_GAP_MM = 68.0, 100.0, 10.0


def draw_sheet(data: SheetData, *, paper: str | None = None) -> Figure:
    """Draw the sheet of one field.

    Parameters
    ----------
    data : SheetData
        What to show.
    paper : {"a4", "letter"}, optional
        Other paper than the sheet says.

    Returns
    -------
    Figure
        Page of the paper's size.

    Raises
    ------
    KeyError
        If the paper is unknown.
    """
    paper = paper or data.paper
    page = Page.blank(*PAPERS_MM[paper])
    known = {line[c.TIER]: line for line in data.table.to_dict("records")}
    table = [known[tier] for tier in data.tier_names]
    letters = string.ascii_uppercase[: len(table)]
    wide, tall = PAPERS_MM[paper]
    foot = tall - FOOT_MM - table_height(len(table))
    room = (wide - 2 * MARGIN_MM - SIDE_MM - SIDE_GAP_MM, foot - 5 - TOP_MM)
    _header(page, data=data, table=table, wide=wide)
    grid = map_grid(data, room_mm=room)
    # Room that the maps leave goes to the row's-eye view first, then to both sides of the maps.
    side = min(SIDE_MM + max(room[0] - grid.used_mm, 0), WIDEST_SIDE_MM)
    spare = room[0] + SIDE_MM - side - grid.used_mm
    corner = (MARGIN_MM + (spare / 2 if spare > 15 else 0), TOP_MM)
    draw_maps(page, data=data, table=table, letters=letters, grid=grid, corner=corner)
    _side(
        page, data=data, table=table, letters=letters, scale=grid.scale, side=side, foot=foot - 5, paper=paper
    )
    draw_table(
        page,
        x=MARGIN_MM,
        y=foot,
        width=wide - 2 * MARGIN_MM,
        table=table,
        letters=letters,
        names=data.tier_names,
        units=data.units,
    )
    _footer(page, data=data, wide=wide, tall=tall)
    return page.figure


def save_sheet(figure: Figure, *, png: Path, pdf: Path) -> None:
    """Write the sheet as PNG and PDF: whole or not at all, the same bytes for the same sheet.

    Parameters
    ----------
    figure : Figure
        From `draw_sheet`.
    png, pdf : Path
        Where to write.
    """
    nameless = {"Creator": None, "Producer": None, "CreationDate": None}
    canvas = FigureCanvasAgg(figure)
    canvas.draw()
    drawn = png_bytes(np.asarray(canvas.buffer_rgba()), dpi=DPI)
    with whole_file(pdf) as unfinished:
        figure.savefig(unfinished, format="pdf", dpi=DPI, metadata=nameless)
    write_bytes(png, drawn)


def _header(page: Page, *, data: SheetData, table: Sequence[Mapping], wide: float) -> None:
    right, name = wide - MARGIN_MM, f"Field {data.field_id}"
    half = 0.6 * (wide - 2 * MARGIN_MM)
    # What the names leave goes to the remarks.
    half = min(half, max(text_width(data.title, size=7.5), text_width(name, size=17, bold=True)) + 6)
    words(page, x=MARGIN_MM, y=14, text=data.title, size=7.5, colour=SOFT, width=half)
    words(page, x=MARGIN_MM, y=21.5, text=name, size=17, bold=True, width=half)
    words(page, x=MARGIN_MM, y=28.4, text=_answer(data, table), size=9, width=wide - 2 * MARGIN_MM)
    widths = {"strips": data.strip_width_m, "rows": data.row_spacing_m}
    facts = [
        show.area_text(data.area_m2, units=data.units),
        *(f"{name} {show.width_text(width, units=data.units)}" for name, width in widths.items() if width > 0),
    ]
    # A field has one base, the nearest: its distance is a fact of the field.
    bases_m = [float(line[c.BASELINE_M]) for line in table if pd.notna(line[c.BASELINE_M])]
    if bases_m:
        facts.append(f"base {show.distance_text(bases_m[0], units=data.units)} away")
    rest = wide - 2 * MARGIN_MM - half - 4
    words(page, x=right, y=14, text=data.farm, size=7.5, bold=True, align="right", width=rest)
    words(page, x=right, y=17.6, text=" \u00b7 ".join(facts), size=7, colour=SOFT, align="right")
    notes = show.plain_text("; ".join(note.rstrip(".") for note in data.notes))
    for number, text in enumerate(wrapped(notes, size=7, width=rest, lines=2)):
        words(page, x=right, y=21.2 + 3.2 * number, text=text, size=7, italic=True, align="right")
    stroke(page, [MARGIN_MM, right], [31.0, 31.0], color=INK, linewidth=1.2)


def _answer(data: SheetData, table: Sequence[Mapping]) -> str:
    near = [line for line in table if pd.notna(line[c.EXPECTED_MISS_SHARE]) and not out_of_reach(line)]
    if not near:
        none = all(no_row_by_a_strip(line) for line in table)
        return "No row stands by a strip here." if none else "No tier in reach has figures for this field."
    # Where somebody dug, the answer is what holds after the checks.
    last = [line for line in near if line[c.TIER].endswith(AFTER_CHECKS)] or near
    ordered = sorted(last, key=lambda line: line[c.EXPECTED_MISS_SHARE])
    told = [
        f"{show.share_text(line[c.EXPECTED_MISS_SHARE])} with {data.tier_names[line[c.TIER]]}"
        for line in (ordered[0], ordered[-1])
    ]
    return "Row length expected off the strip: " + (
        f"from {told[0]} to {told[1]}" if len(last) > 1 else told[0]
    )


def _side(
    page: Page,
    *,
    data: SheetData,
    table: Sequence[Mapping],
    letters: str,
    scale: float,
    side: float,
    foot: float,
    paper: str,
) -> None:
    right = page.wide_mm - MARGIN_MM
    x = right - side
    stroke(page, [x - SIDE_GAP_MM / 2] * 2, [TOP_MM, foot], color=HAIR, linewidth=0.5)
    present = np.unique(np.concatenate([codes for _, codes in data.rows.values()] or [np.zeros(0, np.uint8)]))
    there = {"zone": len(data.zones), "dug": len(data.dug), "next": sum(len(xy) for xy in data.next_places.values())}
    marks = [name for name, count in there.items() if count]
    end = legend(page, x=x, y=TOP_MM + 2.8, present=[int(code) for code in present], marks=marks)
    scale_bar(page, x=x + 1, y=end + 8.5, longest=40, scale=scale, units=data.units, paper=PAPER_NAMES[paper])
    north_arrow(page, x=x + 52, y=end + 10.5)
    top = end + 19.5
    plain = [place for place, line in enumerate(table) if not line[c.TIER].endswith(AFTER_CHECKS)]
    row_eye(
        page,
        box=(x, top, side, min(foot - top + 2.5, max(50.0, 21 + 6.5 * len(plain)))),
        letters=[letters[place] for place in plain],
        errors_m=[table[place][c.MIDDLE_95_M] for place in plain],
        strip_width_m=data.strip_width_m,
        row_spacing_m=data.row_spacing_m,
        row_margin_m=data.row_margin_m,
        units=data.units,
    )


def _footer(page: Page, *, data: SheetData, wide: float, tall: float) -> None:
    width = wide - 2 * MARGIN_MM
    words(
        page,
        x=MARGIN_MM,
        y=tall - 17.6,
        text=cautions.FOOT,
        size=7,
        bold=text_width(cautions.FOOT, size=7, bold=True) <= width,
        width=width,
    )
    # Last what may be long: a list of many files ends in an ellipsis.
    origin = (
        f"{data.date}.  Coordinates: {data.crs_name}.  North is true north.  Tier figures: {data.catalogue}, which names "
        f"their sources.  Data: {data.sources}."
    )
    for number, text in enumerate(
        wrapped(show.plain_text(origin), size=6.5, width=width, lines=2)
    ):
        words(page, x=MARGIN_MM, y=tall - 13.8 + 3.2 * number, text=text, size=6.5, colour=SOFT)
