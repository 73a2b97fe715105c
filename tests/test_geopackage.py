"""The GeoPackage: the standard's requirements by SQL, another reader's counts, and equal bytes."""

import json
import re
import shutil
import sqlite3
import subprocess
import xml.etree.ElementTree as ElementTree
from contextlib import closing
from math import nan

import fiona
import geopandas as gpd
import numpy as np
import pandas as pd
import pyarrow as pa
import pyogrio
import pyproj
import pytest
import shapely
from pyproj import Transformer

from pipeline import columns as c
from pipeline.core.local import from_local, local_crs
from pipeline.errors import CheckError
from pipeline.files import geopackage
from pipeline.files.empty_layers import empty_layer
from pipeline.files.geopackage import write_geopackage
from pipeline.steps import layers

CRS = gpd.GeoSeries(crs="EPSG:26915").crs.to_wkt()
FEATURE_LAYERS = list(layers.LAYERS)
TIERS = ("fine", "coarse")
SLD = "{http://www.opengis.net/sld}"


def batch_tables(field, rows):
    """What `bands` hands on for one invented field with some pieces of row."""
    x = 450_000.0 + 10 * np.arange(rows)
    line = np.array([shapely.LineString([(k, 4_650_000), (k, 4_650_200)]) for k in x], object)
    band = np.array([shapely.MultiPolygon([shapely.box(k, 4_650_000, k + 1, 4_650_200)]) for k in x], object)
    names = {c.FIELD_ID: np.full(rows, field, object), c.PASS_ID: np.full(rows, "1", object)}
    pieces = names | {c.UNIT: np.arange(rows), "length_m": np.full(rows, 200.0)}
    for tier in TIERS:
        pieces |= {
            f"class_{tier}": np.full(rows, "holds", object),
            f"miss_{tier}": np.where(np.arange(rows) % 2, np.nan, 0.01),
        }
    made = {
        "strip_lines": (names, line), "row_lines": (pieces, line),
        "hold_bands": (names | {c.TIER: np.full(rows, "fine", object)}, band),
        "reach_bands": (names | {c.TIER: np.full(rows, "fine", object)}, band),
    }  # fmt: skip
    return {kind: gpd.GeoDataFrame(columns, geometry=shape, crs=CRS) for kind, (columns, shape) in made.items()}


def some_rejects():
    shapes = [
        shapely.Point(1, 2),
        None,
        shapely.LineString([(0, 0), (1, 1)]),
        shapely.Polygon([(0, 0, 5), (1, 1, 5), (1, 0, 5)]),
    ]
    columns = {c.FILE: "coop.gpkg", c.LAYER: "strips", c.FEATURE: list("1234")}
    columns |= {c.FIELD_ID: ["A", None, "B", "B"], c.REASON: ["invented"] * 4}
    return gpd.GeoDataFrame(columns, geometry=shapes, crs=CRS)


@pytest.fixture
def inputs(tmp_path):
    """Two batches, the first without a feature, so that columns are known from an empty table."""
    local = local_crs(-93.5, 42.0)
    for batch, field, rows in (("b00", "none", 0), ("b01", "F1", 6), ("b1", "F0", 3)):
        for kind, table in batch_tables(field, rows).items():
            (tmp_path / "bands" / batch).mkdir(parents=True, exist_ok=True)
            table.to_parquet(tmp_path / "bands" / batch / f"{kind}.parquet")
        for kind in ("checked_row_lines", "checks", "next_checks", "shifted_lines"):
            empty_layer(kind, list(TIERS), CRS).to_parquet(tmp_path / "bands" / batch / f"{kind}.parquet")
        folder = tmp_path / "passes" / batch / field
        folder.mkdir(parents=True)
        gpd.GeoDataFrame(geometry=[shapely.box(0, 0, 100, 200)], crs=local).to_parquet(folder / "boundary.parquet")
        (folder / "field.json").write_text(json.dumps({"field_id": field}))
    some_rejects().to_parquet(tmp_path / "rejects.parquet")
    figures = {c.FIELD_ID: ["F0", "F0", "F1", "F1"], c.FARM: "Invented", c.TIER: [*TIERS, *TIERS]}
    figures |= dict.fromkeys([*layers.FIELD_FACTS[1:], *layers.TIER_FIGURES], 0.0)
    figures |= {c.REACH: ["in reach", "out of reach", "unknown", "in reach"]}
    figures |= {c.HOLDS_M: 1.0, c.EXPECTED_MISS_SHARE: [0.1, 0.2, 0.3, 0.4], c.P90: [0.5, 0.6, 0.7, 0.8]}
    figures |= {"checked_expected_miss_share": [0.15, 0.25, nan, nan], "checked_miss_share_p10": [0.11, 0.12, nan, nan]}
    pd.DataFrame(figures).to_csv(tmp_path / "field_tier.csv", index=False)
    (tmp_path / "intake.json").write_text(json.dumps({"crs": CRS, "plan_crs": CRS}))
    return tmp_path


def collect(folder, name="rowreturn.gpkg"):
    out = folder / "results" / name
    layers.run(
        bands=list((folder / "bands").iterdir()), passes=list((folder / "passes").iterdir()),
        rejects=folder / "rejects.parquet",
        summary=folder / "field_tier.csv", crs_from=folder / "intake.json", out=out,
        lines_out=out.with_name("shifted_lines.gpkg"), rejects_out=out.with_name("rejects.csv"),
    )  # fmt: skip
    return out


def ask(path, query):
    with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as database:
        return database.execute(query).fetchall()


def test_requirements_of_the_standard(inputs):
    """Numbers are those of OGC 12-128r19."""
    path = collect(inputs)
    assert ask(path, "PRAGMA application_id") == [(1196444487,)]  # R2
    assert ask(path, "PRAGMA integrity_check") == [("ok",)]  # R6
    assert ask(path, "PRAGMA foreign_key_check") == []  # R7
    known = {row[0] for row in ask(path, "SELECT srs_id FROM gpkg_spatial_ref_sys")}
    assert {-1, 0, 4326} <= known  # R11
    used = ask(path, "SELECT srs_id FROM gpkg_contents WHERE data_type = 'features'")
    assert {row[0] for row in used} == {26915} <= known  # R12
    contents = dict(ask(path, "SELECT table_name, data_type FROM gpkg_contents"))
    others = dict.fromkeys(("layer_styles", "legend"), "attributes")
    assert contents == dict.fromkeys(FEATURE_LAYERS, "features") | others  # R18
    for layer in contents:
        keys = [row[1:3] for row in ask(path, f"PRAGMA table_info({layer})") if row[5]]
        assert [kind for _, kind in keys] == ["INTEGER"]  # R29
    pairs = "SELECT a.srs_id, b.srs_id FROM gpkg_contents a JOIN gpkg_geometry_columns b USING (table_name)"
    assert all(one == other for one, other in ask(path, pairs))  # R146


@pytest.mark.parametrize("layer", FEATURE_LAYERS)
def test_every_layer_has_a_spatial_index(inputs, layer):
    path = collect(inputs)
    extensions = ask(path, "SELECT table_name, column_name, extension_name FROM gpkg_extensions")
    assert (layer, "geom", "gpkg_rtree_index") in extensions  # R75
    triggers = ask(path, f"SELECT name FROM sqlite_master WHERE type = 'trigger' AND tbl_name = '{layer}'")
    assert sum(name.startswith(f"rtree_{layer}_geom_") for (name,) in triggers) >= 6  # R77
    indexed = ask(path, f"SELECT count(*) FROM rtree_{layer}_geom")
    there = ask(path, f"SELECT count(*) FROM {layer} WHERE geom IS NOT NULL")
    assert indexed == there  # R76


def test_another_reader_counts_the_same(inputs):
    path = collect(inputs)
    counts = {}
    for layer in FEATURE_LAYERS:
        with fiona.open(path, layer=layer) as source:
            counts[layer] = len(list(source))
            assert source.crs.to_epsg() == 26915
    assert counts == {
        "field_summary": 3, "strip_lines": 9, "row_lines": 9, "hold_bands": 9, "reach_bands": 9, "rejects": 4,
        "checked_row_lines": 0, "checks": 0, "next_checks": 0,
    }  # fmt: skip


def test_what_was_written_is_read_back(inputs):
    path = collect(inputs)
    rows = pyogrio.read_dataframe(path, layer="row_lines")
    wanted = pd.concat([batch_tables("F1", 6)["row_lines"], batch_tables("F0", 3)["row_lines"]], ignore_index=True)
    assert list(rows.columns) == list(wanted.columns)
    assert shapely.equals(rows.geometry.values, wanted.geometry.values).all()
    np.testing.assert_array_equal(rows["miss_fine"], wanted["miss_fine"])
    rejects = pyogrio.read_dataframe(path, layer="rejects")
    assert list(rejects.geometry.isna()) == [False, True, False, False]
    assert not shapely.has_z(rejects.geometry.values).any()


def test_field_summary_has_a_column_a_tier(inputs):
    table = pyogrio.read_dataframe(collect(inputs), layer="field_summary").set_index(c.FIELD_ID)
    assert list(table.index) == ["F0", "F1", "none"]
    assert table.loc["F1", "expected_miss_share_coarse"] == 0.4
    assert table.loc["F0", "miss_share_p90_fine"] == 0.5
    assert np.isnan(table.loc["none", "expected_miss_share_fine"])
    assert table.loc["F0", ["checked_expected_miss_share_fine", "checked_miss_share_p10_coarse"]].tolist() == [0.15, 0.12]
    assert np.isnan(table.loc["F1", "checked_expected_miss_share_fine"])  # nobody dug there
    assert {f"checked_miss_share_{p}_{tier}" for p in ("p50", "p90") for tier in TIERS} <= set(table)
    box = from_local(np.array([shapely.box(0, 0, 100, 200)], object), local_crs(-93.5, 42.0), CRS)[0]
    assert shapely.hausdorff_distance(table.geometry["F0"], box) < 1e-6


def test_two_writes_are_the_same_bytes(inputs):
    assert collect(inputs, "one.gpkg").read_bytes() == collect(inputs, "two.gpkg").read_bytes()
    assert [path.name for path in sorted((inputs / "results").iterdir())] == [
        "one.gpkg", "rejects.csv", "shifted_lines.gpkg", "two.gpkg",
    ]  # fmt: skip


def test_no_reject_still_makes_the_layer(inputs):
    some_rejects().iloc[:0].to_parquet(inputs / "rejects.parquet")
    path = collect(inputs)
    assert ask(path, "SELECT count(*) FROM rejects") == [(0,)]
    with fiona.open(path, layer="rejects") as source:
        assert list(source.schema["properties"]) == [c.FILE, c.LAYER, c.FEATURE, c.FIELD_ID, c.REASON]


def test_styles_name_layers_columns_and_our_colours(inputs):
    path = collect(inputs)
    styles = ask(path, "SELECT f_table_name, styleName, styleSLD, styleQML, useAsDefault FROM layer_styles")
    assert [row[1] for row in styles if row[0] == "row_lines"] == ["class under fine", "class under coarse"]
    for layer in FEATURE_LAYERS:
        assert sum(row[4] for row in styles if row[0] == layer) == 1
    for row in styles:
        sld = ElementTree.fromstring(row[2])
        # OGC 02-070, clause 11: one layer by name, and a symbolizer in every rule.
        assert [one.text for one in sld.findall(f"{SLD}NamedLayer/{SLD}Name")] == [row[0]]
        rules = sld.findall(f".//{SLD}Rule")
        assert rules and all(any(part.tag.endswith("Symbolizer") for part in rule) for rule in rules)
        assert row[0] == "rejects" or ElementTree.fromstring(row[3]).tag == "qgis"
    coarse = next(row[2] for row in styles if row[1] == "class under coarse")
    assert "class_coarse" in coarse
    assert all(name in coarse and colour in coarse for name, colour in layers.COLOURS)


OGC = "{http://www.opengis.net/ogc}"


def test_fields_are_shaded_by_the_share_expected_off(inputs):
    """The SLD's own filters, evaluated here (OGC 02-059): every share from 0 to 1 has one shade, that of its edges."""
    path = collect(inputs)
    (sld,) = ask(path, "SELECT styleSLD FROM layer_styles WHERE f_table_name = 'field_summary' AND useAsDefault")
    rules = ElementTree.fromstring(sld[0]).findall(f".//{SLD}Rule")
    shades = {}
    for share in [0.0, 0.0099, 0.01, 0.0499, 0.05, 0.1, 0.2, 0.4, 0.5, 0.7999, 0.8, 1.0]:
        (drawn,) = [rule for rule in rules if _holds(rule.find(f"{OGC}Filter"), {"expected_miss_share_fine": share})]
        shades[share] = drawn.find(f".//{SLD}Fill/{SLD}CssParameter[@name='fill']").text
    ramp = list(dict.fromkeys(shades.values()))
    assert [ramp.index(shade) for shade in shades.values()] == [0, 0, 1, 1, 2, 2, 3, 3, 4, 4, 5, 5]
    assert len(rules) == 6 and all(rule.find(f".//{SLD}Stroke") is not None for rule in rules)
    columns = {row[1] for row in ask(path, "PRAGMA table_info(field_summary)")}
    names = [one.text for one in ElementTree.fromstring(sld[0]).iter(f"{OGC}PropertyName")]
    assert set(names) == {"expected_miss_share_fine"} <= columns
    (qml,) = ask(path, "SELECT styleQML FROM layer_styles WHERE f_table_name = 'field_summary' AND useAsDefault")
    ranges = [(float(one.get("lower")), float(one.get("upper"))) for one in ElementTree.fromstring(qml[0]).iter("range")]
    # Of two ranges that hold a value the first is drawn (from memory): it must be the SLD's, at an edge too.
    first = [next(k for k, (low, high) in enumerate(ranges) if low <= share <= high) for share in shades]
    assert first == [ramp.index(shade) for shade in shades.values()]


def _holds(said, feature: dict) -> bool:
    """Whether a filter of comparisons, joined by And, is true of a feature."""
    how = {
        "PropertyIsGreaterThanOrEqualTo": lambda a, b: a >= b, "PropertyIsLessThan": lambda a, b: a < b,
        "And": None, "Filter": None,
    }  # fmt: skip
    name = said.tag.removeprefix(OGC)
    if how[name] is None:
        return all(_holds(part, feature) for part in said)
    return how[name](feature[said.find(f"{OGC}PropertyName").text], float(said.find(f"{OGC}Literal").text))


def test_the_layer_says_which_tier_is_out_of_reach(inputs):
    """Beyond the range of a tier a field is flagged, wherever its figures stand."""
    table = pyogrio.read_dataframe(collect(inputs), layer="field_summary").set_index(c.FIELD_ID)
    assert table.loc[["F0", "F1"], ["reach_fine", "reach_coarse"]].to_numpy().tolist() == [
        ["in reach", "out of reach"], ["unknown", "in reach"],
    ]  # fmt: skip
    assert set(table.loc["none", ["reach_fine", "reach_coarse"]]) == {""}


def test_a_field_without_rows_on_strips_has_no_share_in_the_layer(inputs):
    figures = pd.read_csv(inputs / "field_tier.csv")
    shares = [name for name in figures if name == c.EXPECTED_MISS_SHARE or name.startswith("miss_share_p")]
    figures.loc[figures[c.FIELD_ID] == "F1", shares] = np.nan
    figures.to_csv(inputs / "field_tier.csv", index=False)
    table = pyogrio.read_dataframe(collect(inputs), layer="field_summary").set_index(c.FIELD_ID)
    assert np.isnan(table.loc["F1", ["expected_miss_share_fine", "miss_share_p90_coarse"]].astype(float)).all()
    assert table.loc["F0", "expected_miss_share_fine"] == 0.1


def test_the_legend_says_what_every_colour_of_every_style_means(inputs):
    path = collect(inputs)
    said = ask(path, "SELECT layer, style, value, label, colour FROM legend")
    assert {(row[0], row[1]) for row in said} == set(ask(path, "SELECT f_table_name, styleName FROM layer_styles"))
    assert ("row_lines", "class under fine", "misses", "misses the strip", "#C8500A") in said
    for sld, layer, style in ask(path, "SELECT styleSLD, f_table_name, styleName FROM layer_styles"):
        titles = [one.text for one in ElementTree.fromstring(sld).iter(f"{SLD}Title")][1:]
        assert titles == [row[3] for row in said if row[:2] == (layer, style)]


def test_names_of_tiers_stay_text_in_styles():
    (style,) = [one for one in layers.styles(['a"<b>&']) if one.layer == "row_lines"]
    sld = ElementTree.fromstring(geopackage._sld(style))
    assert {one.text for one in sld.iter("{http://www.opengis.net/ogc}PropertyName")} == {'class_a"<b>&'}
    assert ElementTree.fromstring(geopackage._qml(style)).find("renderer-v2").get("attr") == 'class_a"<b>&'


@pytest.mark.skipif(shutil.which("ogrinfo") is None, reason="GDAL's own tools (Debian's gdal-bin) are not installed")
def test_gdals_own_tool_reads_every_layer(inputs):
    done = subprocess.run(["ogrinfo", "-ro", "-so", "-al", collect(inputs)], capture_output=True, text=True, check=True)
    found = dict(re.findall(r"^Layer name: (\w+)\n(?:.*\n)*?Feature Count: (\d+)", done.stdout, re.MULTILINE))
    assert set(FEATURE_LAYERS) <= set(found) and found["row_lines"] == "9" and found["rejects"] == "4"
    # An older GDAL says that it does not know version 1.4 of the format whole.
    said = [line for line in done.stderr.splitlines() if "This version of GeoPackage" not in line]
    assert said == []


def test_a_crs_without_a_code_is_one_crs_however_it_is_written(tmp_path):
    own = pyproj.CRS("+proj=tmerc +lat_0=42 +lon_0=-93.6 +k=1 +x_0=50000 +y_0=50000 +datum=WGS84 +units=m")
    spellings = [own.to_wkt(), own.to_wkt("WKT1_GDAL"), own.to_json()]
    shape = [shapely.LineString([(0, 0), (1, 1)])]
    tables = [gpd.GeoDataFrame({c.FIELD_ID: ["F"]}, geometry=shape, crs=pyproj.CRS(one)) for one in spellings]
    arrow = pa.table({c.FIELD_ID: ["F"], "geometry": shapely.to_wkb(shape)})
    layers_of = [(f"layer_{k}", "LineString", table) for k, table in enumerate([*tables, arrow])]
    write_geopackage(tmp_path / "one.gpkg", layers_of, crs=own.to_wkt())
    assert len(ask(tmp_path / "one.gpkg", "SELECT DISTINCT srs_id FROM gpkg_contents")) == 1
    for layer, _, _ in layers_of:
        with fiona.open(tmp_path / "one.gpkg", layer=layer) as source:  # GDAL, by another way than it was written
            assert pyproj.CRS(source.crs.to_wkt()).equals(own, ignore_axis_order=True)


def test_a_table_in_another_crs_is_a_fault_and_not_written(tmp_path):
    table = gpd.GeoDataFrame(geometry=[shapely.LineString([(0, 0), (1, 1)])], crs=4326)
    with pytest.raises(CheckError, match="layer 'strip_lines' lies in another CRS than its GeoPackage"):
        write_geopackage(tmp_path / "one.gpkg", [("strip_lines", "LineString", table)], crs=CRS)
    assert not (tmp_path / "one.gpkg").exists()


def test_a_failed_write_leaves_the_old_file_alone(inputs):
    path = collect(inputs)
    before = path.read_bytes()

    def broken():
        yield "strip_lines", "LineString", batch_tables("F1", 2)["strip_lines"]
        raise RuntimeError("the disk is full")

    with pytest.raises(RuntimeError, match="disk is full"):
        write_geopackage(path, broken(), crs=CRS)
    assert path.read_bytes() == before
    assert sorted(one.name for one in path.parent.iterdir()) == [
        "rejects.csv", path.name, "shifted_lines.gpkg",
    ]  # fmt: skip
    assert pyogrio.get_gdal_config_option("OGR_CURRENT_DATE") is None


def test_rejects_come_as_a_table_too(inputs):
    collect(inputs)
    table = pd.read_csv(inputs / "results" / "rejects.csv")
    rejects = gpd.read_parquet(inputs / "rejects.parquet")
    assert table["reason"].tolist() == rejects["reason"].tolist()
    # PROJ's own way from the plane to degrees, for the first vertex of each.
    for number, shape in enumerate(rejects.geometry):
        if shape is not None and not shape.is_empty:
            first = shapely.get_coordinates(shape)[0]
            degrees = Transformer.from_crs(rejects.crs, 4326, always_xy=True).transform(*first)
            assert table.loc[number, ["longitude", "latitude"]].tolist() == pytest.approx(degrees, abs=1e-6)
