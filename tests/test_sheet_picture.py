"""Pixels of a sheet come out of the file, and onto the page, as they went in."""

import io

import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from PIL import Image

from pipeline.files.sheet_picture import Picture, png_bytes


def noise(high, wide):
    pixels = np.random.default_rng(1).integers(0, 256, (high, wide, 4), dtype=np.uint8)
    pixels[..., 3] = 255
    return pixels


@pytest.mark.parametrize(("high", "wide"), [(1, 1), (3, 7), (200, 130)])
def test_png_is_read_back_by_another_library(high, wide):
    pixels = noise(high, wide)
    with Image.open(io.BytesIO(png_bytes(pixels, dpi=150))) as picture:
        assert picture.mode == "RGB" and (np.asarray(picture) == pixels[..., :3]).all()
        assert picture.info["dpi"] == pytest.approx((150, 150), abs=0.02)


def test_picture_is_drawn_pixel_by_pixel():
    """A page of 40 by 30 pixels, white round a picture of 20 by 10 whose lower left corner is at (5, 8)."""
    pixels, canvas = noise(10, 20), FigureCanvasAgg(Figure(figsize=(0.4, 0.3), dpi=100, facecolor="white"))
    canvas.figure.add_artist(Picture(pixels, corner=(5 / 40, 8 / 30)))
    canvas.draw()
    expected = np.full((30, 40, 4), 255, np.uint8)
    expected[30 - 8 - 10 : 30 - 8, 5:25] = pixels
    assert (np.asarray(canvas.buffer_rgba()) == expected).all()
