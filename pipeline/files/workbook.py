"""The tables as a workbook: a sheet of words, a sheet of columns, and one sheet a table with typed cells."""

from __future__ import annotations

import math
from collections.abc import Callable
from datetime import date, datetime
from itertools import islice
from pathlib import Path

import xlsxwriter
from xlsxwriter.format import Format
from xlsxwriter.worksheet import Worksheet

from pipeline import columns as c
from pipeline.files import cautions
from pipeline.files.data_package import columns_of, lines_of
from pipeline.files.shown_units import ShownColumn
from pipeline.files.store import whole_file
from pipeline.files.table_words import ColumnWords, table_words

# A sheet holds 1,048,576 lines, but nobody reads as many, and every program slows down long before.
MOST_LINES = 50_000
# What a cell holds at most; programs call a file with a longer one damaged.
LONGEST_TEXT = 32_767
# Workbooks say when they were made; with a fixed time equal tables give equal bytes.
MADE = datetime(2000, 1, 1)
README, COLUMNS = "read me", "columns"
WIDEST, NARROWEST = 44, 9
STORED_DIGITS = 6  # as many as the CSV files have
WORDS = (
    ("holds", "row length that stays on its strip at the tier's 95 % error"),
    ("in doubt", "row length that may or may not"),
    ("misses", "row length that stays off its strip"),
    ("no strip, crossing", "row length that no strip can be blamed for; in no share"),
    ("expected", "the probability of missing, added up along the rows"),
    ("p10, p50, p90", "percentiles of the missed share: one day's error moves a whole field, so read them with the mean"),
)


def write_workbook(path: Path, tables: list[Path], *, title: str, units: str, most_lines: int = MOST_LINES) -> None:
    """Write the tables as one workbook, line by line: none of them lies in memory.

    Parameters
    ----------
    path : Path
    tables : list of Path
        CSV files of ours.
    title : str
        Of the run.
    units : {"us", "metric"}
        Report units.
    most_lines : int
        A table with more is left out, and the first sheet says where it is.
    """
    counts = {one: _count(one, most_lines) for one in tables}
    said = {one: columns_of(one) for one in tables}
    with whole_file(path) as unfinished:
        # Text is text: no cell of ours is a formula, a number or a link because of how it reads.
        options = {"constant_memory": True, "strings_to_formulas": False, "strings_to_urls": False}
        book = xlsxwriter.Workbook(str(unfinished), options)
        book.set_properties({"title": title, "created": MADE})
        _write_readme(book, counts, title=title, units=units, most_lines=most_lines)
        _write_columns(book, said, units=units)
        for one in tables:
            if counts[one] <= most_lines:
                _write_table(book, one, said[one], lines=counts[one], units=units)
        book.close()


def _count(table: Path, most: int) -> int:
    """Lines of a table, counted no further than to one too many."""
    return sum(1 for _ in islice(lines_of(table), 1, most + 2))


def _write_readme(
    book: xlsxwriter.Workbook, counts: dict[Path, int], *, title: str, units: str, most_lines: int
) -> None:
    sheet, bold = book.add_worksheet(README), book.add_format({"bold": True})
    wrap = book.add_format({"text_wrap": True, "valign": "top"})
    sheet.set_column(0, 0, 22)
    sheet.set_column(1, 1, 100)
    system = "US customary units" if units == "us" else "metric units"
    lines = [
        (title, ""), ("", "Which planted rows will stand on their strips, by correction tier of spring."),
        ("Units", f"{system}, in the headings; shares are of row length. The CSV files beside this one are in SI units."),
        ("", "Quantities of choice_parts, and prices, stay in the units that are named beside them."),
        ("Columns", f"The sheet '{COLUMNS}' says what each column is, and its name in the CSV files."),
        ("", ""), ("Sheets", ""), *(_told(one, count, most_lines) for one, count in counts.items()),
        ("", ""), ("Words", ""), *WORDS, ("", ""), ("Cautions", ""), *(("", caution) for caution in cautions.AT_LENGTH),
    ]  # fmt: skip
    for number, (left, right) in enumerate(lines):
        _text(sheet, number, 0, left, bold if left and not right or number == 0 else wrap)
        _text(sheet, number, 1, right, wrap)


def _told(table: Path, count: int, most_lines: int) -> tuple[str, str]:
    title, _ = table_words(table.stem)
    if count > most_lines:
        return table.stem, f"{title}. More than {most_lines:,} lines: not in here, but in {table.name} beside this file."
    return table.stem, f"{title}. Lines: {count:,}." if count else f"{title}. Nothing to tell in this run."


def _write_columns(book: xlsxwriter.Workbook, said: dict[Path, list[ColumnWords]], *, units: str) -> None:
    sheet, head = book.add_worksheet(COLUMNS), _head(book)
    lines = [
        (table.stem, shown.heading, shown.unit, one.name, one.unit.replace("1", "share, 0 to 1"), one.meaning)
        for table, columns in said.items()
        for one in columns
        for shown in [ShownColumn.of(one, units=units)]
    ]
    for place, (name, wide) in enumerate(
        [("sheet", 12), ("column", 34), ("unit", 8), ("column in CSV", 34), ("unit in CSV", 13), ("meaning", 90)]
    ):
        sheet.set_column(place, place, wide)
        _text(sheet, 0, place, name, head)
    for number, line in enumerate(lines, start=1):
        for place, text in enumerate(line):
            _text(sheet, number, place, text)
    sheet.freeze_panes(1, 0)
    sheet.autofilter(0, 0, len(lines), 5)


def _write_table(
    book: xlsxwriter.Workbook, table: Path, columns: list[ColumnWords], *, lines: int, units: str
) -> None:
    sheet, head = book.add_worksheet(table.stem[:31]), _head(book)
    shown = [ShownColumn.of(one, units=units) for one in columns]
    writers = []
    for place, (one, how) in enumerate(zip(columns, shown, strict=True)):
        form = book.add_format({"num_format": how.digits}) if how.digits else None
        sheet.set_column(place, place, _wide(one, how))
        writers.append(_writer(sheet, one, how, form))
        _text(sheet, 0, place, how.heading, head)
    sheet.set_row(0, 30)
    for number, line in enumerate(islice(lines_of(table), 1, None), start=1):
        for place, cell in enumerate(line):
            if cell:
                writers[place](number, place, cell)
    sheet.freeze_panes(1, 1)
    sheet.autofilter(0, 0, max(lines, 1), len(columns) - 1)


def _writer(sheet: Worksheet, one: ColumnWords, how: ShownColumn, form: Format | None) -> Callable[[int, int, str], None]:
    """How a cell of a column goes into its sheet."""
    if one.kind in ("number", "integer"):
        size = how.size

        def number(line: int, place: int, cell: str) -> None:
            value = round(float(cell) / size, STORED_DIGITS)
            if math.isfinite(value):  # a sheet knows no infinity
                sheet.write_number(line, place, value, form)

        return number
    if one.kind == "boolean":
        return lambda line, place, cell: sheet.write_boolean(line, place, cell == "True")
    if one.kind == "date":
        return lambda line, place, cell: sheet.write_datetime(line, place, date.fromisoformat(cell), form)
    return lambda line, place, cell: _text(sheet, line, place, cell)


def _text(sheet: Worksheet, line: int, place: int, text: str, form: Format | None = None) -> None:
    short = text if len(text) <= LONGEST_TEXT else text[: LONGEST_TEXT - 1] + "\u2026"
    sheet.write_string(line, place, short, form)


def _head(book: xlsxwriter.Workbook) -> Format:
    return book.add_format({"bold": True, "bottom": 1, "text_wrap": True, "valign": "top", "bg_color": "#EDEBE4"})


def _wide(one: ColumnWords, how: ShownColumn) -> int:
    """Width of a column in letters: text has room, figures as much as half their heading."""
    if one.kind == "string":
        return WIDEST if one.name in (c.SAID, c.REASON) else 18
    return max(NARROWEST, math.ceil(len(how.heading) / 2) + 3)
