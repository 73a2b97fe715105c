"""The raster route: rows and strip bands of all tiers in one pass over the cells, held against the exact route."""

from collections.abc import Iterator
from functools import partial
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import rasterio

from pipeline import columns as c
from pipeline.core.accuracy import Z95
from pipeline.core.cells import Cells
from pipeline.core.headings import CROSSING_ANGLE_DEG
from pipeline.core.overlap import INDEX_CELL_M, Bands, Grid, Lines, count_cells
from pipeline.core.returns import ReturnError
from pipeline.core.route_agreement import RouteAgreement, route_agreement
from pipeline.core.segments import Segments
from pipeline.errors import CheckError
from pipeline.files.field_data import FieldData
from pipeline.files.field_files import raster_of
from pipeline.files.kept import Kept
from pipeline.files.log import LOG, WORK, run_step
from pipeline.files.progress import counted
from pipeline.files.raster import BLOCK, OverlapRaster, overlap_tiff
from pipeline.files.settings import Settings, fields_of
from pipeline.files.stacked import stacked
from pipeline.files.store import hash_of_files, read_json, write_frame

_COUNTED = "counted"
# Cells in memory at a time, all tiers together.
WINDOW_CELLS = 64_000_000


def run(
    *, passes: Path, offsets: Path, tiers: Path, raster: Path, results: Path, out: Path | None, only: str | None = None,
    kept: Kept | None = None,
) -> None:  # fmt: skip
    """Count all fields of a batch in cells, or one of them.

    Parameters
    ----------
    passes, offsets : Path
        Folders of those steps.
    tiers, raster : Path
        Settings.
    results : Path
        Folder for the fields' rasters.
    out : Path or None
        Table of lengths per row and tier; none where only a raster is asked for.
    only : str, optional
        Folder name of the one field to count.
    kept : Kept, optional
        What was computed before.

    Raises
    ------
    CheckError
        If the two routes differ by more than the tolerance.
    """
    judging, cell_m = Settings.read(tiers), read_json(raster)["cell_m"]
    tables = []
    for folder in counted(fields_of(passes, only=only), "overlap", "fields", log=LOG):
        tif = raster_of(results, folder.name)
        make = partial(_count, folder, offsets, judging, cell_m, tif)
        made_of = hash_of_files(folder, offsets / f"{folder.name}.parquet")
        tables.append((kept.tables(folder.name, made_of, make, beside=[tif]) if kept else make())[_COUNTED])
    if out is not None:
        write_frame(out, pd.concat(tables, ignore_index=True) if tables else pd.DataFrame())


def _count(folder: Path, offsets: Path, judging: Settings, cell_m: float, tif: Path) -> dict[str, pd.DataFrame]:
    LOG.debug("overlap: %s", folder.name)
    return {_COUNTED: _count_field(FieldData.read(folder, offsets), judging, cell_m, tif)}


def _count_field(field: FieldData, judging: Settings, cell_m: float, tif: Path) -> pd.DataFrame:
    planted = field.lines("planter")
    errors = field.errors(judging)
    grid = Grid.around(tuple(planted.total_bounds) if len(planted) else (0, 0, 1, 1), cell_m=cell_m)
    lines, crs_wkt = _lines(field, planted), planted.crs.to_wkt()
    del planted  # a large field's lines are a hundred megabytes, and so is what they are painted from and into
    with overlap_tiff(tif, grid=grid, crs_wkt=crs_wkt, bands=judging.compare) as raster:
        counted = _paint(
            raster, lines=lines, bands=_bands(field, errors, judging.row_margin_m), grid=grid, rows=len(field.rows)
        )
        del lines
        routes = route_agreement(field.spans, field.places(judging.row_margin_m), errors, counted, cell_m=cell_m)
        _check(field, routes)
        _describe(raster.cells, counted)
    return _table(field, judging, counted, routes)


def _paint(raster: OverlapRaster, *, lines: Lines, bands: Bands, grid: Grid, rows: int) -> np.ndarray:
    """Fill the raster; length of each row by class code under each tier, shape (tiers, rows, 6) [m]."""
    counted = np.zeros((len(bands.bound_m), rows, 6))
    for first, window in _windows(grid, len(bands.bound_m)):
        count_cells(
            lines, bands, grid, first_line=first, window=window, counted=counted, crossing_deg=CROSSING_ANGLE_DEG
        )
        raster.write(first, window)
    return counted


def _lines(field: FieldData, planted: gpd.GeoDataFrame) -> Lines:
    built = field.lines("strip")
    strips = Segments.from_lines(built.geometry.values)
    return Lines(
        Segments.from_lines(planted.geometry.values), strips, Cells.over(strips.xy, size=INDEX_CELL_M),
        planted[c.OWN_REACH_M].to_numpy(float), planted[c.OWN_KEY].to_numpy(np.int64),
        built[c.OWN_KEY].to_numpy(np.int64),
    )  # fmt: skip


def _bands(field: FieldData, errors: dict[str, ReturnError], row_margin_m: float) -> Bands:
    strip = field.strip_of_line
    return Bands(
        field.planter_stretch, field.row_of_line, field.strip_stretch, field.half_width_m(row_margin_m)[strip],
        Z95 * np.stack([error.pair_sd() for error in errors.values()]),
    )  # fmt: skip


def _windows(grid: Grid, tiers: int) -> Iterator[tuple[int, np.ndarray]]:
    """First line and empty cells of belts of the grid, whole blocks high; each belt lies where the one before it lay."""
    height = max(BLOCK, WINDOW_CELLS // (tiers * grid.columns) // BLOCK * BLOCK)
    cells = np.empty(tiers * min(height, grid.lines) * grid.columns, np.uint8)
    for first in range(0, grid.lines, height):
        lines = min(height, grid.lines - first)
        belt = cells[: tiers * lines * grid.columns].reshape(tiers, lines, grid.columns)
        belt[:] = 0
        yield first, belt


def _check(field: FieldData, routes: dict[str, RouteAgreement]) -> None:
    for tier, one in routes.items():
        if one.gap_m > one.tolerance_m:
            raise CheckError(
                f"field '{field.facts['field_id']}', tier {tier}: the exact route and the raster route differ by "
                f"{one.gap_m:.2f} m of row, more than the {one.tolerance_m:.2f} m that the cell size allows; "
                "this is a fault of ours, please report it with the field's strips and rows"
            )


def _describe(raster: rasterio.DatasetBase, counted: np.ndarray) -> None:
    """What each code means, and the share of row length of each class, as tags of the bands."""
    names = ["no row", *c.CLASSES]
    for number in range(len(counted)):
        length = counted[number].sum(axis=0)
        shares = {f"share_{names[k]}": f"{length[k] / max(length.sum(), 1e-9):.6f}" for k in range(1, 6)}
        raster.update_tags(number + 1, **{f"class_{k}": name for k, name in enumerate(names)}, **shares)


def _table(field: FieldData, judging: Settings, counted: np.ndarray, routes: dict[str, RouteAgreement]) -> pd.DataFrame:
    field_id = np.full(len(field.rows), field.facts["field_id"], object)
    return stacked(
        {
            c.FIELD_ID: field_id, c.TIER: tier, c.ROW: np.arange(len(field_id)),
            c.RASTER_HOLDS_M: counted[number, :, 1], c.RASTER_DOUBT_M: counted[number, :, 2],
            c.RASTER_MISSES_M: counted[number, :, 3], c.TOLERANCE_M: routes[tier].tolerance_by_row_m,
        }
        for number, tier in enumerate(judging.compare)
    )  # fmt: skip


if __name__ == "__main__":
    job = snakemake  # type: ignore[name-defined]  # noqa: F821
    one = job.wildcards.get("field")
    run_step(
        lambda: run(
            passes=Path(job.input.passes).parent, offsets=Path(job.input.offsets).parent, tiers=Path(job.input.tiers),
            raster=Path(job.input.raster), results=Path("results"), out=None if one else Path(job.output[0]), only=one,
            # One that is asked for alone is gone: whatever is kept of it is no use.
            kept=None if one else Kept.of_step("overlap", Path(job.input.tiers), Path(job.input.raster), work=Path(WORK)),
        ),
        log=job.log[0],
    )  # fmt: skip
