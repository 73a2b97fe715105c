"""A small invented field through the workflow's steps, from layers on disk to the odds and the return error."""

from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
import yaml
from seasons import Figures
from small_fields import SmallField
from workflow import CRS, ORIGIN, layer_of, take_in, write_coop

from pipeline import columns as c
from pipeline.files.field_data import FieldData
from pipeline.files.settings import Settings
from pipeline.steps import odds, offsets, passes


def entry(name: str, one: Figures) -> dict:
    """An invented tier with these figures, as a catalogue has it."""
    names = ("pass_to_pass", "repeatable", "convergence", "start_error", "correlation_time")
    return {
        "id": name, "name": "Invented", "pass_to_pass": f"{one.pass_to_pass_m:.9f} m",
        "repeatable": f"{one.repeatable_m:.9f} m", "measure": "cross_track_95", "basis": "return",
        "convergence": f"{one.converges_s:g} s", "start_error": f"{one.start_m:g} m",
        "correlation_time": f"{one.correlation_s:g} s", "frame": "base", "source": dict.fromkeys(names, "invented"),
    }  # fmt: skip


def write_small(folder: Path, small: SmallField, tiers: dict[str, Figures], *, checks=None) -> dict:
    """Layers and catalogue on disk, and a configuration for them.

    Wander and machine error are those of the first tier; `checks` are places, (n, 2), dug with a tape of 1/4 in.
    """
    (folder / "tiers.yaml").write_text(yaml.safe_dump([entry(name, one) for name, one in tiers.items()]))
    boundary = layer_of([small.boundary], FIELD=["F0"])
    file = str(write_coop(
        folder, fields=boundary.set_geometry(boundary.translate(*ORIGIN)), strips=small.strips.layer(),
        rows=small.rows.layer(),
    ))  # fmt: skip
    one = next(iter(tiers.values()))
    times = {"pass_id": "PASS", "started_at": "T0", "ended_at": "T1"}
    bar, planter = ({"row_count": laid.row_count, "row_spacing": "30 in"} for laid in (small.strips, small.rows))
    settings = {
        "title": "Invented", "raster": {"cell": "0.1 m"}, "report": {"sheets": "none"},
        "inputs": {
            "fields": {"file": file, "layer": "fields", "columns": {"field_id": "FIELD"}},
            "strips": {"file": file, "layer": "strips", "columns": times, "constants": bar | {"strip_width": "8 in"}},
            "rows": {"file": file, "layer": "planter", "columns": times, "constants": planter},
        },
        "tiers": {"catalogue": str(folder / "tiers.yaml"), "compare": list(tiers)},
        "judging": {
            # One figure for both operations: sqrt(0.36 + 0.64) is 1.
            "steering": {"autumn": f"{0.6 * one.wander_m:.9f} m", "spring": f"{0.8 * one.wander_m:.9f} m"},
            "machine_error": f"{one.machine_m:.9f} m",
            "convergence": {"count": "times" if small.converging else "none"},
        },
    }  # fmt: skip
    if checks is not None:
        points = gpd.GeoDataFrame(geometry=shapely.points(checks + ORIGIN), crs=CRS)
        points = points.assign(offset=0.0, tape_error=0.25 * 0.0254)
        points.to_file(file, layer="checks", driver="GPKG", engine="pyogrio")
        settings["inputs"]["checks"] = {"file": file, "layer": "checks"}
    return settings


def measured(folder: Path, settings: dict) -> tuple[FieldData, Settings, dict[str, Path]]:
    """The field laid out and measured, the settings, and the folders of its batch."""
    work = take_in(settings, folder)
    (batch,) = (p for p in (work / "intake").iterdir() if p.is_dir() and len(gpd.read_parquet(p / "fields.parquet")))
    at = {name: work / name / batch.name for name in ("passes", "offsets", "odds")}
    passes.run(batch=batch, settings=work / "settings/geometry.json", out=at["passes"])
    offsets.run(passes=at["passes"], out=at["offsets"])
    (laid,) = (p for p in at["passes"].iterdir() if p.is_dir())
    return FieldData.read(laid, at["offsets"]), Settings.read(work / "settings/tiers.json"), at


def judged(folder: Path, settings: dict) -> pd.DataFrame:
    """By tier: length of rows on strips [m], mean and percentiles of the missed share."""
    _, _, at = measured(folder, settings)
    tiers = at["odds"].parents[1] / "settings/tiers.json"
    losses = tiers.with_name("losses.json")
    odds.run(passes=at["passes"], offsets=at["offsets"], tiers=tiers, losses=losses, out=at["odds"])
    rows = pd.read_parquet(at["odds"] / "rows.parquet").groupby(c.TIER).sum(numeric_only=True)
    length = rows[c.HOLDS_M] + rows[c.DOUBT_M] + rows[c.MISSES_M]
    field = pd.read_parquet(at["odds"] / "fields.parquet").set_index(c.TIER)
    return field[[c.P10, c.P50, c.P90]].assign(length_m=length, mean=rows[c.EXPECTED_MISS_M] / length)


def middle_of(field: FieldData, span: int) -> np.ndarray:
    """Where the middle of a span lies, in the coordinates of `small_fields` [m]."""
    spans, lines = field.spans, field.lines("planter")
    line = spans.row[span]
    along = 0.5 * (spans.start_m[span] + spans.end_m[span]) - float(lines[c.ALONG_M].iloc[line])
    point = gpd.GeoSeries([lines.geometry.iloc[line].interpolate(along)], crs=lines.crs).to_crs(CRS)
    return shapely.get_coordinates(point.values)[0] - ORIGIN
