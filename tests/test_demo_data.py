"""The committed demo: reproducible, small, of realistic size, and with the oddities it promises."""

import importlib
import math
import sys
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import shapely
import yaml
from pyproj import Geod, Transformer

ROOT = Path(__file__).resolve().parents[1]
DEMO = ROOT / "demo_gis"
COOP = DEMO / "coop.gpkg"
BAR_M = 12 * 0.762
MILE_M = 1609.344


def usable(layer: str) -> gpd.GeoDataFrame:
    """Return the features of a layer that are lines with a length or valid polygons."""
    table = gpd.read_file(COOP, layer=layer)
    shape = table.geometry
    return table[shape.is_valid & (shape.length > 0) & table["FIELD"].ne("QP99-unknown")]


def of_field(table: gpd.GeoDataFrame, field_id: str) -> gpd.GeoDataFrame:
    return table[table["FIELD"].eq(field_id)]


def test_script_reproduces_the_committed_file(tmp_path, monkeypatch):
    monkeypatch.setattr(sys, "path", [str(DEMO), *sys.path])
    written = importlib.import_module("make_demo").make(tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["coop.gpkg"]
    assert written.read_bytes() == COOP.read_bytes()


def test_committed_files_are_small():
    assert sum(path.stat().st_size for path in DEMO.glob("*.gpkg")) <= 3_000_000


def test_fields_have_realistic_areas():
    fields = usable("fields").to_crs("EPSG:6318").set_index("FIELD")
    area_ha = fields.geometry.map(
        lambda shape: abs(Geod(ellps="GRS80").geometry_area_perimeter(shape)[0]) / 1e4
    )
    assert len(area_ha) == 8 and fields["FARM"].nunique() == 3
    assert area_ha.between(20, 65).all()
    # a quarter section is half a mile square
    assert area_ha["QP01-quarter"] == pytest.approx((MILE_M / 2) ** 2 / 1e4, rel=1e-4)
    assert area_ha["QP02-pivot"] == pytest.approx(math.pi * 400**2 / 1e4, rel=1e-3)


def test_half_mile_square_takes_88_passes_of_the_bar():
    assert math.floor(MILE_M / 2 / BAR_M) == 88
    assert len(of_field(usable("strips"), "QP01-quarter")) == 88
    assert len(of_field(usable("planter"), "QP01-quarter")) == 88


def test_wide_planter_takes_half_the_passes():
    strips, planter = (of_field(usable(layer), "QP04-wide-planter") for layer in ("strips", "planter"))
    assert set(strips["ROWS"]) == {12} and set(planter["ROWS"]) == {24}
    assert len(strips) == 2 * len(planter)


def test_headland_is_crossed_and_a_part_never_built():
    strips, planter = (of_field(usable(layer), "QP05-headland") for layer in ("strips", "planter"))
    rows = planter.geometry.union_all()
    crossing = [line for line in strips.geometry if line.length < 500 and line.crosses(rows)]
    assert len(crossing) == 4
    assert len(planter) - (len(strips) - 4) == 9


def test_logged_strips_wander_two_to_three_centimetres():
    strips, planter = (of_field(usable(layer), "QP01-quarter") for layer in ("strips", "planter"))
    plan = planter.geometry.union_all()
    # first and last vertex left out: strip and plan overshoot the boundary by different lengths
    inner = np.concatenate([shapely.get_coordinates(line)[1:-1] for line in strips.geometry])
    gaps_m = shapely.distance(shapely.points(inner), plan)
    assert 0.02 < np.sqrt(np.mean(gaps_m**2)) < 0.03


def test_far_farm_lies_eight_miles_from_its_nearest_base():
    field = of_field(usable("fields"), "QP06-far").to_crs("EPSG:6344").geometry.iloc[0]
    bases = gpd.read_file(COOP, layer="bases")
    assert bases["surveyed"].all()
    miles = bases.to_crs("EPSG:6344").distance(field.centroid) / MILE_M
    assert miles.min() == pytest.approx(8.0, abs=0.2)


def test_plan_in_another_frame_falls_on_the_strips_once_moved():
    strips, planter = (of_field(usable(layer), "QP07-frames") for layer in ("strips", "planter"))
    assert set(planter["FRAME"]) == {"ITRF2014"} and set(planter["EPOCH"]) == {2026.3}
    assert set(strips["FRAME"]) == {"NAD83(2011)"} and set(strips["EPOCH"]) == {2010.0}
    to_degrees = Transformer.from_crs("EPSG:6344", "EPSG:6318")
    to_nad83 = Transformer.from_crs("EPSG:7912", "EPSG:6319")
    raw_m = shapely.get_coordinates(planter.geometry.iloc[30])
    lat, lon, *_ = to_nad83.transform(*to_degrees.transform(*raw_m.T), np.full(2, 260.0), np.full(2, 2026.3))
    moved_m = np.column_stack(to_degrees.transform(lat, lon, direction="INVERSE"))
    # central Iowa, 1.3543 m at 2025.0 and 17.6 mm a year of drift (computed by PROJ 9.5.1 from EPSG:8970)
    assert np.hypot(*(moved_m - raw_m).T) == pytest.approx(1.37, abs=0.02)
    nearest = shapely.distance(
        shapely.LineString(moved_m).interpolate(0.5, normalized=True), strips.geometry.values
    )
    assert nearest.min() < 0.1


def test_some_logs_have_no_field_name_but_lie_in_a_field():
    strips = usable("strips")
    field = of_field(usable("fields"), "QP03-contour").to_crs(strips.crs).geometry.iloc[0]
    unnamed = strips[strips["FIELD"].isna()]
    assert unnamed.intersects(field).sum() == len(unnamed) - 1 == 6


def test_planted_bad_features_are_there():
    fields, strips, planter = (gpd.read_file(COOP, layer=layer) for layer in ("fields", "strips", "planter"))
    bad = strips[strips["PASS"] > 9000]
    assert len(bad) == 5
    assert bad.geometry.isna().sum() == 1
    assert bad.geometry.dropna().is_empty.sum() == 1
    assert (bad.geometry.dropna().length == 0).sum() == 2  # the empty one and the one of no length
    assert bad["FIELD"].isna().sum() == 1 and bad["FIELD"].eq("QP99-unknown").sum() == 1
    assert planter.geometry.length.eq(0).sum() == 1
    assert list(fields.loc[~fields.is_valid, "FIELD"]) == ["QP90-bowtie"]


def test_times_are_in_season_and_in_order():
    for layer, year, month in (("strips", 2025, 10), ("planter", 2026, 4)):
        table = usable(layer).dropna(subset=["T0"]).sort_values(["FIELD", "PASS"])
        assert set(table["T0"].dt.year) == {year} and set(table["T0"].dt.month) == {month}
        speed_km_h = table.length / (table["T1"] - table["T0"]).dt.total_seconds() * 3.6
        assert speed_km_h.between(7.5, 10.5).all()
        for _, passes in table.dropna(subset=["FIELD"]).groupby("FIELD"):
            assert (passes["T0"].iloc[1:].array >= passes["T1"].iloc[:-1].array).all()


def test_configuration_names_columns_that_exist():
    inputs = yaml.safe_load((DEMO / "demo.yaml").read_text())["inputs"]
    for source in inputs.values():
        table = gpd.read_file(ROOT / source["file"], layer=source["layer"])
        assert set(source.get("columns", {}).values()) <= set(table.columns)
