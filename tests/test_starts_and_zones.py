"""Receivers that converge, zones, and bases that are not surveyed, from layers on disk to the tables."""

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
import yaml
from helpers import INCH, Z
from scipy.integrate import quad
from scipy.stats import norm
from starts import HALF_WIDTH_M, MORNING, REPEATABLE_M, START_M, catalogue, sd_after, times
from workflow import (
    CRS,
    LENGTH_M,
    ORIGIN,
    PROJECT,
    ROWS,
    WIDTH_M,
    boundaries,
    config,
    first_field,
    passes_of,
    run_steps,
    take_in,
    write_coop,
)

from pipeline.core.stretches import CUTS_S
from pipeline.errors import ConfigError, InputError
from pipeline.files.catalogue import load_catalogue

# Lengths in the layer's projection are not quite true ones.
PLANE = 5e-4

def one_field(folder, *, rows, judging=None, layers=None, inputs=None, tier=None, fields=1) -> dict[str, pd.DataFrame]:
    """Tables of one field, its rows planted right on the strips."""
    file = write_coop(folder, strips=passes_of(fields), rows=rows)
    settings = config(folder)
    settings["inputs"]["rows"]["columns"] |= {"started_at": "T0", "ended_at": "T1"} if "T0" in rows else {}
    settings["tiers"] = {"catalogue": catalogue(folder, **(tier or {})), "compare": ["slow"]}
    settings["judging"] = judging or {}
    for name, layer in (layers or {}).items():
        layer.to_file(file, layer=name, driver="GPKG", engine="pyogrio")
        settings["inputs"][name] = {"file": str(file), "layer": name} | (inputs or {}).get(name, {})
    return run_steps(settings, folder)


def miss(sd_m):
    """Odds of leaving a strip on which the row is planted right, by SciPy's normal distribution."""
    return 2 * norm.sf(HALF_WIDTH_M / sd_m)


def missed_after(first, last):
    """Row length of a pass that is expected to miss, planted from one time since the start to another [m]."""
    return ROWS * LENGTH_M * quad(lambda s: miss(sd_after(s)), first, last)[0] / (last - first)


SETTLED_M = 4 * ROWS * LENGTH_M * miss(REPEATABLE_M / Z)
# By how much the odds rise after a start, over all the time since.
RISEN_S = quad(lambda s: miss(sd_after(s)) - miss(REPEATABLE_M / Z), 0.0, 4000.0, limit=200)[0]


def test_passes_after_a_start_carry_what_is_left_of_it(tmp_path):
    # Four passes of a minute, one after the other: the start is the first of them.
    tables = one_field(tmp_path, rows=times(passes_of(1), [0, 60, 120, 180]))
    found = first_field(tables)
    wanted = missed_after(0.0, 240.0) * 4
    assert found.expected_miss_m == pytest.approx(wanted, rel=2e-3)
    assert found.converging_miss_m == pytest.approx(wanted - SETTLED_M, rel=4e-3)
    assert found.converging_row_m == pytest.approx(4 * ROWS * LENGTH_M, rel=PLANE)  # all within ten minutes
    assert found.converging_strip_m == 0.0  # no times, so they count as settled
    rows = tables["rows"]
    first = rows[rows["pass"] == 0]
    assert first.expected_miss_m.sum() == pytest.approx(missed_after(0.0, 60.0), rel=2e-3)
    # The largest error on a row of the first pass is that of its first ten seconds: R(t)^2 averaged over them.
    mean = quad(lambda s: (sd_after(s) * Z) ** 2, 0.0, 10.0)[0] / 10.0
    assert first.worst_95_m.max() == pytest.approx(np.sqrt(mean), rel=1e-4)
    assert rows.converging_m.sum() == pytest.approx(4 * ROWS * LENGTH_M, rel=PLANE)


def test_errors_fall_little_between_two_cuts_and_are_gone_after_the_last():
    # What is left of a start is exp(-3 t / T) of it, whatever the tier: of e^-x and e^-1.1x the most that they differ.
    tiers = load_catalogue(PROJECT / "shared" / "tiers.yaml").tiers.values()
    assert len(tiers) == 10
    for one in tiers:
        left = np.exp(-3 * CUTS_S / one.convergence_s) * (one.start_error_m - one.repeatable_m)
        assert -np.diff(left[CUTS_S >= 10.0]).min() <= 0.04 * left[0]
        assert left[-1] < 1e-4


@pytest.mark.parametrize(("gap", "starts"), [("30 min", 2), ("2 h", 1)])
def test_a_longer_break_is_a_new_start(tmp_path, gap, starts):
    # An hour between the second and the third pass.
    rows = times(passes_of(1), [0, 60, 3720, 3780])
    found = first_field(one_field(tmp_path, rows=rows, judging={"convergence": {"gap": gap}}))
    later = missed_after(0.0, 120.0) if starts == 2 else missed_after(3720.0, 3840.0)
    assert found.expected_miss_m == pytest.approx(2 * missed_after(0.0, 120.0) + 2 * later, rel=2e-3)


def test_one_start_serves_the_next_field_too(tmp_path):
    # The machine drives on from F0 to F2, which lies beside it, without a break: F2 begins two minutes after the start.
    rows = times(passes_of(2), [0, 30, 60, 90, 120, 150, 180, 210])
    tables = one_field(tmp_path, rows=rows, fields=2)
    second = tables["fields"][tables["fields"].field_id == "F2"].iloc[0]
    wanted = sum(missed_after(first, first + 60.0) for first in (120.0, 150.0, 180.0, 210.0))
    assert second.expected_miss_m == pytest.approx(wanted, rel=2e-3)


def test_what_waiting_avoids(tmp_path):
    tables = one_field(tmp_path, rows=times(passes_of(1), [0, 60, 120, 180]))
    waiting = tables["waiting"].set_index("wait_min").avoided_miss_m
    for minutes in (1, 5, 10):
        begun = 60.0 * minutes
        avoided = 4 * (missed_after(0.0, 240.0) - missed_after(begun, begun + 240.0))
        assert waiting[minutes] == pytest.approx(avoided, rel=4e-3)
    assert waiting[0] == 0.0
    assert waiting.is_monotonic_increasing
    assert waiting[60] == pytest.approx(first_field(tables).converging_miss_m, rel=1e-6)


def test_without_times_starts_are_planned(tmp_path):
    judging = {"convergence": {"starts_per_day": 4, "working_day": "10 h"}}
    found = first_field(one_field(tmp_path, rows=passes_of(1), judging=judging))
    assert found.expected_miss_m == pytest.approx(SETTLED_M, rel=1e-3)
    assert found.converging_miss_m == 0.0
    # By hand: 4 starts in 36,000 s of work; each costs the rise of the odds over the time since, times the metres of row
    # laid in a second, which is the length of all rows over the time they take. Both operations.
    assert found.planned_start_miss_m == pytest.approx(2 * 4 / 36_000.0 * RISEN_S * 4 * ROWS * LENGTH_M, rel=5e-3)


@pytest.mark.parametrize("judging", [{}, {"convergence": {"count": "none"}}])
def test_where_nothing_converges_nothing_changes(tmp_path, judging):
    # Without times, and with times that are not to count: the planning figures to the last digit.
    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()
    settled = {"convergence": "0 s"} if not judging else {}
    plain = one_field(tmp_path / "a", rows=times(passes_of(1), [0, 60, 120, 180]), tier={"convergence": "0 s"})
    other = one_field(tmp_path / "b", rows=times(passes_of(1), [0, 60, 120, 180]), judging=judging, tier=settled)
    # Where times count the passes are cut all the same, so only to rounding; the drift of a stretch is its pass's.
    for name in ("expected_miss_m", "holds_m", "doubt_m", "misses_m"):
        np.testing.assert_allclose(other["rows"][name], plain["rows"][name], rtol=1e-9, atol=1e-9)


def test_starts_that_are_not_to_count_are_not_planned_either(tmp_path):
    judging = {"convergence": {"count": "none", "starts_per_day": 4}}
    tables = one_field(tmp_path, rows=passes_of(1), judging=judging)
    assert first_field(tables).planned_start_miss_m == 0.0
    assert not tables["waiting"].avoided_miss_m.any()


def test_waiting_is_planned_where_there_are_no_times(tmp_path):
    tables = one_field(tmp_path, rows=passes_of(1), judging={"convergence": {"starts_per_day": 4}})
    waiting = tables["waiting"].set_index("wait_min").avoided_miss_m
    # By hand, of the planter alone: the odds' rise until the work begins is what waiting avoids.
    for minutes in (2, 10):
        risen = quad(lambda s: miss(sd_after(s)) - miss(REPEATABLE_M / Z), 0.0, 60.0 * minutes)[0]
        assert waiting[minutes] == pytest.approx(4 / 36_000.0 * risen * 4 * ROWS * LENGTH_M, rel=5e-3)


def test_planned_starts_count_for_rows_beside_strips_however_large_the_field_is(tmp_path):
    # Strips under two of four passes, in a boundary four times as large. Two starts in ten hours of either operation; each
    # metre of row is as likely to follow one as any other.
    file = write_coop(tmp_path, strips=passes_of(1).iloc[:2], rows=passes_of(1))
    fields = gpd.read_file(file, layer="fields").iloc[:1]
    east, north = ORIGIN
    fields.geometry = [shapely.box(east, north, east + 2 * LENGTH_M, north + 2 * WIDTH_M)]
    file = write_coop(tmp_path, fields=fields, strips=passes_of(1).iloc[:2], rows=passes_of(1))
    settings = config(tmp_path)
    settings["tiers"] = {"catalogue": catalogue(tmp_path), "compare": ["slow"]}
    tables = run_steps(settings, tmp_path)
    wanted = 2 * 2 / 36_000.0 * RISEN_S * 2 * ROWS * LENGTH_M
    assert first_field(tables).planned_start_miss_m == pytest.approx(wanted, rel=5e-3)
    waiting = tables["waiting"].set_index("wait_min").avoided_miss_m
    assert waiting[60] == pytest.approx(wanted / 2, rel=5e-3)  # of the planter alone


@pytest.mark.parametrize("each_min", [6.0, 30.0])
def test_planned_starts_that_come_one_upon_the_other_miss_no_more_than_there_is(tmp_path, each_min):
    # A start every six minutes, in which no receiver converges, or every thirty.
    judging = {"convergence": {"starts_per_day": 600.0 / each_min, "working_day": "10 h"}}
    found = first_field(one_field(tmp_path, rows=passes_of(1), judging=judging))
    to_next_s = 60.0 * each_min
    mean = quad(lambda s: miss(sd_after(s)) - miss(REPEATABLE_M / Z), 0.0, to_next_s)[0] / to_next_s
    there_is_m = 4 * ROWS * LENGTH_M
    wanted = min(2 * mean * there_is_m, there_is_m - SETTLED_M)
    assert (wanted == there_is_m - SETTLED_M) == (each_min == 6.0)
    assert found.planned_start_miss_m == pytest.approx(wanted, rel=5e-3)
    assert found.planned_start_miss_m + found.expected_miss_m <= there_is_m * (1 + PLANE)


@pytest.mark.parametrize("gone", ["T0", "T1"])
def test_a_pass_with_one_time_tells_of_no_start(tmp_path, gone):
    rows = times(passes_of(1), [0, 60, 120, 180])
    rows[gone] = pd.Series(pd.NaT, index=rows.index, dtype=rows[gone].dtype)
    found = first_field(one_field(tmp_path, rows=rows))
    assert found.expected_miss_m == pytest.approx(SETTLED_M, rel=1e-3)
    assert found.converging_row_m == 0.0
    assert found.planned_start_miss_m == pytest.approx(2 * 2 / 36_000.0 * RISEN_S * 4 * ROWS * LENGTH_M, rel=5e-3)


def run_machines(folder, rows) -> dict[str, pd.DataFrame]:
    """Tables of one field whose rows name their machines."""
    write_coop(folder, strips=passes_of(1), rows=rows)
    settings = config(folder)
    settings["inputs"]["rows"]["columns"] |= {"started_at": "T0", "ended_at": "T1", "machine": "WHO"}
    settings["tiers"] = {"catalogue": catalogue(folder), "compare": ["slow"]}
    return run_steps(settings, folder)


def test_machines_that_passes_name_have_starts_of_their_own(tmp_path):
    # The second machine begins while the first is at work: with one machine for all it would have no start.
    rows = times(passes_of(1), [0, 60, 90, 150]).assign(WHO=["a", "a", "b", "b"])
    found = first_field(run_machines(tmp_path, rows))
    assert found.expected_miss_m == pytest.approx(4 * missed_after(0.0, 120.0), rel=2e-3)


def test_two_machines_switched_on_at_one_moment_share_no_start(tmp_path):
    rows = times(passes_of(1), [0, 60, 0, 60]).assign(WHO=["a", "a", "b", "b"])
    run_machines(tmp_path, rows)
    (folder,) = tmp_path.rglob("passes/*/F0")
    stretches, passes = (pd.read_parquet(folder / f"planter_{name}.parquet") for name in ("stretches", "passes"))
    by_machine = stretches.start.groupby(passes.machine.to_numpy()[stretches["pass"]]).unique()
    assert by_machine.map(len).tolist() == [1, 1] and by_machine["a"][0] != by_machine["b"][0]


def test_surveyed_rows_do_not_converge_whatever_their_log_says(tmp_path):
    rows = times(passes_of(1), [0, 60, 120, 180]).assign(FIX=[4, 5, 4, 4])
    write_coop(tmp_path, strips=passes_of(1), rows=rows)
    settings = config(tmp_path)
    columns = settings["inputs"]["rows"]["columns"] | {"started_at": "T0", "ended_at": "T1", "fix": "FIX"}
    settings["inputs"]["rows"] |= {"kind": "surveyed", "fix_holds": [4], "columns": columns, "constants": {
        "row_count": ROWS, "row_spacing": "30 in", "tier": "slow"
    }}  # fmt: skip
    settings["tiers"] = {"catalogue": catalogue(tmp_path), "compare": ["slow"]}
    found = first_field(run_steps(settings, tmp_path))
    assert found.converging_row_m == found.converging_strip_m == found.converging_miss_m == 0.0
    assert found.expected_miss_m == pytest.approx(4 * ROWS * LENGTH_M * miss(REPEATABLE_M / Z / np.sqrt(2)), rel=2e-3)


@pytest.mark.parametrize("farms", [None, ["F2", ""]])
def test_without_farms_each_field_has_a_machine_of_its_own(tmp_path, farms):
    # F2 begins while F0 is being planted, by another machine: with one machine for both it would have no start.
    rows = times(passes_of(2), [0, 60, 120, 180, 90, 150, 210, 270])
    # Nor has F2, which is of no farm, one in common with the farm that is called F2.
    named = boundaries().drop(columns="FARM") if farms is None else boundaries().assign(FARM=farms)
    file = write_coop(tmp_path, fields=named, strips=passes_of(2), rows=rows)
    settings = config(tmp_path)
    columns = {"field_id": "FIELD"} | ({} if farms is None else {"farm": "FARM"})
    settings["inputs"]["fields"] |= {"file": str(file), "columns": columns}
    settings["inputs"]["rows"]["columns"] |= {"started_at": "T0", "ended_at": "T1"}
    settings["tiers"] = {"catalogue": catalogue(tmp_path), "compare": ["slow"]}
    fields = run_steps(settings, tmp_path)["fields"]
    np.testing.assert_allclose(fields.expected_miss_m, 4 * missed_after(0.0, 240.0), rtol=2e-3)


def test_parts_of_one_pass_share_its_time(tmp_path):
    # One pass in two halves with a gap between them: the second half is laid in the second half of its minute.
    rows = times(passes_of(1), [0, 60, 120, 180])
    (a, b) = rows.geometry[0].coords
    rows.loc[0, "geometry"] = shapely.MultiLineString([[a, (a[0] + 60, a[1])], [(a[0] + 60, a[1]), b]])
    found = first_field(one_field(tmp_path, rows=rows))
    assert found.expected_miss_m == pytest.approx(4 * missed_after(0.0, 240.0), rel=2e-3)


def half_zone(*, west: bool = False, **columns) -> gpd.GeoDataFrame:
    """A zone over the eastern half of the first field, or over the western one."""
    east, north = ORIGIN
    first, last = (east - 10, east + LENGTH_M / 2) if west else (east + LENGTH_M / 2, east + LENGTH_M + 10)
    shape = shapely.box(first, north - 10, last, north + WIDTH_M + 10)
    return gpd.GeoDataFrame({name: [value] for name, value in columns.items()}, geometry=[shape], crs=CRS)


def test_a_zone_multiplies_the_error_of_rows_and_strips_in_it(tmp_path):
    tables = one_field(tmp_path, rows=passes_of(1), layers={"zones": half_zone(tier="slow", factor=3.0)})
    found, half = first_field(tables), 2 * ROWS * LENGTH_M
    outside, inside = half * miss(REPEATABLE_M / Z), half * miss(3 * REPEATABLE_M / Z)
    assert found.expected_miss_m == pytest.approx(outside + inside, rel=1e-3)
    assert found.zone_m == pytest.approx(half, rel=PLANE)
    assert found.zone_miss_m == pytest.approx(inside, rel=1e-3)
    total = tables["rows"][["holds_m", "doubt_m", "misses_m", "no_strip_m", "crossing_m"]].sum().sum()
    assert total == pytest.approx(tables["rows"].row_length_m.sum(), abs=1e-4)


def test_planned_starts_have_the_error_of_the_zone(tmp_path):
    layers, judging = {"zones": half_zone(tier="slow", factor=3.0)}, {"convergence": {"starts_per_day": 4}}
    tables = one_field(tmp_path, rows=passes_of(1), layers=layers, judging=judging)
    # By hand: in the zone all of a receiver's error is three times as large, that of its start too.
    inside = quad(lambda s: miss(3 * sd_after(s)) - miss(3 * REPEATABLE_M / Z), 0.0, 9000.0)[0]
    wanted = 4 / 36_000.0 * (RISEN_S + inside) * 2 * ROWS * LENGTH_M
    assert first_field(tables).planned_start_miss_m == pytest.approx(2 * wanted, rel=5e-3)
    waiting = tables["waiting"].set_index("wait_min").avoided_miss_m
    assert waiting[60] == pytest.approx(wanted, rel=5e-3)


def test_where_a_tier_is_unavailable_it_is_as_at_switch_on(tmp_path):
    layers, judging = {"zones": half_zone(tier="*", unavailable=True)}, {"convergence": {"starts_per_day": 4}}
    tables = one_field(tmp_path, rows=passes_of(1), layers=layers, judging=judging)
    found, half = first_field(tables), 2 * ROWS * LENGTH_M
    assert found.zone_miss_m == pytest.approx(half * miss(START_M / Z), rel=1e-3)
    # A start adds nothing there.
    assert found.planned_start_miss_m == pytest.approx(2 * 4 / 36_000.0 * RISEN_S * half, rel=5e-3)


def test_behind_a_zone_without_the_tier_receivers_converge_anew(tmp_path):
    # The first and the third pass leave the zone in the middle of their minute, and the next one goes on from there, back to
    # the zone. Strips have no times: their tier holds at the edge.
    layers, rows = {"zones": half_zone(west=True, tier="*", unavailable=True)}, times(passes_of(1), [0, 60, 120, 180])
    found, half = first_field(one_field(tmp_path, rows=rows, layers=layers)), 2 * ROWS * LENGTH_M
    inside, behind = half * miss(START_M / Z), 2 * missed_after(0.0, 60.0)
    assert found.expected_miss_m == pytest.approx(inside + behind, rel=2e-3)
    assert found.converging_miss_m == pytest.approx(behind - half * miss(REPEATABLE_M / Z), rel=4e-3)
    # All of it lies within ten minutes of the start; with no zone, all of what lies behind it would be laid later after one.
    assert found.converging_row_m == pytest.approx(2 * half, rel=PLANE)
    assert found.zone_miss_m == pytest.approx(inside + behind, rel=2e-3)
    assert found.zone_m == pytest.approx(2 * half, rel=PLANE)


def eastward(passes: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """The same, all driven to the east."""
    lines = [line if line.coords[0][0] < line.coords[-1][0] else line.reverse() for line in passes.geometry]
    return passes.set_geometry(lines, crs=passes.crs)


@pytest.mark.parametrize(("count", "anew"), [("auto", True), ("none", False)])
def test_a_pass_that_begins_outside_has_its_tier_again_from_there_on(tmp_path, count, anew):
    # Every pass ends in the zone, and the next one begins outside of it.
    layers, rows = {"zones": half_zone(tier="*", unavailable=True)}, times(eastward(passes_of(1)), [0, 60, 120, 180])
    tables = one_field(tmp_path, rows=rows, layers=layers, judging={"convergence": {"count": count}})
    found, half = first_field(tables), 2 * ROWS * LENGTH_M
    outside = 2 * missed_after(0.0, 30.0) if anew else half * miss(REPEATABLE_M / Z)
    assert found.expected_miss_m == pytest.approx(half * miss(START_M / Z) + outside, rel=2e-3)


@pytest.mark.parametrize(("logged", "counts"), [("", True), ("slow", True), ("rtk", False)])
def test_a_pass_that_lost_its_signal_and_those_after_it(tmp_path, logged, counts):
    # The second of four passes was driven without a fixed solution. What it names as its tier is what was lost.
    rows = times(passes_of(1), [0, 60, 120, 180]).assign(FIX=[4, 5, 4, 4], TIER=logged)
    write_coop(tmp_path, strips=passes_of(1), rows=rows)
    settings = config(tmp_path)
    columns = {"started_at": "T0", "ended_at": "T1", "fix": "FIX", "tier": "TIER"}
    said = settings["inputs"]["rows"]
    said |= {"kind": "planted", "fix_holds": [4], "columns": said["columns"] | columns}
    catalogue(tmp_path)
    tiers = tmp_path / "tiers.yaml"
    slow = yaml.safe_load(tiers.read_text())[0]
    tiers.write_text(yaml.safe_dump([slow, slow | {"id": "rtk"}]))
    settings["tiers"] = {"catalogue": str(tiers), "compare": ["slow"]}
    tables = run_steps(settings, tmp_path)
    by_pass = tables["rows"].groupby("pass").expected_miss_m.sum()
    lost = ROWS * LENGTH_M * miss(sd_after(0.0))
    wanted = [missed_after(60.0 * k, 60.0 * k + 60.0) for k in range(4)]
    if counts:
        wanted = [wanted[0], lost, wanted[0], wanted[1]]
    np.testing.assert_allclose(by_pass, wanted, rtol=2e-3)
    assert first_field(tables).converging_row_m == pytest.approx(4 * ROWS * LENGTH_M, rel=PLANE)


def test_a_zone_of_another_tier_says_nothing(tmp_path):
    layers = {"zones": half_zone(tier="other", factor=3.0)}
    with pytest.raises(InputError, match="feature 1: tier 'other' is not in the catalogue"):
        one_field(tmp_path, rows=passes_of(1), layers=layers)


def base(**columns) -> gpd.GeoDataFrame:
    """A base beside the field."""
    columns = {name: [value] for name, value in columns.items()}
    return gpd.GeoDataFrame(columns, geometry=[shapely.Point(ORIGIN[0] - 50, ORIGIN[1])], crs=CRS)


@pytest.mark.parametrize(("surveyed", "shift_m"), [(True, 0.0), (False, 0.5)])
def test_an_unsurveyed_base_adds_its_own_shift(tmp_path, surveyed, shift_m):
    tables = one_field(
        tmp_path, rows=passes_of(1), layers={"bases": base(surveyed=surveyed)}, judging={"base_shift": "0.5 m"},
    )  # fmt: skip
    found, sd = first_field(tables), np.hypot(REPEATABLE_M, shift_m) / Z
    assert found.expected_miss_m == pytest.approx(4 * ROWS * LENGTH_M * miss(sd), rel=1e-3)
    assert found.base == ("surveyed" if surveyed else "not surveyed")
    # The base moves the whole field at once: the missed share is that of one normal number, all or nothing.
    misses = miss(sd)
    assert [found.miss_share_p10, found.miss_share_p90] == [misses > 0.9, misses > 0.1]


def test_an_unsurveyed_base_has_no_part_in_a_tier_that_goes_by_none(tmp_path):
    layers = {"bases": base(surveyed="no")}
    found = first_field(one_field(tmp_path, rows=passes_of(1), layers=layers, tier={"frame": "ITRF2020"}))
    assert found.expected_miss_m == pytest.approx(SETTLED_M, rel=1e-3)


def test_planted_passes_under_the_tiers_they_were_logged_with(tmp_path):
    # Two passes by the invented tier, two by one without any error; the strips by the latter.
    exact = {"id": "exact", "repeatable": "0 in", "pass_to_pass": "0 in", "start_error": "0 m"}
    rows = passes_of(1).assign(TIER=["slow", "slow", "exact", "exact"])
    write_coop(tmp_path, strips=passes_of(1), rows=rows)
    settings = config(tmp_path)
    settings["inputs"]["rows"] |= {"kind": "planted", "columns": {"pass_id": "PASS", "tier": "TIER"}}
    tiers = tmp_path / "tiers.yaml"
    catalogue(tmp_path)
    slow = yaml.safe_load(tiers.read_text())[0]
    tiers.write_text(yaml.safe_dump([slow, slow | exact]))
    settings["tiers"] = {"catalogue": str(tiers), "compare": ["as_logged"], "autumn": "exact"}
    found = first_field(run_steps(settings, tmp_path))
    # Half of the variance of a return: only spring's visit has an error.
    wanted = 2 * ROWS * LENGTH_M * miss(REPEATABLE_M / Z / np.sqrt(2))
    assert found.expected_miss_m == pytest.approx(wanted, rel=1e-3)

    # Planned starts too are those of the tier that each pass names; the other one has no more error then than ever.
    def left_m(since_s):
        return REPEATABLE_M + (START_M - REPEATABLE_M) * np.exp(-3 * since_s / 600.0)

    risen = quad(lambda s: miss(left_m(s) / Z / np.sqrt(2)) - miss(REPEATABLE_M / Z / np.sqrt(2)), 0.0, 4000.0, limit=200)[0]
    assert found.planned_start_miss_m == pytest.approx(2 / 36_000.0 * risen * 2 * ROWS * LENGTH_M, rel=5e-3)
    rows.loc[3, "TIER"] = None
    write_coop(tmp_path, strips=passes_of(1), rows=rows)
    with pytest.raises(InputError, match="inputs.rows: .*feature 4 names no tier, and tiers.compare has as_logged"):
        take_in(settings, tmp_path)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"kind": "planned"}, "as_logged asks for rows of kind planted that name their tiers"),
        ({"autumn": "same"}, "as_logged, while tiers.autumn is same, which leaves the strips without a tier"),
    ],
)
def test_as_logged_where_it_cannot_be(tmp_path, change, message):
    write_coop(tmp_path, rows=passes_of())
    settings = config(tmp_path)
    settings["inputs"]["rows"] |= {"kind": change.get("kind", "planted")}
    settings["tiers"] = {"compare": ["as_logged"], "autumn": change.get("autumn", "rtk_base")}
    with pytest.raises(ConfigError, match=message):
        take_in(settings, tmp_path)


def test_how_good_it_must_be(tmp_path):
    # Rows right on their strips: 95 % hold where sd = h / z, so R = h; with 2 in of steering in spring less of it is left.
    judging = {"steering": {"spring": "2 in"}, "enough_share": 0.95}
    found = first_field(one_field(tmp_path, rows=passes_of(1), judging=judging))
    assert found.largest_repeatable_m == pytest.approx(np.sqrt(4**2 - 2**2) * INCH, rel=1e-3)
    assert found.narrowest_strip_m == pytest.approx(2 * np.hypot(3, 2) * INCH, rel=1e-3)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"T1": MORNING - pd.Timedelta(seconds=1)}, "before started_at 2026-04-20 08:00:00+00:00; expected times in order"),
        ({"T0": pd.NaT, "T1": pd.NaT}, "feature 1 has no times, from which convergence would be taken"),
    ],
)  # fmt: skip
def test_times_that_cannot_be_or_are_missing_where_convergence_is_asked(tmp_path, change, message):
    rows = times(passes_of(1), [0, 60, 120, 180])
    for name, value in change.items():
        rows.loc[0, name] = value
    strips = times(passes_of(1), [0, 60, 120, 180])
    write_coop(tmp_path, strips=strips, rows=rows)
    settings = config(tmp_path)
    for role in ("strips", "rows"):
        settings["inputs"][role]["columns"] |= {"started_at": "T0", "ended_at": "T1"}
    settings["judging"] = {"convergence": {"count": "times"}}
    with pytest.raises(InputError) as caught:
        take_in(settings, tmp_path)
    assert message in str(caught.value) and "inputs.rows" in str(caught.value)


@pytest.mark.parametrize(
    ("columns", "message"),
    [
        ({"tier": "", "factor": 2.0}, "feature 1: tier '' is not in the catalogue; expected a tier's id, or * for all"),
        ({"tier": "**", "factor": 2.0}, "feature 1: tier '**' is not in the catalogue; did you mean '*'?"),
        ({"tier": "rtk_bas", "factor": 2.0}, "feature 1: tier 'rtk_bas' is not in the catalogue; did you mean 'rtk_base'?"),
        ({"tier": "*"}, "feature 1 has neither factor nor unavailable; expected one of them"),
        ({"tier": "*", "factor": 0.5}, "feature 1 has factor 0.5; expected a number from 1 to 100"),
        ({"tier": "*", "factor": "twice"}, "feature 1 has factor twice; expected a number from 1 to 100"),
        ({"tier": "*", "unavailable": "maybe"}, "feature 1: unavailable: 'maybe' is neither true nor false; expected one"),
    ],
)
def test_bad_zone_is_one_clear_error(tmp_path, columns, message):
    file = write_coop(tmp_path)
    half_zone(**columns).to_file(file, layer="zones", driver="GPKG", engine="pyogrio")
    settings = config(tmp_path, planter=False)
    settings["inputs"]["zones"] = {"file": str(file), "layer": "zones"}
    with pytest.raises(InputError) as caught:
        take_in(settings, tmp_path)
    assert message in str(caught.value) and "inputs.zones" in str(caught.value)


def test_a_zone_beside_the_fields_is_a_reject(tmp_path):
    file = write_coop(tmp_path)
    zone = half_zone(tier="*", factor=2.0)
    both = pd.concat([zone, zone.translate(0, 5000).to_frame("geometry").assign(tier="*", factor=2.0)], ignore_index=True)
    gpd.GeoDataFrame(both, crs=CRS).to_file(file, layer="zones", driver="GPKG", engine="pyogrio")
    settings = config(tmp_path, planter=False)
    settings["inputs"]["zones"] = {"file": str(file), "layer": "zones"}
    rejects = gpd.read_parquet(take_in(settings, tmp_path) / "rejects.parquet")
    assert rejects.reason.tolist() == ["touches no field"] and rejects.feature.tolist() == ["2"]


def test_missing_zones_file_names_the_key(tmp_path):
    write_coop(tmp_path)
    settings = config(tmp_path, planter=False)
    settings["inputs"]["zones"] = {"file": str(tmp_path / "nowhere.gpkg")}
    with pytest.raises((InputError, ConfigError), match=r"inputs\.zones: .*nowhere\.gpkg"):
        take_in(settings, tmp_path)
