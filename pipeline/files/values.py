"""Values of line features as numbers in SI and text; a bad one rejects its feature, an unreadable one is an error."""

from dataclasses import replace
from functools import lru_cache
from numbers import Number

import numpy as np
import pandas as pd

from pipeline import columns as c
from pipeline.errors import InputError
from pipeline.files.layers import Layer
from pipeline.files.numbers import number_of
from pipeline.files.texts import shown
from pipeline.files.units import LENGTH, to_si

# Satellites give positions since 1980; the configuration's epochs have the same limits.
_TIMES = pd.Timestamp("1980-01-01", tz="UTC"), pd.Timestamp("2100-01-01", tz="UTC")
_YES, _NO = ("true", "yes", "1", "t", "y"), ("false", "no", "0", "f", "n")
# What a row unit can be, [least, most]; outside it is a slip of the unit.
LIMITS = {c.ROW_COUNT: (1, 120), c.ROW_SPACING_M: (0.1, 5.0), c.STRIP_WIDTH_M: (0.02, 5.0)}
_THEIRS = {c.ROW_SPACING_M: c.ROW_SPACING, c.STRIP_WIDTH_M: c.STRIP_WIDTH}


def with_numbers(found: Layer, place: str) -> Layer:
    """Counts and lengths as numbers in SI; a value outside the limits rejects its feature."""
    kept = found.kept.copy()
    counted = kept[c.ROW_COUNT]
    kept[c.ROW_COUNT] = pd.to_numeric(kept[c.ROW_COUNT], errors="coerce")
    for ours, theirs in _THEIRS.items():
        kept[ours] = lengths_of(kept[theirs], place, theirs) if theirs in kept else np.nan
    found = replace(found, kept=kept)
    for name, (low, high) in LIMITS.items():
        if name == c.STRIP_WIDTH_M and c.STRIP_WIDTH not in found.kept:
            continue
        value = found.kept[name].to_numpy(float)
        bad = ~((value >= low) & (value <= high))
        if name == c.ROW_COUNT:
            bad |= value != np.floor(value)
        if bad.any():
            said = counted[found.kept.index] if name == c.ROW_COUNT else found.kept[name]
            reasons = [_out_of_limits(name, *pair) for pair in zip(value, said, strict=True)]
            found = found.reject(bad, np.array(reasons, object))
    return replace(found, kept=found.kept.astype({c.ROW_COUNT: np.int64}))


def _out_of_limits(name: str, value: float, said: object) -> str:
    """What stands there, as a number or as it is written where none could be read, and what was expected."""
    low, high = LIMITS[name]
    unit = " m" if name in _THEIRS else ""
    found = f"{value:g}{unit}" if not np.isnan(value) else "missing" if pd.isna(said) else f"'{shown(said)}'"
    more = "; bare numbers are metres, or what units says" if unit else ""
    whole = "" if unit else "a whole number, "
    return f"{_THEIRS.get(name, name)} is {found}, expected {whole}{low:g} to {high:g}{unit}{more}"


def without_misfits(found: Layer, row_margin_m: float) -> Layer:
    """Strips that would touch their neighbours, or of which the margin leaves nothing, are rejects."""
    if c.STRIP_WIDTH_M not in found.kept or found.kept[c.STRIP_WIDTH_M].isna().all():
        return found
    width, spacing = (found.kept[name].to_numpy(float) for name in (c.STRIP_WIDTH_M, c.ROW_SPACING_M))
    pairs = zip(width, spacing, strict=True)
    wide = [f"{c.STRIP_WIDTH} is {w:g} m, expected less than {c.ROW_SPACING}, {s:g} m" for w, s in pairs]
    found = found.reject(width >= spacing, np.array(wide, object))
    width = found.kept[c.STRIP_WIDTH_M].to_numpy(float)
    narrow = [f"{c.STRIP_WIDTH} is {w:g} m, expected more than twice judging.row_margin, {row_margin_m:g} m" for w in width]
    return found.reject(0.5 * width <= row_margin_m, np.array(narrow, object))


def lengths_of(values: pd.Series, place: str, name: str) -> pd.Series:
    """Lengths of a column [m]; an unreadable one is an error, since it is a slip of the whole column."""

    def read(feature: object, value: object) -> float:
        try:
            return _length(value)
        except ValueError as error:
            bare = isinstance(value, str) and number_of(value) is not None
            units = f", or say what bare numbers are, as in units: {{{name}: in}}" if bare else ""
            raise InputError(f"{place}: feature {feature}: {name}: {error}; correct it in the layer{units}") from None

    return pd.Series([read(*item) for item in values.items()], index=values.index, dtype=float)


def _length(value: object) -> float:
    """A length of a column: numbers are metres, text carries its unit."""
    if value is None or pd.isna(value):
        return float("nan")
    if isinstance(value, str):
        return _written_length(value)
    if not isinstance(value, Number):
        raise ValueError(
            f"'{shown(value)}' is not a {LENGTH.name}; expected a number of metres, or text as {LENGTH.written(1)}"
        )
    return float(value)  # type: ignore[arg-type]


@lru_cache(maxsize=1024)
def _written_length(text: str) -> float:
    """A layer has many features and few widths."""
    return to_si(text, kind=LENGTH)


def seconds_of(times: pd.Series, place: str, name: str) -> pd.Series:
    """UTC seconds since 1970; a missing time stays missing. Bare numbers are no times: nobody knows since when."""
    said = times.mask(times.map(lambda time: isinstance(time, str) and not time.strip()))
    numbers = said.map(lambda time: isinstance(time, Number))
    moments = pd.to_datetime(said.mask(numbers), utc=True, errors="coerce", format="ISO8601")
    bad = said.index[(moments.isna() & said.notna()).to_numpy()]
    if len(bad):
        raise InputError(
            f"{place}: feature {bad[0]}: {name}: '{shown(said[bad[0]])}' is not a time; expected ISO 8601 in UTC, as in "
            "'2026-04-20T14:05:00Z', or a date-time column; correct it in the layer"
        )
    wild = moments.index[((moments < _TIMES[0]) | (moments > _TIMES[1])).to_numpy()]
    if len(wild):
        raise InputError(
            f"{place}: feature {wild[0]}: {name}: '{shown(said[wild[0]])}' is out of range; expected a time from "
            f"{_TIMES[0].year} to {_TIMES[1].year}; correct it in the layer"
        )
    return (moments - pd.Timestamp("1970-01-01", tz="UTC")) / pd.Timedelta(seconds=1)


def booleans_of(kept: pd.DataFrame, name: str, place: str, *, otherwise: bool) -> np.ndarray:
    """A column of yes and no; `otherwise` where there is none or nothing in it."""
    if name not in kept:
        return np.full(len(kept), otherwise)
    said = kept[name].map(lambda value: "" if value is None or value != value else str(value).strip().lower())
    said = said.str.removesuffix(".0")
    unread = ~said.isin([*_YES, *_NO, ""]).to_numpy()
    if unread.any():
        value = shown(kept[name][unread].iloc[0])
        raise InputError(
            f"{place}: feature {kept.index[unread][0]}: {name}: '{value}' is neither true nor false; expected one of them, "
            "correct it in the layer"
        )
    return np.where(said == "", otherwise, said.isin(_YES))
