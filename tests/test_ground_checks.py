"""Ground checks, from a layer on disk to the tables: odds after them, agreement, and the shift to give the lines."""

import json
import re

import geopandas as gpd
import numpy as np
import pytest
import shapely
from helpers import INCH, SPACING_M, Z
from scipy.stats import norm
from workflow import (
    CRS,
    LENGTH_M,
    ORIGIN,
    ROWS,
    config,
    first_field,
    layer_of,
    one_tier,
    pass_lines,
    passes_of,
    run_steps,
    take_in,
    write_coop,
)

from pipeline import columns as c
from pipeline.errors import ConfigError, InputError
from pipeline.files.headline import headline

HALF_WIDTH_M = 4 * INCH
REPEATABLE_M = 12 * INCH
PLANE = 5e-4
# The layer's north is the grid's, the field's own is true north, most of a degree apart: 0.02 of a shift to the side.
TURN = 0.02


def catalogue(folder, **more) -> str:
    """One invented tier whose error is that of the day alone, so that one shift moves the field."""
    return one_tier(folder, **({"id": "wide", "repeatable": "12 in"} | more))


def dug(places, **columns) -> gpd.GeoDataFrame:
    """Checks at places of the first field, metres east and north of its corner."""
    points = [shapely.Point(ORIGIN[0] + east, ORIGIN[1] + north) for east, north in places]
    return gpd.GeoDataFrame(columns, geometry=points, crs=CRS)


def middle(number: int) -> float:
    """Distance of a pass's centre line from the southern boundary [m]; the rows lie half a spacing beside it."""
    return (number + 0.5) * ROWS * SPACING_M


def settings_with(folder, checks, *, rows=None, tier=None, **judging) -> dict:
    file = write_coop(folder, strips=passes_of(1), rows=passes_of(1) if rows is None else rows)
    settings = config(folder)
    settings["tiers"] = {"catalogue": catalogue(folder, **(tier or {})), "compare": ["wide"]}
    settings["judging"] = judging
    if checks is not None:
        checks.to_file(file, layer="checks", driver="GPKG", engine="pyogrio")
        settings["inputs"]["checks"] = {"file": str(file), "layer": "checks"}
    return settings


def miss(mean, sd):
    """Odds of leaving the strip, by SciPy's normal distribution."""
    return norm.sf(HALF_WIDTH_M, mean, sd) + norm.cdf(-HALF_WIDTH_M, mean, sd)


def test_one_signed_check_is_the_mean_weighted_by_precision(tmp_path):
    # The planter goes east on pass 0, as the strip does: an offset to the left is one to the north. One normal number
    # moves all rows; measured 6 in with a tape of 1 in (95 %).
    checks = dug([(40.0, middle(0) + SPACING_M / 2)], offset=[6 * INCH], tape_error=[1 * INCH])
    tables = run_steps(settings_with(tmp_path, checks), tmp_path)
    prior, tape = (REPEATABLE_M / Z) ** 2, (1 * INCH / Z) ** 2
    mean, sd = 6 * INCH * prior / (prior + tape), np.sqrt(prior * tape / (prior + tape))
    found = first_field(tables)
    assert found.check_count == 1
    assert found.shift_north_m == pytest.approx(mean, rel=PLANE)
    assert found.shift_north_sd_m == pytest.approx(sd, rel=0.03)  # a part of the other axis' 0.16 m
    # Nothing was measured along the rows, which all run east or west.
    assert found.shift_east_m == pytest.approx(0.0, abs=TURN * mean)
    assert found.shift_east_sd_m == pytest.approx(REPEATABLE_M / Z, rel=PLANE)
    assert found.checked_expected_miss_share == pytest.approx(miss(mean, sd), abs=1e-3)
    assert found.expected_miss_share == pytest.approx(miss(0.0, np.sqrt(prior)), abs=1e-3)
    # 6 in off with half a strip of 4 in: the prior knew nothing, afterwards all but everything misses.
    assert (found.miss_share_p10, found.miss_share_p90) == (0.0, 1.0)
    assert (found.checked_miss_share_p10, found.checked_miss_share_p90) == (1.0, 1.0)
    assert found.checks_fit_tier_p == pytest.approx(2 * norm.sf(6 * INCH / np.sqrt(prior + tape)), rel=1e-6)
    assert np.isnan(found.checks_fit_each_other_p)
    parts = found[["checked_holds_m", "checked_doubt_m", "checked_misses_m"]].sum()
    assert parts == pytest.approx(4 * ROWS * LENGTH_M, rel=PLANE)
    assert tables["rows"].checked_expected_miss_m.sum() == pytest.approx(found.checked_expected_miss_m, rel=1e-6)


@pytest.mark.parametrize("width_in", [8.0, 10.0])
@pytest.mark.parametrize("off_mm", [-2.0, 0.0, 2.0])
def test_the_strips_edge_lies_where_it_is_without_any_steering(tmp_path, width_in, off_mm):
    """By the normal's closed form: four checks at about the edge, 101.6 or 127 mm off, leave 5 mm either way."""
    half_m = 0.5 * width_in * INCH
    measured_m, tape_m = half_m + off_mm / 1000, 0.02
    places = [(20.0 + 20 * k, middle(0) + SPACING_M / 2) for k in range(4)]
    settings = settings_with(tmp_path, dug(places, offset=[measured_m] * 4, tape_error=[tape_m] * 4))
    settings["inputs"]["strips"]["constants"]["strip_width"] = f"{width_in} in"
    found = first_field(run_steps(settings, tmp_path))
    prior, tape = (REPEATABLE_M / Z) ** 2, (tape_m / Z) ** 2 / 4
    mean, sd = measured_m * prior / (prior + tape), np.sqrt(prior * tape / (prior + tape))
    assert found.checked_expected_miss_share == pytest.approx(norm.sf(half_m, mean, sd), abs=3e-3)


def test_a_check_in_a_pass_driven_west_is_measured_to_the_other_side(tmp_path):
    # Pass 1 goes west, and so does its strip: left of its travel is south.
    checks = dug([(40.0, middle(1) + SPACING_M / 2)], offset=[3 * INCH], tape_error=[0.5 * INCH])
    found = first_field(run_steps(settings_with(tmp_path, checks), tmp_path))
    prior, tape = (REPEATABLE_M / Z) ** 2, (0.5 * INCH / Z) ** 2
    assert found.shift_north_m == pytest.approx(-3 * INCH * prior / (prior + tape), rel=PLANE)


def test_an_unsigned_check_leaves_both_sides(tmp_path):
    checks = dug([(40.0, middle(0) + SPACING_M / 2)], distance=["6 in"], tape_error=["1 in"])
    found = first_field(run_steps(settings_with(tmp_path, checks), tmp_path))
    prior, tape = (REPEATABLE_M / Z) ** 2, (1 * INCH / Z) ** 2
    mean, sd = 6 * INCH * prior / (prior + tape), np.sqrt(prior * tape / (prior + tape))
    # Half of the weight on each side: what misses is the same on both, and the mean shift is nothing.
    assert found.checked_expected_miss_share == pytest.approx(miss(mean, sd), abs=1e-3)
    assert found.shift_north_m == pytest.approx(0.0, abs=1e-9)
    assert found.shift_north_sd_m == pytest.approx(np.hypot(mean, sd), rel=1e-3)


def test_rows_expected_missed_are_counted_anew(tmp_path):
    # Measured 6 in with a tape of 1 in: the odds of each row are all but one, after 0.51 before.
    checks = dug([(40.0, middle(0) + SPACING_M / 2)], offset=[6 * INCH], tape_error=[1 * INCH])
    tables = run_steps(settings_with(tmp_path, checks, row_miss_share=0.8), tmp_path)
    found = first_field(tables)
    assert (found.row_count_expected_missed, found.checked_row_count_expected_missed) == (0, 4 * ROWS)
    assert tables["rows"].groupby("field_id").checked_row_count_expected_missed.sum()["F0"] == 4 * ROWS
    assert tables["passes"].set_index("field_id").checked_row_count_expected_missed["F0"].tolist() == [ROWS] * 4
    text = (tmp_path / "results/field_tier.csv").read_text().splitlines()
    assert text[0].endswith(",checked_row_count_expected_missed")
    assert text[1].endswith(f",{4 * ROWS}")  # a count, without a point
    assert text[2].endswith(",")  # nobody dug in the other field


def test_the_headline_has_the_share_before_and_after_the_checks(tmp_path):
    checks = dug([(40.0, middle(0) + SPACING_M / 2)], offset=[6 * INCH], tape_error=[1 * INCH])
    found = first_field(run_steps(settings_with(tmp_path, checks), tmp_path))
    said = headline(tmp_path / "results")
    before = round(100 * found.expected_miss_share)
    assert 0.995 < found.checked_expected_miss_share < 1.0
    assert "The same share before and after the ground checks (10th to 90th percentile):" in said
    assert f"wide {before} % (0 % to 100 %) >99 % (100 % to 100 %) after 1 ground check\n" in said
    assert said.count("ground check\n") == 1  # of the field that was dug in


def test_without_checks_nothing_is_said_after_them(tmp_path):
    tables = run_steps(settings_with(tmp_path, None), tmp_path)
    assert "ground check" not in headline(tmp_path / "results")
    found = first_field(tables)
    assert found.check_count == 0
    for table in ("fields", "rows", "passes"):
        columns = [name for name in tables[table] if name.startswith("checked_")]
        assert columns and tables[table][columns].isna().all().all()


def test_the_shift_to_give_takes_out_what_was_measured_and_planned(tmp_path):
    # Planned 2 in north of the strips, and the checks say that everything lands another 3 in north: 5 in south.
    rows = passes_of(1, shift_m=2 * INCH)
    # Measured against the strips: 2 + 3 in; positive to the left of the strip's travel, south on pass 1.
    checks = dug(
        [(40.0, middle(0) + SPACING_M / 2), (60.0, middle(1) + SPACING_M / 2)],
        offset=[5 * INCH, -5 * INCH], tape_error=[0.05 * INCH] * 2,
    )  # fmt: skip
    tables = run_steps(settings_with(tmp_path, checks, rows=rows), tmp_path)
    shift = tables["shift"][tables["shift"].field_id == "F0"]
    np.testing.assert_allclose(shift.north_m, -5 * INCH, rtol=1e-3)
    np.testing.assert_allclose(shift.east_m, 0.0, atol=TURN * 5 * INCH)
    assert not shift.whole.any()  # all rows run east or west
    # Grid north and true north differ by the meridian's convergence, a degree or so here.
    assert sorted(np.round(shift.bearing_deg / 90).astype(int).tolist()) == [1, 3]
    east = shift[np.round(shift.bearing_deg / 90) == 1].iloc[0]
    assert east.across_m == pytest.approx(-5 * INCH, rel=1e-3)  # to the right of travel
    assert shift.expected_miss_share_before.iloc[0] > 0.99
    assert shift.expected_miss_share_after.iloc[0] < 0.01


def test_two_headings_tell_the_whole_shift(tmp_path):
    # The second block of the field runs north: its offsets tell the part to the east.
    lines = [[(60 + middle(k), 0), (60 + middle(k), 50)] for k in range(2)]
    lines += [[(0, middle(k)), (45, middle(k))] for k in range(2)]
    strips = layer_of([shapely.LineString(np.add(line, ORIGIN)) for line in lines], PASS=["a", "b", "c", "d"])
    moved = strips.assign(geometry=strips.translate(0.04, -0.03))
    settings = settings_with(tmp_path, None, rows=moved)
    write_coop(tmp_path, strips=strips, rows=moved)
    shift = run_steps(settings, tmp_path)["shift"]
    assert shift.whole.all()
    # Two planes a degree apart: the field's own north is true north, the layer's is the grid's.
    assert np.hypot(shift.east_m.iloc[0], shift.north_m.iloc[0]) == pytest.approx(0.05, rel=2e-3)
    assert shift.east_m.iloc[0] == pytest.approx(-0.04, abs=2e-3)
    assert shift.north_m.iloc[0] == pytest.approx(0.03, abs=2e-3)


def test_a_difference_of_frames_is_taken_out_whole_and_not_to_the_next_strip(tmp_path):
    # The planter takes the strips' NAD83(2011) coordinates for ITRF2020: everything lands 1.4 m away, nearly two rows.
    # By PROJ at the field: spring's coordinates come to lie so far east and north in autumn's frame.
    from pyproj import Geod, Transformer

    strips = passes_of(1)
    file = write_coop(tmp_path, strips=strips)
    settings = config(tmp_path, planter=False)
    settings["inputs"]["strips"]["constants"] |= {"frame": "NAD83(2011)", "epoch": 2010.0}
    settings["inputs"]["rows"] = {
        "constants": {"row_count": ROWS, "row_spacing": "30 in", "frame": "ITRF2020", "epoch": 2026.3}
    }
    settings["tiers"] = {"catalogue": catalogue(tmp_path), "compare": ["wide"]}
    tables = run_steps(settings, tmp_path)
    lon, lat = Transformer.from_crs(CRS, "EPSG:4269", always_xy=True).transform(ORIGIN[0] + 60, ORIGIN[1] + 25)
    to = Transformer.from_crs("EPSG:9989", "EPSG:6319", only_best=False)
    there = to.transform(lat, lon, 0.0, 2026.3)
    azimuth, _, size = Geod(ellps="GRS80").inv(lon, lat, there[1], there[0])
    north = size * np.cos(np.radians(azimuth))
    shift = tables["shift"][tables["shift"].field_id == "F0"]
    assert abs(north) > 0.6  # most of a row spacing
    np.testing.assert_allclose(shift.north_m, -north, atol=0.03)  # the rows do not run quite east
    assert tables["fields"].expected_miss_share.iloc[0] > 0.99
    assert shift.expected_miss_share_after.iloc[0] == pytest.approx(miss(0.0, REPEATABLE_M / Z), abs=2e-3)
    assert file.exists()


@pytest.mark.parametrize(
    ("checks", "message"),
    [
        (dug([(40.0, 9.0)], offset=[0.1]), "feature 1 has no tape_error; expected its 95 % error"),
        (dug([(40.0, 9.0)], offset=[0.1], tape_error=[0.0]), "feature 1: 0 m is a tape_error below 0.1 mm"),
        (
            dug([(40.0, 9.0)], offset=[0.1], tape_error=["0.09 mm"]),
            "feature 1: 9e-05 m is a tape_error below 0.1 mm; a bare number counts as metres",
        ),
        (dug([(40.0, 9.0)], offset=[0.1], distance=[0.1], tape_error=[0.01]), "feature 1 has an offset and a distance"),
        (dug([(40.0, 9.0)], tape_error=[0.01]), "feature 1 has neither offset nor distance; expected one of them, from the "
         "strip to the seed row; name the layer's column of it under inputs.checks.columns"),
        (dug([(40.0, 9.0)], distance=[-0.1], tape_error=[0.01]), "feature 1: -0.1 m is a negative distance"),
        (dug([(40.0, 9.0)], offset=["6"], tape_error=["1 in"]), "feature 1: offset: '6'"),
        (dug([(40.0, 9.0)], offset=[60.0], tape_error=[0.01]), "feature 1: 60 m is more than 5 m from its strip; a bare"),
        (dug([(40.0, 9.0)], offset=[3.0], tape_error=[1.0]), "feature 1: 1 m is a tape_error above 0.5 m; a bare number"),
    ],
)
def test_bad_check_is_one_clear_error(tmp_path, checks, message):
    with pytest.raises(InputError) as caught:
        take_in(settings_with(tmp_path, checks), tmp_path)
    assert message in str(caught.value) and "inputs.checks" in str(caught.value)


def test_two_checks_of_one_pair_with_the_best_tape_there_is(tmp_path):
    """A place and 10 cm to the north, twice, by a tape of 0.1 mm: the shift is what was measured."""
    checks = dug([(40.0, middle(0) + SPACING_M / 2)] * 2, offset=[0.1, 0.1], tape_error=["0.1 mm"] * 2)
    found = first_field(run_steps(settings_with(tmp_path, checks), tmp_path))
    assert found.shift_north_m == pytest.approx(0.1, rel=PLANE)


def test_a_constant_tape_error_that_no_tape_has_is_one_clear_error(tmp_path):
    settings = settings_with(tmp_path, dug([(40.0, 9.0)], offset=[0.1]))
    settings["inputs"]["checks"]["constants"] = {"tape_error": "0.09 mm"}
    with pytest.raises(ConfigError, match=r"tape_error: '0.09 mm' is 9e-05 m; expected 0.0001 to 0.5 m"):
        take_in(settings, tmp_path)


def test_a_check_in_no_field_is_a_reject_and_the_rest_goes_on(tmp_path):
    """Read = kept + rejected, per layer; the second hole lies 250 m north of the fields."""
    checks = dug([(40.0, 9.0), (40.0, 300.0)], offset=[0.1, 0.1], tape_error=[0.01, 0.01])
    work = take_in(settings_with(tmp_path, checks), tmp_path)
    rejects = gpd.read_parquet(work / "rejects.parquet")
    assert rejects[[c.FEATURE, c.REASON]].to_numpy().tolist() == [["2", "lies in no field"]]
    layers = json.loads((work / "intake.json").read_text())["layers"]
    assert [layers["checks"][name] for name in ("read", "kept", "rejected")] == [2, 1, 1]


def test_a_check_far_from_any_row_is_one_clear_error(tmp_path):
    # The passes fill the southern 36.6 m of 50.
    checks = dug([(40.0, 48.0)], offset=[0.1], tape_error=[0.01])
    with pytest.raises(InputError, match=r"inputs.checks: field 'F0', check 1 lies 11\.\d m from the nearest planted row"):
        run_steps(settings_with(tmp_path, checks), tmp_path)


def test_a_check_in_a_field_without_planted_rows_is_one_clear_error(tmp_path):
    # Rows in the second field only, strips in both.
    rows = passes_of(2).iloc[4:]
    checks = dug([(40.0, middle(0))], offset=[0.1], tape_error=[0.01])
    settings = settings_with(tmp_path, None)
    file = write_coop(tmp_path, rows=rows)
    checks.to_file(file, layer="checks", driver="GPKG", engine="pyogrio")
    settings["inputs"]["checks"] = {"file": str(file), "layer": "checks"}
    with pytest.raises(InputError) as caught:
        run_steps(settings, tmp_path)
    assert str(caught.value) == (
        "inputs.checks: field 'F0', check 1 lies in a field without planted rows; expected it on a row: add the field's "
        "rows, or remove the check"
    )


# On the northernmost row of pass 0, half a spacing off the guess row; pass 1 begins a spacing further north.
GUESS_ROW = (40.0, (ROWS - 0.5) * SPACING_M + 0.1)


@pytest.mark.parametrize(("pass_id", "sign"), [("P0", 1), ("P1", -1)])
def test_a_check_that_names_its_pass_is_matched_to_it(tmp_path, caplog, pass_id, sign):
    # Pass 0 goes east and pass 1 west: left of travel is north on the one, south on the other.
    checks = dug([GUESS_ROW], offset=[3 * INCH], tape_error=[0.5 * INCH], pass_id=[pass_id])
    found = first_field(run_steps(settings_with(tmp_path, checks), tmp_path))
    prior, tape = (REPEATABLE_M / Z) ** 2, (0.5 * INCH / Z) ** 2
    assert found.shift_north_m == pytest.approx(sign * 3 * INCH * prior / (prior + tape), rel=PLANE)
    assert "guess" not in caplog.text


@pytest.mark.parametrize(("rows_from_the_edge", "said"), [(0, True), (1, True), (3, False)])
def test_without_a_pass_a_check_near_the_guess_row_is_a_guess(tmp_path, caplog, rows_from_the_edge, said):
    place = (GUESS_ROW[0], GUESS_ROW[1] - rows_from_the_edge * SPACING_M)
    run_steps(settings_with(tmp_path, dug([place], offset=[0.1], tape_error=[0.01])), tmp_path)
    found = re.search(
        r"check 1 lies (\S+) m from a row of pass 'P0' and (\S+) m from one of pass 'P1': that it was dug at the first is a "
        "guess, which a pass_id on the check would settle\n", caplog.text,
    )  # fmt: skip
    assert ("guess" in caplog.text) == said == (found is not None)
    if said:
        away = [0.1, (1 + rows_from_the_edge) * SPACING_M - 0.1]
        assert [float(one) for one in found.groups()] == pytest.approx(away, abs=0.01)


@pytest.mark.parametrize(
    ("pass_id", "message"),
    [
        ("P33", "check 1: pass_id 'P33' is no planter pass of the field; did you mean 'P3'? Known: P0, P1, P2, P3"),
        ("P3", "check 1 lies 19.0 m from the nearest row of pass 'P3'; expected it on a row, within 5 m: mend its place or "
               "remove it"),
    ],
)  # fmt: skip
def test_a_pass_that_cannot_be_is_one_clear_error(tmp_path, pass_id, message):
    checks = dug([GUESS_ROW], offset=[0.1], tape_error=[0.01], PASS=[pass_id])
    settings = settings_with(tmp_path, checks)
    settings["inputs"]["checks"]["columns"] = {"pass_id": "PASS"}
    with pytest.raises(InputError) as caught:
        run_steps(settings, tmp_path)
    assert str(caught.value) == f"inputs.checks: field 'F0', {message}"


def test_contradictory_checks_are_one_clear_error(tmp_path):
    places = [(30.0 + 5 * k, middle(0) + SPACING_M / 2) for k in range(4)]
    checks = dug(places, offset=[0.02, 0.02, 0.30, 0.02], tape_error=[0.01] * 4)
    with pytest.raises(InputError, match=r"check 3: measured 0\.300 m, \d+ standard deviations .* contradict one another"):
        run_steps(settings_with(tmp_path, checks), tmp_path)


def test_pass_lines_are_where_these_tests_say():
    assert pass_lines(0)[1].coords[0][1] - ORIGIN[1] == pytest.approx(middle(1))
