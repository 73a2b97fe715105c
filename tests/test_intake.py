"""Intake: nothing is lost, and every reject says why."""

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from workflow import CRS, boundaries, config, layer_of, pass_lines, passes_of, take_in, write_coop

from pipeline.errors import InputError
from pipeline.files.store import read_geo, read_json

EAST, NORTH = 600_000.0, 4_600_000.0


def taken(folder, **layers) -> tuple[dict, pd.DataFrame]:
    """Account by layer, and the rejects."""
    write_coop(folder, **layers)
    settings = config(folder, planter=False)
    if "FIELD" in layers.get("strips", ()):
        settings["inputs"]["strips"]["columns"]["field_id"] = "FIELD"
    work = take_in(settings, folder)
    account = read_json(work / "intake.json")["layers"]
    for said in account.values():
        assert said["read"] == said["kept"] + said["rejected"]
    rejects = read_geo(work / "rejects.parquet")
    assert len(rejects) == sum(said["rejected"] for said in account.values())
    return account, rejects


def test_good_input_has_no_rejects(tmp_path):
    account, rejects = taken(tmp_path)
    assert (account["fields"]["kept"], account["strips"]["kept"], len(rejects)) == (2, 8, 0)
    assert account["strips"]["kept_m"] == pytest.approx(8 * 120.0, rel=1e-3)  # UTM's scale, 0.9996 and up


BAD_LINES = {
    "no geometry": None,
    "empty geometry": shapely.LineString(),
    "line of zero length": shapely.LineString([(EAST + 5, NORTH + 5)] * 2),
    "coordinates are not finite numbers": shapely.LineString([(EAST + 5, NORTH + 5), (np.nan, NORTH + 5)]),
    "geometry is not of the kind expected here, lines": shapely.Point(EAST + 5, NORTH + 5),
    "lies in no field": shapely.LineString([(EAST - 500, NORTH), (EAST - 400, NORTH)]),
}


@pytest.mark.parametrize("reason", BAD_LINES)
def test_bad_strip_is_a_reject_with_its_reason(tmp_path, reason):
    lines = [*pass_lines(0), BAD_LINES[reason], *pass_lines(1)]
    account, rejects = taken(tmp_path, strips=layer_of(lines, PASS=[f"P{k}" for k in range(9)]))
    said = account["strips"]
    assert (said["file"], said["layer"]) == ((tmp_path / "coop.gpkg").as_posix(), "strips")
    assert (said["read"], said["kept"], said["split"], said["rejected"]) == (9, 8, 0, 1)
    assert said["kept_m"] + said["rejected_m"] == pytest.approx(said["read_m"], abs=0.002)
    # UTM's scale is 0.9996 in the middle of the zone, and 1.0004 of the plane's length lies on the ground.
    assert said["rejected_m"] == pytest.approx(100.0 if reason == "lies in no field" else 0.0, abs=0.1)
    assert rejects["feature"].tolist() == ["5"]  # ids in a GeoPackage start at 1
    assert rejects["reason"].tolist() == [reason]
    assert rejects["layer"].tolist() == ["strips"]


def test_all_bad_strips_together(tmp_path):
    lines = [*pass_lines(0), *BAD_LINES.values()]
    account, rejects = taken(tmp_path, strips=layer_of(lines, PASS=[f"P{k}" for k in range(len(lines))]))
    assert (account["strips"]["kept"], account["strips"]["rejected"]) == (4, 6)
    assert sorted(rejects["feature"].astype(int)) == list(range(5, 11))


def test_strip_that_names_an_unknown_or_another_field(tmp_path):
    strips = passes_of().assign(FIELD=["F0"] * 3 + ["F9"] + ["F2"] * 3 + ["F0"])
    _, rejects = taken(tmp_path, strips=strips)
    assert dict(zip(rejects["feature"], rejects["reason"], strict=True)) == {
        "4": "names field 'F9', which is not among the fields",
        "8": "lies outside the field it names",
    }


def test_bow_tie_boundary_is_a_reject_and_so_are_its_strips(tmp_path):
    fields = boundaries()
    x, y = EAST + 400, NORTH
    tie = shapely.Polygon([(x, y), (x + 120, y + 50), (x + 120, y), (x, y + 50)])
    fields = gpd.GeoDataFrame(fields.drop(columns="geometry"), geometry=[fields.geometry[0], tie], crs=CRS)
    account, rejects = taken(tmp_path, fields=fields)
    assert (account["fields"]["rejected"], account["strips"]["rejected"]) == (1, 4)
    assert "Self-intersection" in rejects["reason"][0]
    assert (rejects["reason"][1:] == "lies in no field").all()


def test_field_without_a_name_is_a_reject(tmp_path):
    _, rejects = taken(tmp_path, fields=boundaries().assign(FIELD=["F0", None]))
    assert rejects["reason"][0] == "has no field_id"


@pytest.mark.parametrize("width", [-0.2, 0.0, 900.0, None])
def test_absurd_width_in_a_column_is_a_reject(tmp_path, width):
    widths = np.full(8, 0.2)
    widths[3] = np.nan if width is None else width
    write_coop(tmp_path, strips=passes_of().assign(WIDE=widths))
    settings = config(tmp_path, planter=False)
    settings["inputs"]["strips"]["columns"]["strip_width"] = "WIDE"
    del settings["inputs"]["strips"]["constants"]["strip_width"]
    rejects = read_geo(take_in(settings, tmp_path) / "rejects.parquet")
    assert rejects["feature"].tolist() == ["4"]
    assert "strip_width is" in rejects["reason"][0]
    assert "expected 0.02 to 5 m; bare numbers are metres" in rejects["reason"][0]


def rejects_of_columns(folder, *, margin="0 in", **values) -> dict[str, str]:
    """Reasons by feature where these values stand in columns, none of them a constant."""
    write_coop(folder, strips=passes_of().assign(**values))
    settings = config(folder, planter=False) | {"judging": {"row_margin": margin}}
    strips = settings["inputs"]["strips"]
    for name in values:
        del strips["constants"][name]
    account = read_json(take_in(settings, folder) / "intake.json")["layers"]["strips"]
    rejects = read_geo(folder / "work" / "rejects.parquet")
    assert account["read"] == 8 and account["rejected"] == len(rejects)
    return dict(zip(rejects["feature"], rejects["reason"], strict=True))


def test_strip_that_is_not_narrower_than_its_spacing_is_a_reject(tmp_path):
    widths, spacings = np.full(8, 0.2), np.full(8, 0.762)
    widths[1], widths[2], widths[3] = 0.763, 0.762, 0.761
    spacings[6] = 0.15
    assert rejects_of_columns(tmp_path, strip_width=widths, row_spacing=spacings) == {
        "2": "strip_width is 0.763 m, expected less than row_spacing, 0.762 m",
        "3": "strip_width is 0.762 m, expected less than row_spacing, 0.762 m",
        "7": "strip_width is 0.2 m, expected less than row_spacing, 0.15 m",
    }


def test_spacing_in_a_column_is_held_against_a_constant_width(tmp_path):
    spacings = ["30 in"] * 7 + ["8 in"]  # the width is the constant 8 in
    assert rejects_of_columns(tmp_path, row_spacing=spacings) == {
        "8": "strip_width is 0.2032 m, expected less than row_spacing, 0.2032 m"
    }


def test_strip_of_which_the_margin_leaves_nothing_is_a_reject(tmp_path):
    widths = ["8 in"] * 5 + ["4 in", "3 in", "4.1 in"]
    assert rejects_of_columns(tmp_path, margin="2 in", strip_width=widths) == {
        "6": "strip_width is 0.1016 m, expected more than twice judging.row_margin, 0.0508 m",
        "7": "strip_width is 0.0762 m, expected more than twice judging.row_margin, 0.0508 m",
    }


def test_half_a_row_unit_is_a_reject(tmp_path):
    assert rejects_of_columns(tmp_path, row_count=[12, 12.5, 12, 0, 12, 12, 121, 12]) == {
        "2": "row_count is 12.5, expected a whole number, 1 to 120",
        "4": "row_count is 0, expected a whole number, 1 to 120",
        "7": "row_count is 121, expected a whole number, 1 to 120",
    }


def test_layer_of_which_nothing_is_left_is_an_error(tmp_path):
    with pytest.raises(InputError) as caught:
        rejects_of_columns(tmp_path, margin="3 in", strip_width=["6 in"] * 8)
    assert str(caught.value) == (
        f"inputs.strips: {tmp_path}/coop.gpkg, layer 'strips': no feature can be used; feature 1: strip_width is "
        "0.1524 m, expected more than twice judging.row_margin, 0.0762 m"
    )


def test_z_is_dropped_and_the_crs_of_a_layer_may_differ(tmp_path):
    strips = passes_of().to_crs("EPSG:4326")
    strips["geometry"] = shapely.force_3d(strips.geometry.values, 300.0)
    account, _ = taken(tmp_path, strips=strips)
    assert account["strips"]["kept"] == 8


def taken_strips(folder) -> gpd.GeoDataFrame:
    """Strips that the intake kept, of all batches, by field and pass."""
    found = pd.concat([read_geo(path) for path in sorted((folder / "work").glob("intake/*/strips.parquet"))])
    return found.set_index(["pass_id", "field_id"]).sort_index()


def test_a_pass_through_two_fields_is_split_between_them(tmp_path):
    # 20 m in F0, which ends at 120; 50 m in F2, which begins at 400; the way between is cut in its middle, 260.
    line = shapely.LineString([(EAST + 100, NORTH + 20), (EAST + 450, NORTH + 20)])
    times = {"T0": ["2025-10-20T12:00:00"] * 5, "T1": ["2025-10-20T12:05:50"] * 5}
    strips = layer_of([*pass_lines(0), line], PASS=list("abcde"), **times)
    write_coop(tmp_path, strips=strips)
    settings = config(tmp_path, planter=False)
    settings["inputs"]["strips"]["columns"] |= {"started_at": "T0", "ended_at": "T1"}
    said = read_json(take_in(settings, tmp_path) / "intake.json")["layers"]["strips"]
    assert (said["read"], said["kept"], said["split"], said["rejected"]) == (5, 5, 1, 0)
    assert said["kept_m"] == pytest.approx(said["read_m"], abs=0.002)
    found = taken_strips(tmp_path).loc["e"]
    assert found.geometry.length.to_dict() == pytest.approx({"F0": 160.0, "F2": 190.0})
    # 350 m in 350 s: the parts share out the time by their length.
    noon = pd.Timestamp("2025-10-20T12:00Z").timestamp()
    assert found["started_s"].to_dict() == pytest.approx({"F0": noon, "F2": noon + 160})
    assert found["ended_s"].to_dict() == pytest.approx({"F0": noon + 160, "F2": noon + 350})


@pytest.mark.parametrize("order", [[0, 1], [1, 0]])
def test_a_pass_on_a_common_boundary_is_of_one_field_whatever_the_order_of_the_layer(tmp_path, order):
    west, east = (shapely.box(EAST + x, NORTH, EAST + x + 100, NORTH + 100) for x in (0, 100))
    fields = layer_of([west, east], FIELD=["B", "A"], FARM=["Invented"] * 2).iloc[order]
    line = shapely.LineString([(EAST + 100, NORTH + 10), (EAST + 100, NORTH + 90)])
    write_coop(tmp_path, fields=fields, strips=layer_of([line], PASS=["P"]))
    take_in(config(tmp_path, planter=False), tmp_path)
    assert taken_strips(tmp_path).index.tolist() == [("P", "A")]


def test_a_pass_that_strays_over_the_boundary_stays_whole(tmp_path):
    fields = boundaries()
    fields.loc[1, "geometry"] = shapely.box(EAST + 120, NORTH, EAST + 240, NORTH + 50)  # next to the first
    way = [(118, 5), (118, 20), (122, 21), (118, 22), (118, 45)]  # 4 m of it beyond 120
    stray = shapely.LineString([(EAST + x, NORTH + y) for x, y in way])
    write_coop(tmp_path, fields=fields, strips=layer_of([*pass_lines(0), stray], PASS=list("abcde")))
    take_in(config(tmp_path, planter=False), tmp_path)
    assert list(taken_strips(tmp_path).loc["e"].index) == ["F0"]


def test_a_reject_that_is_nowhere_in_the_fields_crs_has_no_geometry(tmp_path):
    lines = [*pass_lines(0), shapely.LineString([(1e12, 1e12), (1e12, 2e12)])]
    fields, strips = boundaries().to_crs("EPSG:4326"), layer_of(lines, PASS=list("abcde"))
    said, rejects = taken(tmp_path, fields=fields, strips=strips)
    assert said["strips"]["rejected"] == 1
    assert rejects["feature"].tolist() == ["5"] and rejects.geometry.tolist() == [None]


@pytest.mark.parametrize("crs", ["EPSG:4326", CRS, "EPSG:3857"])
def test_a_line_to_a_field_sixty_kilometres_away_adds_up(tmp_path, crs):
    there = shapely.affinity.translate(boundaries().geometry.iloc[0], 60_000.0, 0.0)
    fields = layer_of([boundaries().geometry.iloc[0], there], FIELD=["F0", "F2"], FARM=["A", "B"])
    far = [(EAST + 10, NORTH + 10), (EAST + 10, NORTH + 45), (EAST + 60_010, NORTH + 45), (EAST + 60_010, NORTH + 10)]
    strips = layer_of([*pass_lines(0), shapely.LineString(far)], PASS=list("abcde")).to_crs(crs)
    said = taken(tmp_path, fields=fields, strips=strips)[0]["strips"]
    assert (said["read"], said["split"]) == (5, 1)
    assert said["read_m"] == pytest.approx(said["kept_m"], abs=0.002)
    # 60,000 m of the plane, by its scale of 0.9996 and up; as long a way in Web Mercator, for its vertices are there too.
    assert said["read_m"] == pytest.approx(60_000 + 70 + 480, rel=1e-3)


def test_a_pass_that_names_its_field_is_never_split(tmp_path):
    line = shapely.LineString([(EAST + 100, NORTH + 20), (EAST + 450, NORTH + 20)])
    write_coop(tmp_path, strips=layer_of([line], PASS=["a"], HOME=["F2"]))
    settings = config(tmp_path, planter=False)
    settings["inputs"]["strips"]["columns"]["field_id"] = "HOME"
    take_in(settings, tmp_path)
    assert taken_strips(tmp_path).geometry.length.to_dict() == pytest.approx({("a", "F2"): 350.0})


def test_overlapping_boundaries_are_an_error_that_names_both(tmp_path):
    fields = boundaries()
    fields.loc[1, "geometry"] = shapely.box(EAST + 110, NORTH, EAST + 230, NORTH + 50)
    write_coop(tmp_path, fields=fields)
    # 10 m of the 120 m of either field.
    words = "the boundaries of 'F0' and 'F2' overlap by 8.3 % of the smaller one; expected fields beside one another"
    with pytest.raises(InputError, match=words):
        take_in(config(tmp_path, planter=False), tmp_path)


def test_a_sliver_between_neighbours_is_no_overlap(tmp_path):
    fields = boundaries()
    fields.loc[1, "geometry"] = shapely.box(EAST + 119.95, NORTH, EAST + 240, NORTH + 50)
    write_coop(tmp_path, fields=fields)
    assert (take_in(config(tmp_path, planter=False), tmp_path) / "intake.json").exists()


def test_one_changed_boundary_rewrites_only_its_batch(tmp_path):
    write_coop(tmp_path)
    settings = config(tmp_path, planter=False)
    work = take_in(settings, tmp_path)
    before = {path: path.stat().st_mtime_ns for path in work.glob("intake/*/key.json")}
    fields = boundaries()
    fields.loc[1, "geometry"] = fields.geometry[1].buffer(1.0)
    write_coop(tmp_path, fields=fields)
    take_in(settings, tmp_path)
    changed = [path.parent.name for path, when in before.items() if path.stat().st_mtime_ns != when]
    home = read_json(work / "intake.json")["batches"]
    assert len(before) == 2
    assert [home[batch] for batch in changed] == [["F2"]]
