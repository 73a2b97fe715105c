"""The overlap raster of a field: written in strips of lines, then laid out as a cloud-optimised GeoTIFF."""

import shutil
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import rasterio
import rasterio.shutil
from rasterio.transform import from_origin
from rasterio.windows import Window

from pipeline.core.overlap import Grid
from pipeline.core.overviews import halved
from pipeline.files.disk import check_room, errors_of_disk
from pipeline.files.store import whole_file

BLOCK = 512
# What GDAL may hold of a raster [bytes, which is how rasterio takes it]. Left to itself it takes a twentieth of the
# machine's memory, in every job; lines are written whole and read back once, so that more does not pay.
CACHE_BYTES = 64 * 2**20
# A user's settings must not hide the overviews, which are found by their names.
GDAL = {"GDAL_CACHEMAX": CACHE_BYTES, "GDAL_DISABLE_READDIR_ON_OPEN": "FALSE"}
CELLS = "cells.tif"


@dataclass(frozen=True)
class OverlapRaster:
    """A raster that is being filled from its first line to its last.

    Attributes
    ----------
    cells : rasterio dataset
    overviews : tuple of rasterio datasets
        Each of half the lines and columns of the one before.
    """

    cells: rasterio.DatasetBase
    overviews: tuple[rasterio.DatasetBase, ...]

    def write(self, first_line: int, cells: np.ndarray) -> None:
        """Write all bands of some whole lines.

        Parameters
        ----------
        first_line : int
            A multiple of `BLOCK`, so that the lines of the overviews are whole as well.
        cells : ndarray of uint8, shape (bands, lines, columns)
        """
        for level, raster in enumerate((self.cells, *self.overviews)):
            cells = halved(cells) if level else cells
            raster.write(cells, window=Window(0, first_line >> level, cells.shape[2], cells.shape[1]))


@contextmanager
def overlap_tiff(path: Path, *, grid: Grid, crs_wkt: str, bands: list[str]) -> Iterator[OverlapRaster]:
    """An open raster to fill; cloud-optimised and in place when the block ends well."""
    with rasterio.Env(**GDAL), whole_file(path) as unfinished, _beside(unfinished) as working:
        with ExitStack() as opened:
            cells, *overviews = _levels(working, grid, crs_wkt, len(bands), opened)
            raster = OverlapRaster(cells, tuple(overviews))
            raster.cells.descriptions = tuple(bands)
            yield raster
        rasterio.shutil.copy(
            working / CELLS, unfinished, driver="COG", compress="ZSTD", level=1, blocksize=BLOCK,
            overviews="FORCE_USE_EXISTING", sparse_ok=True, bigtiff="IF_SAFER",
        )  # fmt: skip
        check_room(unfinished)


def _levels(home: Path, grid: Grid, crs_wkt: str, bands: int, opened: ExitStack) -> Iterator[rasterio.DatasetBase]:
    """The raster and its overviews, each in a file of its own under the name by which GDAL finds it."""
    file, lines, columns, cell_m, high = home / CELLS, grid.lines, grid.columns, grid.cell_m, BLOCK
    shape = {"count": bands, "dtype": "uint8", "nodata": 0, "crs": crs_wkt, "sparse_ok": True, "bigtiff": "if_safer"}
    layout = {"tiled": True, "blockxsize": BLOCK, "blockysize": BLOCK}
    while True:
        yield opened.enter_context(rasterio.open(
            file, "w", driver="GTiff", interleave="band", compress="zstd", zstd_level=1, height=lines, width=columns,
            transform=from_origin(grid.west, grid.north, cell_m, cell_m), **shape, **layout,
        ))  # fmt: skip
        if max(lines, columns) <= BLOCK or high == 1:
            return
        file, lines, columns = file.with_name(f"{file.name}.ovr"), (lines + 1) // 2, (columns + 1) // 2
        cell_m, high = 2 * cell_m, high // 2
        # Blocks as high as what is written of an overview at a time, or they would be packed more than once.
        layout = {"tiled": False, "blockysize": high}


@contextmanager
def _beside(unfinished: Path) -> Iterator[Path]:
    """A folder for the raster before it is laid out; it goes away only when errors know how full the disk was with it."""
    working = unfinished.with_name(f"{unfinished.name}.working")
    try:
        with errors_of_disk(unfinished, written=working):
            working.mkdir()
        with errors_of_disk(unfinished, written=working / CELLS):
            yield working
    finally:
        shutil.rmtree(working, ignore_errors=True)
