"""The table of tiers under the maps of a field sheet."""

import math
from collections.abc import Mapping, Sequence

from matplotlib.patches import Rectangle

from pipeline import columns as c
from pipeline.core import show
from pipeline.files.sheet_page import Page
from pipeline.files.sheet_parts import CLASS_COLOURS, DOUBT, HAIR, HOLDS, INK, MISSES, SOFT, stroke, words

HEAD_MM, ROW_MM, TALLEST_MM, THINNEST_MM = 9.5, 4.7, 52.0, 0.05
# Right edges of the columns as parts of the table's width; the bar has a left and a right edge.
ERROR, BAR_LEFT, BAR_RIGHT = 0.44, 0.48, 0.61
HELD, IN_DOUBT, MISSED, EXPECTED, RANGE, ROWS = 0.66, 0.705, 0.75, 0.83, 0.905, 1.0


def table_height(tiers: int) -> float:
    """Height of the table of so many tiers [mm]; many tiers make the lines lower."""
    return HEAD_MM + min(tiers * ROW_MM, TALLEST_MM)


def draw_table(
    page: Page,
    *,
    x: float,
    y: float,
    width: float,
    table: Sequence[Mapping],
    letters: Sequence[str],
    names: Mapping[str, str],
    units: str,
) -> None:
    """Draw the table with its upper left corner at (x, y) [mm].

    Parameters
    ----------
    page : Page
        Page in millimetres.
    table : sequence of mapping
        One line per tier in the order of `letters`, columns of `field_tier.csv`.
    letters : sequence of str
        Key letters of the tiers.
    names : mapping
        Name by tier id.
    units : {"us", "metric"}
        Report units.
    """
    _head(page, x=x, y=y, width=width)
    step = (table_height(len(table)) - HEAD_MM) / len(table)
    for place, (letter, line) in enumerate(zip(letters, table, strict=True)):
        foot = y + HEAD_MM + (place + 1) * step
        _line(
            page,
            x=x,
            y=foot - 0.3 * step,
            width=width,
            letter=letter,
            name=names[line[c.TIER]],
            line=line,
            units=units,
        )
        stroke(
            page,
            [x, x + width],
            [foot, foot],
            color=INK if place == len(table) - 1 else HAIR,
            linewidth=0.8 if place == len(table) - 1 else 0.4,
        )


def class_shares(line: Mapping[str, float]) -> tuple[float, float, float]:
    """Shares of row length that hold, are in doubt and miss; NaN where no row lies on a strip."""
    lengths = tuple(float(line[name]) for name in (c.HOLDS_M, c.DOUBT_M, c.MISSES_M))
    total = sum(lengths)
    return tuple(part / total if total > 0 else float("nan") for part in lengths)


def no_row_by_a_strip(line: Mapping[str, float]) -> bool:
    """Whether there is no row length that could be on a strip or off it, and so no share of it."""
    return math.isnan(class_shares(line)[0])


def out_of_reach(line: Mapping[str, object]) -> bool:
    """Whether the tier is flagged as out of its reach here (`reach` is text, or true where it reaches)."""
    reach = line.get(c.REACH)
    return (
        reach.strip().lower().startswith("out")
        if isinstance(reach, str)
        else reach is not None and reach == 0
    )


def _head(page: Page, *, x: float, y: float, width: float) -> None:
    stroke(page, [x, x + width], [y, y], color=INK, linewidth=0.8)
    right = [
        (ERROR, "Repeatable", "error, 95 %"),
        (HELD, "", "holds"),
        (IN_DOUBT, "", "in doubt"),
        (MISSED, "", "misses"),
        (EXPECTED, "Expected", "off the strip"),
        (RANGE, "Range, 10th", "to 90th pct."),
        (ROWS, "Rows expected", "missed"),
    ]
    for edge, upper, lower in right:
        words(page, x=x + edge * width, y=y + 3.9, text=upper, size=6.5, colour=SOFT, align="right")
        words(page, x=x + edge * width, y=y + 7.3, text=lower, size=6.5, colour=SOFT, align="right")
    words(page, x=x, y=y + 7.3, text="Correction tier in spring", size=6.5, colour=SOFT)
    words(
        page,
        x=x + BAR_LEFT * width,
        y=y + 3.9,
        text="Row length on strips, at the 95 % error",
        size=6.5,
        colour=SOFT,
    )
    stroke(page, [x, x + width], [y + HEAD_MM - 0.6] * 2, color=HAIR, linewidth=0.6)


def _line(
    page: Page, *, x: float, y: float, width: float, letter: str, name: str, line: Mapping, units: str
) -> None:
    flag = "out of reach" if out_of_reach(line) else ""
    words(page, x=x, y=y, text=letter, bold=True)
    words(page, x=x + 5, y=y, text=name, width=(ERROR - 0.075) * width - 5 - (20 if flag else 0))
    words(
        page, x=x + (ERROR - 0.075) * width, y=y, text=flag, colour=SOFT, italic=True, align="right", size=7
    )
    shares = class_shares(line)
    cells = [
        (ERROR, show.length_text(line[c.REPEATABLE_95_M], units=units), False),
        (HELD, show.share_text(shares[0]), False),
        (IN_DOUBT, show.share_text(shares[1]), False),
        (MISSED, show.share_text(shares[2]), False),
        (EXPECTED, show.share_text(line[c.EXPECTED_MISS_SHARE]), True),
        (RANGE, show.share_range_text(line[c.P10], line[c.P90]), False),
        (ROWS, _rows(line), False),
    ]
    for edge, text, bold in cells:
        words(page, x=x + edge * width, y=y, text=text, bold=bold, align="right")
    _bar(page, x=x + BAR_LEFT * width, y=y, width=(BAR_RIGHT - BAR_LEFT) * width, shares=shares)


def _rows(line: Mapping) -> str:
    missed = show.count_text(line[c.ROWS_MISSED])
    nothing = missed == show.NOTHING or no_row_by_a_strip(line)  # none of them could miss
    return show.NOTHING if nothing else f"{missed} of {show.count_text(line[c.ROW_COUNT])}"


def _bar(page: Page, *, x: float, y: float, width: float, shares: tuple[float, float, float]) -> None:
    if not math.isfinite(shares[0]):
        return
    start = x
    for code, share in zip((HOLDS, DOUBT, MISSES), shares, strict=True):
        # Some viewers of PDF draw even what has no width as a hair.
        if share * width >= THINNEST_MM:
            page.add(
                Rectangle((start, y - 2), share * width, 2.2, facecolor=CLASS_COLOURS[code], edgecolor="none")
            )
        start += share * width
