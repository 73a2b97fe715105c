"""What is said of frames that only one of the layers names, and of a planter without a layer."""

import logging

import pytest
from pyproj import Geod, Transformer
from workflow import CRS, ORIGIN, config, passes_of, run_steps, take_in, write_coop

from pipeline import columns as c
from pipeline.errors import ConfigError, InputError
from pipeline.files.store import read_geo, read_json

NAD83 = {"frame": "NAD83(2011)", "epoch": 2010.0}
ITRF = {"frame": "ITRF2014", "epoch": 2026.3}
SAME = "both are taken to be in the same frame and nothing is moved; give frame and epoch for both if they are not"


def frame_notes(settings: dict, folder, caplog) -> list[str]:
    """Notes on frames in intake.json; each was logged as a warning as well."""
    with caplog.at_level(logging.WARNING, logger="rowreturn"):
        notes = read_json(take_in(settings, folder) / "intake.json")["notes"]
    said = [record.getMessage() for record in caplog.records]
    assert said == [f"intake: note: {note}" for note in notes]
    return [note for note in notes if "frame" in note]


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


@pytest.mark.parametrize("planter", [True, False])
@pytest.mark.parametrize(("strips", "rows"), [(None, None), (NAD83, ITRF)])
def test_nothing_to_say_where_both_or_none_name_a_frame(tmp_path, caplog, planter, strips, rows):
    assert frame_notes(co_op(tmp_path, strips=strips, rows=rows, planter=planter), tmp_path, caplog) == []


def test_nothing_to_say_where_the_planter_follows_strips_of_a_known_frame(tmp_path, caplog):
    assert frame_notes(co_op(tmp_path, strips=NAD83, planter=False), tmp_path, caplog) == []


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
    strips["frame"], strips["epoch"] = [NAD83["frame"]] * 4 + [None] * 4, 2010.0
    rows["frame"], rows["epoch"] = [None] * 4 + [ITRF["frame"]] * 4, 2026.3
    write_coop(tmp_path, strips=strips, rows=rows)
    assert frame_notes(config(tmp_path), tmp_path, caplog) == [
        f"in 1 fields (F0) the strips name their frame and the rows do not: {SAME}",
        f"in 1 fields (F2) the rows name their frame and the strips do not: {SAME}",
    ]


def test_frame_that_one_layer_names_moves_nothing(tmp_path):
    fields = run_steps(co_op(tmp_path, strips=NAD83), tmp_path)["fields"]
    assert (fields[[c.FRAME_EAST_M, c.FRAME_NORTH_M]] == 0.0).all(axis=None)


def test_frame_of_a_planter_without_a_layer_moves_its_rows(tmp_path):
    fields = run_steps(co_op(tmp_path, strips=NAD83, rows=ITRF, planter=False), tmp_path)["fields"]
    # Referee: PROJ's own transformation of the place, ITRF2014 (EPSG:7912) to NAD83(2011) (EPSG:6319), and
    # pyproj's geodesics for the metres.
    lat, lon = Transformer.from_crs(CRS, "EPSG:4326").transform(ORIGIN[0] + 60.0, ORIGIN[1] + 25.0)
    to_lat, to_lon, *_ = Transformer.from_crs("EPSG:7912", "EPSG:6319").transform(lat, lon, 0.0, 2026.3)
    geod = Geod(ellps="GRS80")
    east = geod.line_length([lon, to_lon], [lat, lat]) * (1 if to_lon > lon else -1)
    north = geod.line_length([lon, lon], [lat, to_lat]) * (1 if to_lat > lat else -1)
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
def test_unknown_frame_in_one_layer_is_refused_with_its_feature(tmp_path, role):
    # A plain "WGS84" is no realisation (DESIGN section 7); it is not let pass because the other layer names none.
    with pytest.raises(InputError) as caught:
        take_in(co_op(tmp_path, **{role: {"frame": "WGS84", "epoch": 2025.0}}), tmp_path)
    layer = {"strips": "strips", "rows": "planter"}[role]
    place = f"inputs.{role}: {tmp_path}/coop.gpkg, layer '{layer}': feature 1: frame 'WGS84' is unknown; did you mean '"
    assert str(caught.value).startswith(place)
    assert "Leave the frame out where it is not known" in str(caught.value)
