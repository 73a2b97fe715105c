"""A first configuration from nothing but files: guesses that are right, marked, safe in YAML, and run."""

import os
import re
import subprocess
import sys
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
import yaml
from hypothesis import given
from hypothesis import strategies as st
from workflow import CRS, PROJECT, area, boundaries, config, layer_of, pass_lines, passes_of, write_coop

from pipeline.commands.begin import begin, first_configuration
from pipeline.commands.guess_columns import name_score
from pipeline.commands.guess_rows import guess_rows
from pipeline.commands.look import look_at
from pipeline.commands.quoting import scalar
from pipeline.commands.starter import Starter
from pipeline.errors import ConfigError, InputError
from pipeline.files.config import config_from_dict
from pipeline.files.plain_yaml import read_yaml
from pipeline.files.taking import take_in

INCH = 0.0254


@pytest.mark.parametrize(
    ("guesses", "gaps", "said"),
    [(1, 1, "1 guess to read over, 1 place to fill in."), (2, 0, "2 guesses to read over, 0 places to fill in."),
     (0, 12, "0 guesses to read over, 12 places to fill in.")],
)  # fmt: skip
def test_one_is_told_as_one(tmp_path, monkeypatch, guesses, gaps, said):
    made = Starter(text="title: Invented\n", guesses=guesses, gaps=gaps)
    monkeypatch.setattr("pipeline.commands.begin.first_configuration", lambda files, project: made)
    out = tmp_path / "mine.yaml"
    assert begin([], out=out, project=PROJECT).splitlines()[0] == f"Wrote {out}: {said}"


def begun(folder: Path, *files: Path) -> dict:
    """What the first configuration says, read by our own reader."""
    out = Path(folder) / "begun.yaml"
    begin(list(files), out=out, project=PROJECT)
    return read_yaml(out)


def inputs_of(folder: Path, *files: Path) -> dict:
    return begun(folder, *files)["inputs"]


def text_of(*files: Path) -> str:
    return first_configuration(list(files), project=PROJECT).text


def filled(said: dict, strip_width: str = "8 in") -> dict:
    """The same with the strip width, which no file tells."""
    said["inputs"]["strips"]["constants"]["strip_width"] = strip_width
    return said


def write(folder: Path, frames: dict[str, gpd.GeoDataFrame], name: str = "some.gpkg") -> Path:
    path = Path(folder) / name
    for layer, frame in frames.items():
        frame.to_file(path, layer=layer, driver="GPKG", engine="pyogrio")
    return path


# -- it runs -----------------------------------------------------------------------------------------------


def test_demo_needs_nothing_but_the_strip_width(tmp_path, monkeypatch):
    monkeypatch.chdir(PROJECT)
    made = first_configuration([Path("demo_gis/coop.gpkg")], project=PROJECT)
    said = yaml.safe_load(made.text)
    assert made.gaps == 1
    assert said["inputs"]["strips"]["constants"]["strip_width"] == "fill in"
    by_hand = yaml.safe_load(Path("demo_gis/demo.yaml").read_text())["inputs"]
    for role in ("fields", "strips", "rows"):
        for key in ("file", "layer", "columns"):
            assert said["inputs"][role][key] == by_hand[role][key], (role, key)
    filled(said)
    for role in ("strips", "rows"):
        assert said["inputs"][role]["constants"] == by_hand[role]["constants"]
    taken = take_in(config_from_dict(said, source="begun"), project=PROJECT)
    again = take_in(config_from_dict(read_yaml(Path("demo_gis/demo.yaml")), source="demo.yaml"), project=PROJECT)
    assert taken.account == again.account
    said["tiers"]["compare"] = ["rtk_base"]
    assert look_at(said, source="begun", project=PROJECT)["layers"]["bases"]["features"] == 2


def test_small_co_op_runs_once_filled(tmp_path):
    path = write_coop(tmp_path, rows=passes_of())
    said = begun(tmp_path, path)
    assert said["inputs"]["strips"]["columns"] == {"pass_id": "PASS"}
    assert said["inputs"]["strips"]["constants"] == {"row_count": 12, "row_spacing": "30 in", "strip_width": "fill in"}
    look = look_at(filled(said), source="begun", project=PROJECT)
    assert [look["layers"][role]["kept"] for role in ("fields", "strips", "rows")] == [2, 8, 8]


def test_unfilled_the_loader_names_the_gap(tmp_path):
    path = write_coop(tmp_path)
    begin([path], out=tmp_path / "mine.yaml", project=PROJECT)
    with pytest.raises(ConfigError, match=r"inputs\.strips\.constants\.strip_width: .*'fill in'"):
        config_from_dict(read_yaml(tmp_path / "mine.yaml"), source="mine.yaml")


def test_every_value_of_the_layers_is_marked(tmp_path):
    lines = text_of(write_coop(tmp_path, rows=passes_of())).splitlines()
    inside = lines[lines.index("inputs:") + 1 : lines.index("tiers:")]
    values = [line for line in inside if ": " in line.split("#")[0]]
    assert len(values) > 10
    for line in values:
        assert line.strip().startswith("file:") or "  # guess: " in line or "  # fill in: " in line, line


# -- which layer is which ----------------------------------------------------------------------------------


def dated(day: str) -> gpd.GeoDataFrame:
    return passes_of().assign(started_at=pd.Timestamp(f"{day}T10:00Z"), ended_at=pd.Timestamp(f"{day}T10:20Z"))


def test_names_tell_which_lines_are_which(tmp_path):
    path = write(tmp_path, {"spring_plan": passes_of(), "land": boundaries(), "tilled": passes_of()})
    said = inputs_of(tmp_path, path)
    assert {role: said[role]["layer"] for role in said} == {"fields": "land", "strips": "tilled", "rows": "spring_plan"}


def test_dates_tell_where_names_do_not(tmp_path):
    path = write(tmp_path, {"a": dated("2026-04-20"), "b": dated("2025-10-10"), "c": boundaries()})
    said = inputs_of(tmp_path, path)
    assert {role: said[role]["layer"] for role in said} == {"fields": "c", "strips": "b", "rows": "a"}
    assert "the earliest layer of lines, 2025-10-10" in text_of(path)


def test_where_nothing_tells_it_says_so(tmp_path):
    text = text_of(write(tmp_path, {"a": passes_of(), "b": passes_of(), "c": boundaries()}))
    assert text.count("neither name nor date tells, look twice") == 2


def test_files_of_one_layer_each_are_told_by_the_file(tmp_path):
    paths = [
        write(tmp_path, {"x": frame}, name)
        for name, frame in (("planter.gpkg", passes_of()), ("strips.gpkg", passes_of()), ("land.gpkg", boundaries()))
    ]
    said = inputs_of(tmp_path, *paths)
    assert {role: Path(said[role]["file"]).name for role in said} == {
        "fields": "land.gpkg", "strips": "strips.gpkg", "rows": "planter.gpkg",
    }  # fmt: skip


def test_a_few_points_are_bases_and_one_line_layer_is_strips(tmp_path):
    posts = layer_of([shapely.Point(600_000, 4_600_000)], name=["Shed"])
    path = write(tmp_path, {"p": posts, "l": passes_of(), "f": boundaries()})
    said = inputs_of(tmp_path, path)
    assert {role: said[role]["layer"] for role in said} == {"fields": "f", "strips": "l", "bases": "p"}
    assert said["bases"]["columns"] == {"base_id": "name"}
    assert "the planter is taken to be as wide as the bar" in text_of(path)


def test_what_is_missing_is_to_be_filled_in(tmp_path):
    said = inputs_of(tmp_path, write(tmp_path, {"lines": passes_of()}))
    assert said["fields"] == {"file": "fill in"}
    (tmp_path / "begun.yaml").unlink()
    (tmp_path / "some.gpkg").unlink()
    said = inputs_of(tmp_path, write(tmp_path, {"f": boundaries()}))
    assert said["strips"] == {"file": "fill in"}


def test_layers_without_a_part_are_listed(tmp_path):
    frames = {"fields": boundaries(), "strips": passes_of(), "soil": boundaries()}
    assert "# not used: layer 'soil'" in text_of(write(tmp_path, frames))


# -- columns -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "ours", "fits"),
    [("FieldID", "field_id", True), ("field name", "field_id", True), ("Rows", "row_count", True),
     ("T0", "started_at", True), ("PASS_NO", "pass_id", True),
     ("row_spacing_in", "row_spacing", True), ("throws", "row_count", False),
     ("baseline", "base_id", False), ("compass", "pass_id", False), ("fieldwork", "field_id", False)],
)  # fmt: skip
def test_names(name, ours, fits):
    assert (name_score(name, ours) > 0) is fits


def test_field_ids_are_known_by_their_values(tmp_path):
    strips = passes_of().assign(WHERE=["F0"] * 4 + ["F2"] * 4, FIELD=["x", "y"] * 4)
    said = inputs_of(tmp_path, write_coop(tmp_path, strips=strips))
    assert said["strips"]["columns"]["field_id"] == "WHERE"  # FIELD has the name but not the ids


@pytest.mark.parametrize("bases", [False, True])
def test_a_field_s_own_name_is_not_its_base(tmp_path, bases):
    names = {"id": ["A", "B"], "name": ["North", "South"], "station": ["yard", "yard"]}
    layers = {"fields": layer_of([area(0), area(1)], **names), "strips": passes_of(2)}
    if bases:
        layers["bases"] = layer_of([area(0).centroid], name=["yard"])
    columns = inputs_of(tmp_path, write(tmp_path, layers))["fields"]["columns"]
    assert columns.get("base_id") == ("station" if bases else None)


def test_field_id_must_be_unique(tmp_path):
    fields = boundaries().assign(FIELD="same", CODE=["a1", "b2"])
    assert inputs_of(tmp_path, write_coop(tmp_path, fields=fields))["fields"]["columns"]["field_id"] == "CODE"


def test_no_column_for_field_id(tmp_path):
    fields = boundaries()[["geometry", "FARM"]]
    path = write_coop(tmp_path, fields=fields)
    assert inputs_of(tmp_path, path)["fields"]["columns"]["field_id"] == "fill in"
    assert "Columns: 'FARM'" in text_of(path)


def test_values_that_cannot_be_are_not_taken(tmp_path):
    strips = passes_of().assign(spacing=33.0, rows=0, width=9.144, tier="house brand", frame="NAD38", epoch=2010.0)
    strips["start"] = "noon"
    path = write_coop(tmp_path, strips=strips)
    said = inputs_of(tmp_path, path)["strips"]
    assert said["columns"] == {"pass_id": "PASS"}
    assert said["constants"]["row_spacing"] == "30 in"  # measured instead
    text = text_of(path)
    for doubt in ("'spacing' is called like row_spacing, but '33' is not 0.1 to 5 m", "'0' is no number of rows",
                  "'house brand', which is no tier", "'NAD38' is no known frame", "'noon' is not a time"):  # fmt: skip
        assert doubt in text, doubt


@pytest.mark.parametrize(
    ("spacing", "width", "units"),
    [(30, 8.0, {"row_spacing": "in", "strip_width": "in"}), (75.0, 20.0, {"row_spacing": "cm", "strip_width": "cm"}),
     (762, 200, {"row_spacing": "mm", "strip_width": "mm"}), (0.75, 0.2, None), ("0,762 m", "8 in", None)],
)  # fmt: skip
def test_units_of_bare_numbers_are_guessed(tmp_path, spacing, width, units):
    path = write_coop(tmp_path, strips=passes_of().assign(spacing=spacing, width=width, rows="12 rows"))
    said = begun(tmp_path, path)
    strips = said["inputs"]["strips"]
    names = {"pass_id": "PASS", "row_count": "rows", "row_spacing": "spacing", "strip_width": "width"}
    assert strips["columns"] == names and strips.get("units") == units
    taken = take_in(config_from_dict(said, source="begun"), project=PROJECT)
    kept = taken.layers["strips"].kept
    assert kept["row_count"].eq(12).all() and kept["row_spacing_m"].between(0.749, 0.763).all()
    assert kept["strip_width_m"].between(0.19, 0.21).all()


def test_seconds_since_1970_are_told_by_their_size(tmp_path):
    path = write_coop(tmp_path, strips=passes_of().assign(start=1_760_000_000, end=1_760_000_600_000))
    strips = inputs_of(tmp_path, path)["strips"]
    assert strips["units"] == {"started_at": "s", "ended_at": "ms"}
    assert "timezone" not in strips


def test_frame_and_epoch_go_together(tmp_path):
    path = write_coop(tmp_path, strips=passes_of().assign(frame="NAD83(2011)"))
    assert "frame" not in inputs_of(tmp_path, path)["strips"]["columns"]
    assert "frame and epoch are needed together" in text_of(path)


def test_two_times_by_type_alone(tmp_path):
    strips = passes_of().assign(A=pd.Timestamp("2025-10-10T10:00Z"), B=pd.Timestamp("2025-10-10T10:20Z"))
    columns = inputs_of(tmp_path, write_coop(tmp_path, strips=strips))["strips"]["columns"]
    assert (columns["started_at"], columns["ended_at"]) == ("A", "B")


# -- rows and spacing --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("width_m", "count", "spacing"),
    [(12 * 30 * INCH, 12, "30 in"), (16 * 30 * INCH, 16, "30 in"), (6 * 0.75, 6, "75 cm"), (8 * 0.75, 8, "75 cm"),
     (30 * INCH, 1, "30 in"), (22 * INCH, 1, "22 in"), (0.5, 1, "50 cm")],
)  # fmt: skip
def test_both_from_the_distance_alone(width_m, count, spacing):
    guess = guess_rows(pd.Series([width_m] * 5), None, None)
    assert (guess.row_count, guess.row_spacing) == (count, spacing)


def test_other_makings_of_the_width_are_told():
    # 30 ft is 12 x 30 in, and as well 18 x 20 in and 24 x 15 in.
    why = guess_rows(pd.Series([9.144] * 5), None, None).why
    assert "which is 12 x 30 in" in why and "18 x 20 in" in why and "24 x 15 in" in why


@pytest.mark.parametrize(("count", "spacing"), [(12, "30 in"), (18, "20 in"), (24, "15 in")])
def test_a_known_count_tells_the_spacing(count, spacing):
    guess = guess_rows(pd.Series([9.144, 9.10, 9.16, np.nan]), pd.Series([count] * 4), None)
    assert guess.row_spacing == spacing


def test_counts_of_several_implements_are_each_divided():
    # 12 rows of 30 in and 24 of them.
    guess = guess_rows(pd.Series([9.144, 18.288, 9.144, 18.288]), pd.Series([12, 24, 12, 24]), None)
    assert guess.row_spacing == "30 in"


def test_a_known_spacing_tells_the_count():
    assert guess_rows(pd.Series([9.12] * 4), None, pd.Series([0.762] * 4)).row_count == 12
    assert guess_rows(pd.Series([9.12] * 4), None, pd.Series([0.70] * 4)).row_count == 13  # 13 x 0.70 = 9.10
    assert guess_rows(pd.Series([3.4] * 4), None, pd.Series([1.0] * 4)).row_count is None


@pytest.mark.parametrize("distances", [[], [9.1], [np.nan, np.nan], [5.0, 9.0, 13.0, 21.0, 30.0]])
def test_no_guess_without_a_common_distance(distances):
    guess = guess_rows(pd.Series(distances, dtype=float), None, None)
    assert (guess.row_count, guess.row_spacing) == (None, None) and guess.why


def test_lone_passes_leave_both_to_be_filled_in(tmp_path):
    path = write_coop(tmp_path, strips=layer_of(pass_lines(0)[:1], PASS=["a"]))
    said = begun(tmp_path, path)
    assert said["inputs"]["strips"]["constants"] == dict.fromkeys(("row_count", "row_spacing", "strip_width"), "fill in")
    with pytest.raises(ConfigError, match="row_count: found 'fill in'"):
        config_from_dict(said, source="begun")


def test_metric_rows_make_metric_sheets(tmp_path):
    lines = [shapely.LineString([(600_000, 4_600_003 + 6 * k), (600_120, 4_600_003 + 6 * k)]) for k in range(5)]
    said = begun(tmp_path, write_coop(tmp_path, strips=layer_of(lines)))
    assert said["inputs"]["strips"]["constants"]["row_spacing"] == "75 cm" and said["report"]["units"] == "metric"


def test_a_spacing_in_centimetres_makes_metric_sheets(tmp_path):
    text = text_of(write_coop(tmp_path, strips=passes_of().assign(row_spacing_cm=76.2)))
    assert "  units: metric  # guess: 'row_spacing_cm' is in cm; or us" in text.splitlines()


# -- hostile names and values ------------------------------------------------------------------------------

HOSTILE = [
    "it's: \"x\" # {a}, [b]", "- a: *b\t&c !!python/object", "Größe 猫 \u2028 🌾", "yes", "null", "1e3", "a\nb: c",
    "  # fill in: x",
]  # fmt: skip


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_names_of_layers_and_columns(tmp_path, name):
    fields = boundaries().rename(columns={"FIELD": f"{name} id"}).drop(columns="FARM")
    strips = passes_of().assign(**{f"{name}": ["F0"] * 4 + ["F2"] * 4})
    path = write(tmp_path, {f"fields {name}": fields, f"strips {name}": strips})
    said = filled(begun(tmp_path, path))
    assert said["inputs"]["fields"]["layer"] == f"fields {name}"
    assert said["inputs"]["fields"]["columns"]["field_id"] == f"{name} id"
    assert said["inputs"]["strips"]["columns"]["field_id"] == name
    taken = take_in(config_from_dict(said, source="begun"), project=PROJECT)
    assert taken.account["strips"]["kept"] == 8


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_values_and_file_names(tmp_path, name):
    fields = boundaries().assign(FIELD=[name, "F2"], FARM=name)
    # No file system takes a slash, the reader of vector files no line break, tab or exclamation mark, Snakemake no braces.
    path = write_coop(tmp_path, fields=fields, name=re.sub("[/!\t\n{}]", "_", name) + ".gpkg")
    said = begun(tmp_path, path)
    assert said["inputs"]["fields"]["columns"] == {"field_id": "FIELD", "farm": "FARM"}
    assert said["inputs"]["fields"]["file"] == path.as_posix()
    kept = take_in(config_from_dict(filled(said), source="begun"), project=PROJECT).account["fields"]["kept"]
    assert kept == (2 if name.isprintable() else 1)  # an id that does not print is a reject


@given(st.text(max_size=40))
def test_any_name_is_one_line_of_yaml_and_read_back(text):
    written = scalar(text)
    assert len(written.splitlines()) == 1
    assert yaml.safe_load(f"a:\n  b: {written}  # guess: why\n") == {"a": {"b": text}}


# -- errors, and the command -------------------------------------------------------------------------------


def test_layer_without_crs_is_marked(tmp_path):
    path = tmp_path / "coop.gpkg"
    write_coop(tmp_path)
    for layer, frame in (("fields", boundaries()), ("strips", passes_of())):
        frame.set_crs(None, allow_override=True).to_file(path, layer=layer, driver="GPKG", engine="pyogrio")
    text = text_of(path)
    assert text.count("# fill in: the layer names no CRS") == 2
    assert gpd.read_file(path, layer="fields").crs is None and CRS not in text


@pytest.mark.parametrize(
    ("crs", "words"),
    [("EPSG:4326", "in degrees, its coordinates are not"), ('LOCAL_CS["x",UNIT["metre",1]]', "not tied to the earth")],
)
def test_layer_with_a_wrong_crs_is_marked(tmp_path, crs, words):
    frames = {"fields": boundaries(), "strips": passes_of()}
    path = write(tmp_path, {name: frame.set_crs(crs, allow_override=True) for name, frame in frames.items()})
    text = text_of(path)
    assert text.count(f"# fill in: the layer's CRS is {words}") == 2
    assert "row_count: \"fill in\"" in text  # nothing can be measured there


@pytest.mark.parametrize(
    ("name", "content", "words"), [("gone.gpkg", None, "does not exist"), ("a.dat", "no layer\n", "GDAL can read")]
)
def test_files_that_cannot_be_read(tmp_path, name, content, words):
    if content is not None:
        (tmp_path / name).write_text(content)
    with pytest.raises(InputError, match=words):
        begin([tmp_path / name], out=tmp_path / "mine.yaml", project=PROJECT)
    assert not (tmp_path / "mine.yaml").exists()


def test_a_table_without_coordinates_is_named(tmp_path):
    (tmp_path / "a.csv").write_text("when,what\n1,2\n")
    with pytest.raises(InputError, match=r"a\.csv, layer 'a': no column of coordinates is known among when, what"):
        begin([tmp_path / "a.csv"], out=tmp_path / "mine.yaml", project=PROJECT)


def log_of(passes: int = 4, *, second: str = "2025-10-20 14:00:00") -> pd.DataFrame:
    """Points of passes every two metres, one each second, as a text table would have them; local time."""
    xy = np.vstack([shapely.get_coordinates(shapely.segmentize(line, 2.0)) for line in pass_lines(0)[:passes]])
    time = pd.Timestamp(second) + pd.to_timedelta(np.arange(len(xy)), unit="s")
    return pd.DataFrame({"time": time.strftime("%Y-%m-%d %H:%M:%S"), "x": xy[:, 0], "y": xy[:, 1]})


def test_text_tables_and_geoparquet_are_begun_from(tmp_path):
    land = write(tmp_path, {"land": boundaries()}, "land.gpkg")
    log_of().to_csv(tmp_path / "log.csv", index=False)
    passes_of().to_parquet(tmp_path / "planter.parquet")
    said = begun(tmp_path, land, tmp_path / "log.csv", tmp_path / "planter.parquet")["inputs"]
    assert {role: Path(said[role]["file"]).name for role in said} == {
        "fields": "land.gpkg", "strips": "log.csv", "rows": "planter.parquet",
    }  # fmt: skip
    assert said["strips"]["layer"] == "log" and said["strips"]["columns"] == {"started_at": "time"}
    assert said["strips"]["crs"] == "fill in" and said["strips"]["timezone"] == "UTC"
    assert said["rows"]["columns"] == {"pass_id": "PASS"} and "crs" not in said["rows"]
    with pytest.raises(ConfigError, match=r"inputs\.strips\.crs: 'fill in' is no CRS"):
        config_from_dict({"title": "a", "inputs": said}, source="begun")
    implement = {"row_count": 12, "row_spacing": "30 in", "strip_width": "8 in"}
    said["strips"] |= {"crs": CRS, "constants": implement}
    taken = take_in(config_from_dict({"title": "a", "inputs": said}, source="begun"), project=PROJECT)
    assert len(taken.layers["strips"].kept) == 4


def test_local_times_beside_times_in_utc(tmp_path):
    path = write(tmp_path, {"a": dated("2025-10-10"), "land": boundaries()})
    log_of(second="2026-04-20 14:00:00").to_csv(tmp_path / "x.csv", index=False)
    text = text_of(path, tmp_path / "x.csv")
    assert "the earliest layer of lines, 2025-10-10" in text and "the latest log of points, 2026-04-20" in text
    assert "timezone: UTC  # guess: times in 'time' name no zone; where they are local, name it, as America/Chicago" in text


def test_layers_with_and_without_a_zone_of_time_are_put_in_order(tmp_path):
    local = passes_of().assign(started_at=pd.Timestamp("2025-10-10T10:00"))
    said = inputs_of(tmp_path, write(tmp_path, {"a": dated("2026-04-20"), "b": local, "land": boundaries()}))
    assert {role: said[role]["layer"] for role in said} == {"fields": "land", "strips": "b", "rows": "a"}


@pytest.mark.parametrize("name", ["checks", "ground_checks", "DugHoles", "spring digs"])
@pytest.mark.parametrize("column", ["OFF", "NOTE"])
def test_points_that_are_called_checks_are_no_bases(tmp_path, name, column):
    checks = layer_of([shapely.Point(600_010, 4_600_005)], **{column: [2.0]})
    posts = layer_of([shapely.Point(600_000, 4_600_000)], OFFSET=[1.0])
    path = write(tmp_path, {"land": boundaries(), name: checks, "rtk base": posts, "strips": passes_of()})
    text = text_of(path)
    roles = {role: layer["layer"] for role, layer in yaml.safe_load(text)["inputs"].items()}
    assert roles == {"fields": "land", "strips": "strips", "checks": name, "bases": "rtk base"}
    (line,) = [line for line in text.splitlines() if "what was measured" in line]
    assert line.strip().startswith('offset: "fill in"') and f"Columns: '{column}'" in line


def test_checks_and_zones_are_told_by_their_columns(tmp_path):
    checks = layer_of([shapely.Point(600_010, 4_600_005)], distance=[2.0], tape_error=[0.5])
    zones = layer_of([area(0)], tier=["*"], factor=[2.0])
    path = write(tmp_path, {"trees": zones, "land": boundaries(), "tape": checks, "strips": passes_of()})
    said = inputs_of(tmp_path, path)
    assert {role: said[role]["layer"] for role in said} == {
        "fields": "land", "strips": "strips", "checks": "tape", "zones": "trees",
    }  # fmt: skip
    assert said["zones"]["columns"] == {"tier": "tier", "factor": "factor"}
    assert said["checks"]["columns"] == {"distance": "distance", "tape_error": "tape_error"}
    assert said["checks"]["units"] == {"distance": "in"}  # nobody plants two metres beside the strip


def command(*arguments, cwd: Path) -> subprocess.CompletedProcess:
    return subprocess.run(
        [sys.executable, "-m", "pipeline", *map(str, arguments)], cwd=cwd, env=os.environ | {"PYTHONPATH": str(PROJECT)},
        capture_output=True, text=True, check=False, timeout=280,
    )  # fmt: skip


def test_command_writes_once_and_overwrites_nothing(tmp_path):
    write_coop(tmp_path)
    done = command("begin", "coop.gpkg", cwd=tmp_path)
    assert (done.returncode, done.stderr) == (0, "")
    text = (tmp_path / "mine.yaml").read_text()
    assert "1 place to fill in" in done.stdout and yaml.safe_load(text)["inputs"]["fields"]["file"] == "coop.gpkg"
    again = command("begin", "coop.gpkg", "-o", "mine.yaml", cwd=tmp_path)
    assert (again.returncode, again.stdout) == (1, "")
    assert again.stderr.startswith("rowreturn: error: mine.yaml is there already") and again.stderr.count("\n") == 1
    assert (tmp_path / "mine.yaml").read_text() == text


def test_a_dangling_link_is_not_written_through(tmp_path):
    path = write_coop(tmp_path)
    (tmp_path / "mine.yaml").symlink_to(tmp_path / "elsewhere.yaml")
    with pytest.raises(ConfigError, match="is there already"):
        begin([path], out=tmp_path / "mine.yaml", project=PROJECT)
    assert not (tmp_path / "elsewhere.yaml").exists()


def test_same_files_give_the_same_text(tmp_path):
    path = write_coop(tmp_path, rows=passes_of())
    assert text_of(path) == text_of(path) and config(tmp_path)["inputs"]["fields"]["file"] in text_of(path)
