"""What changed between two runs of the invented co-op, and a folder of results held against its manifest."""

import json
import logging
import os
import re
import shutil
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pyproj
import pytest
import shapely
from workflow import PROJECT, WIDTH_M, area, boundaries, config, hashes, passes_of, run_steps, snakemake, take_in, write_coop

from pipeline import columns as c
from pipeline.__main__ import main
from pipeline.core.tiering import AS_LOGGED
from pipeline.files.change_text import NOTHING, change_text, summary
from pipeline.files.changes import changes_between
from pipeline.files.config import config_from_dict
from pipeline.files.last_run import RunState, is_told, tell
from pipeline.files.store import to_json, write_bytes
from pipeline.steps import changes, manifest

ROWS = passes_of(shift_m=0.05)
MOVED_M = 5.0


def compute(settings: dict) -> pd.DataFrame:
    """Run the steps in the working directory, down to the changes."""
    run_steps(settings, Path())
    return compare()


def compare() -> pd.DataFrame:
    """The step `changes` alone; its table."""
    changes.run(
        table=Path("results/field_tier.csv"), config=Path("work/config.json"), tiers=Path("work/settings/tiers.json"),
        losses=Path("work/settings/losses.json"), keys=sorted(Path("work/intake").glob("*/key.json")),
        last=Path("work/last"), out=Path("changes.csv"),
        report=Path("work/settings/report.json"), page=Path("changes.html"),
    )  # fmt: skip
    return pd.read_csv("changes.csv", dtype=str, keep_default_na=False)


LAST = Path("work/last")


def sign() -> None:
    """The step `manifest` alone, after a report of one page."""
    write_bytes(Path("work/report.json"), to_json({"pages": []}))
    manifest.run(
        intake=Path("work/intake.json"), config=Path("work/config.json"), tiers=Path("work/settings/tiers.json"),
        pages=Path("work/report.json"), results=Path("results"), out=Path("results/manifest.json"),
    )  # fmt: skip


@pytest.fixture(scope="module")
def first(tmp_path_factory):
    """A folder in which the co-op ran once, paths relative, signed by a manifest."""
    folder, home = tmp_path_factory.mktemp("first"), Path.cwd()
    os.chdir(folder)
    try:
        write_coop(Path(), rows=ROWS)
        said = compute(config(Path()))
        sign()
    finally:
        os.chdir(home)
    assert said["what"].tolist() == ["first run"]
    return folder


@pytest.fixture
def again(first, tmp_path, monkeypatch):
    """A copy of that folder of one's own, to work in."""
    folder = tmp_path / "again"
    shutil.copytree(first, folder, copy_function=shutil.copy2)
    monkeypatch.chdir(folder)
    return folder


def moved_boundary():
    """The boundaries, the eastern one of F2 moved west."""
    fields = boundaries()
    west, south, east, north = fields.geometry[1].bounds
    fields.loc[1, "geometry"] = shapely.box(west, south, east - MOVED_M, north)
    return fields


def of(table: pd.DataFrame, what: str, **where: str) -> pd.DataFrame:
    found = table[table["what"] == what]
    for column, value in where.items():
        found = found[found[column] == value]
    return found


def test_nothing_changed_keeps_the_changes_before(again):
    before = hashes(Path())
    assert compare()["what"].tolist() == ["first run"]  # the last two runs that differ
    assert hashes(Path()) == before


def test_the_same_content_written_anew_is_no_change(again):
    # As a desktop GIS may write it: features in another order.
    write_coop(Path(), fields=boundaries().iloc[::-1], strips=passes_of().iloc[::-1], rows=ROWS.iloc[::-1])
    assert compute(config(Path()))["what"].tolist() == ["first run"]
    # Were it read anew, nothing would be found to differ either.
    assert summary(pd.DataFrame(columns=c.CHANGES)) == [NOTHING]


def dug(order: slice) -> gpd.GeoDataFrame:
    """Three checks on rows of the first field, their lines in the file in that order; the first two tell their side."""
    west, south = area(0).bounds[:2]
    places = [shapely.Point(west + 20 * k, south + 5) for k in (1, 2, 3)]
    columns = {"offset": [0.05, 0.06, None], "distance": [None, None, 0.04], "tape_error": [0.02] * 3}
    return gpd.GeoDataFrame(columns, geometry=places, crs=boundaries().crs)[order]


def test_ground_checks_in_another_order_are_no_change(again):
    settings = config(Path())
    settings["inputs"]["checks"] = {"file": "coop.gpkg", "layer": "checks"}
    keys, found = [], []
    for order in (slice(None), slice(None, None, -1)):
        dug(order).to_file("coop.gpkg", layer="checks", driver="GPKG", engine="pyogrio")
        found.append(compute(settings))
        keys.append({path: path.read_bytes() for path in Path("work/intake").glob("*/key.json")})
        if len(found) == 1:
            tell(LAST)
    (checks,) = of(found[0], "checks").to_dict("records")
    assert (checks["field_id"], checks["before"], checks["after"]) == ("F0", "0", "3")
    assert found[1].equals(found[0])
    # Their numbers in the file are others, and stand in a layer of the results: that must be written anew.
    assert keys[0] != keys[1]
    assert change_text(Path("results"), work=Path("work")) == NOTHING
    dug(slice(2)).to_file("coop.gpkg", layer="checks", driver="GPKG", engine="pyogrio")
    assert of(compute(settings), "checks")["after"].tolist() == ["2"]


@pytest.mark.parametrize("earlier", [False, True])
def test_an_alike_run_takes_the_place_of_the_last(again, earlier):
    """States A, B and C, C alike to B; B perhaps written by an earlier version, which did not say what was told."""
    state_file = LAST / "state.json"
    settings = config(Path())
    settings["inputs"]["checks"] = {"file": "coop.gpkg", "layer": "checks"}
    one = json.loads(state_file.read_text())["now"]
    dug(slice(None)).to_file("coop.gpkg", layer="checks", driver="GPKG", engine="pyogrio")
    undisturbed = compute(settings)
    said = json.loads(state_file.read_text())
    two = said["now"]
    assert said == {"now": two, "before": one, "told": two} and two != one
    if earlier:
        write_bytes(state_file, to_json({"now": two, "before": one}))
    tell(LAST)
    dug(slice(None, None, -1)).to_file("coop.gpkg", layer="checks", driver="GPKG", engine="pyogrio")
    assert compute(settings).equals(undisturbed)
    said = json.loads(state_file.read_text())
    three = said["now"]
    assert three != two
    assert said == {"now": three, "before": one, "told": two}
    assert {path.name for path in LAST.iterdir()} == {one, three, "state.json", "told.json"}
    # Killed after it kept its state and before it wrote its table.
    kept = hashes(LAST)
    Path("changes.csv").unlink()
    assert compare().equals(undisturbed)
    assert hashes(LAST) == kept
    assert change_text(Path("results"), work=Path("work")) == NOTHING


def turned(shape: shapely.Polygon) -> shapely.MultiPolygon:
    """The same outline from its second corner on, the other way round, as a collection of one."""
    corners = list(shape.exterior.coords)[:-1]
    return shapely.MultiPolygon([shapely.Polygon([*corners[1::-1], *corners[:1:-1]])])


def test_outlines_written_otherwise_are_no_change_and_compute_nothing(again):
    before = {path: path.read_bytes() for path in Path("work").glob("intake/*/*")}
    fields = boundaries()
    fields["geometry"] = [turned(shape) for shape in fields.geometry]
    assert all(one.equals(two) for one, two in zip(fields.geometry, boundaries().geometry, strict=True))
    strips, rows = passes_of(), ROWS.copy()
    for passes in (strips, rows):
        passes["geometry"] = [shapely.MultiLineString([line]) for line in passes.geometry]
    write_coop(Path(), fields=fields, strips=strips, rows=rows)
    take_in(config(Path()), Path())
    assert {path: path.read_bytes() for path in Path("work").glob("intake/*/*")} == before
    boundaries().to_file("fields.shp", engine="pyogrio")  # whose rings go round clockwise
    settings = config(Path())
    settings["inputs"]["fields"] |= {"file": "fields.shp", "layer": "fields"}
    take_in(settings, Path())
    assert {path: path.read_bytes() for path in Path("work").glob("intake/*/*")} == before


def test_a_boundary_moved_by_five_metres(again):
    write_coop(Path(), fields=moved_boundary(), rows=ROWS)
    said = compute(config(Path()))
    assert set(said["field_id"]) == {"F2"}
    assert set(said["what"]) == {"boundary", "figures", "other figures"}
    (boundary,) = of(said, "boundary").to_dict("records")
    assert boundary["name"] == "area_m2"
    # On the ground, not on the map: the scale of the zone at 1 degree from its middle is within 0.04 %.
    assert float(boundary["difference"]) == pytest.approx(-MOVED_M * WIDTH_M, rel=2e-3)
    for tier in ("sbas", "rtk_base"):
        (length,) = of(said, "figures", tier=tier, name="row_length_m").to_dict("records")
        assert float(length["difference"]) == pytest.approx(-MOVED_M * 4 * 12, rel=2e-3)
        assert float(length["after"]) - float(length["before"]) == pytest.approx(float(length["difference"]), abs=1e-5)


def test_a_pass_removed(again):
    rows = ROWS[~((ROWS["PASS"] == "P3") & (ROWS.geometry.bounds["minx"] < 600_200))]
    write_coop(Path(), rows=rows)
    said = compute(config(Path()))
    (passes,) = of(said, "rows").to_dict("records")
    assert (passes["field_id"], passes["before"], passes["after"]) == ("F0", "4", "3")
    assert float(passes["difference"]) == -1
    assert not len(of(said, "strips")) and not len(of(said, "boundary"))
    assert float(of(said, "figures", tier="sbas", name="row_count")["difference"].iloc[0]) == -12
    assert set(said["field_id"]) == {"F0"}


def test_a_tier_figure_changed(again):
    catalogue = (PROJECT / "shared" / "tiers.yaml").read_text()
    Path("tiers.yaml").write_text(catalogue)
    settings = config(Path())
    settings["tiers"]["catalogue"] = "tiers.yaml"
    said = compute(settings)
    assert of(said, "setting")["name"].tolist() == ["tiers.catalogue"]
    assert len(said) == 1  # the same figures in another file
    Path("tiers.yaml").write_text(catalogue.replace("repeatable: 3 ft", "repeatable: 0.5 m", 1))
    said = compute(settings)
    (figure,) = of(said, "tier").to_dict("records")
    assert (figure["tier"], figure["name"]) == ("sbas", "repeatable_m")
    assert [float(figure[name]) for name in ("before", "after")] == pytest.approx([3 * 0.3048, 0.5])
    assert "  tiers: sbas.repeatable_m 0.9144 -> 0.5" in summary(said)
    assert set(of(said, "figures")["tier"]) == {"sbas"}
    assert {"expected_miss_share", "miss_share_p10", "miss_share_p50", "miss_share_p90"} & set(said["name"])
    assert set(of(said, "figures")["field_id"]) == {"F0", "F2"}


def test_a_point_of_the_users_curve_changed(again):
    curve = "- {id: mine, name: Mine, unit: bu/ac, source: invented, read_in: nowhere, limits: invented, points: %s}\n"
    Path("curves.yaml").write_text(curve % "[[4 in, 0], [8 in, 20]]")
    settings = config(Path()) | {"costs": {
        "currency": "USD", "crop": {"price": "4 USD/bu"}, "response": {"curve": "mine", "file": "curves.yaml"},
        "tiers": dict.fromkeys(("sbas", "rtk_base"), {"fee": "0 USD"}),
    }}  # fmt: skip
    first = compute(settings)
    assert "costs.response.curve" in set(first["name"]) and "costs.response.loss" not in set(first["name"])
    Path("curves.yaml").write_text(curve % "[[4 in, 0], [8 in, 25]]")
    said = compute(settings)
    (edit,) = said.to_dict("records")  # none of the figures of field_tier.csv goes by it
    assert (edit["what"], edit["name"]) == ("setting", "costs.response.loss")
    assert [json.loads(edit[name]) for name in ("before", "after")] == [[0, 20], [0, 25]]
    assert "  settings: costs.response.loss [0.0, 20.0] -> [0.0, 25.0]" in summary(said)
    Path("curves.yaml").write_text((curve % "[[4 in, 0], [9 in, 25]]").replace("bu/ac", "bu/ha").replace("Mine", "Ours"))
    said = compute(settings)
    assert sorted(said["name"]) == ["costs.response.distance_m", "costs.response.unit"]
    (reach,) = of(said, "setting", name="costs.response.distance_m").to_dict("records")
    assert json.loads(reach["after"]) == pytest.approx([4 * 0.0254, 9 * 0.0254])


def test_a_price_with_other_decimals_is_no_change(again):
    curve = "- {id: mine, name: Mine, unit: bu/ac, source: invented, read_in: nowhere, limits: invented, points: %s}\n"
    Path("curves.yaml").write_text(curve % "[[4 in, 0], [8 in, 20]]")

    def paying(fee: str) -> pd.DataFrame:
        return compute(config(Path()) | {"costs": {
            "currency": "USD", "crop": {"price": "4 USD/bu"}, "response": {"curve": "mine", "file": "curves.yaml"},
            "tiers": dict.fromkeys(("sbas", "rtk_base"), {"fee": f"{fee} USD"}),
        }})  # fmt: skip

    paying("5")
    first = paying("6")
    assert first[["name", "before", "after", "difference"]].values.tolist() == [
        [f"costs.tiers.{tier}.fee", "5", "6", "1.000000"] for tier in ("rtk_base", "sbas")
    ]
    assert paying("6.00").drop(columns="after").equals(first.drop(columns="after"))


FIELD = {"boundary": {"hash": "a"}, "said": {"farm": "12", "baseline_m": 5000.0}, "strips": {"count": 3, "hash": "s"}}


def state(*, title="", tiers=None, fields=None, share="0.5") -> RunState:
    """What a run came to, as little of it as will do."""
    table = f"field_id,tier,area_m2,expected_miss_share\nF1,rtk,1000,{share}\n"
    contents = {"b0": {"key": "", "fields": {"F1": FIELD} if fields is None else fields}}
    return RunState(table.encode(), *(
        json.dumps(part).encode() for part in (contents, {"title": title}, {"tiers": tiers or {}}, {"response": None})
    ))  # fmt: skip


def lines(before: RunState, now: RunState) -> list[list[str]]:
    return changes_between(before, now).values.tolist()


def leaves(said: object, name: str = "") -> dict[str, object]:
    """What is written under every key of a configuration, by dotted keys."""
    if not isinstance(said, dict):
        return {name: said}
    return {key: leaf for part, one in said.items() for key, leaf in leaves(one, f"{name}.{part}".lstrip(".")).items()}


#: Every key that has a unit in config/README.md, as anybody may write it, with the same in SI by the units' definitions.
WRITTEN = {
    "inputs.strips.constants": {"row_spacing": ("30 in", 0.762), "strip_width": ("8 in", 0.2032)},
    "inputs.strips.log": {
        "gap": ("25 m", 25.0), "pause": ("1 min", 60.0), "turn_radius": ("10 ft", 3.048), "turn_angle": ("50 deg", 50.0),
        "shortest": ("11 m", 11.0), "still": ("0.72 km/h", 0.2), "jump": ("2 ft", 0.6096), "smoothing": ("5 m", 5.0),
    },
    "inputs.rows.constants": {"row_spacing": ("20 in", 0.508)}, "inputs.checks.constants": {"tape_error": ("1 in", 0.0254)},
    "judging": {"row_margin": ("0.5 in", 0.0127), "machine_error": ("1 in", 0.0254), "base_shift": ("3 m", 3.0)},
    "judging.steering": {"autumn": ("2 in", 0.0508), "spring": ("1 in", 0.0254)},
    "judging.field_capacity": {"autumn": ("9 ha/h", 25.0), "spring": ("10.5 ha/h", 29.166667)},
    "judging.convergence": {"gap": ("20 min", 1200.0), "working_day": ("8 h", 28800.0)},
    "raster": {"cell": ("0.2 m", 0.2)},
    "costs.crop": {"bushel": ("56 lb", 25.401173)}, "costs": {"working_day": ("12 h", 43200.0)},
    "costs.field_capacity": {"width": ("30 ft", 9.144), "speed": ("6 mph", 2.68224)},
}  # fmt: skip
PAID = {
    "currency": "USD", "crop": {"price": "4 USD/bu", "expected_yield": "200 bu/ac"}, "response": {"curve": "flat"},
    "tiers": {"rtk_base": {"fee": "900 USD", "once": "5000 USD", "years": 5}}, "machine_hour": "180 USD/h",
    "field_capacity": {"efficiency": "70 %"}, "standard": {"on_strip": "95 %", "springs": "9 of 10"},
}  # fmt: skip


def written() -> dict:
    """A configuration with all of these."""
    said = config(Path()) | {"costs": json.loads(json.dumps(PAID))}
    said["inputs"]["checks"] = {"file": "coop.gpkg", "layer": "checks"}
    for place, keys in WRITTEN.items():
        here = said
        for part in place.split("."):
            here = here.setdefault(part, {})
        here.update({key: text for key, (text, _) in keys.items()})
    return said


def held(said: dict) -> bytes:
    """As `intake` keeps it, which states of earlier versions have in the same way."""
    return config_from_dict(said, source="mine.yaml").model_dump_json().encode()


def lines_by_name(before: RunState, now: RunState) -> dict[str, dict]:
    return {line["name"]: line for line in changes_between(before, now).to_dict("records")}


def test_settings_are_told_by_the_keys_that_are_written_in_the_configuration():
    before, now = (replace(state(), config=one) for one in (b"{}", held(written())))
    told = lines_by_name(before, now)
    keys = leaves(written())
    assert not keys.keys() - told.keys()
    for place, units in WRITTEN.items():
        for key, (text, si) in units.items():
            assert told[f"{place}.{key}"]["after"] == json.dumps(si), text
    assert (told["costs.machine_hour"]["after"], told["costs.machine_hour.per"]["after"]) == ("180", "h")
    # What is left out in the file is told by its key all the same: one that the configuration takes.
    bare = held(config(Path()) | {"costs": PAID | {"field_capacity": written()["costs"]["field_capacity"]}})
    for name in lines_by_name(before, replace(state(), config=bare)):
        assert not re.search(r"_(m|s|kg|deg|m_s|m2_per_s)$", name), name


def test_a_setting_has_no_more_digits_than_its_difference():
    def capacity(text: str) -> RunState:
        return replace(state(), config=held(config(Path()) | {"judging": {"field_capacity": {"autumn": text}}}))

    # 8 and 9 ha/h are 80,000 / 3600 and 90,000 / 3600 m2/s.
    (one,) = changes_between(capacity("8 ha/h"), capacity("9 ha/h")).to_dict("records")
    assert [one[name] for name in ("name", "before", "after", "difference")] == [
        "judging.field_capacity.autumn", "22.222222", "25.0", "2.777778",
    ]  # fmt: skip
    assert summary(pd.DataFrame([one]))[1:] == ["  settings: judging.field_capacity.autumn 22.2222 -> 25 m2/s"]
    (one,) = changes_between(capacity("8 ha/h"), capacity("8.0000001 ha/h")).to_dict("records")
    assert one["before"] != one["after"] and float(one["difference"]) == pytest.approx(1e-7 / 0.36, rel=1e-3)


@pytest.mark.parametrize(
    ("before", "after", "difference"),
    [
        (1e-6, 5e-7, "-5e-07"), (0.0254, 0.0508, "0.025400"), (0.1234567, 0.1, "-0.0234567"), (0.1, 0.3, "0.200000"),
        (12345.5, 0.25, "-12345.250000"), (0.3, 0.1 + 0.2, "4e-17"), (2, 3, "1.000000"), (None, 3, ""), (True, False, ""),
    ],
)  # fmt: skip
def test_a_difference_is_never_told_as_nothing(before, after, difference):
    tiers = [{"rtk": {"figure": value}} for value in (before, after)]
    ((what, _, tier, name, *_, said),) = lines(*(state(tiers=one) for one in tiers))
    assert (what, tier, name) == ("tier", "rtk", "figure")
    assert said == difference


def test_names_of_digits_have_no_difference():
    other = FIELD | {"said": FIELD["said"] | {"farm": "34", "baseline_m": 5001.5}}
    found = lines(state(title="2026"), state(title="2027", fields={"F1": other}))
    assert found == [
        ["setting", "", "", "title", "2026", "2027", ""],
        ["field", "F1", "", "baseline_m", "5000.0", "5001.5", "1.500000"], ["field", "F1", "", "farm", "12", "34", ""],
    ]  # fmt: skip
    assert "  settings: title 2026 -> 2027" in summary(pd.DataFrame(found, columns=c.CHANGES))


def test_what_passes_name_is_no_tier_of_the_catalogue():
    rtk = {"rtk": {"repeatable_m": 0.02}}
    logged = [rtk | {AS_LOGGED: {"repeatable_m": size}} for size in (0.02, 0.3)]
    assert lines(state(tiers=rtk), state(tiers=logged[0])) == lines(state(tiers=logged[0]), state(tiers=logged[1])) == []
    assert lines(state(), state(tiers=logged[0])) == [["tier added", "", "rtk", "", "", "", ""]]


def test_a_field_renamed():
    said = changes_between(state(), state(fields={"G1": FIELD}))
    assert said["what"].tolist() == ["field added", "field removed", "field renamed"]
    assert said.iloc[2].tolist() == ["field renamed", "G1", "", "field_id", "F1", "G1", ""]
    assert summary(said)[1:] == ["  fields renamed: F1 is now called G1"]
    # Two at once, and one while another goes and a third comes elsewhere.
    grounds = {one: FIELD | {"boundary": {"hash": one}} for one in "abc"}
    before = state(fields={"F1": grounds["a"], "F2": grounds["b"]})
    both = changes_between(before, state(fields={"G1": grounds["b"], "G2": grounds["a"]}))
    assert summary(both)[1:] == ["  fields renamed: F2 is now called G1, F1 is now called G2"]
    one = changes_between(before, state(fields={"G1": grounds["b"], "G3": grounds["c"]}))
    assert summary(one)[1:] == [
        "  fields renamed: F2 is now called G1", "  fields added: G3", "  fields removed: F1",
    ]  # fmt: skip
    # On other ground it is another field, and of two that came nobody knows which it is.
    for fields in ({"G1": FIELD | {"boundary": {"hash": "b"}}}, {"G1": FIELD, "G2": FIELD}):
        assert "field renamed" not in changes_between(state(), state(fields=fields))["what"].tolist()


def test_what_reads_the_same_is_told_as_no_move():
    (text,) = summary(changes_between(state(share="0.5834561"), state(share="0.5834562")))[1:]
    start, end = text.split("; ")
    assert start == "  figures: moved in 1 line of field_tier.csv"
    assert end == "no expected share off the strip moved by as much as 0.1 percentage points"
    (text,) = summary(changes_between(state(share="0.583"), state(share="0.585")))[1:]
    assert text.endswith("most in F1 under rtk: 58.3 % -> 58.5 %")
    tiers = [{"rtk": {"figure": value}} for value in (0.12345678, 0.12345679)]
    (text,) = summary(changes_between(*(state(tiers=one) for one in tiers)))[1:]
    assert text == "  tiers: rtk.figure 0.12345678 -> 0.12345679"


@pytest.mark.parametrize("letter", ["x", "1"])  # of digits alone it may be read as a number
def test_long_texts_are_told_by_their_beginnings(letter):
    same = letter * 10_000
    (text,) = summary(changes_between(state(title=f"{same}3"), state(title=f"{same}4")))[1:]
    begins = f"{letter * 37}..."
    assert text == f"  settings: title {begins} -> {begins} (differs further on)"
    (text,) = summary(changes_between(state(title=f"A{same}"), state(title=f"B{same}")))[1:]
    assert text == f"  settings: title A{begins[1:]} -> B{begins[1:]}"
    (text,) = summary(changes_between(state(title="My fields"), state(title="My  fields")))[1:]
    assert text == "  settings: title My fields -> My fields (differs in white space)"


def test_a_setting_changed(again):
    settings = config(Path()) | {"raster": {"cell": "0.2 m"}}
    said = compute(settings)
    (setting,) = of(said, "setting").to_dict("records")
    assert (setting["name"], setting["before"], setting["after"]) == ("raster.cell", "0.1", "0.2")
    assert "  settings: raster.cell 0.1 -> 0.2 m" in summary(said)
    assert set(said["what"]) <= {"setting", "other figures"}
    assert all("raster_tolerance_share" in name.split() for name in of(said, "other figures")["name"])
    assert len(of(said, "other figures")) == 4


def test_a_field_removed_and_added_again(again):
    write_coop(Path(), fields=boundaries(1), strips=passes_of(1), rows=passes_of(1, shift_m=0.05))
    said = compute(config(Path()))
    assert said[["what", "field_id", "name", "after"]].values.tolist() == [["field removed", "F2", "area_m2", ""]]
    assert float(said["before"][0]) == pytest.approx(120 * 50, rel=2e-3)
    write_coop(Path(), rows=ROWS)
    said = compute(config(Path()))
    assert said[["what", "field_id", "name", "before"]].values.tolist() == [["field added", "F2", "area_m2", ""]]


def test_a_run_killed_after_it_kept_its_state_says_the_same_once_more(again):
    write_coop(Path(), strips=passes_of(count=3), rows=ROWS)
    undisturbed = compute(config(Path()))
    assert len(of(undisturbed, "strips")) == 2
    Path("changes.csv").unlink()
    assert compare().equals(undisturbed)
    # Killed before: the state is still the last one, whatever lies half written beside it.
    Path("work/last/.unfinished-1-x").mkdir()
    assert compare().equals(undisturbed)
    assert len(list(Path("work/last").iterdir())) == 3  # two states and which is which


@pytest.mark.parametrize("damage", ["{", "[]", '{"now": 1}', '{"now": "../../results"}'])
def test_a_damaged_state_is_a_first_run(again, damage):
    Path("work/last/state.json").write_text(damage)
    assert compare()["what"].tolist() == ["first run"]


def test_the_summary_is_short_and_says_once_what_was_told(again):
    here = {"results": Path("results"), "work": Path("work")}
    assert change_text(**here).startswith("First run here")
    assert not is_told(LAST)  # killed before its end, say
    tell(LAST)
    assert change_text(**here) == NOTHING
    sign()  # whatever else is written, and when
    assert change_text(**here) == NOTHING
    write_coop(Path(), fields=boundaries(1), strips=passes_of(1, count=3), rows=passes_of(1, shift_m=0.09))
    run_steps(config(Path()) | {"title": "Other"}, Path())
    assert change_text(**here) == ""  # the tables alone were asked for
    compare()
    lines = change_text(**here).splitlines()
    assert "  fields removed: F2" in lines
    assert len(lines) <= 10
    assert "  settings: title Invented fields -> Other" in lines
    assert "  input of fields: F0 (strips, rows)" in lines
    # 5 cm and 9 cm off, on a strip of 10 cm to each side: RTK gains most misses.
    (figures,) = (line for line in lines if line.startswith("  figures:"))
    start = "  figures: moved in 2 lines of field_tier.csv; expected share off the strip most in F0 under rtk_base: "
    assert figures.startswith(start)


# The manifest, and results held against it.


def verify(capsys, folder: str = "results") -> tuple[int, list[str]]:
    """Exit code and what was said, line by line."""
    capsys.readouterr()
    handlers, level = logging.root.handlers[:], logging.root.level
    try:
        main(["verify", folder])
        code = 0
    except SystemExit as end:
        code = end.code
    finally:
        logging.root.handlers[:] = handlers
        logging.root.setLevel(level)
    said = capsys.readouterr()
    assert "Traceback" not in said.out + said.err
    return code, (said.out + said.err).splitlines()


def test_the_manifest_names_every_file_but_itself_and_the_code(again):
    said = json.loads(Path("results/manifest.json").read_text())
    found = hashes(Path("results"))
    del found["manifest.json"]
    assert said["outputs"] == found
    assert {"field_tier.csv", "fields/F0/overlap.tif"} <= set(found)
    assert len(said["code_sha256"]) == 64
    assert set(said["inputs"]) == {"coop.gpkg", "shared/tiers.yaml"}


def test_what_a_killed_job_left_is_not_signed(again):
    before = Path("results/manifest.json").read_bytes()
    Path("results/.unfinished-1-field_tier.csv").write_text("half")
    sign()
    assert Path("results/manifest.json").read_bytes() == before
    assert not list(Path("results").rglob(".unfinished-*"))


def test_all_is_as_the_manifest_says(again, capsys, monkeypatch):
    os.utime("coop.gpkg", (1, 1))  # touched, not edited
    assert verify(capsys) == (0, ["results: as its manifest says"])
    monkeypatch.chdir(again.parent)
    assert verify(capsys, "again/results") == (0, ["again/results: as its manifest says"])


def test_a_byte_changed_a_raster_gone_and_a_file_too_many(again, capsys):
    table = Path("results/row_tier.csv")
    data = bytearray(table.read_bytes())
    data[len(data) // 2] ^= 1
    table.write_bytes(data)
    Path("results/fields/F2/overlap.tif").unlink()
    Path("results/notes.txt").write_text("mine")
    code, said = verify(capsys)
    assert code == 1
    assert said[0].endswith("results: 3 things not as its manifest says")
    assert said[1:] == [
        "result missing: fields/F2/overlap.tif", "result changed: row_tier.csv", "result not in the manifest: notes.txt",
    ]  # fmt: skip


def test_an_input_edited_or_gone(again, capsys):
    write_coop(Path(), rows=passes_of(shift_m=0.06))
    assert verify(capsys)[1][1:] == ["input changed: coop.gpkg"]
    Path("coop.gpkg").unlink()
    assert verify(capsys)[1][1:] == ["input missing: coop.gpkg"]


def test_other_code_and_other_versions(again, capsys):
    path = Path("results/manifest.json")
    said = json.loads(path.read_text())
    said["code_sha256"] = "0" * 64
    said["versions"] |= {"numpy": "1.0", "PROJ of pyproj": "4.9.3", "shapely": f"{shapely.__version__}+by.hand.of.1"}
    path.write_text(json.dumps(said))
    code, lines = verify(capsys)
    assert code == 1
    assert lines[1].startswith("version differs: code was 000000000000, is ")
    assert lines[3].startswith("version differs: numpy was 1.0, is ")
    assert lines[2] == f"version differs: PROJ of pyproj was 4.9.3, is {pyproj.proj_version_str}"
    # Of a hash its beginning is enough; a version may differ at its end.
    assert lines[4] == f"version differs: shapely was {shapely.__version__}+by.hand.of.1, is {shapely.__version__}"


@pytest.mark.parametrize("text", [None, "", "{", "[]", "{}", '{"outputs": {"a": 1}}', "[" * 100_000, "\x00\xff"])
def test_no_manifest_or_a_broken_one_is_one_error(again, capsys, text):
    path = Path("results/manifest.json")
    path.unlink()
    if text is not None:
        path.write_text(text, encoding="latin-1")
    code, said = verify(capsys)
    assert code == 1
    assert len(said) == 1 and "manifest.json" in said[0] and said[0].startswith("rowreturn: error: ")


@pytest.mark.slow
def test_changes_through_the_workflow(tmp_path):
    write_coop(tmp_path, rows=ROWS)
    settings = config(tmp_path)
    assert "First run here" in run_all(settings, tmp_path)
    undisturbed = hashes(tmp_path)
    os.utime(tmp_path / "coop.gpkg")
    assert "Nothing to be done" in run_all(settings, tmp_path)
    write_coop(tmp_path, fields=boundaries().iloc[::-1], rows=ROWS)  # the same content in other bytes
    said = run_all(settings, tmp_path)
    assert NOTHING in said
    assert "Comparing with the last run" not in said
    now = results_of(hashes(tmp_path))
    assert {name for name in now if now[name] != undisturbed.get(name)} == {"results/manifest.json"}
    write_coop(tmp_path, fields=moved_boundary(), rows=ROWS)
    before = hashes(tmp_path)
    dry = subprocess.run(
        [sys.executable, "-m", "snakemake", "-n", "-s", PROJECT / "Snakefile", "--configfile", "mine.yaml"],
        cwd=tmp_path, capture_output=True, check=True,
    )  # fmt: skip
    assert b"intake" in dry.stdout
    assert results_of(hashes(tmp_path)) == results_of(before)
    said = run_all(settings, tmp_path)
    assert "input of fields: F2 (boundary)" in said, said
    whole = hashes(tmp_path)
    # As if killed right after the step: its table is to be made again, and comes out the same.
    (tmp_path / "changes.csv").unlink()
    run_all(settings, tmp_path)
    assert results_of(hashes(tmp_path)) == results_of(whole)
    done = subprocess.run(
        [sys.executable, "-m", "pipeline", "verify", tmp_path / "results"],
        cwd=PROJECT, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert (done.returncode, done.stdout.endswith("as its manifest says\n")) == (0, True), done.stderr


def run_all(settings: dict, folder: Path) -> str:
    done = snakemake(settings, folder)
    assert done.returncode == 0, done.stdout
    return done.stdout


def results_of(found: dict[str, str]) -> dict[str, str]:
    return {name: one for name, one in found.items() if name.startswith(("results/", "work/last/", "changes.csv"))}
