"""All vector results of a run in one GeoPackage."""

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from pipeline import columns as c
from pipeline.core.local import from_local, to_geographic
from pipeline.files.empty_layers import empty_layer
from pipeline.files.geopackage import Style, write_geopackage
from pipeline.files.log import LOG, run_step
from pipeline.files.progress import counted
from pipeline.files.row_classes import DIG_COLOUR, ROW_CLASSES, SHARE_EDGES, SHARE_SHADES, STRIP_LINE_COLOUR
from pipeline.files.settings import fields_of
from pipeline.files.store import read_arrow, read_geo, read_json, write_csv
from pipeline.files.texts import safe_text

# Layers in the order in which they lie in the file, with their geometry types. Rejects may be anything.
LAYERS = {
    "field_summary": "MultiPolygon", "strip_lines": "LineString", "row_lines": "LineString",
    "hold_bands": "MultiPolygon", "reach_bands": "MultiPolygon", "checked_row_lines": "LineString", "checks": "Point",
    "next_checks": "Point", "rejects": "Unknown",
}  # fmt: skip
LINES = "shifted_lines"
COLOURS = tuple((one.key, one.colour) for one in ROW_CLASSES)
LABELS = (
    *((one.key, one.label) for one in ROW_CLASSES),
    ("hold band", "strip narrowed by the error: a row inside holds"),
    ("reach band", "strip widened by the error: a row outside misses"), ("dug", "ground check"),
    ("dig here", "where to dig next"), ("field", "field boundary, no legal survey"), ("strip", "centre line of a strip"),
    ("reject", "feature that was not used"),
)  # fmt: skip
TEXTS = (c.FIELD_ID, c.FARM, c.TIER, c.REACH)
# Of a field as a whole, and of a field under one tier.
FIELD_FACTS = [c.FARM, c.ROW_COUNT, c.ROW_LENGTH_M, c.NO_STRIP_M, c.CROSSING_M, c.OUTSIDE_M]
TIER_FIGURES = [
    c.EXPECTED_MISS_SHARE, c.P10, c.P50, c.P90, c.HOLDS_M, c.DOUBT_M, c.MISSES_M, c.CHECKED_SHARE, *c.CHECKED_SHARES,
]  # fmt: skip


def run(
    *, bands: list[Path], passes: list[Path], rejects: Path, summary: Path, crs_from: Path, out: Path, lines_out: Path,
    rejects_out: Path,
) -> None:
    """Collect the layers of all batches.

    Parameters
    ----------
    bands, passes : list of Path
        Folders of those steps, one a batch.
    rejects : Path
        rejects.parquet of `intake`.
    summary : Path
        field_tier.csv.
    crs_from : Path
        crs.json, which names the CRS of the fields.
    out : Path
        The GeoPackage.
    lines_out : Path
        The planter's lines moved to fit, in the CRS of its plan: a GeoPackage of its own, to hand to the planter.
    rejects_out : Path
        The rejects once more, as a table.
    """
    figures = pd.read_csv(summary, dtype=dict.fromkeys(TEXTS, str), keep_default_na=False, na_values=[""])
    tiers = list(pd.unique(figures[c.TIER]))
    crs = read_json(crs_from)["crs"]
    rejected = read_geo(rejects)
    layers = _layers(sorted(bands), field_summary(sorted(passes), figures, crs), rejected)
    write_geopackage(out, layers, crs=crs, styles=styles(tiers))
    plan_crs = read_json(crs_from)["plan_crs"]
    lines = ((LINES, "LineString", read_arrow(batch / f"{LINES}.parquet")) for batch in sorted(bands))
    write_geopackage(lines_out, [(LINES, "LineString", empty_layer(LINES, tiers, plan_crs)), *lines], crs=plan_crs)
    write_csv(rejects_out, rejects_table(rejected))


def rejects_table(rejects: gpd.GeoDataFrame) -> pd.DataFrame:
    """Rejects without their geometry; a place of each that has one, in degrees of its own datum."""
    shape = np.asarray(rejects.geometry.values, object)
    xy, owner = shapely.get_coordinates(shape, return_index=True)
    finite = np.isfinite(xy).all(axis=1)
    first = np.unique(owner[finite], return_index=True)
    place = np.full((len(shape), 2), np.nan)
    points = to_geographic(shapely.points(xy[finite][first[1]]), rejects.crs.to_wkt())
    place[first[0]] = shapely.get_coordinates(points)
    place[~np.isfinite(place).all(axis=1)] = np.nan
    columns = [c.FILE, c.LAYER, c.FEATURE, c.FIELD_ID, c.REASON]
    return rejects[columns].assign(**{c.LONGITUDE: place[:, 0], c.LATITUDE: place[:, 1]})


def field_summary(passes: list[Path], figures: pd.DataFrame, crs: str) -> gpd.GeoDataFrame:
    """Polygons of the fields; a column a figure and tier, such as ``expected_miss_share_sbas``."""
    ids, shapes = [], []
    folders = [field for batch in passes for field in fields_of(batch)]
    for folder in counted(folders, "layers: field_summary", "fields", log=LOG):
        boundary = read_geo(folder / "boundary.parquet")
        ids.append(safe_text(read_json(folder / "field.json")["field_id"]))  # as field_tier.csv has it
        shapes.append(from_local(boundary.geometry.values, boundary.crs, crs)[0])
    fields = gpd.GeoDataFrame({c.FIELD_ID: np.array(ids, object)}, geometry=np.array(shapes, object), crs=crs)
    once = figures.drop_duplicates(c.FIELD_ID)[[c.FIELD_ID, *FIELD_FACTS]]
    table = fields.merge(once, on=c.FIELD_ID, how="left")
    by_tier: dict[str, np.ndarray] = {}
    for tier in pd.unique(figures[c.TIER]):
        one = figures[figures[c.TIER] == tier].set_index(c.FIELD_ID)
        by_tier |= {c.under(name, tier): one[name].reindex(table[c.FIELD_ID]).to_numpy(float) for name in TIER_FIGURES}
        # A figure under a tier whose base is too far away is not to be read without a word of that.
        by_tier[c.under(c.REACH, tier)] = one[c.REACH].reindex(table[c.FIELD_ID], fill_value="").to_numpy(object)
    table = table.join(pd.DataFrame(by_tier, index=table.index))
    return table.sort_values(c.FIELD_ID, ignore_index=True)


def styles(tiers: list[str]) -> list[Style]:
    """Our colours: fields by share and rows by class under each tier, the first tier's shown at first."""
    hold, reach, dark = (dict(COLOURS)[name] for name in ("holds", "doubt", "crossing"))
    rows = [
        Style("row_lines", f"class under {tier}", "line", COLOURS, c.under(c.CLASS, tier), default=number == 0)
        for number, tier in enumerate(tiers)
    ]
    shares = [
        Style(
            "field_summary", f"share expected off under {tier}", "shade", SHARE_SHADES, c.under(c.EXPECTED_MISS_SHARE, tier),
            default=number == 0, edges=SHARE_EDGES,
        )
        for number, tier in enumerate(tiers)
    ]  # fmt: skip
    made = [
        *shares,
        Style("field_summary", "outlines", "outline", (("field", dark),), default=not tiers),
        Style("strip_lines", "strips", "line", (("strip", STRIP_LINE_COLOUR),)),
        *rows,
        Style("checked_row_lines", "class after the checks", "line", COLOURS, c.CLASS),
        Style("checks", "ground checks", "mark", (("dug", dark),)),
        Style("next_checks", "where to dig next", "mark", (("dig here", DIG_COLOUR),)),
        Style("hold_bands", "hold bands", "fill", (("hold band", hold),)),
        Style("reach_bands", "reach bands", "fill", (("reach band", reach),)),
        Style("rejects", "rejects", "any", (("reject", dict(COLOURS)["misses"]),)),
    ]
    return [replace(style, labels=LABELS) for style in made]


def _layers(bands: list[Path], fields: gpd.GeoDataFrame, rejects: gpd.GeoDataFrame) -> Iterator[tuple]:
    yield "field_summary", LAYERS["field_summary"], fields
    for kind in (name for name in LAYERS if name not in ("field_summary", "rejects")):
        for batch in counted(bands, f"layers: {kind}", "batches", log=LOG):
            yield kind, LAYERS[kind], read_arrow(batch / f"{kind}.parquet")
    yield "rejects", LAYERS["rejects"], rejects


if __name__ == "__main__":
    job = snakemake  # type: ignore[name-defined]  # noqa: F821
    run_step(
        lambda: run(
            bands=[Path(one).parent for one in job.input.bands], passes=[Path(one).parent for one in job.input.passes],
            rejects=Path(job.input.rejects), summary=Path(job.input.summary), crs_from=Path(job.input.crs),
            out=Path(job.output.layers), lines_out=Path(job.output.lines), rejects_out=Path(job.output.rejects),
        ),
        log=job.log[0],
    )  # fmt: skip
