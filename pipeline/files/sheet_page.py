"""The page that a sheet is drawn on."""

from dataclasses import dataclass

from matplotlib.artist import Artist
from matplotlib.figure import Figure
from matplotlib.transforms import Affine2D, Transform

from pipeline.files.sheet_words import DPI, MM_PER_INCH


@dataclass(frozen=True)
class Page:
    """A page in millimetres from its upper left corner; an axes would have ticks, limits and a clip path for each artist.

    Attributes
    ----------
    figure : Figure
        The page as matplotlib has it.
    wide_mm, tall_mm : float
        Size [mm].
    to_pixels : Transform
        From millimetres to whatever a renderer counts in.
    """

    figure: Figure
    wide_mm: float
    tall_mm: float
    to_pixels: Transform

    @classmethod
    def blank(cls, wide_mm: float, tall_mm: float) -> "Page":
        """An empty page of a size [mm]."""
        figure = Figure(figsize=(wide_mm / MM_PER_INCH, tall_mm / MM_PER_INCH), dpi=DPI, facecolor="white")
        to_inches = Affine2D().translate(0, -tall_mm).scale(1 / MM_PER_INCH, -1 / MM_PER_INCH)
        return cls(figure, wide_mm, tall_mm, to_inches + figure.dpi_scale_trans)

    def add(self, artist: Artist) -> None:
        """Lay an artist in millimetres on the page."""
        artist.set_transform(self.to_pixels)
        self.figure.add_artist(artist)
