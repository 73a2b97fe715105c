"""The row's-eye view of the field sheet: one strip, its seed row and each tier's error, at true scale."""

import math
from collections.abc import Sequence

from matplotlib.patches import Polygon, Rectangle

from pipeline.core import show
from pipeline.files.sheet_page import Page
from pipeline.files.sheet_parts import CLASS_COLOURS, GROUND, HAIR, HOLDS, INK, MISSES, SOFT, stroke, words

SOIL = "#E4E0D8"
SCALES = (1, 2, 3, 4, 5, 6, 8, 10, 12, 15, 20, 25, 30, 40, 50, 60, 80, 100, 150, 200)
GUTTER_MM, FIGURE_MM, LONGEST_BAR_MM = 6.0, 14.0, 16.0


def row_eye(
    page: Page,
    *,
    box: tuple[float, float, float, float],
    letters: Sequence[str],
    errors_m: Sequence[float],
    strip_width_m: float,
    row_spacing_m: float,
    row_margin_m: float,
    units: str,
) -> None:
    """Row's-eye view: the strip from above with a seed row on its centre and each tier's error across it.

    Parameters
    ----------
    page : Page
        Page in millimetres.
    box : tuple of float
        Left, top, width and height [mm].
    letters, errors_m : sequence
        Key letter of each tier, and the 95 % bound of a row's return error under it [m]; a dash where there is none.
    strip_width_m, row_spacing_m, row_margin_m : float
        Width of the strip, distance of rows, margin kept at the strip's edge [m]; the first two 0 where there are none.
    units : {"us", "metric"}
        Report units.
    """
    left, top, width, height = box
    view = width - GUTTER_MM - FIGURE_MM
    scale = next((s for s in SCALES if s * view >= 1250 * row_spacing_m), SCALES[-1])
    words(page, x=left, y=top, text=f"Row's-eye view, true scale 1:{scale}", size=7.5, bold=True)
    _scale_bar(page, right=left + width, y=top + 0.6, scale=scale, units=units)
    told = (
        "95 % error, steering in it, of a row meant for the centre:",
        "blue as far as it stays on the strip, orange where not",
    )
    for number, text in enumerate(told):
        words(page, x=left, y=top + 3.6 + 2.8 * number, text=text, size=6.2, colour=SOFT, width=width)
    ground = (left + GUTTER_MM, top + 11.4, view, height - 20)
    _strips(
        page, ground=ground, mm_per_m=1000 / scale, strip_width_m=strip_width_m, row_spacing_m=row_spacing_m
    )
    hold = max(strip_width_m / 2 - row_margin_m, 0) * 1000 / scale
    _errors(
        page, ground=ground, letters=letters, errors_m=errors_m, hold=hold, mm_per_m=1000 / scale, units=units
    )
    middle, foot = ground[0] + view / 2, ground[1] + ground[3]
    words(page, x=middle, y=ground[1] - 0.9, text="seed row", size=6.2, colour=SOFT, align="center")
    for name, width_m, down in (("strip", strip_width_m, 1.6), ("row spacing", row_spacing_m, 5.8)):
        if width_m > 0:  # else the field has none
            text = f"{name} {show.width_text(width_m, units=units)}"
            _measure(page, y=foot + down, middle=middle, half=width_m * 500 / scale, text=text)


def _scale_bar(page: Page, *, right: float, y: float, scale: float, units: str) -> None:
    """A round length, its bar ending at (right, y) [mm]."""
    unit, unit_m, steps = ("in", show.INCH_M, (1, 2, 3, 6, 12, 24)) if units == "us" else ("cm", 0.01, (1, 2, 5, 10, 20, 50))
    sizes = [(step, 1000 * step * unit_m / scale) for step in steps]
    step, size = next(((step, size) for step, size in reversed(sizes) if size <= LONGEST_BAR_MM), sizes[0])
    stroke(page, [right - size, right], [y - 0.3] * 2, color=INK, linewidth=1.0)
    for end in (right - size, right):
        stroke(page, [end] * 2, [y - 1.1, y + 0.5], color=INK, linewidth=0.6)
    words(page, x=right - size / 2, y=y - 1.4, text=f"{step}{show.GAP}{unit}", size=6.2, align="center")


def _strips(
    page: Page,
    *,
    ground: tuple[float, float, float, float],
    mm_per_m: float,
    strip_width_m: float,
    row_spacing_m: float,
) -> None:
    left, top, width, height = ground
    page.add(Rectangle((left, top), width, height, facecolor=GROUND, edgecolor="none"))
    for side in (-1, 0, 1):
        centre = left + width / 2 + side * row_spacing_m * mm_per_m
        start = max(centre - strip_width_m * mm_per_m / 2, left)
        end = min(centre + strip_width_m * mm_per_m / 2, left + width)
        if end > start:
            page.add(Rectangle((start, top), end - start, height, facecolor=SOIL, edgecolor="none"))
    page.add(Rectangle((left, top), width, height, facecolor="none", edgecolor=HAIR, linewidth=0.5))
    stroke(page, [left + width / 2] * 2, [top + 0.6, top + height], color=INK, linewidth=0.8, dashes=(2, 1.5))


def _errors(
    page: Page,
    *,
    ground: tuple[float, float, float, float],
    letters: Sequence[str],
    errors_m: Sequence[float],
    hold: float,
    mm_per_m: float,
    units: str,
) -> None:
    left, top, width, height = ground
    step = min(height / len(letters), 7.0)
    first = top + (height - step * len(letters)) / 2
    for place, (letter, error_m) in enumerate(zip(letters, errors_m, strict=True)):
        y = first + (place + 0.5) * step
        words(page, x=left - 2, y=y + 0.85, text=letter, size=6.8, bold=True, align="right")
        words(page, x=left + width + 1.5, y=y + 0.85, text=show.length_text(error_m, units=units), size=6.8)
        if math.isfinite(error_m):
            _interval(page, y=y, middle=left + width / 2, reach=error_m * mm_per_m, hold=hold, edge=width / 2)


def _interval(page: Page, *, y: float, middle: float, reach: float, hold: float, edge: float) -> None:
    shown, thick = min(reach, edge), 1.5
    page.add(
        Rectangle(
            (middle - shown, y - thick / 2),
            2 * shown,
            thick,
            facecolor=CLASS_COLOURS[MISSES],
            edgecolor="none",
        )
    )
    on = min(shown, hold)
    page.add(
        Rectangle(
            (middle - on, y - thick / 2), 2 * on, thick, facecolor=CLASS_COLOURS[HOLDS], edgecolor="none"
        )
    )
    if reach > edge:
        # The bar goes on beyond the picture; a point at each end says so.
        for side in (-1, 1):
            tip, root = middle + side * edge, middle + side * (edge - 2)
            for far, near in ((y - thick / 2, y), (y + thick / 2, y)):
                page.add(
                    Polygon([(root, far), (tip, far), (tip, near)], facecolor=GROUND, edgecolor="none")
                )


def _measure(page: Page, *, y: float, middle: float, half: float, text: str) -> None:
    stroke(page, [middle - half, middle + half], [y, y], color=SOFT, linewidth=0.6)
    for side in (-1, 1):
        stroke(page, [middle + side * half] * 2, [y - 0.8, y + 0.8], color=SOFT, linewidth=0.6)
    words(page, x=middle, y=y + 2.9, text=text, size=6.2, colour=SOFT, align="center")
