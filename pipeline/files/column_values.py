"""Columns of a layer in one way of writing: lengths and speeds in SI, counts as numbers, times as moments in UTC."""

import re
from numbers import Number
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from pipeline import columns as c
from pipeline.core.show import so_many
from pipeline.errors import InputError
from pipeline.files.numbers import number_of, plain_number, split_unit
from pipeline.files.units import LENGTH, SPEED, Kind, to_si

LENGTHS = (c.ROW_SPACING, c.STRIP_WIDTH, c.OFFSET, c.DISTANCE, c.TAPE_ERROR)
TIMES = (c.STARTED_AT, c.ENDED_AT)
#: Units of a bare number in a column of times, counted from 1970-01-01 UTC.
EPOCH_UNITS = ("s", "ms")
# At the end of a time: ISO 8601 has a letter for it.
_UTC = re.compile(r"\s*(?:UTC|GMT)$", re.IGNORECASE)
_ROWS = re.compile(r"(\d+(?:[.,]0+)?)\s*-?\s*(?:rows?|row units?|units?)", re.IGNORECASE)
_DATE = re.compile(r"\d{4}-\d{2}-\d{2}|\d{8}")
_OFFSET = re.compile(r"(?:Z|[+-]\d{2}(?::?\d{2})?)$", re.IGNORECASE)


def in_one_writing(values: pd.Series, name: str, source, place: str) -> tuple[pd.Series, list[str]]:
    """A column as the checks after it expect it; a value that cannot be read is left for them to refuse.

    Parameters
    ----------
    values : Series
        As the file has them.
    name : str
        Our name of the column.
    source : Source
        With `units` and `timezone`.
    place : str
        For errors.

    Returns
    -------
    values : Series
    notes : list of str

    Raises
    ------
    InputError
        If a time never was in the time zone told.
    """
    if pd.api.types.is_numeric_dtype(values) and name not in (*TIMES, *source.units):
        return values, []
    if name in (*LENGTHS, c.SPEED):
        unit, kind = source.units.get(name), SPEED if name == c.SPEED else LENGTH
        return values.map(lambda value: _quantity(value, unit, kind)), []
    if name in (c.ROW_COUNT, c.EPOCH, c.FACTOR, c.HEADING, c.RECORD):
        return values.map(_count), []
    if name in TIMES:
        return _times(values, name, source, place)
    return values, []


def _quantity(value: object, unit: str | None, kind: Kind) -> object:
    """A quantity with a point for its decimal mark; a bare number is in the unit told."""
    if isinstance(value, str):
        number, behind = split_unit(value)
        if behind or unit is None:
            return f"{number} {behind}".strip() if number_of(number) is not None else value
        return to_si(f"{number} {unit}", kind=kind) if number_of(number) is not None else value
    if unit is None or value is None or pd.isna(value):
        return value
    return float(value) * to_si(f"1 {unit}", kind=kind)  # type: ignore[arg-type]


def _count(value: object) -> object:
    """A number that is written as text, with `rows` behind it or not."""
    if not isinstance(value, str):
        return value
    match = _ROWS.fullmatch(value.strip())
    return plain_number(match.group(1) if match else value)


def _times(values: pd.Series, name: str, source, place: str) -> tuple[pd.Series, list[str]]:
    notes: list[str] = []
    if pd.api.types.is_datetime64_any_dtype(values):
        if values.notna().any() and (values.dropna() == values.dropna().dt.normalize()).all():
            return values.mask(values.notna()), [_dates_note(name, int(values.notna().sum()))]
        if source.timezone is None:
            return values, notes
        if values.dt.tz is not None:
            return values, _own_zone_note(name, source.timezone, values)
        return _localized(values, values.astype(object), name, source.timezone, place)
    said = values.map(lambda value: (_UTC.sub("Z", value.strip()) or None) if isinstance(value, str) else value)
    is_date = said.map(lambda value: isinstance(value, str) and bool(_DATE.fullmatch(value))).astype(bool)
    if is_date.any():
        notes.append(_dates_note(name, int(is_date.sum())))
        said = said.mask(is_date)
    if name in source.units:
        said = said.map(lambda value: _since_1970(value, source.units[name]))
    if source.timezone is None:
        return said, notes
    naive = said.map(is_naive).astype(bool)
    if not naive.any():
        return said, notes + _own_zone_note(name, source.timezone, said)
    moments = pd.to_datetime(said.where(naive), errors="coerce", format="ISO8601")
    out, more = _localized(moments, said, name, source.timezone, place)
    return out, notes + more


def _dates_note(name: str, count: int) -> str:
    dates = so_many(count, "value is a date", "values are dates")
    return f"{name}: {dates} without a time of day: no time is told, and passes go by place"


def _own_zone_note(name: str, timezone: str, values: pd.Series) -> list[str]:
    count = int(values.notna().sum())
    said = f"each of {so_many(count, 'time')} says its own offset from UTC: timezone {timezone} has no part in them"
    return [f"{name}: {said}"] if count else []


def _since_1970(value: object, unit: str) -> object:
    number = number_of(value) if isinstance(value, str) else value
    if not isinstance(number, Number) or pd.isna(number):
        return value
    seconds = float(number) / (1.0 if unit == "s" else 1000.0)  # type: ignore[arg-type]
    return pd.Timestamp(round(seconds * 1e6), unit="us", tz="UTC")


def is_naive(value: object) -> bool:
    """Whether a time says neither its offset from UTC nor its zone."""
    if isinstance(value, str):
        day, _, clock = value.replace("T", " ").partition(" ")
        return bool(day and clock) and not _OFFSET.search(clock)
    return isinstance(value, pd.Timestamp) and value.tzinfo is None and not pd.isna(value)


def _localized(naive: pd.Series, said: pd.Series, name: str, timezone: str, place: str) -> tuple[pd.Series, list[str]]:
    """Local times as moments in UTC; the hour that comes twice in autumn is taken for the first of the two."""
    zone = ZoneInfo(timezone)
    first, second = (
        naive.dt.tz_localize(zone, ambiguous=np.full(len(naive), summer), nonexistent="NaT") for summer in (True, False)
    )
    never = first.index[(first.isna() & naive.notna()).to_numpy()]
    if len(never):
        raise InputError(
            f"{place}: feature {never[0]}: {name}: '{said[never[0]]}' never was in {timezone}, where clocks went forward "
            "over it; expected a local time of that zone, correct timezone or the value"
        )
    twice = int((first != second)[naive.notna()].sum())
    said_twice = f"{so_many(twice, 'time')} came twice in {timezone} as clocks went back: the first was taken"
    notes = [f"{name}: {said_twice}"] if twice else []
    moments = first.dt.tz_convert("UTC").astype(object)
    return moments.where(naive.notna(), said), notes
