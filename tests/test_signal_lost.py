"""Position quality: which passes were laid while the signal was lost, as lines and as points, and what is said of it."""

import logging

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from pyproj import Geod, Transformer
from workflow import CRS, ORIGIN, PROJECT, config, layer_of, pass_lines, passes_of, take_in, write_coop

from pipeline import columns as c
from pipeline.commands.begin import first_configuration
from pipeline.core.point_log import PointLog
from pipeline.core.point_log import passes_of as passes_of_points
from pipeline.errors import ConfigError, InputError
from pipeline.files.config import config_from_dict
from pipeline.files.plain_yaml import parse_yaml
from pipeline.files.store import read_frame, read_geo, read_json
from pipeline.steps import passes

RTK = ["RTK fixed"] * 6 + ["DGPS", "autonomous"]  # of the eight passes of two fields


def with_fix(folder, values, *, role: str = "strips", **more) -> dict:
    """Settings of a co-op whose eight passes have these values of `fix`, in the file's order, and more keys."""
    planter = role == "rows"
    named = passes_of().assign(FIX=values)
    write_coop(folder, strips=None if planter else named, rows=named if planter else None)
    settings = config(folder, planter=planter)
    settings["inputs"][role]["columns"]["fix"] = "FIX"
    settings["inputs"][role] |= ({"kind": "planted"} if planter else {}) | more
    return settings


def kept(work, name: str = "strips") -> gpd.GeoDataFrame:
    return pd.concat([read_geo(path) for path in sorted(work.glob(f"intake/*/{name}.parquet"))], ignore_index=True)


def lost_passes(work, name: str = "strips") -> list[tuple[str, str]]:
    """Field and number of the passes without a signal."""
    found = kept(work, name)
    assert found[c.SIGNAL_LOST].dtype == bool
    return sorted(found[found[c.SIGNAL_LOST]][[c.FIELD_ID, c.PASS_ID]].itertuples(index=False, name=None))


def notes_of(work) -> list[str]:
    return [note for note in read_json(work / "intake.json")["notes"] if "fix" in note or "signal" in note]


# -- lines -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("values", "holds"),
    [
        ([4] * 6 + [5, 1], [4]),
        ([4] * 6 + [5, 1], ["4"]),
        ([4] * 6 + [5, 1], [4.0]),
        ([4.0] * 6 + [5.0, 1.0], [4]),
        ([4.0] * 5 + [np.nan, 5.0, 1.0], [4]),  # a missing value tells nothing
        (["4"] * 3 + ["4.0", "04"[1:], " 4 ", "5.0", "1"], [" 4"]),
        ([4, 2, 4, 2, 4, 2, 5, 1], [2, "4"]),
        (RTK, ["RTK fixed"]),
        (["rtk FIXED", "RTK Fixed "] * 3 + ["DGPS", "RTK"], ["  RTK fixed"]),
        (["RTK fixed"] * 4 + [None, "   ", "DGPS", "RTK float"], ["RTK fixed", "no such word"]),
    ],
)
def test_values_are_compared_as_text(tmp_path, values, holds):
    work = take_in(with_fix(tmp_path, values, fix_holds=holds), tmp_path)
    assert lost_passes(work) == [("F2", "P2"), ("F2", "P3")]


@pytest.mark.parametrize("values", [[4] * 6 + [40, 14], ["4"] * 6 + ["4.01", "4 m"], [4.0] * 6 + [4.5, -4.0]])
def test_what_only_looks_alike_does_not_hold(tmp_path, values):
    assert len(lost_passes(take_in(with_fix(tmp_path, values, fix_holds=[4]), tmp_path))) == 2


def test_rows_have_their_own_list(tmp_path):
    work = take_in(with_fix(tmp_path, RTK, role="rows", fix_holds=["rtk fixed"]), tmp_path)
    assert lost_passes(work, "rows") == [("F2", "P2"), ("F2", "P3")]
    assert lost_passes(work) == []


def test_a_constant_fills_in_what_is_missing(tmp_path):
    settings = with_fix(tmp_path, [None, "4"] * 4, fix_holds=[4])
    settings["inputs"]["strips"]["constants"]["fix"] = "5"
    assert [number for _, number in lost_passes(take_in(settings, tmp_path))] == ["P0", "P2"] * 2
    write_coop(tmp_path)
    del settings["inputs"]["strips"]["columns"]["fix"]
    settings["inputs"]["strips"]["fix_holds"] = ["5"]
    work = take_in(settings, tmp_path)
    assert lost_passes(work) == []
    assert notes_of(work) == []


def test_a_column_called_fix_needs_no_mapping(tmp_path):
    settings = with_fix(tmp_path, RTK, fix_holds=["RTK fixed"])
    write_coop(tmp_path, strips=passes_of().assign(fix=RTK))
    del settings["inputs"]["strips"]["columns"]["fix"]
    assert len(lost_passes(take_in(settings, tmp_path))) == 2


def test_a_pass_through_two_fields_is_lost_in_both(tmp_path):
    through = shapely.LineString([(ORIGIN[0], ORIGIN[1] + 40), (ORIGIN[0] + 520, ORIGIN[1] + 40)])
    strips = layer_of([*pass_lines(0)[:3], through], PASS=list("abcd"), FIX=[4, 4, 4, 5])
    settings = with_fix(tmp_path, RTK, fix_holds=[4])
    write_coop(tmp_path, strips=strips)
    assert lost_passes(take_in(settings, tmp_path)) == [("F0", "d"), ("F2", "d")]


def test_without_the_list_nothing_changes(tmp_path):
    """Byte for byte: a layer with `fix`, the same layer without."""
    (tmp_path / "bare").mkdir()
    write_coop(tmp_path / "bare")
    bare = take_in(config(tmp_path / "bare", planter=False), tmp_path / "bare")
    work = take_in(with_fix(tmp_path, RTK), tmp_path)
    files = sorted(path.relative_to(bare) for path in bare.glob("intake/*/*"))
    assert len(files) == 8  # fields, strips, rows and the key of two batches
    for path in files:
        assert (work / path).read_bytes() == (bare / path).read_bytes(), path
    assert not kept(work)[c.SIGNAL_LOST].any()


def test_passes_planned_after_lost_strips_are_laid(tmp_path):
    work = take_in(with_fix(tmp_path, RTK, fix_holds=["RTK fixed"]), tmp_path)
    batch = next(path.parent for path in work.glob("intake/*/strips.parquet") if read_geo(path)[c.SIGNAL_LOST].any())
    passes.run(batch=batch, settings=work / "settings/geometry.json", out=tmp_path / "laid")
    laid = read_frame(tmp_path / "laid" / "F2" / "planter_passes.parquet")
    assert len(laid) == 4 and not laid[c.SIGNAL_LOST].any()
    assert read_json(tmp_path / "laid" / "F2" / "field.json")["regains"]["planter"] == []


# -- points ------------------------------------------------------------------------------------------------

X_M = np.arange(0.0, 301.0, 2.0)  # one pass of 300 m, a point each second: 151 of them


def logged(folder, values, *, holds=("4",), **columns) -> dict:
    """Settings of one field with one straight pass, logged with these values of `fix`."""
    at = shapely.points(ORIGIN[0] + X_M, np.full(len(X_M), ORIGIN[1] + 10.0))
    time = pd.Timestamp("2025-10-06T13:00Z") + pd.to_timedelta(np.arange(len(X_M)), unit="s")
    points = gpd.GeoDataFrame({"FIX": values, "T": time} | columns, geometry=at, crs=CRS)
    field = layer_of([shapely.box(*ORIGIN, ORIGIN[0] + 300.0, ORIGIN[1] + 50.0)], FIELD=["F0"], FARM=[""])
    write_coop(folder, fields=field, strips=points)
    settings = config(folder, planter=False)
    settings["inputs"]["strips"]["columns"] = {"fix": "FIX", "started_at": "T"}
    settings["inputs"]["strips"]["fix_holds"] = list(holds)
    return settings


def pieces(work) -> list[tuple[float, float, bool]]:
    """From where to where each pass runs [m east of the origin], and whether its signal was lost."""
    found = kept(work).sort_values(c.STARTED_S)
    ends = found.bounds[["minx", "maxx"]].to_numpy() - ORIGIN[0]
    return [(*map(float, np.round(pair, 1)), bool(lost)) for pair, lost in zip(ends, found[c.SIGNAL_LOST], strict=True)]


def test_a_loss_of_100_m_cuts_a_pass_into_three(tmp_path):
    #  4444444444444|5555555555555|44444444444444   one point each 2 m:
    #  0 ........ 98|100 ..... 198|200 ....... 300  a cut takes the step between two points
    work = take_in(logged(tmp_path, np.where((X_M >= 100) & (X_M < 200), 5, 4)), tmp_path)
    assert pieces(work) == [(0.0, 98.0, False), (100.0, 198.0, True), (200.0, 300.0, False)]
    said = read_json(work / "intake.json")["layers"]["strips"]
    assert (said["read"], said["kept"], said["passes"], said["rejected"]) == (151, 151, 3, 0)


def test_a_pass_that_is_lost_to_its_end_has_two_parts(tmp_path):
    assert pieces(take_in(logged(tmp_path, np.where(X_M >= 240, 1, 4)), tmp_path)) == [(0, 238, False), (240, 300, True)]


def test_every_loss_of_the_shortest_pass_counts(tmp_path):
    # A run of 12 m, of 7 points, is a pass by the default of 10 m, and none where the shortest is 20 m.
    settings = logged(tmp_path, np.where((X_M >= 100) & (X_M <= 112), 5, 4))
    assert pieces(take_in(settings, tmp_path)) == [(0, 98, False), (100, 112, True), (114, 300, False)]
    settings["inputs"]["strips"]["log"] = {"shortest": "20 m"}
    assert pieces(take_in(settings, tmp_path)) == [(0, 300, False)]


@pytest.mark.parametrize(
    ("lost", "count", "most"),
    [
        (X_M % 20 == 0, 16, False),  # one point in ten
        ((X_M >= 100) & (X_M <= 108), 5, False),  # 8 m, less than a pass
        (X_M <= 6, 4, False),  # at the beginning
        (X_M % 6 != 0, 100, True),  # two in three
    ],
)
def test_a_fix_that_flickers_does_not_cut(tmp_path, lost, count, most):
    work = take_in(logged(tmp_path, np.where(lost, "float", "4")), tmp_path)
    assert pieces(work) == [(0.0, 300.0, most)]
    assert f"the signal was lost in {count} of 151 points, whose fix is not '4' but 'float'" in notes_of(work)[0]
    assert len(notes_of(work)) == 1 + most


def test_points_without_a_value_count_as_holding(tmp_path):
    values = np.where((X_M >= 100) & (X_M <= 200), None, "4")
    work = take_in(logged(tmp_path, values), tmp_path)
    assert pieces(work) == [(0.0, 300.0, False)]
    (note,) = notes_of(work)
    assert note.endswith("no value of fix in 51 of 151 points, which tells nothing: they count as holding")


def test_a_flickering_fix_hides_no_change_of_rows(tmp_path):
    """Half of the row units go up for good at 150 m while every fourth point has another fix."""
    settings = logged(tmp_path, np.where(X_M % 8 == 0, 5, 4), N=np.where(X_M < 150, 12, 6))
    settings["inputs"]["strips"]["columns"]["row_count"] = "N"
    work = take_in(settings, tmp_path)
    assert pieces(work) == [(0.0, 148.0, False), (150.0, 300.0, False)]
    assert kept(work).sort_values(c.STARTED_S)[c.ROW_COUNT].tolist() == [12, 6]


def test_rows_and_signal_that_change_apart_cut_apart():
    xy = np.column_stack([X_M, 0.0 * X_M])
    made = passes_of_points(PointLog(xy, setting=np.where(X_M < 100, 12, 6), lost=(X_M >= 200) & (X_M < 250)))
    firsts = [float(X_M[made.pass_of == k].min()) for k in range(len(made.lines))]
    assert firsts == [0.0, 100.0, 200.0, 250.0]


def test_points_without_the_list_are_cut_as_before(tmp_path):
    values = np.where((X_M >= 100) & (X_M < 200), 5, 4)
    settings = logged(tmp_path, values)
    del settings["inputs"]["strips"]["fix_holds"]
    work = take_in(settings, tmp_path)
    assert pieces(work) == [(0.0, 300.0, False)]
    (note,) = notes_of(work)
    assert note.endswith("the layer has '4' (67 %), '5' (33 %)")  # 101 and 50 of 151


# -- what is said ------------------------------------------------------------------------------------------


def test_fix_without_a_list_is_said_to_have_no_part(tmp_path):
    # Of eight features three have 1, and the other five values are told in order; blanks are no value.
    settings = with_fix(tmp_path, ["1", "1", "1", "2", "3", "4", "5", " "])
    (note,) = notes_of(take_in(settings, tmp_path))
    assert note == (
        f"inputs.strips: {tmp_path}/coop.gpkg, layer 'strips': fix has no part in any figure, for fix_holds does not say "
        "under which of its values the tier's figures hold; the layer has '1' (38 %), '2' (13 %), '3' (13 %), "
        "'4' (13 %), '5' (13 %)"
    )


def test_the_six_commonest_values_are_told(tmp_path):
    (note,) = notes_of(take_in(with_fix(tmp_path, [8, 7, 6, 5, 4, 3, 2, 8]), tmp_path))
    assert [int(part.split("'")[1]) for part in note.split("the layer has ")[1].split(", ")] == [8, 2, 3, 4, 5, 6]
    assert note.endswith(" and 1 more")


def test_a_constant_without_a_list_is_said_to_have_no_part(tmp_path):
    write_coop(tmp_path)
    settings = config(tmp_path, planter=False)
    settings["inputs"]["strips"]["constants"]["fix"] = "rtk"
    (note,) = notes_of(take_in(settings, tmp_path))
    assert note.endswith("the layer has 'rtk' (100 %)")


@pytest.mark.parametrize(("units", "unit", "size_m"), [("us", "ft", 0.3048), ("metric", "m", 1.0)])
def test_passes_and_metres_that_were_lost(tmp_path, caplog, units, unit, size_m):
    settings = with_fix(tmp_path, ["RTK fixed"] * 5 + [None, "DGPS", "DGPS"], fix_holds=["RTK fixed"])
    settings["report"]["units"] = units
    with caplog.at_level(logging.WARNING, logger="rowreturn"):
        said = notes_of(take_in(settings, tmp_path))
    # Referee: geodesics between the ends of the passes.
    degrees = Transformer.from_crs(CRS, "EPSG:4326", always_xy=True)
    lines = [shapely.transform(line, lambda xy: np.column_stack(degrees.transform(*xy.T))) for line in passes_of().geometry]
    metres = [Geod(ellps="WGS84").geometry_length(line) for line in lines]
    part, whole = (f"{sum(some) / size_m:,.0f} {unit}" for some in (metres[-2:], metres))
    place = f"inputs.strips: {tmp_path}/coop.gpkg, layer 'strips'"
    assert said == [
        f"{place}: the signal was lost in 2 of 8 features, whose fix is not 'RTK fixed' but 'DGPS'",
        f"{place}: no value of fix in 1 of 8 features, which tells nothing: they count as holding",
        f"{place}: {part} of {whole} laid while the signal was lost, in 2 of 8 passes",
    ]
    logged_notes = [record.getMessage() for record in caplog.records]
    assert all(f"intake: note: {note}" in logged_notes for note in said)


@pytest.mark.parametrize("values", [[4] * 8, ["4", "4.0"] * 4])
def test_nothing_to_say_where_nothing_was_lost(tmp_path, values):
    assert notes_of(take_in(with_fix(tmp_path, values, fix_holds=[4]), tmp_path)) == []


def test_nothing_to_say_of_an_empty_column(tmp_path):
    assert notes_of(take_in(with_fix(tmp_path, [None] * 7 + [" "]), tmp_path)) == []


def test_a_first_configuration_has_a_hint(tmp_path):
    hint = "fix_holds names its values under which the tier's figures hold"
    path = write_coop(tmp_path, strips=passes_of().assign(fix=RTK))
    text = first_configuration([path], project=PROJECT).text
    assert text.count(hint) == 1
    said = parse_yaml(text, source="begun")["inputs"]["strips"]
    assert said["columns"]["fix"] == "fix" and "fix_holds" not in said
    assert hint not in first_configuration([write_coop(tmp_path)], project=PROJECT).text


# -- what cannot be right ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("values", "holds", "message"),
    [
        (RTK, ["4", "RTK fxed"], "no feature has '4' or 'RTK fxed' for its fix; did you mean 'RTK fixed'? Known: DGPS, RTK "
         "fixed, autonomous; expected"),
        ([*"abcdefg", "rtk fixed"], ["RTK fxed"], "no feature has 'RTK fxed' for its fix; did you mean 'rtk fixed'? Known: "
         "a, b, c, d, e, f, rtk fixed; expected"),  # the six commonest and the nearest
        ([4] * 6 + [5, 1], ["x"], "no feature has 'x' for its fix; it has '4' (75 %), '1' (13 %), '5' (13 %); expected"),
        ([4] * 6 + [5, 1], [2, 3], "no feature has '2' or '3' for its fix; it has '4'"),
        ([1, 2, 3, 4, 5, 6, 7, 8], ["x"], "no feature has 'x' for its fix; it has '1' (13 %), '2' (13 %), '3' (13 %), "
         "'4' (13 %), '5' (13 %), '6' (13 %) and 2 more; expected"),
        ([None] * 8, [4], "no feature has '4' for its fix, nor any other value; map the column that has it as fix, or rem"),
    ],
)  # fmt: skip
@pytest.mark.parametrize("role", ["strips", "rows"])
def test_values_that_the_layer_does_not_have(tmp_path, role, values, holds, message):
    with pytest.raises(InputError) as caught:
        take_in(with_fix(tmp_path, values, role=role, fix_holds=holds), tmp_path)
    layer = {"strips": "strips", "rows": "planter"}[role]
    assert str(caught.value).startswith(f"inputs.{role}: {tmp_path}/coop.gpkg, layer '{layer}': fix_holds: {message}")
    assert not (tmp_path / "work").exists()


def test_many_and_long_values_hold_nobody_up(tmp_path):
    values = [f"{'x' * 2000}{k}" for k in range(len(X_M))]
    with pytest.raises(InputError) as caught:
        take_in(logged(tmp_path, values, holds=["y" * 5000]), tmp_path)
    assert len(str(caught.value)) < 1000
    assert "and 145 more" in str(caught.value)  # of 151, but the six that are told


def test_a_list_needs_something_to_hold_against(tmp_path):
    settings = with_fix(tmp_path, RTK, fix_holds=["RTK fixed"])
    del settings["inputs"]["strips"]["columns"]["fix"]
    with pytest.raises(InputError, match="fix_holds is given, but fix is neither mapped nor a constant; add it under"):
        take_in(settings, tmp_path)


@pytest.mark.parametrize(
    ("holds", "message"),
    [
        ([], "the list is empty; expected values of fix under which the tier's figures hold, or leave it out"),
        (4, "found 4, expected a list of values of fix, as [4] or ['RTK fixed']"),
        ("RTK fixed", "found 'RTK fixed', expected a list of values of fix"),
        ({"4": True}, "found {'4': True}, expected a list of values of fix"),
        ([4, [5]], "found [5] in the list, expected text or a whole number"),
        ([{"rtk": 4}], "found {'rtk': 4} in the list, expected text or a whole number"),
        ([4.5], "found 4.5 in the list, expected text or a whole number; put what is text in quotes"),
        ([float("inf")], "found inf in the list"),
        ([True], "found True in the list, expected text or a whole number; put what is text in quotes"),
        ([None], "found None in the list"),
        (["  "], "found '  ' in the list"),
    ],
)
@pytest.mark.parametrize("role", ["strips", "rows"])
def test_lists_that_are_none(tmp_path, role, holds, message):
    with pytest.raises(ConfigError) as caught:
        config_from_dict(with_fix(tmp_path, RTK, role=role, fix_holds=holds), source="mine.yaml")
    assert str(caught.value).startswith(f"mine.yaml: inputs.{role}.fix_holds: {message}")
    assert "\n" not in str(caught.value)


def test_rows_that_are_yet_to_be_planted_have_no_fix(tmp_path):
    settings = with_fix(tmp_path, RTK, role="rows", fix_holds=["RTK fixed"], kind="planned")
    with pytest.raises(ConfigError, match="rows of kind planned have no fix yet: .* remove it, or say kind: planted"):
        config_from_dict(settings, source="mine.yaml")


def test_layers_without_a_receiver_have_no_such_key(tmp_path):
    settings = with_fix(tmp_path, RTK)
    settings["inputs"]["fields"]["fix_holds"] = [4]
    with pytest.raises(ConfigError, match=r"inputs\.fields: unknown key 'fix_holds'"):
        config_from_dict(settings, source="mine.yaml")
    del settings["inputs"]["fields"]["fix_holds"]
    settings["inputs"]["rows"] = {"constants": {"row_count": 12, "row_spacing": "30 in"}, "fix_holds": [4]}
    with pytest.raises(ConfigError, match="encoding and fix_holds say nothing; give a file"):
        config_from_dict(settings, source="mine.yaml")
