"""Map furniture of the field sheet, drawn on a page in millimetres."""

import re
from collections.abc import Callable, Sequence

import numpy as np
from matplotlib.lines import Line2D
from matplotlib.patches import Polygon, Rectangle

from pipeline.core import show
from pipeline.files.row_classes import ROW_CLASSES
from pipeline.files.sheet_page import Page
from pipeline.files.sheet_words import Words, font_of, text_width

INK, SOFT, HAIR, GROUND = "#1F2326", "#5A6166", "#B9BDBF", "#FBFAF7"
CLASS_LABELS = tuple(one.label for one in ROW_CLASSES)
CLASS_COLOURS = tuple(one.colour for one in ROW_CLASSES)
HOLDS, DOUBT, MISSES, NO_STRIP, CROSSING = range(5)
ZONE_DASHES = (0, (3, 2))
MARK_LABELS = {"zone": "zone where a tier is worse", "dug": "ground check", "next": "dig here next, 1 first"}
SCALE_BAR_STEPS = (1, 2, 2.5, 5)
# A word with what parts it from the next: plain spaces, for the no-break space holds a number to its unit, or a hyphen
# between letters.
WORD = re.compile(r"[^ ]+?(?:(?<=[^\W\d])-(?=[^\W\d])| +|$)")
ELLIPSIS = "\u2026"
NOWHERE = np.zeros((0, 2))
# Marks are read one by one when their middles are this far apart.
MARK_MM = 2.9
ROUNDS = 60


def words(
    page: Page,
    *,
    x: float,
    y: float,
    text: str,
    size: float = 7.5,
    bold: bool = False,
    colour: str = INK,
    align: str = "left",
    width: float | None = None,
    italic: bool = False,
) -> None:
    """Write one line, base line at (x, y) [mm], shortened to `width` [mm]; never read as mathematics."""
    shown = show.plain_text(text)
    if width is not None:
        shown = wrapped(shown, size=size, bold=bold, width=width, lines=1)[0]
    if not shown:
        return
    font = font_of(size, bold, italic)
    drawn = Words(x, y, shown, color=colour, ha=align, fontproperties=font, parse_math=False)
    page.add(drawn)


def wrapped(text: str, *, size: float, width: float, lines: int, bold: bool = False) -> list[str]:
    """Text broken at spaces and hyphens into at most `lines` lines of `width` [mm]; the last may end in an ellipsis."""

    def fits(line: str) -> bool:
        return text_width(line, size=size, bold=bold) <= width

    if fits(text):
        return [text]
    left, done = WORD.findall(text), []
    while left and len(done) < lines:
        count = 1
        while count < len(left) and fits("".join(left[: count + 1]).rstrip(" ")):
            count += 1
        if len(done) == lines - 1 and count < len(left):
            done.append(_cut("".join(left) + ELLIPSIS, fits))
        else:
            done.append(_cut("".join(left[:count]).rstrip(" "), fits))
        left = left[count:]
    return done or [""]


def round_length(longest_m: float, *, units: str) -> tuple[float, str]:
    """Longest round length not above `longest_m` [m]: its value [m] and its unit's name.

    Raises
    ------
    ValueError
        If `longest_m` is not positive.
    """
    if not longest_m > 0:
        raise ValueError(f"a scale bar needs a positive length, not {longest_m}")
    unit_m, unit = (show.FOOT_M, "ft") if units == "us" else (1.0, "m")
    if longest_m >= 2 * (show.MILE_M if units == "us" else 1000):
        unit_m, unit = (show.MILE_M, "mi") if units == "us" else (1000.0, "km")
    steps = [step * 10.0**power for power in range(-2, 6) for step in SCALE_BAR_STEPS]
    return max(step for step in steps if step * unit_m <= longest_m) * unit_m, unit


def scale_bar(
    page: Page, *, x: float, y: float, longest: float, scale: float, units: str, paper: str
) -> None:
    """Scale bar from (x, y) [mm], at most `longest` [mm] on paper, for a map at 1 : `scale`."""
    length_m, unit = round_length(longest * scale / 1000, units=units)
    unit_m = {"ft": show.FOOT_M, "mi": show.MILE_M, "m": 1.0, "km": 1000.0}[unit]
    half = length_m / scale * 1000 / 2
    for part, fill in ((0, INK), (1, "white")):
        page.add(
            Rectangle((x + part * half, y), half, 1.3, facecolor=fill, edgecolor=INK, linewidth=0.6)
        )
    for part in range(3):
        name = f"{part * length_m / unit_m / 2:,.6g}"
        words(page, x=x + part * half, y=y - 1.1, text=name, size=6.5, align="center")
    tail = text_width(name, size=6.5) / 2
    words(page, x=x + 2 * half + tail + 0.8, y=y - 1.1, text=unit, size=6.5)
    words(page, x=x, y=y + 4.4, text=f"1:{scale:,.0f} on {paper}", size=6.5, colour=SOFT)


def north_arrow(page: Page, *, x: float, y: float) -> None:
    """Slender arrow to true north, its foot's middle at (x, y) [mm], 9 mm tall with its letter."""
    page.add(
        Polygon([(x, y - 6.5), (x - 1.5, y), (x, y - 1.2)], facecolor=INK, edgecolor=INK, linewidth=0.5)
    )
    page.add(
        Polygon([(x, y - 6.5), (x + 1.5, y), (x, y - 1.2)], facecolor="white", edgecolor=INK, linewidth=0.5)
    )
    words(page, x=x, y=y - 7.3, text="N", size=7, bold=True, align="center")


def dug_marks(page: Page, xy: np.ndarray) -> None:
    """Marks of places where somebody dug, shape (n, 2) [mm]."""
    _marks(page, xy, marker="D", markersize=3.6, color=INK, markeredgecolor="white", markeredgewidth=0.6)


def next_marks(page: Page, xy: np.ndarray, *, others: np.ndarray = NOWHERE) -> None:
    """Marks of places to dig next, shape (n, 2) [mm], numbered in their order, clear of each other and of `others`.

    One that had to move points to its place.
    """
    there = set_apart(xy, fixed=others, least=MARK_MM)
    for (x, y), (mark_x, mark_y) in zip(xy, there, strict=True):
        if np.hypot(mark_x - x, mark_y - y) > 0.5:
            stroke(page, [x, mark_x], [y, mark_y], color="white", linewidth=1.8)
            stroke(page, [x, mark_x], [y, mark_y], color=INK, linewidth=0.7)
    _marks(page, there, marker="o", markersize=7.0, color="white", markeredgecolor=INK, markeredgewidth=0.7)
    for number, (x, y) in enumerate(there, start=1):
        words(page, x=x, y=y + 0.75, text=str(number), size=5.5, bold=True, align="center")


def set_apart(xy: np.ndarray, *, fixed: np.ndarray, least: float) -> np.ndarray:
    """Places (n, 2) moved as little as needed to be `least` from each other and from `fixed`, (m, 2), where there is room.

    Each pushes and is pushed by half of what is missing, those of `fixed` stay; a few rounds are enough for a few marks.
    """
    moved = np.array(xy, float)
    for _ in range(ROUNDS):
        everyone = np.concatenate([moved, fixed])
        way = moved[:, None] - everyone[None]
        far = np.hypot(way[..., 0], way[..., 1])
        far[np.arange(len(moved)), np.arange(len(moved))] = np.inf
        missing = np.maximum(least - far, 0.0)
        if not missing.any():
            break
        # Two at one place part to the sides, the first to the left.
        left = np.where(np.arange(len(moved))[:, None] < np.arange(len(everyone))[None], -1.0, 1.0)
        same = far < 1e-9
        unit = np.where(same[..., None], np.stack([left, 0 * left], axis=-1), way / np.where(same, 1.0, far)[..., None])
        share = np.where(np.arange(len(everyone)) < len(moved), 0.55, 1.05)
        moved = moved + (unit * (missing * share)[..., None]).sum(axis=1)
    return moved


def stroke(page: Page, xs: Sequence[float], ys: Sequence[float], **style: object) -> None:
    """Draw a line through places [mm]; `Axes.plot` would ask for limits and colours that are known here."""
    page.add(Line2D(xs, ys, **style))


def _marks(page: Page, xy: np.ndarray, **style: object) -> None:
    if len(xy):
        stroke(page, *xy.T, linestyle="none", **style)


def legend(page: Page, *, x: float, y: float, present: Sequence[int], marks: Sequence[str] = ()) -> float:
    """Legend of the classes present, the boundary and marks from (x, y) [mm] down; returns where it ends [mm].

    Parameters
    ----------
    present : sequence of int
        Class codes.
    marks : sequence of {"zone", "dug", "next"}
    """
    words(page, x=x, y=y, text="Rows at the tier's 95 % error", size=7.5, bold=True)
    for code in present:
        y += 4.5
        stroke(page, [x, x + 8], [y - 0.9] * 2, color=CLASS_COLOURS[code], linewidth=3.2, solid_capstyle="butt")
        words(page, x=x + 10.5, y=y, text=CLASS_LABELS[code], size=7.5)
    y += 4.5
    stroke(page, [x, x + 8], [y - 0.9] * 2, color=INK, linewidth=0.8)
    words(page, x=x + 10.5, y=y, text="field boundary", size=7.5)
    for mark in marks:
        y += 4.5
        if mark == "zone":
            stroke(page, [x, x + 8], [y - 0.9] * 2, color=INK, linewidth=0.8, linestyle=ZONE_DASHES)
        elif mark == "dug":
            dug_marks(page, np.array([[x + 4, y - 0.9]]))
        else:
            next_marks(page, np.array([[x + 4, y - 0.9]]))
        words(page, x=x + 10.5, y=y, text=MARK_LABELS[mark], size=7.5)
    return y


def _cut(line: str, fits: Callable[[str], bool]) -> str:
    if fits(line):
        return line
    body = line.rstrip(ELLIPSIS)
    while body and not fits(body + ELLIPSIS):
        body = body[:-1]
    return body.rstrip() + ELLIPSIS
