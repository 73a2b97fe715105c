"""Vector layers of a batch: strips, planted rows cut by class, hold bands and reach bands.

All lines and bands lie in the frame of the strips: where autumn and spring were logged in different frames,
`passes` has moved the planted rows by the facts `frame_east_m`, `frame_north_m`. They are in the CRS of the
fields, while lengths, widths and areas are true ones, measured in the field's own plane.
"""

from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from pipeline import columns as c
from pipeline.core.accuracy import Z95
from pipeline.core.bands import CentreLines, band_by_group, meeting, thinned
from pipeline.core.cut import SLIVER_M, cut_lines
from pipeline.core.local import from_local
from pipeline.core.offsets import ON_STRIP
from pipeline.core.pairs import Places, unique_keys
from pipeline.core.pieces import miss_shares, row_pieces
from pipeline.core.returns import ReturnError
from pipeline.files.advice import PLACED_IN, advice_of
from pipeline.files.empty_layers import empty_layer
from pipeline.files.field_data import FieldData
from pipeline.files.laid_out import PIECES, unit_columns
from pipeline.files.log import LOG, run_step
from pipeline.files.progress import counted
from pipeline.files.settings import Settings, fields_of
from pipeline.files.store import listed_folder, read_json, write_frame

KINDS = ("strip_lines", "row_lines", "hold_bands", "reach_bands")
# Of ground checks and what to do: drawn in `files.advice`.
MORE = ("checked_row_lines", "checks", "next_checks", "shifted_lines")


def run(*, passes: Path, offsets: Path, tiers: Path, crs_from: Path, out: Path) -> None:
    """Draw all fields of a batch.

    Parameters
    ----------
    passes, offsets : Path
        Folders of those steps.
    tiers : Path
        tiers.json.
    crs_from : Path
        crs.json, which names the CRS of the fields.
    out : Path
        Folder to fill with one table a kind of layer, and the pieces of row that the sheets draw.
    """
    judging, said = Settings.read(tiers), read_json(crs_from)
    there = {kind: said[PLACED_IN.get(kind, "crs")] for kind in (*KINDS, *MORE)}
    tables = {kind: [empty_layer(kind, judging.compare, crs)] for kind, crs in there.items()}
    with listed_folder(out) as filled:
        for folder in counted(fields_of(passes), "bands", "fields", log=LOG):
            LOG.debug("bands: %s", folder.name)
            drawn, pieces = _draw(FieldData.read(folder, offsets), judging)
            write_frame(filled / PIECES / f"{folder.name}.parquet", pieces)
            for kind, table in drawn.items():
                shape = from_local(table.geometry.values, table.crs, there[kind])
                tables[kind].append(table.set_geometry(gpd.GeoSeries(shape, index=table.index, crs=there[kind])))
        for kind, parts in tables.items():
            whole = [part for part in parts if len(part)] or parts[:1]
            write_frame(filled / f"{kind}.parquet", pd.concat(whole, ignore_index=True))


def _draw(field: FieldData, judging: Settings) -> tuple[dict[str, gpd.GeoDataFrame], pd.DataFrame]:
    """Layers of one field in its own plane, by kind, and the pieces of row that its sheet draws."""
    strips, places, errors = field.lines("strip"), field.places(judging.row_margin_m), field.errors(judging)
    rows, pieces = row_lines(field, places, errors)
    drawn = {"strip_lines": strip_lines(field, strips), "row_lines": rows}
    return drawn | bands(field, strips, errors, judging) | advice_of(field, places, errors, judging), pieces


def strip_lines(field: FieldData, lines: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Centre lines of the strips inside the field, in its own plane."""
    return gpd.GeoDataFrame(
        unit_columns(field, field.strips, field.strip_passes, field.strip_of_line)
        | {
            c.STRIP_WIDTH_M: field.strips[c.STRIP_WIDTH_M].to_numpy(float)[field.strip_of_line],
            c.LENGTH_M: shapely.length(lines.geometry.values),
        },
        geometry=lines.geometry.values, crs=lines.crs,
    )  # fmt: skip


def row_lines(field: FieldData, places: Places, errors: dict[str, ReturnError]) -> tuple[gpd.GeoDataFrame, pd.DataFrame]:
    """Pieces of planted row, cut where the class of any tier changes, as lines in the field's own plane.

    Beside them, for the sheets: which planted line each piece is cut from, from where to where, and the codes of
    its classes. `part` counts the pieces that the boundary cuts one row unit into; distances run along such a part.
    """
    lines = field.planter_lines
    pieces = row_pieces(field.spans, places, errors)
    share = miss_shares(pieces, field.spans, places, errors)
    keep = pieces.end_m - pieces.start_m > SLIVER_M
    line, start, end = pieces.line[keep], pieces.start_m[keep], pieces.end_m[keep]
    columns = unit_columns(field, field.rows, field.planter_passes, field.row_of_line[line])
    columns |= {c.PART: lines[c.PART].to_numpy(np.int64)[line], c.START_M: start, c.END_M: end, c.LENGTH_M: end - start}
    columns |= _starts_and_zones(field, line, field.spans.strip[pieces.span[keep]])
    begins = lines[c.ALONG_M].to_numpy(float)[line]
    names, bare = np.array(c.CLASSES, object), {"line": line, c.START_M: start - begins, c.END_M: end - begins}
    for number, tier in enumerate(errors):
        bare[c.under(c.CLASS, tier)] = pieces.classes[keep, number]
        columns[c.under(c.CLASS, tier)] = names[bare[c.under(c.CLASS, tier)]]
        columns[c.under(c.MISS, tier)] = share[keep, number]
    shape = cut_lines(lines.geometry.values, line, start - begins, end - begins)
    return gpd.GeoDataFrame(columns, geometry=shape, crs=lines.crs), pd.DataFrame(bare)


def _starts_and_zones(field: FieldData, line: np.ndarray, strip: np.ndarray) -> dict:
    """Time since the start at which each piece's row was laid and its strip was made [s], and the zones it lies in."""
    planter, built = field.stretches("planter"), field.stretches("strip")
    mine = field.planter_stretch[line]
    since = np.full(len(line), np.nan)
    on = strip >= 0
    since[on] = built[c.SINCE0_S].to_numpy(float)[field.strip_stretch[strip[on]]]
    return {
        c.SINCE_START_S: planter[c.SINCE0_S].to_numpy(float)[mine], c.STRIP_SINCE_START_S: since,
        c.ZONES: planter[c.ZONES].to_numpy(object)[mine],
    }  # fmt: skip


def bands(
    field: FieldData, lines: gpd.GeoDataFrame, errors: dict[str, ReturnError], judging: Settings
) -> dict[str, gpd.GeoDataFrame]:
    """Hold bands (strips narrowed by R) and reach bands (widened by R), one a tier and strip pass.

    ASSUME: R of a stretch of strip is that with the planter pass that plants most of it, or with the one of the largest
    error where nothing is planted on it, and 0 in a field that nothing is planted in; the classes of the rows use each
    pair's own R.
    """
    thin = CentreLines.of(thinned(lines.geometry.values))
    strip = field.strip_of_line
    strip_pass = field.strips[c.PASS].to_numpy(np.int64)[strip]
    half_width = field.half_width_m(judging.row_margin_m)[strip]
    spacing = field.strips[c.ROW_SPACING_M].to_numpy(float)[strip]
    planter = _planter_of_line(field)
    bound = {tier: Z95 * _sd_m(error, field.strip_stretch, planter) for tier, error in errors.items()}
    # Bands wider than the rows' spacing meet anyway; of the others the widest tell where some of a pass do.
    widest = np.max([np.where(2 * (half_width + r) > spacing, half_width, half_width + r) for r in bound.values()], axis=0)
    close = meeting(thin, widest, strip_pass, len(field.strip_passes))
    shapes: dict[str, list] = {"hold_bands": [], "reach_bands": []}
    widths: dict[str, list] = {"hold_bands": [], "reach_bands": []}
    for r in bound.values() if len(strip) else ():
        for kind, wide in (("hold_bands", half_width - r), ("reach_bands", half_width + r)):
            wide = np.where(wide > SLIVER_M, wide, 0.0)  # what is narrower, coordinates do not tell from a line
            united = close.copy()
            united[strip_pass[2 * wide > spacing]] = True
            shapes[kind].append(band_by_group(thin, wide, strip_pass, len(close), united=united))
            widths[kind].append(_mean_width_m(wide, strip_pass, len(close)))
    return {
        kind: _band_table(field, list(bound), made, widths[kind], lines.crs)
        if made else empty_layer(kind, judging.compare, lines.crs)
        for kind, made in shapes.items()
    }  # fmt: skip


def _mean_width_m(half_width_m: np.ndarray, strip_pass: np.ndarray, passes: int) -> np.ndarray:
    count = np.maximum(np.bincount(strip_pass, minlength=passes), 1)
    return np.bincount(strip_pass, np.maximum(half_width_m, 0.0), passes) / count


def _band_table(field: FieldData, tiers: list[str], shapes: list, widths: list, crs) -> gpd.GeoDataFrame:
    """Bands that are not empty, tier by tier and pass by pass."""
    shape = np.concatenate(shapes)
    there = ~shapely.is_empty(shape)
    names = field.strip_passes[c.PASS_ID].astype(str).to_numpy(object)
    columns = {
        c.FIELD_ID: np.full(int(there.sum()), field.facts["field_id"], object),
        c.TIER: np.repeat(np.array(tiers, object), len(names))[there], c.PASS_ID: np.tile(names, len(tiers))[there],
        c.HALF_WIDTH_M: np.concatenate(widths)[there], c.AREA_M2: shapely.area(shape[there]),
    }  # fmt: skip
    return gpd.GeoDataFrame(columns, geometry=shape[there], crs=crs)


def _planter_of_line(field: FieldData) -> np.ndarray:
    """Stretch of a planter pass that plants most of each strip line; -1 where none does."""
    out = np.full(len(field.strip_of_line), -1, np.int64)
    on = np.flatnonzero(field.spans.kind == ON_STRIP)
    strip, planter = field.spans.strip[on], field.planter_stretch[field.spans.row[on]]
    first, member = unique_keys(strip, planter)
    order = np.argsort(np.bincount(member, field.spans.length_m[on]), kind="stable")
    longest_last = first[order]  # which is written last, and stays
    out[strip[longest_last]] = planter[longest_last]
    return out


def _sd_m(error: ReturnError, strip: np.ndarray, planter: np.ndarray) -> np.ndarray:
    """Standard deviation of an offset on each strip line [m]; 0 where the field has no planter pass.

    Parameters
    ----------
    error : ReturnError
    strip, planter : ndarray of int, shape (lines,)
        Stretch of the line, and of the planter pass that plants on it; -1 for the one with the largest error.
    """
    variance = error.spring.variance()
    if len(variance) == 0:
        return np.zeros(len(strip))
    return error.sd(strip, np.where(planter < 0, np.argmax(variance), planter))


if __name__ == "__main__":
    job = snakemake  # type: ignore[name-defined]  # noqa: F821
    run_step(
        lambda: run(
            passes=Path(job.input.passes).parent, offsets=Path(job.input.offsets).parent, tiers=Path(job.input.tiers),
            crs_from=Path(job.input.crs), out=Path(job.output[0]).parent,
        ),
        log=job.log[0],
    )  # fmt: skip
