"""Planted rows with a known shift, bias, scatter and wander, from layers on disk to `audit.csv`.

    block A, 300 m          block B            shift (east, north) on all; the planter a little left of its own travel,
    ------------->        ^ | ^ |              each pass a little aside of that, and wandering along
    <-------------        | v | v
"""

import subprocess
import sys

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
import yaml
from helpers import SPACING_M, Z, drift_and_bias_var, tier
from workflow import CRS, PROJECT, config, layer_of, run_steps, write_coop

from pipeline import columns as c
from pipeline.core.audit_promise import Laid, between_promised_95_m, shift_promised_95_m
from pipeline.core.operations import Clock, OperationError
from pipeline.core.returns import ReturnError

# On the projection's central meridian, where its north is north.
EAST, NORTH = 500_000.0, 4_600_000.0
PASS_M, STEP_M, UNITS = 300.0, 2.5, 2
WIDE_M = UNITS * SPACING_M
BIAS_M, BETWEEN_M, WANDER_M, LENGTH_M = 0.03, 0.015, 0.012, 15.0
SHIFT_M = (0.12, -0.08)
GENEROUS_M, TIGHT_M = 1.0, 0.02
MACHINE_M, STEERING_M = 0.10, 0.05
OTHERS = ["machine_bias", "between_passes", "wander", "correlation_length", "set_aside"]


def straight(passes: int, *, north: bool = False, east_m: float = 0.0, one_way: bool = False) -> list[np.ndarray]:
    """Strips of a block, one array of vertices a pass, there and back."""
    along = np.arange(0.0, PASS_M + STEP_M / 2, STEP_M)
    out = []
    for k in range(passes):
        xy = np.column_stack([along, np.full(len(along), (k + 0.5) * WIDE_M)])
        xy = xy[:, ::-1] if north else xy
        out.append((xy if one_way or k % 2 == 0 else xy[::-1]) + (EAST + east_m, NORTH))
    return out


def driven(strips: list[np.ndarray], rng, *, shift_m=SHIFT_M, noise: float = 1.0) -> list[np.ndarray]:
    """What the planter logged: the module's formula forwards, with a first-order chain for the wander."""
    out = []
    for xy in strips:
        travel = (xy[-1] - xy[0]) / PASS_M
        keep, wander = np.exp(-STEP_M / LENGTH_M), np.empty(len(xy))
        wander[0] = rng.standard_normal()
        for i in range(1, len(xy)):
            wander[i] = keep * wander[i - 1] + np.sqrt(1 - keep**2) * rng.standard_normal()
        left = BIAS_M + noise * (BETWEEN_M * rng.standard_normal() + WANDER_M * wander)
        out.append(xy + np.outer(left, (-travel[1], travel[0])) + np.asarray(shift_m))
    return out


def catalogue(folder) -> str:
    """Two invented tiers, one that promises little and one that promises much."""
    figures = {"generous": (GENEROUS_M, 0.5), "tight": (TIGHT_M, 0.01)}
    said = ("pass_to_pass", "repeatable", "convergence", "start_error", "correlation_time")
    made = [{
        "id": name, "name": "Invented", "pass_to_pass": f"{p} m", "repeatable": f"{r} m", "measure": "cross_track_95",
        "basis": "return", "convergence": "10 min", "start_error": f"{r} m", "correlation_time": "60 min",
        "frame": "base", "source": dict.fromkeys(said, "invented"),
    } for name, (r, p) in figures.items()]  # fmt: skip
    (folder / "tiers.yaml").write_text(yaml.safe_dump(made))
    return str(folder / "tiers.yaml")


def audited(folder, strips, rows, *, kind="planted", times=None, judging=None, units=None) -> pd.DataFrame:
    """`audit.csv` of one field, F0, beside which lies F2, that has a planted pass and no strip."""
    areas = [
        shapely.box(EAST - 20, NORTH - 20, EAST + 1400, NORTH + 320),
        shapely.box(EAST, NORTH + 400, EAST + 320, NORTH + 450),
    ]
    fields = gpd.GeoDataFrame({"FIELD": ["F0", "F2"], "FARM": "Invented"}, geometry=areas, crs=CRS)
    rows = [*rows, straight(1)[0] + (0.0, 410.0)]
    layers = [
        layer_of([shapely.LineString(xy) for xy in lines], PASS=[f"P{k}" for k in range(len(lines))])
        for lines in (strips, rows)
    ]
    settings = config(folder)
    if times is not None:
        begun = [pd.Timestamp(time) for time in [*times, times[-1]]]
        layers[1] = layers[1].assign(T0=begun, T1=[time + pd.Timedelta(minutes=2) for time in begun])
        settings["inputs"]["rows"]["columns"] |= {"started_at": "T0", "ended_at": "T1"}
    write_coop(folder, fields=fields, strips=layers[0], rows=layers[1])
    for role in ("strips", "rows"):
        settings["inputs"][role]["constants"]["row_count"] = (units or {}).get(role, UNITS)
    settings["inputs"]["rows"]["kind"] = kind
    settings["tiers"] = {"catalogue": catalogue(folder), "compare": ["generous", "tight"]}
    settings["judging"] = {"machine_error": f"{MACHINE_M} m", "steering": {"spring": f"{STEERING_M} m"}} | (judging or {})
    settings["raster"] = {"cell": "0.5 m"}
    return run_steps(settings, folder)["audit"]


def lines_of(table: pd.DataFrame, tier_id: str, field: str = "F0") -> pd.DataFrame:
    """Lines of one field under a tier, by part."""
    return table[(table.field_id == field) & (table.tier == tier_id)].set_index("part")


def near(line: pd.Series, truth_m: float) -> bool:
    return abs(line.value_m - truth_m) < 3 * line.se_m and line.se_m < 0.02


@pytest.fixture(scope="module")
def two_headings(tmp_path_factory) -> pd.DataFrame:
    strips = [*straight(12), *straight(12, north=True, east_m=320.0)]
    return audited(tmp_path_factory.mktemp("two"), strips, driven(strips, np.random.default_rng(1)))


def test_two_headings_give_every_part_back(two_headings):
    mine = lines_of(two_headings, "tight")
    assert list(mine.index) == ["shift_east", "shift_north", *OTHERS]
    assert list(two_headings.columns) == [*c.AUDIT, c.BASELINE_M, c.REACH]
    truth = dict(zip(mine.index, (*SHIFT_M, BIAS_M, BETWEEN_M, WANDER_M, LENGTH_M), strict=False))
    for part, value in list(truth.items())[:5]:
        assert near(mine.loc[part], value), mine.loc[part]
        assert mine.loc[part].low_m < mine.loc[part].value_m < mine.loc[part].high_m
    assert abs(np.log(mine.value_m.correlation_length / LENGTH_M)) < 3 * mine.se_m.correlation_length / LENGTH_M
    assert mine.share.set_aside < 0.02 and mine.share.drop("set_aside").isna().all()
    # 24 passes of 60 samples, five metres apart; nobody logged a time.
    assert (mine.passes == 24).all() and mine.samples.set_aside == 24 * 60
    assert mine.day.shift_east == 1 and mine.day.drop(["shift_east", "shift_north"]).isna().all()
    assert mine.day_utc.isna().all() and mine.direction_deg.isna().all()


def test_what_is_promised_and_how_likely_it_is_kept(two_headings):
    loose, tight = lines_of(two_headings, "generous"), lines_of(two_headings, "tight")
    for part in ("shift_east", "shift_north"):
        # Both visits with one tier, converged: its R.
        assert loose.promised_95_m[part] == pytest.approx(GENEROUS_M, rel=1e-5)
        assert tight.promised_95_m[part] == pytest.approx(TIGHT_M, rel=1e-4)
        assert loose.probability_within[part] > 0.999 and tight.probability_within[part] < 0.001
    assert loose.promised_95_m.machine_bias == MACHINE_M and loose.promised_95_m.wander == STEERING_M
    assert loose.probability_within.machine_bias > 0.999
    assert loose.probability_within.wander > 0.999
    # The scatter's 95 % is 2.9 cm: within half a metre from pass to pass, and not within 1 cm.
    assert loose.probability_within.between_passes > 0.999 and tight.probability_within.between_passes < 0.001
    assert loose.promised_95_m[["correlation_length", "set_aside"]].isna().all()


def test_what_no_log_can_show_is_said_once_a_field(two_headings):
    said = two_headings[two_headings.part == "not_in_logs"]
    assert list(said.field_id) == ["F0", "F2"] and said.tier.isna().all() and said.value_m.isna().all()
    assert said.said.str.contains("No receiver's own log can show").all()


def test_a_field_without_strips_has_lines_and_no_figures(two_headings):
    mine = lines_of(two_headings, "tight", "F2")
    assert list(mine.index) == OTHERS
    assert mine[["value_m", "se_m", "share", "probability_within"]].isna().all(axis=None) and (mine.samples == 0).all()
    assert mine.said.str.contains("No planted row lies on a strip").all()


def test_one_heading_gives_the_part_across(tmp_path):
    strips = straight(16)
    mine = lines_of(audited(tmp_path, strips, driven(strips, np.random.default_rng(2))), "tight")
    assert list(mine.index) == ["shift_across", *OTHERS]
    # Along the x axis it is north that is seen.
    assert mine.direction_deg.shift_across == pytest.approx(0.0, abs=0.1)
    assert near(mine.loc["shift_across"], SHIFT_M[1]) and near(mine.loc["machine_bias"], BIAS_M)
    assert "along the travel is not" in mine.said.shift_across


def test_one_way_gives_the_sum_with_the_bias(tmp_path):
    strips = straight(16, one_way=True)
    judging = {"machine_error": "0 m", "steering": {}}
    mine = lines_of(audited(tmp_path, strips, driven(strips, np.random.default_rng(3)), judging=judging), "tight")
    assert list(mine.index) == ["shift_and_bias", *OTHERS]
    assert near(mine.loc["shift_and_bias"], SHIFT_M[1] + BIAS_M)
    assert np.isnan(mine.value_m.machine_bias) and "Not known by itself" in mine.said.machine_bias
    # Nothing is promised where judging says nothing.
    assert mine.promised_95_m[["machine_bias", "wander"]].isna().all()
    assert mine.said[["machine_bias", "wander"]].str.contains("Nothing is promised").all()
    assert mine.promised_95_m.shift_and_bias == pytest.approx(TIGHT_M, rel=1e-3)


def test_one_way_along_two_headings_gives_a_share_of_the_shift_in_the_sum(tmp_path):
    strips = straight(10, one_way=True) + straight(10, north=True, east_m=400.0, one_way=True)
    mine = lines_of(audited(tmp_path, strips, driven(strips, np.random.default_rng(5))), "tight")
    # Left is north going east and west going north: the mean of both is half of each, sqrt(1/2) long, toward north-west.
    assert near(mine.loc["shift_and_bias"], -0.5 * SHIFT_M[0] + 0.5 * SHIFT_M[1] + BIAS_M)
    assert mine.direction_deg.shift_and_bias == pytest.approx(315.0, abs=0.1)
    assert "the sum of 0.71 of the shift toward direction_deg" in mine.said.shift_and_bias


def test_times_of_two_days_give_two_shifts(tmp_path):
    rng, strips = np.random.default_rng(4), straight(24)
    other = (0.0, 0.06)
    rows = driven(strips[:12], rng) + driven(strips[12:], rng, shift_m=other)
    morning = pd.Timestamp("2026-04-20T14:00:00Z")
    times = [morning + pd.Timedelta(days=k // 12, minutes=5 * (k % 12)) for k in range(24)]
    table = audited(tmp_path, strips, rows, times=times)
    mine = lines_of(table, "generous")
    shifts = mine.loc["shift_across"]
    assert list(shifts.day) == [1, 2] and list(shifts.day_utc) == ["2026-04-20", "2026-04-21"]
    assert list(shifts.passes) == [12, 12]
    assert near(shifts.iloc[0], SHIFT_M[1]) and near(shifts.iloc[1], other[1])
    assert near(mine.loc["machine_bias"], BIAS_M)


def test_passes_in_stretches_are_whole_to_the_audit(tmp_path):
    # A pass of a converging receiver is cut ten times; the log is the same, and so is what it says.
    strips = straight(8)
    rows = driven(strips, np.random.default_rng(5))
    times = [pd.Timestamp("2026-04-20T14:00:00Z") + pd.Timedelta(minutes=3 * k) for k in range(8)]
    tables = []
    for count in ("none", "auto"):
        (tmp_path / count).mkdir()
        how = {"convergence": {"count": count}}
        tables.append(lines_of(audited(tmp_path / count, strips, rows, times=times, judging=how), "tight"))
    cut = sorted((tmp_path / "auto/work/passes").glob("*/F0/planter_stretches.parquet"))
    assert len(pd.read_parquet(*cut)) > 16
    figures = ["value_m", "se_m", "low_m", "high_m"]
    np.testing.assert_allclose(tables[1][figures], tables[0][figures], atol=2e-5)
    assert (tables[1][["passes", "samples"]] == tables[0][["passes", "samples"]]).all(axis=None)


@pytest.mark.parametrize("passes", [1, 2])
def test_one_or_two_passes_give_lines_without_an_error(tmp_path, passes):
    strips = straight(passes)
    table = audited(tmp_path, strips, driven(strips, np.random.default_rng(6), noise=0.0))
    mine = lines_of(table, "tight")
    part = "shift_and_bias" if passes == 1 else "shift_across"
    assert list(mine.index) == [part, *OTHERS]
    assert mine.value_m[part] == pytest.approx(SHIFT_M[1] + (BIAS_M if passes == 1 else 0.0), abs=1e-4)
    assert mine.loc[part, ["se_m", "low_m", "high_m", "probability_within"]].isna().all()
    assert "Too few passes" in mine.said[part] and np.isnan(mine.value_m.between_passes)
    # Lines that do not wander but by the rounding of their coordinates say nothing of how long a wander lasts.
    assert mine.value_m.wander < 1e-4 and np.isnan(mine.value_m.correlation_length)
    assert "no wander" in mine.said.correlation_length


@pytest.mark.parametrize("kind", ["planned", "surveyed"])
def test_only_planted_rows_are_audited(tmp_path, kind):
    strips = straight(2)
    table = audited(tmp_path, strips, strips, kind=kind)
    assert table.empty and list(table.columns) == [*c.AUDIT, c.BASELINE_M, c.REACH]


def test_what_makes_figures_doubtful_is_said(tmp_path):
    # The bar has four rows and the planter two, and on a sixth of the length it strayed by a foot.
    planter = straight(12)
    strips = [0.5 * (planter[k] + planter[k + 1][::-1]) for k in range(0, 12, 2)]
    rows = driven(planter, np.random.default_rng(7))
    rows = [xy + np.where((np.arange(len(xy)) < 20)[:, None], (0.0, 0.3), (0.0, 0.0)) for xy in rows]
    mine = lines_of(audited(tmp_path, strips, rows, units={"strips": 4, "rows": 2}), "tight")
    for part in ("shift_across", "machine_bias", "between_passes"):
        assert "up to 2 of its passes share a strip pass" in mine.said[part]
    assert mine.share.set_aside > 0.10
    assert mine.said[["shift_across", "machine_bias", "wander", "set_aside"]].str.contains("were set aside, so").all()


# --- what is promised ----------------------------------------------------------------------------------------


def return_error(one, times_s) -> ReturnError:
    operation = OperationError.under(Clock.from_times(np.asarray(times_s, float)), [one.spread()] * len(times_s))
    return ReturnError(operation, operation, wander_sd_m=1.0, machine_sd_m=1.0)


def laid(passes: int, *, one_way: bool) -> Laid:
    """Passes along x of 100 m, in two pieces each."""
    number = np.repeat(np.arange(passes), 2)
    sign = np.ones(passes) if one_way else np.where(np.arange(passes) % 2, -1.0, 1.0)
    left = np.column_stack([np.zeros(2 * passes), np.repeat(sign, 2)])
    return Laid(np.tile([30.0, 70.0], passes), number, number, number, np.zeros(2 * passes, int), left)


ONE = tier(repeatable_m=0.1, pass_to_pass_m=0.03, correlation_s=3600.0)


def test_two_passes_15_minutes_apart_are_promised_pass_to_pass():
    # Half the squared difference is the scatter; the difference has P's variance in autumn and again in spring.
    assert between_promised_95_m(return_error(ONE, [0.0, 900.0]), laid(2, one_way=True)) == pytest.approx(0.03, rel=1e-9)


@pytest.mark.parametrize("one_way", [True, False])
def test_passes_far_apart_are_promised_the_whole_drift(one_way):
    # Four hours are four time constants, so hardly anything of the drift is left in common.
    one = tier(repeatable_m=0.1, pass_to_pass_m=0.03, correlation_s=900.0)
    drift, _ = drift_and_bias_var(one)
    found = between_promised_95_m(return_error(one, 4 * 3600.0 * np.arange(30)), laid(30, one_way=one_way))
    assert found == pytest.approx(Z * np.sqrt(2 * drift), rel=1e-4)


def test_a_shift_is_promised_the_repeatable_error():
    mine = laid(5, one_way=False)
    assert shift_promised_95_m(return_error(ONE, 600.0 * np.arange(5)), mine, 0) == pytest.approx(0.1, rel=1e-9)
    assert np.isnan(between_promised_95_m(return_error(ONE, [0.0]), laid(1, one_way=True)))


def test_who_does_not_audit_imports_no_audit():
    code = "import sys, pipeline.files.audit_table; print([n for n in sys.modules if 'audit' in n or n == 'scipy.optimize'])"
    done = subprocess.run([sys.executable, "-c", code], cwd=PROJECT, capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "['pipeline.files.audit_table']"
