"""What is said of receivers that work in another frame than the plan's numbers are in: how far, and what to do."""

import pytest
from pyproj import Geod, Transformer
from workflow import CRS, ORIGIN, boundaries, config, hashes, one_tier, passes_of, take_in, write_coop

from pipeline.core.frame_names import FRAMES
from pipeline.files.plan_frames import Plan
from pipeline.files.store import read_json
from pipeline.files.tier_frames import NO_TRAP_M, apart_in

NAD83 = {"frame": "NAD83(2011)", "epoch": 2010.0}
SATELLITE, NETWORK, BASE = "SBAS, free", "Network RTK over a mobile network", "Base-station RTK by radio"
PLACE = (ORIGIN[0] + 60.0, ORIGIN[1] + 25.0)
DO = (
    "which is in no figure; before planting have the display or the line file transformed into the tier's frame, or shift "
    "on a known mark; otherwise every row stands that far from where it was planned"
)
MARK = "before planting compare them on a known mark"
BASE_DECIDES = f"the coordinates that the base was given decide how far apart the two are; {MARK}"
TIMES = {"strips": "2025-10-15T15:00:00Z", "rows": "2026-05-20T15:00:00Z"}


def co_op(folder, *, compare, strips=None, rows=None, timed=(), crs=CRS, **tiers) -> dict:
    """A co-op whose layers have these constants and, where they are timed, `TIMES`; without a layer of rows if None."""
    layers = {"strips": passes_of(), "rows": None if rows is None else passes_of()}
    for role in timed:
        layers[role] = layers[role].assign(T0=TIMES[role])
    moved = {role: one.set_crs(crs, allow_override=True) for role, one in layers.items() if one is not None}
    write_coop(folder, fields=boundaries().set_crs(crs, allow_override=True), **moved)
    settings = config(folder, planter=rows is not None)
    settings["tiers"] = {"compare": compare} | tiers
    settings["report"] |= {"units": "metric"}
    for role, said in (("strips", strips), ("rows", rows)):
        if role in settings["inputs"]:
            settings["inputs"][role]["constants"] |= said or {}
            settings["inputs"][role]["columns"] |= {"started_at": "T0"} if role in timed else {}
    return settings


def told(settings: dict, folder) -> list[str]:
    """The notes on tiers' frames."""
    return [note for note in read_json(take_in(settings, folder) / "intake.json")["notes"] if "receivers under" in note]


def gap_m(source: str, target: str, year: float) -> float:
    """PROJ's own choice of a transformation at the fields, and the geodesic between the two [m]."""
    lat, lon = Transformer.from_crs(CRS, "EPSG:4326").transform(*PLACE)
    to_lat, to_lon, *_ = Transformer.from_crs(FRAMES[source].code, FRAMES[target].code).transform(lat, lon, 0.0, year)
    return Geod(ellps="GRS80").line_length([lon, to_lon], [lat, to_lat])


@pytest.mark.parametrize("units", ["us", "metric"])
def test_strips_of_a_network_planted_by_satellite(tmp_path, units):
    settings = co_op(tmp_path, compare=["sbas", "ppp_cm", "rtk_network", "rtk_base"], strips=NAD83)
    settings["report"] |= {"units": units}
    apart_m = gap_m("ITRF2020", "NAD83(2011)", 2026.0)
    assert 1.3 < apart_m < 1.5
    size = f"{apart_m / 0.3048:.2f} ft" if units == "us" else f"{apart_m:.2f} m"
    assert told(settings, tmp_path) == [
        "in 2 fields (F0, F2) the plan is in NAD83(2011), but receivers under SBAS, free; Satellite-delivered PPP, "
        f"centimetre work in ITRF2020 at 2026.0: {size} apart, {DO}"
    ]


def test_published_place():
    # Published cs2cs output (read): 46.71, -92.215 in ITRF2014 at 2026.77 has these coordinates of EPSG:6344, NAD83(2011).
    lat, lon = Transformer.from_crs(6344, FRAMES["NAD83(2011)"].code).transform(560003.268135, 5173236.616329)
    apart_m = Geod(ellps="GRS80").line_length([-92.215, lon], [46.71, lat])
    one = apart_in("F", Plan("NAD83(2011)", 2010.0, stated=True), "ITRF2014", 2026.77, (-92.215, 46.71))
    assert one.gap_m == pytest.approx(apart_m, abs=1e-4)
    assert one.gap_m > 1.0


def test_nothing_where_plan_and_tier_are_in_one_frame(tmp_path):
    assert told(co_op(tmp_path, compare=["rtk_network"], strips=NAD83), tmp_path) == []


def test_nothing_where_no_layer_states_a_frame_and_the_tier_is_autumns(tmp_path):
    assert told(co_op(tmp_path, compare=["sbas", "rtk_network", "rtk_base"], rows={}), tmp_path) == []


def test_rows_that_state_their_frame_are_the_plan(tmp_path):
    plan = {"frame": "ITRF2014", "epoch": 2026.3}
    (note,) = told(co_op(tmp_path, compare=["sbas", "rtk_network"], strips=NAD83, rows=plan), tmp_path)
    apart_m = gap_m("ITRF2014", "NAD83(2011)", 2026.3)
    begin = f"in 2 fields (F0, F2) the plan is in ITRF2014 at 2026.3, but receivers under {NETWORK} work in NAD83(2011)"
    assert note == f"{begin}: {apart_m:.2f} m apart, {DO}"


def test_rows_that_state_none_are_planned_in_the_frame_of_the_strips(tmp_path):
    (note,) = told(co_op(tmp_path, compare=["sbas", "rtk_network"], strips=NAD83, rows={}), tmp_path)
    assert f"the plan is in NAD83(2011), but receivers under {SATELLITE} work" in note


def test_frame_of_autumns_tier_where_no_layer_states_one(tmp_path):
    settings = co_op(tmp_path, compare=["sbas", "rtk_network"], autumn="rtk_network")
    (note,) = told(settings, tmp_path)
    apart_m = gap_m("ITRF2020", "NAD83(2011)", 2026.0)
    assert note.startswith(
        f"in 2 fields (F0, F2) the plan is taken to be in NAD83(2011), as autumn's tier works, but receivers under "
        f"{SATELLITE} work in ITRF2020 at 2026.0: {apart_m:.2f} m apart"
    )


def test_frame_of_the_tier_that_all_strips_of_a_field_name(tmp_path):
    settings = co_op(tmp_path, compare=["sbas"], autumn="as_logged")
    # F0 under one tier; F2 under two that work in different frames: nobody knows there.
    strips = passes_of().assign(TIER=["rtk_network"] * 4 + ["rtk_network", "ppp_cm"] * 2)
    write_coop(tmp_path, strips=strips)
    settings["inputs"]["strips"]["columns"]["tier"] = "TIER"
    (note,) = told(settings, tmp_path)
    assert note.startswith("in 1 field (F0) the plan is taken to be in NAD83(2011)")
    # A pass that names none counts as made with spring's, so those of F2 are of two frames again.
    write_coop(tmp_path, strips=passes_of().assign(TIER=["rtk_network"] * 4 + ["rtk_network", None] * 2))
    (note,) = told(settings, tmp_path)
    assert note.startswith("in 1 field (F0) ")


@pytest.mark.parametrize(
    ("timed", "year"),
    [
        # 15 October is day 288 of 365: 2025.79, and half a year on. 20 May is day 140: 2026.38.
        (["strips"], "2026.29"), (["strips", "rows"], "2026.38"), ([], "2026.0"),
    ],
)  # fmt: skip
def test_date_of_the_tier(tmp_path, timed, year):
    (note,) = told(co_op(tmp_path, compare=["sbas"], strips=NAD83, rows={}, timed=timed), tmp_path)
    assert f"work in ITRF2020 at {year}: " in note


def test_a_plan_of_long_ago_in_the_tiers_own_frame(tmp_path):
    # A place of the plate's own frame, in ITRF2020 at two dates: as far apart as its frame of each date.
    old = {"frame": "ITRF2020", "epoch": 2016.0}
    (note,) = told(co_op(tmp_path, compare=["sbas"], strips=old), tmp_path)
    geod, codes = Geod(ellps="GRS80"), (FRAMES["NAD83(2011)"].code, FRAMES["ITRF2020"].code)
    lat, lon = Transformer.from_crs(CRS, "EPSG:4326").transform(*PLACE)
    then, now = (Transformer.from_crs(*codes).transform(lat, lon, 0.0, year) for year in (2016.0, 2026.0))
    apart_m = geod.line_length([then[1], now[1]], [then[0], now[0]])
    assert 0.1 < apart_m < 0.25
    assert f"the plan is in ITRF2020 at 2016.0, but receivers under {SATELLITE} work in ITRF2020 at 2026.0: " in note
    assert f"2026.0: {apart_m:.2f} m apart" in note


@pytest.mark.parametrize("epoch", [2024.5, 2027.0, 2040.0])
def test_dates_that_are_near_and_plans_of_later_are_no_trap(tmp_path, epoch):
    # By 18 mm a year, 1.5 years are 2.7 cm; and nobody plants before the date of the plan.
    assert told(co_op(tmp_path, compare=["sbas"], strips={"frame": "ITRF2020", "epoch": epoch}), tmp_path) == []


def test_rows_in_the_tiers_frame_are_of_its_date(tmp_path):
    plan = {"frame": "ITRF2020", "epoch": 2016.0}
    assert told(co_op(tmp_path, compare=["sbas"], strips=plan, rows=plan), tmp_path) == []


@pytest.mark.parametrize(
    ("autumn", "spring", "said"),
    [
        ("rtk_base", "sbas", f"the strips were laid by a base, but receivers under {SATELLITE} work in ITRF2020 at 2026.0"),
        ("rtk_network", "rtk_base", "the plan is taken to be in NAD83(2011), as autumn's tier works, but receivers under "
         f"{BASE} go by a base"),
        ("rtk_base", "rtk_base", None),
        ("same", "rtk_base", None),
    ],
)  # fmt: skip
def test_the_coordinates_of_a_base_decide(tmp_path, autumn, spring, said):
    notes = told(co_op(tmp_path, compare=[spring], autumn=autumn), tmp_path)
    assert notes == ([] if said is None else [f"in 2 fields (F0, F2) {said}: {BASE_DECIDES}"])


def test_strips_of_a_base_that_state_their_frame_have_a_distance(tmp_path):
    (note,) = told(co_op(tmp_path, compare=["sbas", "rtk_base"], autumn="rtk_base", strips=NAD83), tmp_path)
    assert f"{gap_m('ITRF2020', 'NAD83(2011)', 2026.0):.2f} m apart" in note


@pytest.mark.parametrize(
    ("frame", "why"),
    [
        ("GDA2020", "frame 'GDA2020' is fixed to the plate of Australia, but the field lies at "),
        ("JGD2011", "no way into frame 'JGD2011' is known here"),
    ],
)
def test_frames_that_nothing_joins_are_told_and_end_no_run(tmp_path, frame, why):
    tiers = {"compare": ["mine"], "catalogue": one_tier(tmp_path, id="mine", repeatable="1 in", frame=frame)}
    (note,) = told(co_op(tmp_path, strips=NAD83 | {"epoch": 2025.5}, **tiers), tmp_path)  # near in time alone
    begin = f"in 2 fields (F0, F2) the plan is in NAD83(2011), but receivers under Invented work in {frame}: "
    assert note.startswith(f"{begin}how far apart the two are is not known ({why}")
    assert note.endswith(f"); {MARK}")
    assert told(co_op(tmp_path, **tiers), tmp_path) == []  # of autumn's tier: the same in both


def test_where_no_plate_motion_is_known(tmp_path):
    at_sea = {"crs": "EPSG:32722", "compare": ["sbas"], "timed": ["strips"]}  # 48 degrees south in the Atlantic
    assert told(co_op(tmp_path, **at_sea), tmp_path) == []  # half a year in one frame is a few centimetres anywhere
    (note,) = told(co_op(tmp_path, strips={"frame": "ITRF2014", "epoch": 2015.0}, **at_sea), tmp_path)
    assert "how far apart the two are is not known (no plate motion is known at -4" in note


@pytest.mark.parametrize("kind", ["planted", "surveyed"])
def test_nothing_of_rows_that_have_been_planted(tmp_path, kind):
    settings = co_op(tmp_path, compare=["rtk_network"], strips=NAD83, rows={"frame": "ITRF2020", "epoch": 2026.3})
    settings["inputs"]["rows"]["kind"] = kind
    assert told(settings, tmp_path) == []
    settings["inputs"]["rows"]["kind"] = "planned"
    assert len(told(settings, tmp_path)) == 1


def test_nothing_of_a_planter_whose_frame_has_moved_its_rows(tmp_path):
    settings = co_op(tmp_path, compare=["sbas"], strips=NAD83)
    settings["inputs"]["rows"] = {"constants": {"row_count": 12, "row_spacing": "30 in"}}
    assert len(told(settings, tmp_path)) == 1
    settings["inputs"]["rows"]["constants"] |= {"frame": "ITRF2020", "epoch": 2026.3}
    assert told(settings, tmp_path) == []


@pytest.mark.parametrize(
    ("gaps_m", "said"),
    [
        ((1.2, 1.5), "1.20 m to 1.50 m apart"),
        ((1.351, 1.349), "1.35 m apart"),
        ((0.02, 0.3), "0.30 m apart"),
    ],
)
def test_range_over_the_fields(monkeypatch, tmp_path, gaps_m, said):
    found = iter([(0.6 * gap, -0.8 * gap) for gap in gaps_m])
    monkeypatch.setattr("pipeline.files.tier_frames.frame_shift", lambda *_, **__: next(found))
    (note,) = told(co_op(tmp_path, compare=["sbas"], strips=NAD83), tmp_path)
    told_of = "1 field (F2)" if min(gaps_m) < NO_TRAP_M else "2 fields (F0, F2)"
    assert note.startswith(f"in {told_of} ")
    assert f": {said}, which" in note


def test_the_frame_of_a_tier_moves_nothing(tmp_path):
    taken = {}
    for frame in ("NAD83(2011)", "ITRF2020"):
        folder = tmp_path / frame
        folder.mkdir()
        catalogue = one_tier(folder, id="mine", repeatable="1 in", frame=frame)
        settings = co_op(tmp_path, compare=["mine"], catalogue=catalogue, strips=NAD83)
        assert len(told(settings, folder)) == (frame == "ITRF2020")
        taken[frame] = hashes(folder / "work" / "intake")
        taken[frame]["geometry"] = (folder / "work/settings/geometry.json").read_text()
    first, second = taken.values()
    assert first == second
    assert len(first) > 2
