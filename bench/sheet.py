"""A field sheet beside an empty figure of the same page, saved the same way.

The field is invented, 65 ha: straight rows cut into pieces of 40 m, each of some class, as many maps as tiers.
"""

import tempfile
from pathlib import Path
from statistics import median

import numpy as np
import pandas as pd
import shapely
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from bench.table import Goal, show, worked
from pipeline.files.sheet import PAPERS_MM, draw_sheet, save_sheet
from pipeline.files.sheet_data import SheetData
from pipeline.files.sheet_words import DPI, MM_PER_INCH

SIZE_M, SPACING_M, PIECE_M = 805.0, 0.762, 40.25
# Odds of the classes, from a tier that misses much to one that holds nearly all.
ODDS = np.array([[0.1, 0.7, 0.2], [0.6, 0.35, 0.05], [0.9, 0.09, 0.01], [0.97, 0.03, 0.0]])


def field(tiers: int, *, number: int = 0) -> SheetData:
    """An invented field under so many tiers; another `number` is another field."""
    rng = np.random.default_rng(number)
    x = np.repeat(np.arange(SPACING_M / 2, SIZE_M, SPACING_M), int(SIZE_M / PIECE_M))
    y = np.tile(np.arange(0, SIZE_M, PIECE_M)[: int(SIZE_M / PIECE_M)], len(x) // int(SIZE_M / PIECE_M))
    segments = np.stack([np.c_[x, y], np.c_[x, y + PIECE_M]], axis=1)
    ids = [f"tier_{k}" for k in range(tiers)]
    codes = [rng.choice(3, len(x), p=ODDS[k % len(ODDS)]).astype(np.uint8) for k in range(tiers)]
    figures = [
        {"tier": tier, "holds_m": 1e5 * (k + 1), "doubt_m": 3e4, "misses_m": 1e4, "expected_miss_share": 0.11 / (k + 1),
         "miss_share_p10": 0.02, "miss_share_p90": 0.4, "row_count_expected_missed": 12.0 * number, "row_count": 1056,
         "repeatable_95_m": 0.0254 * (tiers - k), "middle_95_m": 0.03 * (tiers - k),
         "baseline_m": 4000.0 + number, "reach": "in reach"}
        for k, tier in enumerate(ids)
    ]  # fmt: skip
    return SheetData(
        title="Invented fields", field_id=f"Invented {number}", farm="Invented farm",
        boundary=shapely.box(0, 0, SIZE_M, SIZE_M),
        rows={tier: (segments, one) for tier, one in zip(ids, codes, strict=True)},
        tier_names={tier: f"Correction by some service, tier {tier}" for tier in ids}, table=pd.DataFrame(figures),
        crs_name="transverse Mercator, metres", date="No dates in the input", sources="invented.gpkg",
        catalogue="invented.yaml", units="us", area_m2=SIZE_M**2, strip_width_m=0.2032, row_spacing_m=SPACING_M,
    )  # fmt: skip


def empty(folder: Path, paper: str) -> None:
    """Save a page with nothing on it as PNG and PDF."""
    figure = Figure(figsize=[size / MM_PER_INCH for size in PAPERS_MM[paper]], dpi=DPI)
    FigureCanvasAgg(figure)
    figure.add_axes((0, 0, 1, 1))
    for kind in ("png", "pdf"):
        figure.savefig(folder / f"empty.{kind}", dpi=DPI)


def against_empty(tiers: int = 8, fields: int = 9) -> None:
    """A sheet, PNG and PDF, beside an empty one: the median of some, each of another field.

    The first sheet of a batch loads letters and words for all of them, and is left out on both sides.
    """
    with tempfile.TemporaryDirectory() as name:
        folder, seconds = Path(name), []
        for one in (field(tiers, number=number) for number in range(fields + 1)):
            nothing = worked(lambda: empty(folder, "a4"))
            seconds.append((nothing, worked(lambda one=one: _draw(one, folder))))
    nothing, ours = (median(side) for side in zip(*seconds[1:], strict=True))
    show(f"a sheet of {tiers} tiers, PNG and PDF: an empty page, saved", nothing, ours, Goal(3, faster=False))


def _draw(one: SheetData, folder: Path) -> None:
    save_sheet(draw_sheet(one), png=folder / "sheet.png", pdf=folder / "sheet.pdf")
