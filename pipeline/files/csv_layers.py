"""Text tables with coordinates as layers: separator, decimal mark, encoding and geometry columns found or told."""

import codecs
import csv
import io
import re
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from pipeline import columns as c
from pipeline.errors import MOST_NAMED, InputError, did_you_mean
from pipeline.files.numbers import number_of
from pipeline.files.reading import Features, notes_of
from pipeline.files.texts import shown
from pipeline.files.wkb import OTHER, shapes_of

SUFFIXES = (".csv", ".tsv", ".txt")
_SEPARATORS = (";", "\t", "|", ",")
_PAIRS = (("lon", "lat"), ("longitude", "latitude"), ("long", "lat"), ("lng", "lat"), ("x", "y"),
          ("easting", "northing"))  # fmt: skip
_NESTED = re.compile(
    r"\s*(GEOMETRYCOLLECTION|CIRCULAR|COMPOUND|CURVE|MULTICURVE|MULTISURFACE|TIN|TRIANGLE|POLYHEDRAL)", re.IGNORECASE
)
_WKT = ("wkt", "geometry", "geom", "the_geom")
# Columns of text stay as they are written: '007' is not '7'.
_TEXT = (c.FIELD_ID, c.FARM, c.GROWER, c.PASS_ID, c.TIER, c.FRAME, c.FIX, c.BASE_ID, c.MACHINE)
_BOMS = ((codecs.BOM_UTF8, "utf-8-sig"), (codecs.BOM_UTF16_LE, "utf-16"), (codecs.BOM_UTF16_BE, "utf-16"))
_PLAIN = re.compile(r"[-+]?(0|[1-9][\d.,]*|0[.,]\d+)([eE][-+]?\d{1,3})?")


def read_csv_layer(path: Path, source, place: str) -> Features:
    """Read a text table whose rows are points, or carry WKT.

    Parameters
    ----------
    path : Path
    source : Source
        With `columns` (of which `x`, `y` and `wkt` say where the geometry is) and `encoding`.
    place : str
        For errors.

    Returns
    -------
    Features
        Index the number of the data row, from 1; without a CRS.

    Raises
    ------
    InputError
        If the text cannot be decoded or split, no coordinates are found, or most records are broken or without a
        number there; a few such are rejects.
    """
    text, notes = _decoded(path, source.encoding, place)
    table, broken = _table(text, place)
    shape, unread, used = _geometry(table, source.columns, place)
    found = shapes_of(np.array(shapely.to_wkb(shape), object))
    faults = np.where(np.equal(broken, None), np.where(np.equal(unread, None), found.faults, unread), broken)
    sound = np.equal(faults, None)
    theirs = {source.columns.get(name, name) for name in _TEXT}
    kept = {name: table[name] if name in theirs else _typed(table[name], sound) for name in table if name not in used}
    frame = gpd.GeoDataFrame(kept, index=table.index, geometry=gpd.GeoSeries(found.shapes, index=table.index))
    return Features(frame, faults, list(kept), notes + notes_of(found), "text table")


def _decoded(path: Path, encoding: str | None, place: str) -> tuple[str, list[str]]:
    data = path.read_bytes()
    marked = next((name for mark, name in _BOMS if data.startswith(mark)), None)
    try:
        return data.decode(marked or encoding or "utf-8"), []
    except UnicodeDecodeError as error:
        if marked or encoding:
            said = f"is not {marked or encoding} (byte {error.start}); give the right 'encoding:' for the layer"
            raise InputError(f"{place}: {said}") from None
    note = "is not UTF-8 and was read as Windows-1252; if letters are wrong, give 'encoding:' for the layer"
    return data.decode("cp1252", errors="replace"), [note]


def _table(text: str, place: str) -> tuple[pd.DataFrame, np.ndarray]:
    """All cells as text, missing where empty, and what is wrong with a record; an error where it is with most."""
    separator, start = _separator(text)
    # No cell is longer than the file, and a line of many vertices is long. Others read by that limit too: it only grows.
    csv.field_size_limit(max(len(text), csv.field_size_limit()))
    before = text.count("\n", 0, start)
    mend = f" (separated by {separator!r}); expected as many, put text that holds a separator in quotes"
    names, rows, faults = None, [], []
    for first, last, cells in _records(text[start:], separator, before, place):
        if names is None:
            names = _names(cells, place)
            continue
        whole = len(cells) == len(names)
        faults.append(None if whole else f"line {last} has {len(cells)} values, the header {len(names)}")
        rows.append([cell.strip() or None for cell in cells] if whole else [None] * len(names))
        if not whole and last > first:  # a quote left open swallows the records after it
            raise InputError(f"{place}: {faults[-1]}{mend}")
    wrong = np.array(faults, object)
    _refuse_most(wrong, lambda k: f"{place}: {wrong[k]}{mend}")
    table = pd.DataFrame(rows, columns=names or [], dtype=object)
    return table.set_axis(pd.RangeIndex(1, len(rows) + 1)), wrong


def _records(text: str, separator: str, before: int, place: str) -> Iterator[tuple[int, int, list[str]]]:
    """First line, last line and cells of every record that is not empty."""
    lines, first = csv.reader(io.StringIO(text, newline=""), delimiter=separator), before + 1
    try:
        for cells in lines:
            last = lines.line_num + before
            if any(cell.strip() for cell in cells):
                yield first, last, cells
            first = last + 1
    except csv.Error as error:
        line = lines.line_num + before
        raise InputError(f"{place}: line {line} cannot be read ({error}); save the table anew as CSV") from None


def _separator(text: str) -> tuple[str, int]:
    """The mark between cells, and where the table begins."""
    told = re.match(r"\s*sep=(.)\r?\n", text)  # a first line by which spreadsheets say the separator
    if told:
        return told.group(1), told.end()
    first = re.search(r"\S.*", text)  # the header may come after empty lines
    header = first.group() if first else ""
    # Between semicolons or tabs a comma may be a decimal one, so the larger count does not decide there.
    return next((mark for mark in _SEPARATORS[:3] if mark in header), ","), 0


def _refuse_most(faults: np.ndarray, said: Callable[[int], str]) -> None:
    """An error, told of the first, where most records are wrong: then it is the table, and no slip in it."""
    wrong = np.flatnonzero(np.not_equal(faults, None))
    if 2 * len(wrong) > len(faults):
        raise InputError(said(int(wrong[0])))


def _names(cells: list[str], place: str) -> list[str]:
    names = [cell.strip() for cell in cells]
    twice = next((name for name in names if names.count(name) > 1), None)
    if twice is not None:
        raise InputError(f"{place}: has two columns '{shown(twice)}'; expected each name once, rename one")
    return names


def _geometry(table: pd.DataFrame, columns: dict, place: str) -> tuple[np.ndarray, np.ndarray, tuple[str, ...]]:
    """Geometries, why there is none where something is written, and the columns they were made of."""
    for ours in ("x", "y", "wkt"):
        if ours in columns and columns[ours] not in table:
            near = did_you_mean(columns[ours], table.columns)
            raise InputError(f"{place}: has no column '{shown(columns[ours])}' (for {ours}); {near}")
    by_lower = {str(name).lower(): name for name in table}
    if "x" in columns or "y" in columns:
        if not {"x", "y"} <= set(columns) or "wkt" in columns:
            raise InputError(f"{place}: expected x and y together under columns, or wkt alone")
        pair = (columns["x"], columns["y"])
        return *_points(table, pair, place), pair
    wkt = columns.get("wkt") or _first(_WKT, by_lower)
    if wkt is not None:
        return *_from_wkt(table[wkt], place), (wkt,)
    for pair in _PAIRS:
        if set(pair) <= set(by_lower):
            found = (by_lower[pair[0]], by_lower[pair[1]])
            return *_points(table, found, place), found
    names = ", ".join(map(shown, table.columns[:MOST_NAMED]))
    raise InputError(
        f"{place}: no column of coordinates is known among {names}; add under columns "
        "{x: YOUR_EASTING_OR_LONGITUDE, y: YOUR_NORTHING_OR_LATITUDE}, or {wkt: YOUR_WKT}"
    )


def _first(names: Iterable[str], known: dict[str, str]) -> str | None:
    return next((known[name] for name in names if name in known), None)


def _points(table: pd.DataFrame, pair: tuple[str, str], place: str) -> tuple[np.ndarray, np.ndarray]:
    (x, bad_x), (y, bad_y) = (_coordinates(table[name], name, place) for name in pair)
    xy = np.column_stack([x, y])
    out = np.full(len(table), None, object)
    there = np.isfinite(xy).all(axis=1)
    out[there] = shapely.points(xy[there])
    return out, np.where(np.equal(bad_x, None), bad_y, bad_x)


def _coordinates(cells: pd.Series, name: str, place: str) -> tuple[np.ndarray, np.ndarray]:
    """Numbers, and what is wrong with a cell that is none."""
    numbers = [np.nan if cell is None else number_of(cell) for cell in cells]
    faults = np.array([
        f"{shown(name)}: '{shown(cell)}' is not a coordinate" if number is None else None
        for number, cell in zip(numbers, cells, strict=True)
    ], object)  # fmt: skip
    mend = "expected a decimal number, as in '41.5512' or '600123.45', correct it in the table"
    _refuse_most(faults, lambda k: f"{place}: feature {cells.index[k]}: {faults[k]}; {mend}")
    return np.array(numbers, float), faults


def _from_wkt(cells: pd.Series, place: str) -> tuple[np.ndarray, np.ndarray]:
    """Geometries, and why there is none; some are not tried: GEOS reads collections by calling itself (see `wkb`)."""
    held = cells.map(lambda cell: cell is not None and _NESTED.match(cell) is not None).to_numpy(bool)
    shape = np.array(shapely.from_wkt(np.where(held, None, cells.to_numpy(object)), on_invalid="ignore"), object)
    faults = np.full(len(cells), None, object)
    for k in np.flatnonzero(np.equal(shape, None) & cells.notna().to_numpy() & ~held):
        faults[k] = f"{shown(cells.name)}: '{shown(cells.iloc[k], longest=60)}' is not WKT"
    mend = "expected for example 'LINESTRING (600100 4600010, 600200 4600010)', correct it in the table"
    _refuse_most(faults, lambda k: f"{place}: feature {cells.index[k]}: {faults[k]}; {mend}")
    faults[held] = OTHER
    return shape, faults


def _typed(cells: pd.Series, sound: np.ndarray) -> pd.Series:
    """Numbers where every cell of a sound record is plainly one; codes with leading zeros and all else stay text."""
    missing = cells.isna() | cells.str.lower().eq("nan") | ~sound
    said = cells[~missing]
    if len(said) == 0 or not said.map(lambda cell: bool(_PLAIN.fullmatch(cell))).all():
        return cells
    numbers = [np.nan if gone else number_of(cell) for cell, gone in zip(cells, missing, strict=True)]
    if any(number is None for number in numbers):
        return cells
    values = np.array(numbers, float)
    whole = np.isfinite(values).all() and (values == np.floor(values)).all() and (np.abs(values) < 2**53).all()
    return pd.Series(values.astype(np.int64) if whole else values, index=cells.index)
