"""The routes to the same figures that are timed: ours, and what one would write with common tools."""

import geopandas as gpd
import numpy as np
import rasterio.features
import shapely
from rasterio.transform import from_origin

from bench.field import HALF_WIDTH_M, PASSES, SPACING_M, BenchField
from pipeline.core.accuracy import Z95
from pipeline.core.cells import Cells
from pipeline.core.headings import CROSSING_ANGLE_DEG
from pipeline.core.lengths import length_within
from pipeline.core.odds import Judgement, judge
from pipeline.core.offsets import ON_STRIP, measure_offsets
from pipeline.core.overlap import INDEX_CELL_M, Bands, Grid, Lines, count_cells
from pipeline.core.pairs import Pairs

CELL_M = 0.1
WINDOW_LINES = 512
QUAD_SEGS = 16
STRETCH = 20


def exact(field: BenchField) -> dict[str, Judgement]:
    """Offsets, odds, percentiles and class lengths of all tiers."""
    rows, strips = field.segments()
    spans = measure_offsets(rows, strips, reach_m=field.reach_m)
    return judge(
        spans,
        field.places(spans),
        field.errors,
        pass_of_row=field.pass_of_line,
        passes=PASSES,
        spacing_m=SPACING_M,
        seed=1,
    )


def lengths_alone(field: BenchField) -> dict[str, list[float]]:
    """Row length outside the hold and the reach band of every tier [m], by our offsets: no odds, no percentiles, no rows."""
    rows, strips = field.segments()
    spans = measure_offsets(rows, strips, reach_m=field.reach_m)
    pairs = Pairs.of(field.places(spans), field.errors)
    limits = np.column_stack([pairs.hold_m, pairs.reach_m])
    length_m = np.where(spans.kind == ON_STRIP, spans.length_m, 0.0)
    whole = np.zeros(len(length_m), np.int64)
    within = length_within(spans.offset0_m, spans.offset1_m, length_m, pairs.of_place, whole, limits, 1)[0]
    return dict(zip(field.errors, (field.row_length_m - within).reshape(2, -1).T.tolist(), strict=True))


def limits_m(field: BenchField, tier: str) -> tuple[float, float]:
    """Half widths of a tier's hold and reach bands [m]; every pass of the field has the same.

    Beyond half a row spacing another strip is the nearer one, so no band is wider than that.
    """
    sd = float(field.errors[tier].sd(np.zeros(1, int), np.zeros(1, int))[0])
    return HALF_WIDTH_M - Z95 * sd, min(HALF_WIDTH_M + Z95 * sd, 0.5 * SPACING_M)


def union_difference(field: BenchField, tier: str) -> list[float]:
    """Row length outside the hold and the reach band [m]: buffer, union, difference in geopandas."""
    rows, strips = gpd.GeoSeries(field.rows), gpd.GeoSeries(field.strips)
    out = []
    for half_width in limits_m(field, tier):
        band = strips.buffer(half_width, quad_segs=QUAD_SEGS, cap_style="flat").union_all()
        out.append(float(rows.difference(band).length.sum()))
    return out


def tree_of_buffers(field: BenchField, tier: str) -> list[float]:
    """The same lengths from one buffer a strip, found with an STRtree; vectorised shapely."""
    out = []
    for half_width in limits_m(field, tier):
        bands = shapely.buffer(field.strips, half_width, quad_segs=QUAD_SEGS, cap_style="flat")
        row, strip = shapely.STRtree(bands).query(field.rows, predicate="intersects")
        inside = shapely.intersection(field.rows[row], bands[strip])
        out.append(field.row_length_m - _length_by_row(row, inside))
    return out


def _length_by_row(row: np.ndarray, pieces: np.ndarray) -> float:
    """Length of pieces; where a row met several bands, of the union of its pieces [m]."""
    hits = np.bincount(row)
    alone = hits[row] == 1
    shared = sum(shapely.length(shapely.union_all(pieces[row == k])) for k in np.flatnonzero(hits > 1))
    return float(shapely.length(pieces[alone]).sum() + shared)


def raster(field: BenchField) -> np.ndarray:
    """Our raster of all tiers, painted window by window; lengths by class code, (tiers, 6) [m]."""
    grid = _grid(field)
    lines, bands = _lines_and_bands(field)
    counted = np.zeros((len(field.errors), len(field.rows), 6))
    for first in range(0, grid.lines, WINDOW_LINES):
        count = min(WINDOW_LINES, grid.lines - first)
        window = np.zeros((len(field.errors), count, grid.columns), np.uint8)
        count_cells(
            lines,
            bands,
            grid,
            first_line=first,
            window=window,
            counted=counted,
            crossing_deg=CROSSING_ANGLE_DEG,
        )
    return counted.sum(axis=1)


def gdal_burns(field: BenchField) -> np.ndarray:
    """Cells of planted rows by class (holds, doubt, beyond), (tiers, 3); GDAL burns tier by tier."""
    grid = _grid(field)
    how = {
        "out_shape": (grid.lines, grid.columns), "dtype": "uint8",
        "transform": from_origin(grid.west, grid.north, CELL_M, CELL_M),
    }  # fmt: skip
    planted = rasterio.features.rasterize(field.rows, all_touched=True, **how).astype(bool)
    stretches = _stretches(field)
    out = []
    for tier in field.errors:
        hold, reach = limits_m(field, tier)
        bands = [(band, 2) for band in _buffered(stretches, reach)] + [
            (band, 1) for band in _buffered(stretches, hold)
        ]
        burned = rasterio.features.rasterize(bands, **how)
        none, holds, doubt = np.bincount(burned[planted], minlength=3)
        out.append([holds, doubt, none])
    return np.array(out)


def _stretches(field: BenchField) -> np.ndarray:
    """Strip lines in stretches of `STRETCH` segments.

    GDAL looks at every edge of a polygon on every line of cells it spans: burned whole, one tier took half a
    minute; in stretches it takes a tenth of that.
    """
    xy = shapely.get_coordinates(field.strips).reshape(len(field.strips), -1, 2)
    starts = range(0, xy.shape[1] - 1, STRETCH)
    return np.concatenate([shapely.linestrings(xy[:, start : start + STRETCH + 1]) for start in starts])


def _buffered(lines: np.ndarray, half_width_m: float) -> list:
    if half_width_m <= 0:
        return []
    return list(shapely.buffer(lines, half_width_m, quad_segs=QUAD_SEGS, cap_style="flat"))


def _grid(field: BenchField) -> Grid:
    return Grid.around(tuple(shapely.total_bounds(field.rows)), cell_m=CELL_M)


def _lines_and_bands(field: BenchField) -> tuple[Lines, Bands]:
    rows, strips = field.segments()
    none = np.full(len(field.rows), -1, np.int64)
    lines = Lines(rows, strips, Cells.over(strips.xy, size=INDEX_CELL_M), field.reach_m, none, none)
    bound = np.stack([Z95 * error.pair_sd() for error in field.errors.values()])
    half_width = np.full(len(field.strips), HALF_WIDTH_M)
    of_line = field.pass_of_line
    return lines, Bands(of_line, np.arange(len(field.rows)), of_line, half_width, bound)
