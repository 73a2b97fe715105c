"""RTK bases: which one a field goes by, how far it is, and whether the tier reaches."""

import json

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from starts import catalogue, times
from workflow import CRS, area, boundaries, config, passes_of, run_steps, take_in, write_coop

from pipeline.errors import InputError
from pipeline.files.headline import headline
from pipeline.steps import sheets

# Lengths in the layer's projection are not quite true ones.
PLANE = 5e-4


def bases(*places: tuple[str, float], **columns) -> gpd.GeoDataFrame:
    """Bases by name, so many metres north of the middle of the first field."""
    middle = area(0).centroid
    points = [shapely.Point(middle.x, middle.y + north) for _, north in places]
    return gpd.GeoDataFrame({"base_id": [name for name, _ in places]} | columns, geometry=points, crs=CRS)


def settings_with(folder, *, layer=None, base_id=None, rows=None, **tier) -> dict:
    """Two fields, one invented tier; `base_id` of each field."""
    fields = boundaries() if base_id is None else boundaries().assign(base_id=base_id)
    file = write_coop(folder, fields=fields, rows=times(passes_of(1), [0, 60, 120, 180]) if rows is None else rows)
    settings = config(folder)
    settings["inputs"]["rows"]["columns"] |= {"started_at": "T0", "ended_at": "T1"}
    settings["tiers"] = {"catalogue": catalogue(folder, **tier), "compare": ["slow"]}
    if layer is not None:
        layer.to_file(file, layer="bases", driver="GPKG", engine="pyogrio")
        settings["inputs"]["bases"] = {"file": str(file), "layer": "bases"}
    return settings


def intaken(settings, folder) -> pd.DataFrame:
    """Fields as the intake writes them, by id."""
    batches = sorted((take_in(settings, folder) / "intake").glob("*/fields.parquet"))
    return pd.concat([pd.read_parquet(path) for path in batches]).set_index("field_id")


@pytest.mark.parametrize(
    ("away_m", "reach"), [(None, "unknown"), (9_000.0, "in reach"), (11_000.0, "out of reach")]
)
def test_reach_and_baseline_are_in_every_table(tmp_path, away_m, reach):
    layer = None if away_m is None else bases(("shop", away_m))
    tables = run_steps(settings_with(tmp_path, layer=layer, range="10 km"), tmp_path)
    for name in ("fields", "rows", "passes", "waiting", "shift"):
        mine = tables[name][tables[name].field_id == "F0"]
        assert len(mine) and (mine.reach == reach).all(), name
        if away_m is None:
            assert mine.baseline_m.isna().all(), name
        else:
            np.testing.assert_allclose(mine.baseline_m, away_m, rtol=PLANE, err_msg=name)
    # Only what is known to be out of reach is flagged.
    flagged = reach == "out of reach"
    assert ("out of reach" in headline(tmp_path / "results")) == flagged
    no_miss = tables["fields"].assign(expected_miss_share=0.0)
    assert sheets._wanted(no_miss, "flagged") == flagged


def test_the_audit_says_reach_and_baseline(tmp_path):
    settings = settings_with(tmp_path, layer=bases(("shop", 11_000.0)), range="10 km")
    settings["inputs"]["rows"]["kind"] = "planted"
    audit = run_steps(settings, tmp_path)["audit"]
    of_tier = audit[(audit.tier == "slow") & (audit.field_id == "F0")]
    assert len(of_tier) and (of_tier.reach == "out of reach").all()
    np.testing.assert_allclose(of_tier.baseline_m, 11_000.0, rtol=PLANE)


def test_a_tier_without_a_range_is_always_in_reach(tmp_path):
    assert (run_steps(settings_with(tmp_path), tmp_path)["fields"].reach == "in reach").all()


def test_a_field_goes_by_the_base_that_it_names_and_else_by_the_nearest(tmp_path):
    layer = bases(("shop", 9_000.0), ("hill", 3_000.0), surveyed=[False, True])
    found = intaken(settings_with(tmp_path, layer=layer, base_id=["shop", None]), tmp_path)
    assert found.baseline_m["F0"] == pytest.approx(9_000.0, rel=PLANE)
    assert found.baseline_m["F2"] == pytest.approx(np.hypot(3_000.0, 400.0), rel=PLANE)
    assert found.base_surveyed.to_dict() == {"F0": False, "F2": True}


def test_a_constant_names_the_base_of_all_fields_by_number_too(tmp_path):
    settings = settings_with(tmp_path, layer=bases((7.0, 9_000.0), (8.0, 3_000.0)))
    settings["inputs"]["fields"]["constants"] = {"base_id": "7"}
    assert (intaken(settings, tmp_path).baseline_m > 8_900.0).all()


@pytest.mark.parametrize(
    ("layer", "message"),
    [
        (
            bases(("shop", 10.0), ("hill", 20.0)),
            "base_id 'shp' is no base of inputs.bases; did you mean 'shop'? Known: hill, shop",
        ),
        (None, "base_id 'shp' is no base of inputs.bases; no bases are given: give inputs.bases, or "
         "take base_id out of inputs.fields"),
        (bases(("shp", 10.0), ("shp", 20.0)), "base_id 'shp' is the name of 2 bases; expected one, rename the others"),
    ],
)  # fmt: skip
def test_a_base_that_cannot_be_told_is_one_clear_error(tmp_path, layer, message):
    with pytest.raises(InputError) as caught:
        take_in(settings_with(tmp_path, layer=layer, base_id=["shp", ""]), tmp_path)
    assert str(caught.value) == f"inputs.fields: field 'F0': {message}"


def test_a_name_of_two_bases_that_no_field_names_is_no_error(tmp_path):
    layer = bases(("shop", 10.0), ("shop", 20.0))
    assert len(intaken(settings_with(tmp_path, layer=layer), tmp_path)) == 2


@pytest.mark.parametrize(
    ("autumn", "away_m", "told"),
    [("slow", 11_000.0, 1), ("slow", 9_000.0, 0), ("same", 11_000.0, 0), ("as_logged", 11_000.0, 1)],
)
def test_strips_beyond_the_range_of_autumn_s_own_tier_are_noted(tmp_path, autumn, away_m, told):
    settings = settings_with(tmp_path, layer=bases(("shop", away_m)), range="10 km")
    settings["tiers"]["autumn"] = autumn
    settings["inputs"]["strips"]["constants"]["tier"] = "slow"
    notes = json.loads((take_in(settings, tmp_path) / "settings/notes.json").read_text())
    mine = [note for note in notes if "beyond its range of 6.2 mi in 2 fields (F0, F2)" in note]  # 10 km are 6.21 mi
    assert len(mine) == told
