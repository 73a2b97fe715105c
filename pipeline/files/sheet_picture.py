"""Pixels on a sheet and the sheet as pixels, without the detours that a picture of any kind and size needs."""

import struct
import zlib

import numpy as np
from matplotlib.artist import Artist
from matplotlib.backend_bases import RendererBase

from pipeline.files.sheet_words import MM_PER_INCH

SIGNATURE = b"\x89PNG\r\n\x1a\n"
EIGHT_BITS, COLOURS, PER_METRE = 8, 2, 1
# Tighter the file is a tenth smaller and takes twice as long.
LEVEL = 2


class Picture(Artist):
    """Opaque pixels of the PNG's size, drawn as they are: `Axes.imshow` would colour and resample them for each format.

    Parameters
    ----------
    pixels : ndarray, shape (high, wide, 4)
        Red, green, blue and 255, uint8, from the top.
    corner : tuple of float
        Lower left corner, where pixels of the page meet [units of the artist's transform].
    """

    def __init__(self, pixels: np.ndarray, *, corner: tuple[float, float]) -> None:
        super().__init__()
        # Renderers begin at the lowest line; the one of a PDF wants the same array every time.
        self._upwards, self._corner = np.ascontiguousarray(pixels[::-1]), corner

    def draw(self, renderer: RendererBase) -> None:
        """Draw it."""
        x, y = self.get_transform().transform(self._corner)
        gc = renderer.new_gc()
        renderer.draw_image(gc, x, y, self._upwards)
        gc.restore()
        self.stale = False


def png_bytes(pixels: np.ndarray, *, dpi: float) -> bytes:
    """An opaque picture as a PNG file.

    Large areas of one colour pack best as they are; a general writer tries filters on every line.

    Parameters
    ----------
    pixels : ndarray, shape (high, wide, 4)
        Red, green, blue and 255, uint8, from the top.
    dpi : float
        Pixels per inch on paper.

    Returns
    -------
    bytes
        The same for the same picture.
    """
    high, wide = pixels.shape[:2]
    lines = np.zeros((high, 1 + 3 * wide), np.uint8)
    for channel in range(3):
        lines[:, 1 + channel :: 3] = pixels[:, :, channel]
    density = round(1000 * dpi / MM_PER_INCH)
    return SIGNATURE + b"".join([
        _chunk(b"IHDR", struct.pack(">IIBBBBB", wide, high, EIGHT_BITS, COLOURS, 0, 0, 0)),
        _chunk(b"pHYs", struct.pack(">IIB", density, density, PER_METRE)),
        _chunk(b"IDAT", zlib.compress(lines, LEVEL)),
        _chunk(b"IEND", b""),
    ])  # fmt: skip


def _chunk(kind: bytes, content: bytes) -> bytes:
    return struct.pack(">I", len(content)) + kind + content + struct.pack(">I", zlib.crc32(kind + content))
