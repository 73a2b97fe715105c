"""Numbers with units and decimal commas, and times with their zone, in the columns of a layer."""

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest
from workflow import config, passes_of, take_in, write_coop

from pipeline.errors import ConfigError, InputError
from pipeline.files.numbers import number_of, plain_number, split_unit
from pipeline.files.store import read_geo, read_json

FOOT_M, INCH_M, US_FOOT_M = 0.3048, 0.0254, 1200 / 3937  # exact by definition (NIST SP 811, appendix B)


@pytest.mark.parametrize(
    ("text", "number"),
    [("0.762", 0.762), ("0,762", 0.762), (",5", 0.5), ("1.234,5", 1234.5), ("1,234.5", 1234.5), ("1.234.567,8", 1234567.8),
     ("-97,75", -97.75), ("+3", 3.0), ("1e3", 1000.0), (" 12 ", 12.0), ("1,234", 1.234), ("12,5e1", 125.0)],
)  # fmt: skip
def test_number_as_people_write_it(text, number):
    assert number_of(text) == number


@pytest.mark.parametrize("text", ["", "twelve", "1.2.3", "1,2,3", "12 in", "1.23,4.5", "nan", "inf", "--1", "1 000"])
def test_no_number(text):
    assert number_of(text) is None


def test_unit_behind_a_number():
    assert split_unit("0,762 m") == ("0.762", "m")
    assert split_unit("30in") == ("30", "in")
    assert plain_number("8") == "8"


def strips_with(folder, *, units=None, timezone=None, constants=None, **values) -> tuple[pd.DataFrame, dict, dict]:
    """Strips kept (by pass), reasons of rejects by feature, and intake.json, with these columns in place of constants."""
    strips = passes_of(1).assign(**values)
    write_coop(folder, strips=strips)
    settings = config(folder, planter=False)
    said = settings["inputs"]["strips"]
    said |= {key: value for key, value in (("units", units), ("timezone", timezone)) if value}
    for name in values:
        said["constants"].pop(name, None)
    said["constants"] |= constants or {}
    work = take_in(settings, folder)
    kept = pd.concat([read_geo(path) for path in sorted(work.glob("intake/*/strips.parquet"))])
    rejects = read_geo(work / "rejects.parquet")
    reasons = dict(zip(rejects["feature"], rejects["reason"], strict=True))
    return kept.set_index("pass_id").sort_index(), reasons, read_json(work / "intake.json")


def test_lengths_as_text_with_comma_and_unit(tmp_path):
    kept, _, _ = strips_with(tmp_path, row_spacing=["0,762 m", "30 in", "2.5 ft", "762 mm"])
    assert kept["row_spacing_m"].tolist() == pytest.approx([0.762, 30 * INCH_M, 2.5 * FOOT_M, 0.762], rel=1e-12)


@pytest.mark.parametrize(
    ("unit", "values", "metres"),
    [
        ("in", [30, 22, 20, 36], [v * INCH_M for v in (30, 22, 20, 36)]),
        ("in", ["30", "22,0", "0.5 m", "36"], [30 * INCH_M, 22 * INCH_M, 0.5, 36 * INCH_M]),
        ("ft", [2.5, 2.0, 3.0, 2.5], [v * FOOT_M for v in (2.5, 2.0, 3.0, 2.5)]),
        ("survey_foot", [2.5, 2.0, 3.0, 2.5], [v * US_FOOT_M for v in (2.5, 2.0, 3.0, 2.5)]),
        ("cm", ["76,2", "50", "75", "45"], [0.762, 0.5, 0.75, 0.45]),
        ("m", [0.762, 0.5, 0.75, 0.45], [0.762, 0.5, 0.75, 0.45]),
    ],
)
def test_unit_of_a_column(tmp_path, unit, values, metres):
    kept, _, _ = strips_with(tmp_path, units={"row_spacing": unit}, row_spacing=values)
    assert kept["row_spacing_m"].tolist() == pytest.approx(metres, rel=1e-12)


def test_bare_text_without_a_unit_is_still_refused(tmp_path):
    with pytest.raises(InputError, match="feature 2: row_spacing: '30' has no unit"):
        strips_with(tmp_path, row_spacing=["30 in", "30", "30 in", "30 in"])


def test_row_counts_as_text_and_constants_where_a_value_is_missing(tmp_path):
    kept, reasons, _ = strips_with(
        tmp_path, row_count=["12 rows", "16-row", "8", None], row_spacing=[0.762, np.nan, 0.5, 0.762],
        constants={"row_count": 24, "row_spacing": "20 in"},
    )  # fmt: skip
    assert reasons == {}
    assert kept["row_count"].tolist() == [12, 16, 8, 24]
    assert kept["row_spacing_m"].tolist() == pytest.approx([0.762, 20 * INCH_M, 0.5, 0.762])


def test_white_space_is_no_value_and_a_constant_fills_it(tmp_path):
    """As an empty cell of a text table: what no format has, no feature has."""
    kept, reasons, _ = strips_with(
        tmp_path, row_count=["12", "", None, " "], row_spacing=["30 in", "", "  ", None], tier=["sbas", "", " ", None],
        constants={"row_count": 8, "row_spacing": "20 in", "tier": "rtk_base"},
    )  # fmt: skip
    assert reasons == {}
    assert kept["row_count"].tolist() == [12, 8, 8, 8]
    assert kept["row_spacing_m"].tolist() == pytest.approx([0.762, *[20 * INCH_M] * 3])
    assert kept["tier"].tolist() == ["sbas", "rtk_base", "rtk_base", "rtk_base"]


def test_constant_is_not_taken_in_the_unit_of_the_column(tmp_path):
    kept, _, _ = strips_with(
        tmp_path, units={"row_spacing": "in"}, row_spacing=[30, np.nan, 30, 30], constants={"row_spacing": "0.5 m"}
    )
    assert kept["row_spacing_m"].tolist() == pytest.approx([0.762, 0.5, 0.762, 0.762])


def utc(*when: int) -> float:
    return datetime(*when, tzinfo=UTC).timestamp()


def times_of(folder, times, **how) -> tuple[list[float], list[str]]:
    kept, _, said = strips_with(folder, started_at=times, ended_at=times, **how)
    return kept["started_s"].tolist(), [note for note in said["notes"] if "started_at" in note]


MORNING = ["2026-04-20T09:05:00", "2026-04-20 09:15", "2026-04-20T14:25:00Z", "2026-04-20T09:35:00-05:00"]


def test_local_times_of_a_zone(tmp_path):
    # Chicago is 5 h behind UTC in April; a value with its own offset keeps it. Referee: zoneinfo and datetime.
    found, notes = times_of(tmp_path, MORNING, timezone="America/Chicago")
    wanted = [datetime(2026, 4, 20, 9, minute, tzinfo=ZoneInfo("America/Chicago")) for minute in (5, 15, 25, 35)]
    assert found == [when.timestamp() for when in wanted]
    assert found == [utc(2026, 4, 20, 14, minute) for minute in (5, 15, 25, 35)]
    assert notes == []


@pytest.mark.parametrize("column", [MORNING[2:] * 2, pd.to_datetime(["2026-04-20T14:25:00Z"] * 4)])
def test_a_zone_beside_times_that_say_their_own_is_noted(tmp_path, column):
    _, (note,) = times_of(tmp_path, pd.Series(column), timezone="America/Chicago")
    said = "started_at: each of 4 times says its own offset from UTC: timezone America/Chicago has no part in them"
    assert note.endswith(said)


def test_times_without_a_zone_are_utc(tmp_path):
    found, _ = times_of(tmp_path, MORNING)
    hours = [9, 9, 14, 14]
    assert found == [utc(2026, 4, 20, hour, minute) for hour, minute in zip(hours, (5, 15, 25, 35), strict=True)]


def test_times_that_say_utc_in_letters_are_utc(tmp_path):
    found, notes = times_of(
        tmp_path, ["2026-04-20 14:05:00 UTC", "2026-04-20T14:15:00utc", "2026-04-20 14:25 GMT", "2026-04-20T14:35:00Z"],
        timezone="America/Chicago",
    )  # fmt: skip
    assert found == [utc(2026, 4, 20, 14, minute) for minute in (5, 15, 25, 35)]
    assert len(notes) == 1  # that the zone has no part in them


def test_hour_that_comes_twice_is_the_first_and_said(tmp_path):
    # 1 November 2026, 2 a.m. CDT: clocks in Chicago go back to 1 a.m. (US Energy Policy Act of 2005, section 110).
    times = ["2026-11-01T00:30:00", "2026-11-01T01:30:00", "2026-11-01T02:30:00", "2026-11-01T01:30:00-06:00"]
    found, notes = times_of(tmp_path, times, timezone="America/Chicago")
    assert found == [utc(2026, 11, 1, hour, 30) for hour in (5, 6, 8, 7)]
    (note,) = notes
    assert note.endswith("started_at: 1 time came twice in America/Chicago as clocks went back: the first was taken")


def test_hour_that_never_was_is_an_error(tmp_path):
    # 8 March 2026, 2 a.m. CST: clocks in Chicago go forward to 3 a.m.
    times = ["2026-03-08T01:30:00", "2026-03-08T02:30:00", "2026-03-08T03:30:00", "2026-03-08T04:30:00"]
    with pytest.raises(InputError) as caught:
        times_of(tmp_path, times, timezone="America/Chicago")
    assert str(caught.value) == (
        f"inputs.strips: {tmp_path}/coop.gpkg, layer 'strips': feature 2: started_at: '2026-03-08T02:30:00' never was in "
        "America/Chicago, where clocks went forward over it; expected a local time of that zone, correct timezone or the "
        "value"
    )


@pytest.mark.parametrize("timezone", [None, "Europe/Berlin"])
def test_columns_of_date_times(tmp_path, timezone):
    naive = [datetime(2026, 4, 20, 9) + timedelta(minutes=10 * k) for k in range(4)]
    found, _ = times_of(tmp_path, pd.Series(naive), timezone=timezone)
    assert found == [when.replace(tzinfo=ZoneInfo(timezone or "UTC")).timestamp() for when in naive]


def test_dates_alone_are_no_times(tmp_path):
    found, (note,) = times_of(tmp_path, ["2026-04-20", "20260420", "2026-04-20", "2026-04-21"])
    assert np.isnan(found).all()
    said = "started_at: 4 values are dates without a time of day: no time is told, and passes go by place"
    assert note.endswith(said)


def test_column_of_dates_is_no_column_of_times(tmp_path):
    days = pd.Series(pd.to_datetime(["2026-04-20", "2026-04-20", "2026-04-21", None]))
    found, (note,) = times_of(tmp_path, days, timezone="America/Chicago")
    assert np.isnan(found).all()
    assert "started_at: 3 values are dates" in note


@pytest.mark.parametrize(("unit", "factor"), [("s", 1), ("ms", 1000)])
@pytest.mark.parametrize("kind", [int, float, str])
def test_seconds_since_1970_where_they_are_said_to_be(tmp_path, unit, factor, kind):
    wanted = [utc(2026, 4, 20, 14, minute) for minute in (5, 15, 25, 35)]
    values = [kind(int(when * factor)) for when in wanted]
    found, _ = times_of(tmp_path, values, units={"started_at": unit, "ended_at": unit})
    assert found == wanted


@pytest.mark.parametrize("value", [1776693900, "1776693900", 46132.58])
def test_bare_numbers_are_no_times(tmp_path, value):
    with pytest.raises(InputError, match="is not a time; expected ISO 8601 in UTC, as in '2026-04-20T14:05:00Z'"):
        times_of(tmp_path, [value] * 4)


@pytest.mark.parametrize("text", ["04/20/2026 14:05", "20.04.2026 14:05", "4/20/26 2:05 PM", "14:05", "Apr 20 2026"])
@pytest.mark.parametrize("timezone", [None, "America/Chicago"])
def test_dates_as_spreadsheets_write_them_are_refused(tmp_path, text, timezone):
    with pytest.raises(InputError, match=f"feature 1: started_at: '{text}' is not a time; expected ISO 8601"):
        times_of(tmp_path, [text] * 4, timezone=timezone)


@pytest.mark.parametrize(
    ("key", "value", "message"),
    [
        ("timezone", "America/Chicgo", "inputs.strips.timezone: 'America/Chicgo' is no time zone; expected a place as in"),
        ("crs", "EPSG:99999", "inputs.strips.crs: 'EPSG:99999' is no CRS that is known; expected a code, as in EPSG:4326"),
        ("encoding", "latin-99", "inputs.strips.encoding: 'latin-99' is no encoding; expected for example utf-8"),
        ("units", {"row_count": "in"}, "inputs.strips: units: 'row_count' takes no unit here; did you mean"),
        ("units", {"row_spacing": "kg"},
         "inputs.strips: units.row_spacing: 'kg' is not a unit of length; expected one, as m or in"),
        ("units", {"row_spacing": "IN"},
         "inputs.strips: units.row_spacing: unknown unit 'IN' (did you mean 'in'?); expected a unit of length, as m or in"),
        ("units", {"row_spacing": "2 in"}, "strips: units.row_spacing: '2 in' is not a unit; expected one, as m or in"),
        ("units", {"speed": "m"}, "inputs.strips: units.speed: 'm' is not a unit of speed; expected one, as m/s or km/h"),
        ("units", {"started_at": "days"},
         "inputs.strips: units.started_at: found 'days', expected s or ms, counted from 1970-01-01 UTC"),
    ],
)  # fmt: skip
def test_bad_keys(tmp_path, key, value, message):
    write_coop(tmp_path)
    settings = config(tmp_path, planter=False)
    settings["inputs"]["strips"][key] = value
    with pytest.raises(ConfigError) as caught:
        take_in(settings, tmp_path)
    assert message in str(caught.value)
    assert str(caught.value).startswith("mine.yaml: inputs.strips")


def test_keys_of_a_file_that_is_not_there(tmp_path):
    write_coop(tmp_path)
    settings = config(tmp_path, planter=False)
    settings["inputs"]["rows"] = {"constants": {"row_count": 12, "row_spacing": "30 in"}, "crs": "EPSG:4326"}
    said = "without a file, crs, units, timezone, encoding and fix_holds say nothing; give a file"
    with pytest.raises(ConfigError, match=said):
        take_in(settings, tmp_path)
