"""Lines of text on a sheet, drawn without the detours that a general text needs.

A sheet has some 140 of them, and most are on every sheet of a batch: for the PNG each is drawn once and its picture put
where it belongs. A text of matplotlib's own would be laid out anew for every sheet and each of its two formats.
"""

import math
from functools import cache, lru_cache

import numpy as np
from matplotlib.backend_bases import RendererBase
from matplotlib.backends.backend_agg import RendererAgg
from matplotlib.font_manager import FontProperties
from matplotlib.text import Text

# Shipped with matplotlib, so that every machine draws the same letters.
FAMILY = "DejaVu Sans"
MM_PER_INCH = 25.4
DPI = 150
# Room for accents above and tails below the base line, in sizes of the letters.
ABOVE, BELOW = 1.3, 0.5
# Letters of a PDF are not fitted to pixels; measured on pixels as fine as this, nor are their widths.
FINE = 100
ALIGNED = {"left": 0.0, "center": 0.5, "right": 1.0}


class Words(Text):
    """One horizontal line of text, its base line at a point; never read as mathematics."""

    def draw(self, renderer: RendererBase) -> None:
        """Draw it, as a picture where the page is one, as text in a PDF."""
        x, y = self.get_transform().transform(self.get_position())
        line, font, colour = self.get_text(), self.get_fontproperties(), self.get_color()
        gc = renderer.new_gc()
        gc.set_foreground(colour)
        if isinstance(renderer, RendererAgg):
            x -= ALIGNED[self.get_horizontalalignment()] * _pixels_wide(line, font)
            picture, foot = _picture(line, font, colour)
            renderer.draw_image(gc, round(x) - 1, round(y) - foot, picture)
        else:
            # Pages of a PDF are measured in points.
            x -= ALIGNED[self.get_horizontalalignment()] * _pixels_wide(line, font, 72 * FINE) / FINE
            renderer.draw_text(gc, x, y, line, font, 0)
        gc.restore()
        self.stale = False


@cache
def font_of(size: float, bold: bool, italic: bool = False) -> FontProperties:
    """Our letters of a size [pt]."""
    return FontProperties(
        family=FAMILY, size=size, weight="bold" if bold else "normal", style="italic" if italic else "normal"
    )


def text_width(text: str, *, size: float, bold: bool = False) -> float:
    """Width of a line of text on paper [mm], with a little air against rounding by the renderer."""
    return 1.02 * _pixels_wide(text, font_of(size, bold)) / DPI * MM_PER_INCH


# The sheets of a batch share most of their words, and wrapping asks again and again.
@lru_cache(maxsize=8192)
def _pixels_wide(text: str, font: FontProperties, dpi: int = DPI) -> float:
    return RendererAgg(1, 1, dpi).get_text_width_height_descent(text, font, False)[0]


@lru_cache(maxsize=2048)
def _picture(line: str, font: FontProperties, colour: str) -> tuple[np.ndarray, int]:
    """A line as a picture, lowest row of pixels first, and how many of them lie under its base line."""
    size_px = font.get_size_in_points() * DPI / 72
    above, below = math.ceil(ABOVE * size_px), math.ceil(BELOW * size_px)
    paper = RendererAgg(math.ceil(_pixels_wide(line, font)) + 3, above + below, DPI)
    gc = paper.new_gc()
    gc.set_foreground(colour)
    paper.draw_text(gc, 1, above, line, font, 0)
    return np.asarray(paper.buffer_rgba())[::-1].copy(), below
