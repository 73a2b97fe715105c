"""Coarser rasters: the commonest class of four cells, against counting by hand and against GDAL's own mode."""

from collections import Counter
from itertools import product

import numpy as np
import pytest
import rasterio
from rasterio.enums import Resampling
from rasterio.io import MemoryFile
from rasterio.transform import from_origin
from workflow import CRS

from pipeline.core.overlap import Grid
from pipeline.core.overviews import halved
from pipeline.files.raster import BLOCK, overlap_tiff


def commonest(cells) -> int:
    """The commonest code but 0; of equally many the highest."""
    counts = Counter(int(one) for one in cells if one)
    return max(counts, key=lambda one: (counts[one], one), default=0)


def test_every_four_cells_there_are():
    fours = np.array(list(product(range(6), repeat=4)), np.uint8)
    made = halved(fours.reshape(-1, 2, 2))
    assert made.shape == (6**4, 1, 1)
    assert made.ravel().tolist() == [commonest(four) for four in fours]


@pytest.mark.parametrize("shape", [(1, 1, 1), (2, 1, 7), (1, 8, 1), (3, 5, 4), (2, 33, 67)])
def test_an_odd_line_or_column_stands_for_itself(shape):
    cells = np.random.default_rng(1).integers(0, 6, shape, np.uint8)
    made = halved(cells)
    assert made.shape == (shape[0], -(-shape[1] // 2), -(-shape[2] // 2))
    for band, line, column in np.ndindex(*made.shape):
        under = cells[band, 2 * line : 2 * line + 2, 2 * column : 2 * column + 2]
        assert made[band, line, column] == commonest(under.ravel())


def test_gdals_mode_says_the_same_where_one_class_is_the_commonest():
    cells = np.random.default_rng(2).integers(0, 4, (1, 200, 300), np.uint8)
    with MemoryFile() as file:
        shape = {"count": 1, "height": 200, "width": 300, "dtype": "uint8", "nodata": 0}
        with file.open(driver="GTiff", transform=from_origin(0, 200, 1, 1), **shape) as raster:
            raster.write(cells)
        with file.open() as raster:
            theirs = raster.read(out_shape=(1, 100, 150), resampling=Resampling.mode)
    four = cells.reshape(100, 2, 150, 2).swapaxes(1, 2).reshape(100, 150, 4)
    counts = np.sort(np.stack([(four == code).sum(axis=2) for code in (1, 2, 3)]), axis=0)
    clear = counts[-1] > counts[-2]
    assert clear.mean() > 0.5
    assert (halved(cells)[0][clear] == theirs[0][clear]).all()


@pytest.mark.parametrize("high", [2 * BLOCK, BLOCK])
def test_a_raster_written_in_parts_has_all_its_overviews(tmp_path, high):
    """Lines and columns are halved until a block holds them, however many lines are written at a time."""
    grid = Grid.around((600_000, 4_600_000, 600_110.05, 4_600_150.05), cell_m=0.1)
    cells = np.random.default_rng(3).integers(0, 6, (2, grid.lines, grid.columns), np.uint8)
    with overlap_tiff(tmp_path / "a.tif", grid=grid, crs_wkt=CRS, bands=["one", "two"]) as raster:
        for first in range(0, grid.lines, high):
            raster.write(first, cells[:, first : first + high])
    assert [path.name for path in tmp_path.iterdir()] == ["a.tif"]
    with rasterio.open(tmp_path / "a.tif") as raster:
        assert raster.overviews(1) == [2, 4] and (raster.read() == cells).all()
        assert raster.descriptions == ("one", "two")
    for level in range(2):
        cells = halved(cells)
        with rasterio.open(tmp_path / "a.tif", overview_level=level) as raster:
            assert (raster.read() == cells).all()
    assert max(cells.shape) <= BLOCK


def test_a_users_setting_does_not_hide_the_overviews(tmp_path, monkeypatch):
    """A usual one where files lie in a cloud, under which GDAL looks for nothing beside a file."""
    monkeypatch.setenv("GDAL_DISABLE_READDIR_ON_OPEN", "EMPTY_DIR")
    grid = Grid.around((600_000, 4_600_000, 600_060, 4_600_060), cell_m=0.1)
    with overlap_tiff(tmp_path / "a.tif", grid=grid, crs_wkt=CRS, bands=["one"]) as raster:
        raster.write(0, np.ones((1, grid.lines, grid.columns), np.uint8))
    with rasterio.open(tmp_path / "a.tif") as raster:
        assert raster.overviews(1) == [2]


def test_no_line_of_the_coarsest_overview_is_written_twice(tmp_path):
    """More than 512 times 512 lines: a belt of 512 is then less than a line."""
    grid = Grid.around((600_000, 4_600_000, 600_000.75, 4_602_700), cell_m=0.01)
    assert grid.lines > BLOCK**2
    with overlap_tiff(tmp_path / "a.tif", grid=grid, crs_wkt=CRS, bands=["one"]) as raster:
        for first in range(0, grid.lines, BLOCK):
            high = min(BLOCK, grid.lines - first)
            raster.write(first, np.full((1, high, grid.columns), 3 if first == 0 else 1, np.uint8))
    with rasterio.open(tmp_path / "a.tif") as raster:
        levels = len(raster.overviews(1))
    for level in range(levels):
        with rasterio.open(tmp_path / "a.tif", overview_level=level) as raster:
            high = BLOCK >> (level + 1)
            assert high >= 1
            top = raster.read(1, window=((0, high + 1), (0, raster.width)))
            assert (top[:high] == 3).all() and (top[high] == 1).all()
