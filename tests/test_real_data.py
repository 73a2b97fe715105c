"""Two seasons of logs that nobody here made; the data is not part of the project."""

from pathlib import Path

import geopandas as gpd
import numpy as np
import pyogrio
import pytest
import shapely
from helpers import INCH
from workflow import PROJECT, run_steps

from pipeline import columns as c

DATA = PROJECT.parent / "shared" / "realdata" / "two_seasons.gpkg"
GAP_M, SHORTEST_M = 15.0, 20.0

pytestmark = [
    pytest.mark.realdata,
    pytest.mark.slow,
    pytest.mark.skipif(
        not DATA.exists(), reason="two_seasons.gpkg is not here; it is others' data, not shipped"
    ),
]


def pass_lines(layer: str) -> gpd.GeoDataFrame:
    """Points of a log as lines: one a pass, in the order logged, split at gaps, short pieces dropped."""
    points = pyogrio.read_dataframe(DATA, layer=layer)
    points = points.to_crs(points.estimate_utm_crs())
    lines, names = [], []
    for number, one in points.groupby("pass", sort=True):
        xy = shapely.get_coordinates(one.geometry.values)
        gaps = np.flatnonzero(np.hypot(*np.diff(xy, axis=0).T) > GAP_M) + 1
        for k, part in enumerate(np.split(xy, gaps)):
            line = shapely.LineString(part) if len(part) > 1 else shapely.LineString()
            if line.length >= SHORTEST_M:
                lines.append(line)
                names.append(f"{number:g}.{k}")
    return gpd.GeoDataFrame({"PASS": names}, geometry=lines, crs=points.crs)


def write_seasons(path: Path) -> None:
    fields = pyogrio.read_dataframe(DATA, layer="boundary")
    fields["FIELD"] = [f"part {k}" for k in range(len(fields))]
    layers = {"fields": fields, "strips": pass_lines("log_2014"), "planter": pass_lines("log_2018")}
    for name, layer in layers.items():
        layer.to_file(path, layer=name, driver="GPKG", engine="pyogrio")


def settings(path: Path) -> dict:
    implement = {"row_count": 8, "row_spacing": "30 in"}
    columns = {"pass_id": "PASS"}
    strips = implement | {"strip_width": "8 in"}
    return {
        "title": "Two seasons",
        "inputs": {
            "fields": {"file": str(path), "layer": "fields", "columns": {"field_id": "FIELD"}},
            "strips": {"file": str(path), "layer": "strips", "columns": columns, "constants": strips},
            "rows": {"file": str(path), "layer": "planter", "kind": "planted", "columns": columns,
                     "constants": implement},
        },
        "tiers": {"compare": ["sbas", "ppp_cm", "rtk_base"]}, "report": {"sheets": "none"},
    }  # fmt: skip


def test_two_seasons(tmp_path):
    path = tmp_path / "seasons.gpkg"
    write_seasons(path)
    fields = run_steps(settings(path), tmp_path)["fields"]
    parts = fields[[c.HOLDS_M, c.DOUBT_M, c.MISSES_M, c.NO_STRIP_M, c.CROSSING_M]].sum(axis=1)
    np.testing.assert_allclose(parts, fields[c.ROW_LENGTH_M], rtol=1e-6, atol=1e-6)
    assert (fields[c.RASTER_GAP_SHARE].fillna(0) <= fields["raster_tolerance_share"].fillna(0)).all()
    lengths = [
        c.ROW_LENGTH_M,
        c.HOLDS_M,
        c.DOUBT_M,
        c.MISSES_M,
        c.NO_STRIP_M,
        c.CROSSING_M,
        c.EXPECTED_MISS_M,
    ]
    total = fields.groupby(c.TIER)[lengths].sum()
    matched = total[[c.HOLDS_M, c.DOUBT_M, c.MISSES_M]].sum(axis=1)
    share = total[c.EXPECTED_MISS_M] / matched
    print(total.assign(share=share).T.round(3).to_string())
    # The rows of 2018 were planted anew: offsets lie about evenly over the row spacing.
    assert share["rtk_base"] == pytest.approx(1 - 8 * INCH / (30 * INCH), abs=0.1)
