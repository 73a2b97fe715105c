"""The overlap raster of a field: written in strips of lines, then laid out as a cloud-optimised GeoTIFF."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import rasterio
import rasterio.shutil
from rasterio.transform import from_origin
from rasterio.windows import Window

from pipeline.core.overlap import Grid
from pipeline.files.disk import check_room, errors_of_disk
from pipeline.files.store import discard, whole_file

BLOCK = 512
# What GDAL may hold of a raster [bytes, which is how rasterio takes it]. Left to itself it takes a twentieth of the
# machine's memory, in every job; lines are written whole and read back once, so that more does not pay.
CACHE_BYTES = 64 * 2**20


@contextmanager
def overlap_tiff(path: Path, *, grid: Grid, crs_wkt: str, bands: list[str]) -> Iterator[rasterio.DatasetBase]:
    """An open raster to fill window by window; cloud-optimised and in place when the block ends well."""
    shape = {"width": grid.columns, "height": grid.lines, "count": len(bands), "dtype": "uint8", "nodata": 0}
    layout = {"tiled": True, "blockxsize": BLOCK, "blockysize": BLOCK, "compress": "zstd", "zstd_level": 1}
    place = {"crs": crs_wkt, "transform": from_origin(grid.west, grid.north, grid.cell_m, grid.cell_m)}
    with rasterio.Env(GDAL_CACHEMAX=CACHE_BYTES), whole_file(path) as unfinished, _beside(unfinished) as working:
        with rasterio.open(
            working, "w", driver="GTiff", interleave="band", sparse_ok=True, bigtiff="if_safer",
            **shape, **layout, **place,
        ) as raster:  # fmt: skip
            raster.descriptions = tuple(bands)
            yield raster
        rasterio.shutil.copy(
            working, unfinished, driver="COG", compress="ZSTD", level=1, blocksize=BLOCK,
            overview_resampling="nearest", sparse_ok=True, bigtiff="IF_SAFER",
        )  # fmt: skip
        check_room(unfinished)


@contextmanager
def _beside(unfinished: Path) -> Iterator[Path]:
    """A name for the raster before it is laid out; it goes away only when errors know how full the disk was with it."""
    working = unfinished.with_name(f"{unfinished.name}.working")
    try:
        with errors_of_disk(unfinished, written=working):
            yield working
    finally:
        discard(working)


def write_lines(raster: rasterio.DatasetBase, first_line: int, cells: np.ndarray) -> None:
    """Write all bands of some whole lines; `cells` has shape (bands, lines, columns)."""
    raster.write(cells, window=Window(0, first_line, cells.shape[2], cells.shape[1]))
