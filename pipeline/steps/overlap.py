"""The raster route: rows and strip bands of all tiers in one pass over the cells, held against the exact route."""

from pathlib import Path

import numpy as np
import pandas as pd
import rasterio

from pipeline import columns as c
from pipeline.core.agreement import Agreement, agreement
from pipeline.core.cells import Cells
from pipeline.core.offsets import CROSSING_ANGLE_DEG
from pipeline.core.overlap import INDEX_CELL_M, Grid, cell_classes, paint, row_cells
from pipeline.core.segments import Segments
from pipeline.errors import CheckError
from pipeline.files.field_data import FieldData, Settings, fields_of
from pipeline.files.log import LOG, run_step
from pipeline.files.raster import BLOCK, overlap_tiff, write_lines
from pipeline.files.store import read_json, write_frame

# Cells in memory at a time, all tiers together.
WINDOW_CELLS = 64_000_000


def run(*, passes: Path, offsets: Path, tiers: Path, raster: Path, results: Path, out: Path) -> None:
    """Count all fields of a batch in cells.

    Parameters
    ----------
    passes, offsets : Path
        Folders of those steps.
    tiers, raster : Path
        Settings.
    results : Path
        Folder for the fields' rasters.
    out : Path
        Table of lengths per row and tier.

    Raises
    ------
    CheckError
        If the two routes differ by more than the tolerance.
    """
    judging, cell_m = Settings.read(tiers), read_json(raster)["cell_m"]
    tables = []
    for folder in fields_of(passes):
        LOG.info("overlap: %s", folder.name)
        field = FieldData.read(folder, offsets)
        tables.append(_count_field(field, judging, cell_m, results / "fields" / folder.name / "overlap.tif"))
    write_frame(out, pd.concat(tables, ignore_index=True) if tables else pd.DataFrame())


def _count_field(field: FieldData, judging: Settings, cell_m: float, tif: Path) -> pd.DataFrame:
    lines = {name: field.lines(name) for name in ("planter", "strip")}
    grid = Grid.around(tuple(lines["planter"].total_bounds) if len(lines["planter"]) else (0, 0, 1, 1), cell_m=cell_m)
    bands = _band_limits(field, judging, lines["planter"][c.ROW].to_numpy(np.int64))
    counted = np.zeros((len(judging.compare), len(field.rows), 6))
    with overlap_tiff(tif, grid=grid, crs_wkt=lines["planter"].crs.to_wkt(), bands=judging.compare) as raster:
        _fill(raster, grid, lines, bands, field, counted)
        routes = agreement(field.spans, field.places(judging.row_margin_m), field.errors(judging), counted, cell_m=cell_m)
        _check(field, routes)
        _describe(raster, counted)
    return _table(field, judging, counted, routes)


def _band_limits(field: FieldData, judging: Settings, row_of_line: np.ndarray):
    """Half widths of hold and reach band for (planted line, strip line) under every tier."""
    strip_of_line = field.strip_of_line
    half_width = field.half_width_m(judging.row_margin_m)
    planter_pass = field.rows[c.PASS].to_numpy(np.int64)[row_of_line] if len(row_of_line) else row_of_line
    errors = field.errors(judging)

    def limits(tier: str, planted: np.ndarray, strip: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        if len(strip_of_line) == 0:
            return np.zeros(len(planted)), np.zeros(len(planted))
        number = strip_of_line[np.maximum(strip, 0)]
        strip_pass = field.strips[c.PASS].to_numpy(np.int64)[number]
        bound = 1.959963984540054 * errors[tier].sd(strip_pass, planter_pass[planted])
        return half_width[number] - bound, half_width[number] + bound

    return limits


def _fill(raster: rasterio.DatasetBase, grid: Grid, lines: dict, limits, field: FieldData, counted: np.ndarray) -> None:
    rows, strips = (Segments.from_lines(lines[name].geometry.values) for name in ("planter", "strip"))
    index = Cells.over(strips.xy, size=INDEX_CELL_M)
    reach = 0.5 * field.rows[c.ROW_SPACING_M].to_numpy(float)[field.row_of_line]
    tiers = list(raster.descriptions)
    height = max(BLOCK, WINDOW_CELLS // (len(tiers) * grid.columns) // BLOCK * BLOCK)
    for first in range(0, grid.lines, height):
        count = min(height, grid.lines - first)
        top = grid.north - first * grid.cell_m
        near = (rows.xy[:, 1::2].min(axis=1) <= top) & (rows.xy[:, 1::2].max(axis=1) >= top - count * grid.cell_m)
        part = Segments(rows.xy[near], rows.line[near], rows.start_m[near])
        cells = row_cells(part, strips, index, grid, reach_m=reach, crossing_deg=CROSSING_ANGLE_DEG)
        here = (cells.line >= first) & (cells.line < first + count) & (cells.column >= 0) & (cells.column < grid.columns)
        cells = cells.take(here)
        window = np.zeros((len(tiers), count, grid.columns), np.uint8)
        for number, tier in enumerate(tiers):
            classes = cell_classes(cells, *limits(tier, cells.row, cells.strip))
            paint(window[number], cells.column, cells.line - first, classes)
            owner = field.row_of_line[cells.row] * 6 + classes
            counted[number] += np.bincount(owner, cells.length_m, counted[number].size).reshape(-1, 6)
        write_lines(raster, first, window)


def _check(field: FieldData, routes: dict[str, Agreement]) -> None:
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


def _table(field: FieldData, judging: Settings, counted: np.ndarray, routes: dict[str, Agreement]) -> pd.DataFrame:
    out = []
    for number, tier in enumerate(judging.compare):
        out.append(pd.DataFrame({
            c.FIELD_ID: field.facts["field_id"], c.TIER: tier, c.ROW: np.arange(len(field.rows)),
            c.RASTER_HOLDS_M: counted[number, :, 1], c.RASTER_DOUBT_M: counted[number, :, 2],
            c.RASTER_MISSES_M: counted[number, :, 3], "tolerance_m": routes[tier].tolerance_by_row_m,
        }))  # fmt: skip
    return pd.concat(out, ignore_index=True)


if __name__ == "__main__":
    job = snakemake  # type: ignore[name-defined]  # noqa: F821
    run_step(
        lambda: run(
            passes=Path(job.input.passes), offsets=Path(job.input.offsets), tiers=Path(job.input.tiers),
            raster=Path(job.input.raster), results=Path("results"), out=Path(job.output[0]),
        ),
        log=job.log[0],
    )  # fmt: skip
