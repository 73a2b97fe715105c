"""Every bad input of the specification: one clear error, and nothing half-written."""

import copy

import geopandas as gpd
import pyogrio
import pytest
from workflow import boundaries, config, passes_of, snakemake, take_in, write_coop

from pipeline.errors import ConfigError, InputError, RowreturnError


def fails(settings: dict, folder, *words: str, kind: type = InputError) -> str:
    """The one message that intake ends with; it names all of `words`, and nothing was written."""
    with pytest.raises(RowreturnError) as caught:
        take_in(settings, folder)
    message = str(caught.value)
    assert isinstance(caught.value, kind)
    assert "\n" not in message
    for word in words:
        assert word in message, message
    assert not (folder / "results").exists()
    assert not (folder / "work").exists()
    return message


def changed(folder, path: str, value, **how) -> dict:
    """The good configuration with one value changed; the path is dotted."""
    settings = copy.deepcopy(config(folder, **how))
    at = settings
    *way, last = path.split(".")
    for key in way:
        at = at.setdefault(key, {})
    at[last] = value
    return settings


def test_missing_file(tmp_path):
    gone = str(tmp_path / "gone.gpkg")
    write_coop(tmp_path)
    fails(
        changed(tmp_path, "inputs.strips.file", gone, planter=False),
        tmp_path,
        "inputs.strips",
        f"'{gone}' does not exist; correct inputs.strips.file",
    )


def test_a_log_without_progress_has_the_error_all_the_same(tmp_path):
    write_coop(tmp_path)
    settings = changed(tmp_path, "judging", {"row_margn": "1 in"}, planter=False)
    ended = snakemake(settings, tmp_path, "--quiet", "all")
    assert ended.returncode == 1
    assert "rowreturn: error: " in ended.stdout and "did you mean 'row_margin'?" in ended.stdout
    assert "Traceback" not in ended.stdout


def test_missing_layer_names_the_nearest(tmp_path):
    write_coop(tmp_path)
    settings = changed(tmp_path, "inputs.strips.layer", "stripz", planter=False)
    fails(settings, tmp_path, "inputs.strips", "coop.gpkg", "'stripz'", "did you mean 'strips'?", "fields")


@pytest.mark.parametrize(
    ("role", "ours", "theirs", "nearest"),
    [("fields", "field_id", "FELD", "FIELD"), ("strips", "pass_id", "PAS", "PASS")],
)
def test_missing_column_names_the_nearest(tmp_path, role, ours, theirs, nearest):
    write_coop(tmp_path)
    settings = changed(tmp_path, f"inputs.{role}.columns.{ours}", theirs, planter=False)
    words = (
        f"inputs.{role}",
        "coop.gpkg",
        f"layer '{role}'",
        f"'{theirs}'",
        ours,
        f"did you mean '{nearest}'?",
    )
    fails(settings, tmp_path, *words)


@pytest.mark.parametrize(
    ("path", "value", "words"),
    [
        ("judging.row_magrin", "1 in", ("judging", "row_magrin", "did you mean 'row_margin'?")),
        ("inputs.strips.colums", {}, ("inputs.strips", "colums", "did you mean 'columns'?")),
        ("inputs.strips.columns", {"started": "T0"}, ("started", "did you mean 'started_at'?")),
        ("tiers.compare", ["sbas", "rtk_bas"], ("tiers.compare.1", "'rtk_bas'", "did you mean 'rtk_base'?")),
        ("tiers.autumn", "rtk_bse", ("tiers.autumn", "'rtk_bse'", "did you mean 'rtk_base'?")),
        ("inputs.strips.constants.tier", "sbass", ("inputs.strips", "'sbass'", "did you mean 'sbas'?")),
        ("raster.cell", 0.1, ("raster.cell: 0.1 has no unit; write for example '0.1 m' or '3.937 in'",)),
        ("report.units", "imperial", ("report.units", "'imperial'", "'us'", "'metric'")),
    ],
)  # fmt: skip
def test_bad_configuration(tmp_path, path, value, words):
    write_coop(tmp_path)
    settings = changed(tmp_path, path, value, planter=False)
    where = "configuration" if path.startswith("tiers") or path.endswith("tier") else "mine.yaml"
    fails(settings, tmp_path, where, *words, kind=ConfigError)


@pytest.mark.parametrize(
    ("name", "value", "message"),
    [
        ("strip_width", 8, "8 has no unit; write for example '8 m' or '8 in'"),
        ("strip_width", "-8 in", "'-8 in' is -0.2032 m; expected 0.02 to 5 m"),
        ("strip_width", "8 km", "'8 km' is 8000 m; expected 0.02 to 5 m"),
        ("strip_width", "nan in",
         "'nan in' is not a length; expected a finite number and a unit, as in '1 m' or '1 in'"),
        ("strip_width", "8 kg", "'8 kg': 'kg' is not a unit of length; expected one, as in '1 m' or '1 in'"),
        ("strip_width", "8 parsnips",
         "'8 parsnips': unknown unit 'parsnips'; expected a unit of length, as in '1 m' or '1 in'"),
        ("strip_width", "8 IN",
         "'8 IN': unknown unit 'IN' (did you mean 'in'?); expected a unit of length, as in '1 m' or '1 in'"),
        ("row_spacing", "0.7 M",
         "'0.7 M': 'M' is not a unit of length (did you mean 'm'?); expected one, as in '1 m' or '1 in'"),
        ("row_spacing", "30 mi", "'30 mi' is 48280.3 m; expected 0.1 to 5 m"),
        ("row_count", 0, "found 0, expected greater than or equal to 1; correct it as config/README.md shows"),
    ],
)  # fmt: skip
def test_bad_constant_is_told_in_full(tmp_path, name, value, message):
    write_coop(tmp_path)
    key = f"inputs.strips.constants.{name}"
    found = fails(changed(tmp_path, key, value, planter=False), tmp_path, kind=ConfigError)
    assert found == f"mine.yaml: {key}: {message}"


def test_margin_that_leaves_no_strip(tmp_path):
    write_coop(tmp_path)
    found = fails(changed(tmp_path, "judging.row_margin", "4 in", planter=False), tmp_path, kind=ConfigError)
    assert found == (
        "mine.yaml: judging.row_margin is 0.1016 m, expected less than half of inputs.strips.constants.strip_width, "
        "0.2032 m; lower the margin"
    )


def test_missing_key(tmp_path):
    write_coop(tmp_path)
    settings = config(tmp_path, planter=False)
    del settings["inputs"]["strips"]
    fails(settings, tmp_path, "mine.yaml", "inputs.strips", "missing", kind=ConfigError)


@pytest.mark.parametrize("ours", ["row_count", "row_spacing", "strip_width"])
def test_figure_neither_mapped_nor_constant(tmp_path, ours):
    write_coop(tmp_path)
    settings = config(tmp_path, planter=False)
    del settings["inputs"]["strips"]["constants"][ours]
    fails(settings, tmp_path, "inputs.strips", "coop.gpkg", "layer 'strips'", ours, "add it")


@pytest.mark.parametrize("role", ["fields", "strips"])
def test_no_crs_is_never_guessed(tmp_path, role):
    layers = {"fields": boundaries(), "strips": passes_of()}
    write_coop(tmp_path)
    bare = gpd.GeoDataFrame(layers[role].drop(columns="geometry"), geometry=list(layers[role].geometry))
    pyogrio.write_dataframe(bare, tmp_path / "bare.fgb", driver="FlatGeobuf")
    settings = changed(tmp_path, f"inputs.{role}.file", str(tmp_path / "bare.fgb"), planter=False)
    settings["inputs"][role]["layer"] = "bare"
    fails(settings, tmp_path, f"inputs.{role}", "bare.fgb", "no CRS", "assign")


def test_metres_called_degrees(tmp_path):
    write_coop(tmp_path, strips=passes_of().set_crs("EPSG:4326", allow_override=True))
    words = ("inputs.strips", "coop.gpkg", "layer 'strips'", "feature 1", "longitude 600000", "WGS 84", "180")
    fails(config(tmp_path, planter=False), tmp_path, *words)


@pytest.mark.parametrize("role", ["fields", "strips"])
def test_empty_layer(tmp_path, role):
    layers = {"fields": boundaries(), "strips": passes_of()}
    layers[role] = layers[role].iloc[:0]
    write_coop(tmp_path, **layers)
    fails(
        config(tmp_path, planter=False),
        tmp_path,
        f"inputs.{role}",
        "coop.gpkg",
        f"layer '{role}'",
        "is empty",
    )


def test_wrong_geometry_type(tmp_path):
    write_coop(tmp_path)
    settings = changed(tmp_path, "inputs.strips.layer", "fields", planter=False)
    settings["inputs"]["strips"]["columns"] = {}
    fails(settings, tmp_path, "inputs.strips", "layer 'fields'", "holds polygons, expected lines")


def test_lines_as_fields(tmp_path):
    write_coop(tmp_path, fields=passes_of().rename(columns={"PASS": "FIELD"}).assign(FARM=""))
    fails(config(tmp_path, planter=False), tmp_path, "inputs.fields", "holds lines, expected polygons")


def test_table_without_geometry(tmp_path):
    path = write_coop(tmp_path)
    pyogrio.write_dataframe(boundaries().drop(columns="geometry"), path, layer="notes", append=True)
    settings = changed(tmp_path, "inputs.strips.layer", "notes", planter=False)
    fails(settings, tmp_path, "inputs.strips", "layer 'notes'", "no geometry column")


def test_not_a_vector_file(tmp_path):
    write_coop(tmp_path)
    (tmp_path / "letter.gpkg").write_text("Dear co-op")
    settings = changed(tmp_path, "inputs.strips.file", str(tmp_path / "letter.gpkg"), planter=False)
    fails(settings, tmp_path, "inputs.strips", "letter.gpkg", "not a vector file")


def test_two_fields_of_one_name(tmp_path):
    write_coop(tmp_path, fields=boundaries().assign(FIELD="F0"))
    fails(config(tmp_path, planter=False), tmp_path, "inputs.fields", "features 1, 2", "'F0'", "rename")


def test_frame_without_epoch(tmp_path):
    write_coop(tmp_path)
    settings = changed(tmp_path, "inputs.strips.constants.frame", "ITRF2020", planter=False)
    words = ("inputs.strips", "coop.gpkg", "layer 'strips'", "feature 1", "'ITRF2020'", "add the epoch as a decimal year")
    fails(settings, tmp_path, *words)


@pytest.mark.parametrize(
    ("width", "fault", "mend"),
    [
        ("8", "'8' has no unit; write for example '8 m' or '8 in'",
         ", or say what bare numbers are, as in units: {strip_width: in}"),
        ("eight inches", "'eight inches' is not a length; expected a finite number and a unit, as in '1 m' or '1 in'", ""),
        ("8 kg", "'8 kg': 'kg' is not a unit of length; expected one, as in '1 m' or '1 in'", ""),
    ],
)
def test_bad_length_in_a_column_names_the_feature(tmp_path, width, fault, mend):
    strips = passes_of().assign(WIDE="8 in")
    strips.loc[2, "WIDE"] = width
    write_coop(tmp_path, strips=strips)
    settings = changed(tmp_path, "inputs.strips.columns.strip_width", "WIDE", planter=False)
    place = f"inputs.strips: {tmp_path}/coop.gpkg, layer 'strips': feature 3: strip_width: "
    message = fails(settings, tmp_path)
    assert message == f"{place}{fault}; correct it in the layer{mend}"


@pytest.mark.parametrize("time", ["last Tuesday", "04/20/2026 14:05", 1776693900])
@pytest.mark.parametrize("ours", ["started_at", "ended_at"])
def test_bad_time_names_the_feature(tmp_path, ours, time):
    strips = passes_of()
    strips["T0"] = [None] * 4 + [time] + [None] * 3
    write_coop(tmp_path, strips=strips)
    message = fails(changed(tmp_path, f"inputs.strips.columns.{ours}", "T0", planter=False), tmp_path)
    said = f"{time:.1f}" if isinstance(time, int) else time  # a column with gaps holds numbers as floats
    assert message == (
        f"inputs.strips: {tmp_path}/coop.gpkg, layer 'strips': feature 5: {ours}: '{said}' is not a time; expected ISO "
        "8601 in UTC, as in '2026-04-20T14:05:00Z', or a date-time column; correct it in the layer"
    )


@pytest.mark.parametrize(
    ("path", "value", "message"),
    [
        ("judging.row_magrin", "1 in",
         "{0}/mine.yaml: judging: unknown key 'row_magrin'; did you mean 'row_margin'? Known: "),
        ("judgin", {},
         "{0}/mine.yaml: unknown key 'judgin'; did you mean 'judging'? Known: costs, inputs, judging, raster, "),
        ("inputs.strips.layer", "stripz",
         "inputs.strips: {0}/coop.gpkg has no layer 'stripz'; did you mean 'strips'? Known: fields, strips"),
        ("inputs.strips.file", "gone.gpkg",
         "inputs.strips: file 'gone.gpkg' does not exist; correct inputs.strips.file; relative paths start at the "
         "working directory {0}"),
    ],
)  # fmt: skip
def test_whole_workflow_ends_without_a_traceback(tmp_path, path, value, message):
    write_coop(tmp_path)
    done = snakemake(changed(tmp_path, path, value, planter=False), tmp_path, "results/field_tier.csv")
    assert done.returncode != 0
    assert "Traceback" not in done.stdout, done.stdout
    assert f"rowreturn: error: {message.format(tmp_path)}" in done.stdout, done.stdout
    assert done.stdout.count("rowreturn: error:") == 1, done.stdout
    assert not (tmp_path / "results").exists()
    assert not (tmp_path / "work" / "intake.json").exists()
