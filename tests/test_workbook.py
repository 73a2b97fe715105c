"""The workbook as another library reads it: typed cells, units, filters, and text that stays text."""

import datetime
import time
import tracemalloc
import zipfile
from math import inf

import openpyxl
import pandas as pd
import pytest
from openpyxl.utils.escape import unescape
from tables_of import HOSTILE, results_of

from pipeline import columns as c
from pipeline.files.shown_units import ShownColumn
from pipeline.files.store import write_csv
from pipeline.files.table_words import words_of
from pipeline.files.texts import safe_text
from pipeline.files.workbook import LONGEST_TEXT, write_workbook
from pipeline.steps import workbook


@pytest.fixture(params=["us", "metric"])
def book(request, tmp_path):
    """A workbook in some units, read by openpyxl."""
    tables, report = results_of(tmp_path, units=request.param)
    workbook.run(tables=tables, report=report, out=tmp_path / "rowreturn.xlsx")
    opened = openpyxl.load_workbook(tmp_path / "rowreturn.xlsx")
    opened.asked = request.param
    return opened


def column(sheet, heading: str) -> list:
    """Cells of a column, by its heading."""
    place = next(cell.column for cell in sheet[1] if cell.value == heading)
    return [row[place - 1] for row in sheet.iter_rows(min_row=2)]


def test_there_is_a_sheet_for_each_table_after_the_words(book):
    assert book.sheetnames == ["read me", "columns", "field_tier", "shift", "audit", "choice_days"]
    for name in book.sheetnames[2:]:
        assert book[name].freeze_panes == "B2" and book[name].auto_filter.ref.startswith("A1:")
    assert book["field_tier"].auto_filter.ref.endswith(str(len(HOSTILE) + 1))


def test_the_words_name_units_cautions_and_every_column(book):
    said = " ".join(str(cell.value) for row in book["read me"] for cell in row if cell.value)
    assert ("US customary" if book.asked == "us" else "metric units") in said
    for caution in ("not a safety system", "not a legal survey", "a licensed adviser"):
        assert caution in said
    listed = {(row[0].value, row[1].value) for row in book["columns"].iter_rows(min_row=2)}
    for name in book.sheetnames[2:]:
        assert {(name, cell.value) for cell in book[name][1]} <= listed


def test_text_is_text_whatever_it_reads_like(book):
    cells = column(book["field_tier"], "field_id")
    # "_x0041_" would be read as "A" (ST_Xstring, ECMA-376 part 1, 22.9.2.19), so it is written escaped; openpyxl takes
    # that back by itself only where strings are shared.
    assert [unescape(cell.value) for cell in cells] == [safe_text(name) for name in HOSTILE]
    assert {cell.data_type for cell in cells} <= {"s", "inlineStr"} and not any(cell.hyperlink for cell in cells)
    assert book["read me"]["A1"].value == "Invented & <sons>"


def test_cells_have_types(book):
    counts = column(book["field_tier"], c.ROW_COUNT)
    assert all(cell.data_type == "n" and cell.number_format == "#,##0" for cell in counts)
    (whole,), (day,) = column(book["shift"], c.WHOLE), column(book["choice_days"], c.DAY_UTC)
    assert whole.value is True
    assert day.value == datetime.datetime(2026, 4, 20) and day.number_format == "yyyy-mm-dd"
    assert column(book["choice_days"], "money_per_ha")[0].value == 12.5
    assert column(book["choice_days"], "sent_m")[0].value == "text"
    shares = column(book["field_tier"], c.EXPECTED_MISS_SHARE)
    assert shares[0].number_format == "0.0%" and shares[1].value is None


def test_values_are_in_the_units_asked_for(book):
    """1 in = 25.4 mm and 1 ac = 4046.8564224 m2 by definition."""
    us = book.asked == "us"
    assert column(book["shift"], "east [in]" if us else "east [cm]")[0].value == pytest.approx(1.0 if us else 2.54)
    assert column(book["shift"], "area [ac]" if us else "area [ha]")[0].value == pytest.approx(10.0 if us else 4.046856)


@pytest.mark.parametrize("units", ["us", "metric"])
@pytest.mark.parametrize("name", [c.UNIT_PRICE_MONEY, c.PRICE_MONEY, c.QUANTITY, *(side[1] for side in c.FLIPS.values())])
def test_prices_and_quantities_have_two_digits_and_more_where_there_are(name, units):
    shown = ShownColumn.of(words_of(name), units=units)
    # By ECMA-376 part 1, 18.8.31: 0 is a digit that is always there, # one where it is not nought.
    assert shown.digits == "#,##0.00####" and shown.size == 1.0


def test_the_words_say_that_quantities_keep_their_units(book):
    assert any("Quantities of choice_parts" in str(cell.value) for row in book["read me"] for cell in row)


@pytest.mark.parametrize(("name", "units", "heading", "size"), [
    ("row_length_m", "us", "row_length [ft]", 0.3048), ("row_length_m", "metric", "row_length [m]", 1.0),
    ("baseline_m", "us", "baseline [mi]", 1609.344), ("baseline_m", "metric", "baseline [km]", 1000.0),
    ("worst_95_m", "us", "worst_95 [in]", 0.0254), ("worst_95_m", "metric", "worst_95 [cm]", 0.01),
    ("checked_holds_m", "us", "checked_holds [ft]", 0.3048), ("miss_share_p10", "us", "miss_share_p10", 1.0),
    ("area_m2", "metric", "area [ha]", 10_000.0), ("bearing_deg", "us", "bearing [deg]", 1.0),
    ("wait_min", "us", "wait [min]", 1.0), ("row_count", "us", "row_count", 1.0), ("farm", "us", "farm", 1.0),
])  # fmt: skip
def test_a_heading_has_the_unit_and_the_cells_its_size(name, units, heading, size):
    """Sizes by definition: foot 0.3048 m, inch 0.0254 m, mile 1609.344 m (international yard and pound agreement)."""
    shown = ShownColumn.of(words_of(name), units=units)
    assert (shown.heading, shown.size) == (heading, size)


def test_a_table_of_too_many_lines_is_left_out_and_said(tmp_path):
    tables, _ = results_of(tmp_path)
    write_workbook(tmp_path / "a.xlsx", tables, title="Invented", units="us", most_lines=3)
    book = openpyxl.load_workbook(tmp_path / "a.xlsx")
    assert "field_tier" not in book.sheetnames and "shift" in book.sheetnames
    told = {row[0].value: row[1].value for row in book["read me"].iter_rows()}
    assert "More than 3 lines: not in here, but in field_tier.csv" in told["field_tier"]


def test_the_bytes_are_those_of_the_tables(tmp_path, monkeypatch):
    tables, report = results_of(tmp_path)
    workbook.run(tables=tables, report=report, out=tmp_path / "a.xlsx")
    monkeypatch.setattr(time, "time", lambda: 2e9)
    workbook.run(tables=tables[::-1], report=report, out=tmp_path / "b.xlsx")
    assert (tmp_path / "a.xlsx").read_bytes() == (tmp_path / "b.xlsx").read_bytes()
    with zipfile.ZipFile(tmp_path / "a.xlsx") as parts:
        assert {part.date_time[:2] for part in parts.infolist()} == {(1980, 1)}  # not the clock


def test_what_no_cell_can_hold(tmp_path):
    write_csv(tmp_path / "long.csv", pd.DataFrame({c.FIELD_ID: ["x" * 40_000], c.HOLDS_M: [inf]}))
    write_workbook(tmp_path / "a.xlsx", [tmp_path / "long.csv"], title="Invented", units="us")
    sheet = openpyxl.load_workbook(tmp_path / "a.xlsx")["long"]
    assert len(sheet["A2"].value) == LONGEST_TEXT and sheet["A2"].value.endswith("\u2026")
    assert sheet["B2"].value is None


def test_memory_does_not_grow_with_the_lines(tmp_path):
    peaks = []
    for lines in (500, 5_000):
        table = pd.DataFrame({c.FIELD_ID: [f"F{k}" for k in range(lines)], c.HOLDS_M: 1.5, c.REASON: "some words " * 9})
        write_csv(tmp_path / "rejects.csv", table)
        tracemalloc.start()
        write_workbook(tmp_path / "a.xlsx", [tmp_path / "rejects.csv"], title="Invented", units="us")
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    assert peaks[1] < 1.5 * peaks[0]
