"""Layers that may be left out may be empty too: nobody has dug yet, no zone is drawn, no base is there."""

import json

import geopandas as gpd
import pandas as pd
import pytest
from workflow import CRS, config, passes_of, run_steps, write_coop

from pipeline.files.store import read_json

KINDS = {"bases": "Point", "checks": "Point", "zones": "Polygon"}
COLUMNS = {"bases": ["base_id"], "checks": ["offset"], "zones": ["factor"]}


def write_empty(folder, role: str, how: str) -> dict[str, str]:
    """An empty layer with or without columns, as the configuration names it."""
    if how == "geojson":
        path = folder / f"{role}.geojson"
        path.write_text(json.dumps({"type": "FeatureCollection", "features": []}))
        return {"file": str(path)}
    columns = {"THEIRS": pd.Series(dtype="float")} if how == "columns" else {}
    layer = gpd.GeoDataFrame(columns, geometry=gpd.GeoSeries([], crs=CRS), crs=CRS)
    path = folder / "coop.gpkg"
    layer.to_file(path, layer=role, driver="GPKG", engine="pyogrio", geometry_type=KINDS[role])
    return {"file": str(path), "layer": role}


@pytest.mark.parametrize("how", ["columns", "bare", "geojson"])
@pytest.mark.parametrize("role", list(KINDS))
def test_an_empty_layer_says_what_none_says(tmp_path, role, how):
    write_coop(tmp_path, rows=passes_of(shift_m=0.05))
    settings = config(tmp_path)
    without = run_steps(settings, tmp_path / "without")
    settings["inputs"][role] = write_empty(tmp_path, role, how) | {"columns": dict.fromkeys(COLUMNS[role], "THEIRS")}
    tables = run_steps(settings, tmp_path / "empty")
    for name, table in without.items():
        pd.testing.assert_frame_equal(tables[name], table, obj=name)
    said = read_json(tmp_path / "empty/work/intake.json")
    assert [said["layers"][role][part] for part in ("read", "kept", "rejected")] == [0, 0, 0]
    assert [note for note in said["notes"] if "holds no feature" in note and f"inputs.{role}" in note]
    assert any("no bases are given" in note for note in said["notes"])
