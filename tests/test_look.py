"""A look before a long run: what it counts, what it says, the run's own error, and nothing written."""

import json
import os
import sqlite3
import subprocess
import sys
import zipfile
from contextlib import closing
from pathlib import Path

import fiona
import numpy as np
import pytest
import shapely
import yaml
from pyproj import Geod, Transformer
from workflow import (
    CRS,
    ORIGIN,
    PROJECT,
    ROWS,
    area,
    boundaries,
    config,
    hashes,
    layer_of,
    pass_lines,
    passes_of,
    run_steps,
    snakemake,
    take_in,
    write_coop,
)

from pipeline.commands import bounded
from pipeline.commands.look import look_at
from pipeline.commands.look_text import look_text
from pipeline.errors import RowreturnError
from pipeline.files.account import account_lines
from pipeline.files.store import read_geo
from pipeline.steps import passes

GEOD = Geod(ellps="WGS84")
TO_DEGREES = Transformer.from_crs(CRS, "EPSG:4326", always_xy=True)


def facts(settings: dict) -> dict:
    return look_at(settings, source="mine.yaml", project=PROJECT)


def errors_of_run_and_look(settings: dict, folder) -> tuple[str, str]:
    """What the first batch of a run ends with after the intake, and what a look ends with."""
    work = take_in(settings, folder)
    batch = sorted(work.glob("intake/*/key.json"))[0].parent
    with pytest.raises(RowreturnError) as run:
        passes.run(batch=batch, settings=work / "settings/geometry.json", out=folder / "out")
    with pytest.raises(RowreturnError) as look:
        facts(settings)
    return str(run.value), str(look.value)


def degrees(shape):
    return shapely.transform(shape, lambda xy: np.column_stack(TO_DEGREES.transform(*xy.T)))


def words_about(settings: dict, *words: str) -> list[str]:
    """Warnings that hold all of the words."""
    return [text for text in facts(settings)["warnings"] if all(word in text for word in words)]


def command(*arguments, cwd: Path) -> subprocess.CompletedProcess:
    environment = os.environ | {"PYTHONPATH": str(PROJECT)}
    return subprocess.run(
        [sys.executable, "-m", "pipeline", *map(str, arguments)], cwd=cwd, env=environment, capture_output=True, text=True,
        check=False, timeout=280,
    )  # fmt: skip


@pytest.fixture
def coop(tmp_path):
    """The co-op with a planter's plan; its settings."""
    write_coop(tmp_path, rows=passes_of())
    return config(tmp_path)


# -- what is counted ---------------------------------------------------------------------------------------


def test_features_vertices_lengths_and_areas(tmp_path, coop):
    said = facts(coop)["layers"]
    for role, layer in (("fields", "fields"), ("strips", "strips"), ("rows", "planter")):
        with fiona.open(tmp_path / "coop.gpkg", layer=layer) as source:
            assert said[role]["features"] == said[role]["kept"] == len(source)
    lines = [degrees(line) for n in (0, 1) for line in pass_lines(n)]
    assert said["strips"]["length_m"] == pytest.approx(sum(map(GEOD.geometry_length, lines)), abs=0.01)
    boxes = sum(abs(GEOD.geometry_area_perimeter(degrees(area(n)))[0]) for n in (0, 1))
    assert said["fields"]["area_m2"] == pytest.approx(boxes, rel=1e-6)
    assert (said["strips"]["vertices"], said["fields"]["vertices"]) == (8 * 2, 2 * 5)
    assert (said["strips"]["format"], said["strips"]["crs_code"]) == ("GeoPackage", CRS)


def test_what_was_taken_from_what(tmp_path):
    strips = passes_of().assign(COLOUR="red", tier="rtk_base")
    write_coop(tmp_path, strips=strips)
    said = facts(config(tmp_path, planter=False))["layers"]["strips"]
    assert said["columns"] == {"pass_id": "PASS", "tier": "tier"}  # one by the configuration, one by its own name
    assert said["constants"] == {"row_count": 12, "row_spacing": 30 * 0.0254, "strip_width": 8 * 0.0254}
    assert said["unused"] == ["COLOUR"]
    points_only = {"speed", "heading", "record", "machine"}
    assert set(said["missing"]) == {"field_id", "started_at", "ended_at", "frame", "epoch", "fix"} | points_only
    assert said["tiers"] == [["rtk_base", 8]]


def test_values_and_dates(tmp_path):
    strips = passes_of().assign(
        N=[12] * 6 + [8] * 2, T0=["2025-10-03T10:00:00Z"] * 7 + ["2025-10-01T10:00:00Z"],
        T1=["2025-10-03T10:20:00Z"] * 7 + ["2025-10-01T10:20:00Z"], frame="NAD83(2011)", epoch=2010.0,
    )  # fmt: skip
    write_coop(tmp_path, strips=strips, rows=passes_of())
    settings = config(tmp_path)
    settings["inputs"]["strips"]["columns"] |= {"row_count": "N", "started_at": "T0", "ended_at": "T1"}
    said = facts(settings)["layers"]["strips"]
    assert said["row_counts"] == [[12, 6], [8, 2]]
    assert (said["first"], said["last"], said["without_times"]) == ("2025-10-01", "2025-10-03", 0)
    assert said["frames"] == [["NAD83(2011) at 2010.0", 8]]
    assert words_about(settings, "frame", "the strips name their frame and the rows do not")


def test_rejects_by_reason_with_their_features(tmp_path):
    point = (600_010.0, 4_600_010.0)
    strips = layer_of(
        [*pass_lines(0), None, shapely.LineString([point, point]), shapely.LineString([point, point])], PASS=list("abcdefg")
    )
    write_coop(tmp_path, strips=strips)
    settings = config(tmp_path, planter=False)
    said = {one["reason"]: one for one in facts(settings)["layers"]["strips"]["rejected"]}
    with fiona.open(tmp_path / "coop.gpkg", layer="strips") as source:  # a second reader's feature ids
        ids = {feature.properties["PASS"]: feature.id for feature in source}
    assert said["line of zero length"]["first_features"] == [ids["f"], ids["g"]]
    assert said["no geometry"]["first_features"] == [ids["e"]] and said["no geometry"]["count"] == 1
    assert words_about(settings, "strips: 3 of 7 features would be rejected")
    assert words_about(settings, "strips: ", "outside all fields") == []


def test_reasons_that_differ_in_a_name_are_one(tmp_path):
    write_coop(tmp_path, strips=passes_of().assign(FIELD=["F0"] * 4 + ["F9", "O'Brien", "D'Arcy's", "F 'x' y"]))
    settings = config(tmp_path, planter=False)
    settings["inputs"]["strips"]["columns"]["field_id"] = "FIELD"
    (one,) = facts(settings)["layers"]["strips"]["rejected"]
    assert one["count"] == 4 and one["reason"] == "names field 'F9', which is not among the fields"


def test_reasons_that_differ_in_a_number_are_one(tmp_path):
    write_coop(tmp_path, strips=passes_of().assign(row_count=[12, 12, 12, 12, 12, 500, 501, 502]))
    (one,) = facts(config(tmp_path, planter=False))["layers"]["strips"]["rejected"]
    assert one["count"] == 3 and "500" in one["reason"]


# -- the size of the run -----------------------------------------------------------------------------------


def test_size_by_arithmetic(coop):
    size = facts(coop)["estimate"]
    lines = [degrees(line) for n in (0, 1) for line in pass_lines(n)]
    assert size["row_length_m"] == pytest.approx(ROWS * sum(map(GEOD.geometry_length, lines)), rel=1e-6)
    assert size["cells"] == pytest.approx(2 * 120 * 50 / 0.1**2, rel=0.05)  # boxes along the meridian, not the grid
    assert (size["fields"], size["tiers"], size["batches"]) == (2, 2, 2)


def test_finer_cells_and_more_tiers_cost_more(coop):
    plain = facts(coop)["estimate"]
    fine = facts(coop | {"raster": {"cell": "0.05 m"}})["estimate"]
    many = facts(coop | {"tiers": {"compare": "all"}})["estimate"]
    assert fine["cells"] == pytest.approx(4 * plain["cells"], rel=1e-5)
    for dearer in (fine, many):
        assert dearer["processor_seconds"] > plain["processor_seconds"] and dearer["disk_bytes"] > plain["disk_bytes"]


# -- what is worth knowing ---------------------------------------------------------------------------------


def test_a_good_co_op_has_no_warning_but_of_bases_frames_and_clock(coop):
    said = facts(coop)["warnings"]
    assert len(said) == 4 and "no bases" in said[0] and "neither the strips nor the rows name their frame" in said[1]
    assert ["times are missing in every field" in text for text in said[2:]] == [True, True]


def test_count_and_spacing_that_do_not_make_the_distance(coop):
    coop["inputs"]["strips"]["constants"]["row_count"] = 8  # 8 x 30 in are 20 ft; the passes lie 30 ft apart
    found = words_about(coop, "strips: passes of field", "one of the two may be wrong")
    assert len(found) == 2 and all("30" in text and "20" in text for text in found)
    assert words_about(coop, "rows: passes of field") == []


def test_planter_that_does_not_divide_the_bar(coop):
    coop["inputs"]["rows"]["constants"]["row_count"] = 16
    assert len(words_about(coop, "a planter of 16 rows on strips of 12 in 2 fields", "do not divide")) == 1
    coop["inputs"]["rows"]["constants"]["row_count"] = 24
    assert words_about(coop, "do not divide") == []


def test_planter_with_another_spacing(coop):
    coop["inputs"]["rows"]["constants"]["row_spacing"] = "20 in"
    (said,) = words_about(coop, "the planter's rows are")
    assert "20" in said and "30" in said


def test_fields_without_strips_and_strips_without_a_field(tmp_path):
    strips = layer_of([*pass_lines(0), *pass_lines(7)], PASS=list("abcdefgh"))  # nobody has a field number 7
    write_coop(tmp_path, strips=strips)
    settings = config(tmp_path, planter=False)
    assert words_about(settings, "1 field ('F2') without strips: nothing can hold there")
    assert words_about(settings, "strips: 4 passes outside all fields")


def test_columns_that_look_like_ours(tmp_path):
    strips = passes_of().assign(FIELD="F0", ROWS=12)
    strips.loc[4:, "FIELD"] = "F2"
    write_coop(tmp_path, strips=strips)
    settings = config(tmp_path, planter=False)
    assert words_about(settings, "strips: column 'FIELD' looks like field_id, but field_id is not mapped")
    assert words_about(settings, "strips: column 'ROWS' looks like row_count, but the constant row_count is used")
    settings["inputs"]["strips"]["columns"] |= {"field_id": "FIELD", "row_count": "ROWS"}
    assert words_about(settings, "looks like") == []


def test_layers_in_several_crs(tmp_path):
    write_coop(tmp_path, strips=passes_of().to_crs("EPSG:4326"))
    settings = config(tmp_path, planter=False)
    assert words_about(settings, "several CRS", "fields EPSG:32614", "strips EPSG:4326")


def test_an_empty_layer_is_in_no_crs_worth_knowing(tmp_path):
    write_coop(tmp_path)
    (tmp_path / "dug.geojson").write_text('{"type": "FeatureCollection", "features": []}')
    settings = config(tmp_path, planter=False)
    settings["inputs"]["checks"] = {"file": str(tmp_path / "dug.geojson")}
    assert words_about(settings, "inputs.checks", "holds no feature")
    assert words_about(settings, "several CRS") == []


def test_planted_before_the_strips_were_built(tmp_path):
    times = {"started_at": "2025-10-03T10:00:00Z", "ended_at": "2025-10-03T10:20:00Z"}
    early = {"started_at": "2025-04-03T10:00:00Z", "ended_at": "2025-04-03T10:20:00Z"}
    write_coop(tmp_path, strips=passes_of().assign(**times), rows=passes_of().assign(**early))
    assert words_about(config(tmp_path), "dated before the last strip pass")
    write_coop(tmp_path, strips=passes_of().assign(**early), rows=passes_of().assign(**times))
    assert words_about(config(tmp_path), "dated before") == []


@pytest.mark.parametrize(("away_m", "far"), [(9_000.0, []), (11_000.0, ["F0", "F2"])])
def test_tiers_out_of_reach(tmp_path, coop, away_m, far):
    catalogue = yaml.safe_load((PROJECT / "shared/tiers.yaml").read_text())
    (base,) = [one for one in catalogue if one["id"] == "rtk_base"]
    (tmp_path / "tiers.yaml").write_text(yaml.safe_dump([base | {"range": "10 km"}]))
    east, north = area(0).centroid.x, area(0).centroid.y
    layer_of([shapely.Point(east, north + away_m)]).to_file(tmp_path / "bases.gpkg", layer="bases", engine="pyogrio")
    coop["inputs"]["bases"] = {"file": str(tmp_path / "bases.gpkg")}
    coop["tiers"] = {"catalogue": str(tmp_path / "tiers.yaml")}
    (said,) = facts(coop)["tiers"]
    assert sorted(said["out_of_reach"]) == far


def test_tier_worse_than_half_a_strip(coop):
    said = {one["id"]: one["can_hold"] for one in facts(coop)["tiers"]}
    assert said == {"sbas": False, "rtk_base": True}  # 3 ft and 1 in beside half a strip of 4 in
    assert "more than half a strip, so no row is sure to hold" in look_text(facts(coop))


@pytest.mark.parametrize(
    ("tiers", "judging", "wanted"),
    [
        # By hand: the root of the squares, each visit's half of its tier's variance; repeatable 3 ft and 1 in.
        ({"autumn": "sbas"}, {}, 0.0254 * np.sqrt((36**2 + 1) / 2)),
        ({"autumn": "rtk_base"}, {}, 0.0254),
        ({}, {"steering": {"autumn": "4 in", "spring": "3 in"}, "machine_error": "2 in"}, 0.0254 * np.sqrt(1 + 16 + 9 + 4)),
        ({"autumn": "as_logged"}, {}, None),
    ],
)
def test_whether_a_row_may_hold_hangs_on_strips_and_steering_too(coop, tiers, judging, wanted):
    coop["tiers"] = {"compare": ["rtk_base"]} | tiers
    coop["judging"] = judging
    coop["inputs"]["strips"]["constants"]["tier"] = "rtk_base"
    (said,) = facts(coop)["tiers"]
    assert said["offset_95_m"] == (None if wanted is None else pytest.approx(wanted, rel=1e-6))
    assert said["can_hold"] is (None if wanted is None else bool(wanted <= 4 * 0.0254))


# -- the run's own errors ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("path", "value"),
    [
        ("inputs.strips.file", "gone.gpkg"),
        ("inputs.strips.layer", "stripz"),
        ("inputs.strips.columns.pass_id", "PAS"),
        ("inputs.fields.columns.field_id", "FELD"),
        ("inputs.strips.constants.row_count", 500),
        ("inputs.strips.constants.frame", "NAD38"),
        ("inputs.strips.constants.tier", "rtk_bass"),
        ("inputs.rows.layer", "fields"),
        ("tiers.compare", ["sbass"]),
        ("judging", {"row_margn": "1 in"}),
    ],
)
def test_error_is_the_runs_own(tmp_path, coop, path, value):
    at = coop
    *way, last = path.split(".")
    for key in way:
        at = at[key]
    at[last] = value
    with pytest.raises(RowreturnError) as run:
        take_in(coop, tmp_path)
    with pytest.raises(RowreturnError) as look:
        facts(coop)
    assert (type(look.value), str(look.value)) == (type(run.value), str(run.value))


def test_error_of_a_later_step_is_found_as_well(tmp_path):
    write_coop(tmp_path)
    settings = config(tmp_path, planter=False)
    settings["inputs"]["rows"] = {"constants": {"row_count": 12, "row_spacing": "20 in"}}
    run, look = errors_of_run_and_look(settings, tmp_path)
    # The same sentence; which of the two fields comes first is for the batches.
    assert look.split(":", 1)[1] == run.split(":", 1)[1]


@pytest.mark.parametrize("planter", [True, False])
@pytest.mark.parametrize(
    ("place", "more", "wanted"),
    [
        # By hand: the third pass of 12 rows runs at 22.86 m, its outermost rows at 18.669 and 27.051 m.
        ((60.0, 48.05), {}, "lies 21.0 m from the nearest planted row"),
        ((60.0, 4.0), {"pass_id": "P9"}, "pass_id 'P9' is no planter pass of the field; did you mean"),
        ((60.0, 4.0), {"pass_id": "P2"}, "lies 14.7 m from the nearest row of pass 'P2'"),
    ],
)
def test_ground_checks_that_no_run_would_take(tmp_path, planter, place, more, wanted):
    strips = passes_of(1).iloc[:3]
    write_coop(tmp_path, fields=boundaries(1), strips=strips, rows=strips if planter else None)
    at = shapely.Point(ORIGIN[0] + place[0], ORIGIN[1] + place[1])
    dug = layer_of([at], offset=[0.01], tape_error=[0.01], **{name: [value] for name, value in more.items()})
    dug.to_file(tmp_path / "dug.gpkg", layer="dug", driver="GPKG", engine="pyogrio")
    settings = config(tmp_path, planter=planter)
    settings["inputs"]["checks"] = {"file": str(tmp_path / "dug.gpkg")}
    with pytest.raises(RowreturnError) as run:
        run_steps(settings, tmp_path)
    with pytest.raises(RowreturnError) as look:
        facts(settings)
    assert str(look.value) == str(run.value)
    assert wanted in str(look.value)


@pytest.mark.parametrize("case", ["unnumbered", "other numbers", "other counts"])
def test_pass_numbers_that_do_not_correspond(tmp_path, case):
    number = passes_of()["PASS"] + ("x" if case == "other numbers" else "")
    write_coop(tmp_path, rows=passes_of().assign(PASS=None if case == "unnumbered" else number))
    settings = config(tmp_path) | {"judging": {"own_strip": "pass_id"}}
    if case == "other counts":
        settings["inputs"]["rows"]["constants"]["row_count"] = 6
    run, look = errors_of_run_and_look(settings, tmp_path)
    # The same sentence; which of the two fields comes first is for the batches.
    fields, said = zip(*(text.split(": ", 1) for text in (run, look)), strict=True)
    assert set(fields) <= {"field 'F0'", "field 'F2'"} and fields[1] == "field 'F0'"
    assert said[0] == said[1] and said[0].startswith("judging.own_strip: pass_id, but ")


def test_the_one_field_whose_pass_numbers_do_not_correspond_is_named(tmp_path):
    # Of two fields the second has none.
    number = passes_of()["PASS"].where([True] * 4 + [False] * 4)
    write_coop(tmp_path, rows=passes_of().assign(PASS=number))
    settings = config(tmp_path) | {"judging": {"own_strip": "pass_id"}}
    with pytest.raises(RowreturnError, match="^field 'F2': judging.own_strip: pass_id, but 4 of 4 planter passes have no"):
        facts(settings)
    work = take_in(settings, tmp_path)
    ends = []
    for key in sorted(work.glob("intake/*/key.json")):
        try:
            passes.run(batch=key.parent, settings=work / "settings/geometry.json", out=tmp_path / "out" / key.parent.name)
        except RowreturnError as error:
            ends.append(str(error))
    assert [text.split(": pass_id")[0] for text in ends] == ["field 'F2': judging.own_strip"]


def test_some_pass_numbers_that_do_not_correspond(tmp_path, monkeypatch):
    write_coop(tmp_path, rows=passes_of().assign(PASS=["P0", "P1", "P2", "X"] * 2))
    settings = config(tmp_path) | {"judging": {"own_strip": "pass_id"}}
    (warning,) = words_about(settings, "pass_id")
    said = "no strip pass of the field has the number of 2 of 8 planter passes in 2 fields (F0, F2), such as 'X' in F0"
    assert said in warning
    # The other half of a sample may well have them.
    monkeypatch.setattr(bounded, "MOST_WEIGHT", 0)
    monkeypatch.setattr(bounded, "BLOCKS", 1)
    monkeypatch.setattr(bounded, "PER_BLOCK", 3)
    assert words_about(settings, "pass_id") == []


def spots_of(folder: Path) -> dict:
    """A ground check and a zone in files of their own; the settings with them."""
    checks = layer_of([shapely.Point(600_010, 4_600_005)], offset=[0.05], tape_error=[0.01])
    zones = layer_of([area(0)], tier=["*"], factor=[2.0])
    for name, frame in (("checks", checks), ("zones", zones)):
        frame.to_file(folder / f"{name}.gpkg", layer=name, engine="pyogrio")
    write_coop(folder)
    settings = config(folder, planter=False)
    settings["inputs"] |= {name: {"file": str(folder / f"{name}.gpkg")} for name in ("checks", "zones")}
    return settings


def test_checks_and_zones_are_looked_at(tmp_path):
    said = facts(spots_of(tmp_path))
    assert [said["layers"][role]["kept"] for role in ("checks", "zones")] == [1, 1]
    assert "CHECKS  " in look_text(said) and "ZONES  " in look_text(said)


@pytest.mark.parametrize("role", ["checks", "zones"])
def test_missing_checks_and_zones_are_one_clear_error(tmp_path, role):
    settings = spots_of(tmp_path)
    settings["inputs"][role]["file"] = f"{tmp_path}/gone.gpkg"
    said = f"inputs.{role}: file '{tmp_path}/gone.gpkg' does not exist; correct inputs.{role}.file"
    for ends in (lambda: take_in(settings, tmp_path), lambda: facts(settings)):
        with pytest.raises(RowreturnError) as caught:
            ends()
        assert str(caught.value) == said


def test_the_account_is_printed_by_look_and_run(tmp_path, coop, caplog):
    lines = account_lines(facts(coop)["account"])
    assert " ".join(lines[0].split()) == "layer read kept of them split rejected km read km kept km rejected"
    assert lines[2].split()[:5] == ["strips", "8", "8", "0", "0"]
    assert all(line in look_text(facts(coop)) for line in lines)
    with caplog.at_level("INFO"):
        take_in(coop, tmp_path)
    assert caplog.messages[: len(lines)] == [f"intake: {line}" for line in lines]


def test_frames_that_nothing_joins(tmp_path, coop):
    # A European frame in America; between it and the Australian one PROJ does nothing at all.
    coop["inputs"]["strips"]["constants"] |= {"frame": "ETRF2000", "epoch": 2010.0}
    coop["inputs"]["rows"]["constants"] |= {"frame": "GDA2020", "epoch": 2020.0}
    with pytest.raises(RowreturnError, match="field 'F0': frame 'ETRF2000' is fixed to the plate of Europe"):
        facts(coop)


# -- big layers --------------------------------------------------------------------------------------------


@pytest.fixture
def small_samples(monkeypatch):
    """Everything is too big, and a sample is two blocks of two features."""
    monkeypatch.setattr(bounded, "MOST_WEIGHT", 0)
    monkeypatch.setattr(bounded, "BLOCKS", 2)
    monkeypatch.setattr(bounded, "PER_BLOCK", 2)


def test_a_big_layer_is_read_by_a_sample(coop, small_samples):
    said = facts(coop)
    assert said["sampled"] == {"strips": {"read": 4, "of": 8}, "rows": {"read": 4, "of": 8}}
    assert (said["layers"]["strips"]["features"], said["layers"]["strips"]["read"]) == (8, 4)
    assert said["layers"]["strips"]["file"] == coop["inputs"]["strips"]["file"]
    assert "4 of 8 strips" in look_text(said)
    lines = [degrees(line) for n in (0, 1) for line in pass_lines(n)]
    assert said["estimate"]["row_length_m"] == pytest.approx(ROWS * sum(map(GEOD.geometry_length, lines)), rel=1e-4)


def test_rejects_of_a_sample_are_called_as_in_the_layer(tmp_path, small_samples):
    point = (600_010.0, 4_600_010.0)
    strips = layer_of([*pass_lines(0), *pass_lines(1)[:3], shapely.LineString([point, point])], PASS=list("abcdefgh"))
    write_coop(tmp_path, strips=strips)
    (one,) = facts(config(tmp_path, planter=False))["layers"]["strips"]["rejected"]
    with fiona.open(tmp_path / "coop.gpkg", layer="strips") as source:
        assert one["first_features"] == [list(source)[-1].id]


def test_error_in_a_sample_is_told_of_the_layer(tmp_path, small_samples):
    write_coop(tmp_path, strips=passes_of().assign(row_spacing=["30 in"] * 7 + ["30 inchez"]))
    settings = config(tmp_path, planter=False)
    with pytest.raises(RowreturnError) as run:
        take_in(settings, tmp_path)
    with pytest.raises(RowreturnError) as look:
        facts(settings)
    assert str(look.value) == str(run.value)


def test_a_sample_tells_why_a_geometry_cannot_be_read(tmp_path, small_samples):
    path = write_coop(tmp_path)
    with closing(sqlite3.connect(path)) as base, base:
        # No trigger of the index is in the way of damage.
        for (name,) in base.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            base.execute(f'DROP TRIGGER "{name}"')
        base.execute("UPDATE strips SET geom = ? WHERE fid = 2", [b"GP\x00\x01\x66\x7f\x00\x00garbage"])
    (one,) = facts(config(tmp_path, planter=False))["layers"]["strips"]["rejected"]
    take_in(config(tmp_path, planter=False), tmp_path)
    (reason,) = read_geo(tmp_path / "work" / "rejects.parquet")["reason"]
    assert (one["reason"], one["first_features"]) == (reason, ["2"]) == ("geometry is not well-known binary", ["2"])


@pytest.mark.parametrize("name", ["s.geojson", "s.zip"])
def test_what_cannot_be_read_in_part_is_read_in_full(tmp_path, small_samples, name):
    write_coop(tmp_path)
    settings = config(tmp_path, planter=False)
    passes_of().to_crs("EPSG:4326").to_file(tmp_path / "s.geojson", driver="GeoJSON", engine="pyogrio")
    passes_of().to_file(tmp_path / "s.shp", engine="pyogrio")
    with zipfile.ZipFile(tmp_path / "s.zip", "w") as packed:
        for part in tmp_path.glob("s.[sdpc]*"):
            packed.write(part, part.name)
    settings["inputs"]["strips"] |= {"file": str(tmp_path / name)}
    del settings["inputs"]["strips"]["layer"]
    said = facts(settings)
    assert said["sampled"] == {} and said["layers"]["strips"]["kept"] == 8


def test_what_a_sample_would_cover_is_read_in_full(tmp_path, coop, small_samples, monkeypatch):
    monkeypatch.setattr(bounded, "PER_BLOCK", 4)
    assert facts(coop)["sampled"] == {}


# -- the command and the target ----------------------------------------------------------------------------


def test_command_prints_and_writes_nothing(tmp_path, coop):
    (tmp_path / "mine.yaml").write_text(yaml.safe_dump(coop))
    before = hashes(tmp_path)
    done = command("look", "mine.yaml", cwd=tmp_path)
    assert (done.returncode, done.stderr) == (0, "")
    assert all(word in done.stdout for word in ("FIELDS", "STRIPS", "ROWS", "TIERS", "WORTH KNOWING", "SIZE OF THE RUN"))
    assert hashes(tmp_path) == before
    assert json.loads(command("look", "--json", "mine.yaml", cwd=tmp_path).stdout) == look_at(
        coop, source="mine.yaml", project=PROJECT
    )


def test_command_ends_with_the_one_error(tmp_path, coop):
    coop["inputs"]["strips"]["layer"] = "stripz"
    (tmp_path / "mine.yaml").write_text(yaml.safe_dump(coop))
    before = hashes(tmp_path)
    done = command("look", "mine.yaml", cwd=tmp_path)
    with pytest.raises(RowreturnError) as run:
        facts(coop)
    assert (done.returncode, done.stdout) == (1, "")
    assert done.stderr == f"rowreturn: error: {run.value}\n"
    assert hashes(tmp_path) == before


def test_command_without_a_configuration(tmp_path):
    done = command("look", "gone.yaml", cwd=tmp_path)
    assert done.returncode == 1 and done.stderr.startswith("rowreturn: error: gone.yaml: cannot be read")
    assert "Traceback" not in done.stderr


def test_target_writes_a_log_and_runs_no_other_rule(tmp_path, coop):
    folder = tmp_path / "run"
    done = snakemake(coop, folder, "look")
    assert done.returncode == 0, done.stdout
    assert "SIZE OF THE RUN" in done.stdout
    written = {path for path in hashes(folder) if not path.startswith(".snakemake")}
    assert written == {"mine.yaml", "work/log/look.log", "work/jobs.lock"}


def test_text_of_hostile_names_stays_on_its_lines(tmp_path):
    names = boundaries()
    names["FIELD"] = ["F0\nWORTH KNOWING\x1b[31m", "F2"]
    write_coop(tmp_path, fields=names, strips=layer_of(pass_lines(1), PASS=list("abcd")))
    text = look_text(facts(config(tmp_path, planter=False) | {"title": "a\nb\x1b[2J"}))
    assert "\x1b" not in text
    assert sum(line.startswith("WORTH KNOWING") for line in text.splitlines()) == 1


# -- the demo ----------------------------------------------------------------------------------------------


def test_demo(monkeypatch):
    monkeypatch.chdir(PROJECT)
    said = facts(yaml.safe_load((PROJECT / "demo_gis/demo.yaml").read_text()))
    for role, layer in (("fields", "fields"), ("strips", "strips"), ("rows", "planter"), ("bases", "bases")):
        with fiona.open("demo_gis/coop.gpkg", layer=layer) as source:
            assert said["layers"][role]["features"] == len(source)
    # Planted to be rejected, by demo_gis/README.md: a bow tie, strips 9001 to 9005, planter pass 9001.
    counts = {role: sum(one["count"] for one in layer["rejected"]) for role, layer in said["layers"].items()}
    assert counts == {"fields": 1, "strips": 5, "rows": 1, "bases": 0, "checks": 0, "zones": 0}
    assert (said["layers"]["strips"]["first"][:7], said["layers"]["rows"]["last"][:7]) == ("2025-10", "2026-04")
