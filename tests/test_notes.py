"""What is said of frames that only one of the layers names, of a planter without a layer, and of pass numbers."""

import logging

import numpy as np
import pandas as pd
import pytest
from pyproj import Geod, Transformer
from workflow import CRS, ORIGIN, config, passes_of, run_steps, take_in, write_coop

from pipeline import columns as c
from pipeline.core.frame_names import FRAMES
from pipeline.errors import ConfigError, InputError
from pipeline.files.store import read_geo, read_json
from pipeline.files.texts import fields_said

NAD83 = {"frame": "NAD83(2011)", "epoch": 2010.0}
ITRF = {"frame": "ITRF2014", "epoch": 2026.3}
SAME = "both are taken to be in the same frame and nothing is moved; give frame and epoch for both if they are not"


def frame_notes(settings: dict, folder, caplog) -> list[str]:
    """Notes on the layers' frames in intake.json, not on the tiers'; each was logged as a warning as well."""
    with caplog.at_level(logging.WARNING, logger="rowreturn"):
        notes = read_json(take_in(settings, folder) / "intake.json")["notes"]
    said = [record.getMessage() for record in caplog.records]
    assert said == [f"intake: note: {note}" for note in notes]
    return [note for note in notes if ("frame" in note or "datum" in note) and "receivers under" not in note]


def co_op(folder, *, strips=None, rows=None, planter=True) -> dict:
    """A co-op written to disk whose layers have these constants."""
    write_coop(folder, rows=passes_of() if planter else None)
    settings = config(folder, planter=planter)
    settings["inputs"]["strips"]["constants"] |= strips or {}
    if not planter and rows is not None:
        settings["inputs"]["rows"] = {"constants": {"row_count": 12, "row_spacing": "30 in"} | rows}
    elif rows:
        settings["inputs"]["rows"]["constants"] |= rows
    return settings


def referee(x: float, y: float) -> tuple[float, float]:
    """PROJ's own transformation of a place, ITRF2014 (EPSG:7912) to NAD83(2011) (EPSG:6319), in metres of geodesics."""
    lat, lon = Transformer.from_crs(CRS, "EPSG:4326").transform(x, y)
    to_lat, to_lon, *_ = Transformer.from_crs("EPSG:7912", "EPSG:6319").transform(lat, lon, 0.0, 2026.3)
    geod = Geod(ellps="GRS80")
    east = geod.line_length([lon, to_lon], [lat, lat]) * (1 if to_lon > lon else -1)
    return east, geod.line_length([lon, lon], [lat, to_lat]) * (1 if to_lat > lat else -1)


@pytest.mark.parametrize("strips", [None, NAD83])
def test_nothing_to_say_where_the_planter_follows_the_strips(tmp_path, caplog, strips):
    assert frame_notes(co_op(tmp_path, strips=strips, planter=False), tmp_path, caplog) == []


def test_two_frames_that_the_layers_crs_name_are_not_laid_on_one_another(tmp_path, caplog):
    """EPSG:6343 is in NAD83(2011), EPSG:9000 in ITRF2014; EPSG:32614 only in the family of WGS 84."""
    layers = {"strips": passes_of().to_crs("EPSG:6343"), "rows": passes_of().to_crs("EPSG:9000")}
    settings = config(tmp_path, planter=True)
    write_coop(tmp_path, **layers)
    with pytest.raises(InputError, match=r"inputs.rows: by its CRS it is in ITRF2014, and inputs.strips in NAD83\(2011\)"):
        take_in(settings, tmp_path)
    for role, frame in (("strips", NAD83), ("rows", ITRF)):
        settings["inputs"][role]["constants"] |= frame
    assert "the rows are in ITRF2014 at 2026.3" in frame_notes(settings, tmp_path / "said", caplog)[0]
    write_coop(tmp_path, strips=layers["strips"], rows=passes_of())
    caplog.clear()
    assert frame_notes(config(tmp_path, planter=True), tmp_path / "family", caplog)[0].endswith(SAME)


def test_nothing_to_say_where_both_are_in_one_frame(tmp_path, caplog):
    spelled = {"frame": "nad83 (2011)", "epoch": 2010.0}
    assert frame_notes(co_op(tmp_path, strips=NAD83, rows=spelled), tmp_path, caplog) == []


@pytest.mark.parametrize("units", ["us", "metric"])
@pytest.mark.parametrize("planter", [True, False])
def test_how_far_and_where_to_the_rows_are_moved(tmp_path, caplog, planter, units):
    settings = co_op(tmp_path, strips=NAD83, rows=ITRF, planter=planter)
    settings["report"] |= {"units": units}
    (note,) = frame_notes(settings, tmp_path, caplog)
    # Referee: PROJ's own transformation of the place (see `referee`), by geodesics.
    east, north = referee(ORIGIN[0] + 60.0, ORIGIN[1] + 25.0)
    degrees = round(np.degrees(np.arctan2(east, north)))
    assert 101.25 < degrees < 123.75  # ESE
    size = f"{np.hypot(east, north) / 0.3048:.2f} ft" if units == "us" else f"{np.hypot(east, north):.2f} m"
    assert note == (
        "in 2 fields (F0, F2) the rows are in ITRF2014 at 2026.3 and the strips in NAD83(2011) at 2010.0: before matching "
        f"the rows are moved {size} towards {degrees} deg (ESE); this is a difference of datums (and "
        "plate motion), not drift"
    )


def test_shift_that_differs_from_field_to_field(monkeypatch, tmp_path, caplog):
    # Two fields, moved 1 m and 3 m to the east: 2 m, and each within 1 m of that.
    found = iter([(1.0, 0.0), (3.0, 0.0)])
    monkeypatch.setattr("pipeline.files.frame_notes.frame_shift", lambda *_, **__: next(found))
    (note,) = frame_notes(co_op(tmp_path, strips=NAD83, rows=ITRF), tmp_path, caplog)
    assert "moved 6.56 ft towards 90 deg (E), to within 3.28 ft in all of them; this is" in note


def test_no_side_names_its_frame(tmp_path, caplog):
    (note,) = frame_notes(co_op(tmp_path), tmp_path, caplog)
    assert note == f"in 2 fields (F0, F2) neither the strips nor the rows name their frame: {SAME}"


@pytest.mark.parametrize("planter", [True, False])
def test_frames_that_nothing_joins_are_refused_with_the_field(tmp_path, planter):
    elsewhere = {"frame": "GDA2020", "epoch": 2020.0}
    with pytest.raises(InputError) as caught:
        take_in(co_op(tmp_path, strips=NAD83, rows=elsewhere, planter=planter), tmp_path)
    assert str(caught.value).startswith("field 'F0': frame 'GDA2020' is fixed to the plate of Australia, but the field lies")
    assert not (tmp_path / "work" / "intake").exists()


def test_only_the_strips_name_their_frame(tmp_path, caplog):
    (note,) = frame_notes(co_op(tmp_path, strips=NAD83), tmp_path, caplog)
    assert note == f"in 2 fields (F0, F2) the strips name their frame and the rows do not: {SAME}"


@pytest.mark.parametrize("planter", [True, False])
def test_only_the_rows_name_their_frame(tmp_path, caplog, planter):
    (note,) = frame_notes(co_op(tmp_path, rows=ITRF, planter=planter), tmp_path, caplog)
    assert note == f"in 2 fields (F0, F2) the rows name their frame and the strips do not: {SAME}"


def test_only_the_strips_of_one_field_name_their_frame(tmp_path, caplog):
    # Autumn names a frame in F0 alone, spring in F2 alone: each field is told apart.
    strips, rows = passes_of(), passes_of()
    strips["frame"], strips["epoch"] = [NAD83["frame"]] * 4 + [None] * 4, [2010.0] * 4 + [None] * 4
    rows["frame"], rows["epoch"] = [None] * 4 + [ITRF["frame"]] * 4, [None] * 4 + [2026.3] * 4
    write_coop(tmp_path, strips=strips, rows=rows)
    assert frame_notes(config(tmp_path), tmp_path, caplog) == [
        f"in 1 field (F0) the strips name their frame and the rows do not: {SAME}",
        f"in 1 field (F2) the rows name their frame and the strips do not: {SAME}",
    ]


def test_frame_that_one_layer_names_moves_nothing(tmp_path):
    fields = run_steps(co_op(tmp_path, strips=NAD83), tmp_path)["fields"]
    assert (fields[[c.FRAME_EAST_M, c.FRAME_NORTH_M]] == 0.0).all(axis=None)


def test_frame_of_a_planter_without_a_layer_moves_its_rows(tmp_path):
    fields = run_steps(co_op(tmp_path, strips=NAD83, rows=ITRF, planter=False), tmp_path)["fields"]
    east, north = referee(ORIGIN[0] + 60.0, ORIGIN[1] + 25.0)
    one = fields[fields[c.FIELD_ID] == "F0"].iloc[0]
    assert (one[c.FRAME_EAST_M], one[c.FRAME_NORTH_M]) == pytest.approx((east, north), abs=1e-3)
    # And the rows themselves lie so far from the strips whose coordinates they took.
    (folder,) = tmp_path.glob("work/passes/*/F0")
    rows, strips = (read_geo(folder / f"{name}_lines.parquet").total_bounds for name in ("planter", "strip"))
    assert rows - strips == pytest.approx([east, north] * 2, abs=1e-3)


@pytest.mark.parametrize(
    ("constant", "message"),
    [
        ({"tier": "sbas"}, "constants: tier has no part in a plan without a file"),
        ({"field_id": "F0", "fix": "rtk"}, "constants: field_id, fix has no part in a plan without a file"),
        ({"frame": "ITRF2014"}, "constants: expected frame and epoch together"),
        ({"epoch": 2026.3}, "constants: expected frame and epoch together"),
        (ITRF | {"frame": "NAD83"}, "inputs.rows.constants.frame: 'NAD83' is a family of frames that differ from"),
        (ITRF | {"frame": "ITRF14"}, "inputs.rows.constants.frame: 'ITRF14' is unknown; did you mean 'ITRF2014'? Known: "),
    ],
)
def test_constants_that_a_planter_without_a_layer_cannot_use(tmp_path, constant, message):
    with pytest.raises(ConfigError) as caught:
        take_in(co_op(tmp_path, rows=constant, planter=False), tmp_path)
    assert message in str(caught.value)
    assert "inputs.rows" in str(caught.value)
    assert not (tmp_path / "work").exists()


@pytest.mark.parametrize("role", ["strips", "rows"])
@pytest.mark.parametrize(
    ("name", "said"),
    [
        # A plain "WGS84" is no realisation; it is not let pass because the other layer names none.
        ("WGS84", "is a family of frames that differ from one another, not one; expected one of WGS 84 (G2139), "
         "WGS 84 (G2296)"),
        ("NAD38", "is unknown; did you mean 'NAD83(2011)'? Known: " + ", ".join(sorted(FRAMES))),
    ],
)  # fmt: skip
def test_what_is_no_frame_is_refused_with_its_feature(tmp_path, role, name, said):
    with pytest.raises(InputError) as caught:
        take_in(co_op(tmp_path, **{role: {"frame": name, "epoch": 2025.0}}), tmp_path)
    layer = {"strips": "strips", "rows": "planter"}[role]
    assert str(caught.value) == (
        f"inputs.{role}: {tmp_path}/coop.gpkg, layer '{layer}': feature 1: frame '{name}' {said}. Leave the frame (and its "
        "epoch) out where it is not known"
    )


@pytest.mark.parametrize("constant", [True, False])
@pytest.mark.parametrize("role", ["strips", "rows"])
def test_epoch_without_frame_is_refused(tmp_path, role, constant):
    layer = {"strips": "strips", "rows": "planter"}[role]
    if constant:
        settings, feature = co_op(tmp_path, **{role: {"epoch": 2026.3}}), 1
    else:  # one feature of a column that others fill as they should
        table = passes_of().assign(frame=["ITRF2020"] * 4 + [None] * 4, epoch=[2026.3] * 5 + [None] * 3)
        write_coop(tmp_path, **({"rows": passes_of()} | {role: table}))
        settings, feature = config(tmp_path), 5
    with pytest.raises(InputError) as caught:
        take_in(settings, tmp_path)
    assert str(caught.value) == (
        f"inputs.{role}: {tmp_path}/coop.gpkg, layer '{layer}': feature {feature} has epoch 2026.3 but no frame; a date "
        "alone says nothing of the coordinates, add the frame or remove the epoch"
    )
    assert not (tmp_path / "work").exists()


def test_usual_spelling_in_a_column_is_read(tmp_path):
    strips = passes_of().assign(frame="wgs84 (g2139)", epoch=2025.8)
    write_coop(tmp_path, strips=strips, rows=passes_of().assign(frame="WGS 84 (G2139)", epoch=2025.8))
    work = take_in(config(tmp_path), tmp_path)
    for name in ("strips", "rows"):
        kept = pd.concat(read_geo(path) for path in work.glob(f"intake/*/{name}.parquet"))
        assert set(kept[c.FRAME]) == {"WGS 84 (G2139)"}


def number_notes(rows, folder, caplog, **judging) -> list[str]:
    """Notes on pass numbers in intake.json, the strips being P0 to P3 in each of two fields; each was logged as well."""
    folder.mkdir()
    write_coop(folder, rows=rows)
    settings = config(folder) | {"judging": {"own_strip": "pass_id"} | judging}
    caplog.clear()
    with caplog.at_level(logging.WARNING, logger="rowreturn"):
        notes = read_json(take_in(settings, folder) / "intake.json")["notes"]
    found = [note for note in notes if "own_strip" in note]
    logged = [record.getMessage() for record in caplog.records]
    assert [f"intake: note: {note}" for note in found] == [one for one in logged if "own_strip" in one]
    return found


def test_planter_passes_whose_numbers_no_strip_pass_has(tmp_path, caplog):
    rows = passes_of().assign(PASS=["P0", "P1", "p2", "X\n"] + [f"P{k}" for k in range(4)])
    (note,) = number_notes(rows, tmp_path / "a", caplog)
    start = "judging.own_strip is pass_id, but no strip pass of the field has the number of 2 of 4 planter passes in 1 "
    assert note.startswith(f"{start}field (F0), such as 'X' in F0: all their rows count as no strip; ")
    assert note.endswith("write the numbers alike in both layers (a4 is not A4), or use 'nearest'")
    (note,) = number_notes(passes_of().assign(PASS=["P0", "P1", "p2", "p3"] * 2), tmp_path / "b", caplog)
    assert "4 of 8 planter passes in 2 fields (F0, F2), " in note and "such as 'p2' in F0" in note
    # Passes are counted, not their numbers.
    rows = passes_of().assign(PASS=["P0", "P0", "X", "X"] + [f"P{k}" for k in range(4)])
    (note,) = number_notes(rows, tmp_path / "c", caplog)
    assert "2 of 4 planter passes in 1 field (F0), " in note


def test_nothing_to_say_of_numbers_that_correspond_or_have_no_part(tmp_path, caplog):
    assert number_notes(passes_of(), tmp_path / "a", caplog) == []
    foreign = passes_of().assign(PASS=["P0", "P1", "P2", "X"] * 2)
    assert number_notes(foreign, tmp_path / "b", caplog, own_strip="nearest") == []
    # That none corresponds is an error of a later step, not a note.
    assert number_notes(passes_of().assign(PASS=list("abcd") * 2), tmp_path / "c", caplog) == []


def test_rows_with_a_number_of_their_own_are_no_strip(tmp_path):
    rows = passes_of().assign(PASS=["P0", "P1", "X", "Y"] + [f"P{k}" for k in range(4)])
    write_coop(tmp_path, rows=rows)
    fields = run_steps(config(tmp_path) | {"judging": {"own_strip": "pass_id"}}, tmp_path)["fields"]
    share = (fields[c.NO_STRIP_M] / fields[c.ROW_LENGTH_M]).groupby(fields[c.FIELD_ID]).first()
    assert share.to_dict() == {"F0": pytest.approx(0.5, abs=1e-6), "F2": 0.0}


@pytest.mark.parametrize(
    ("count", "said"),
    [(1, "1 field (F0)"), (4, "4 fields (F0, F1, F2, F3)"), (1104, "1,104 fields (F0, F1, F2, F3 ...)")],
)
def test_fields_are_counted_and_the_first_are_named(count, said):
    assert fields_said([f"F{number}" for number in range(count)]) == said
