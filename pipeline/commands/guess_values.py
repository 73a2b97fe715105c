"""Whether the values of a column can be one of ours, read as the intake will read them, and in which unit."""

from collections.abc import Callable, Collection

import pandas as pd

from pipeline import columns as c
from pipeline.commands.guess_rows import usual
from pipeline.commands.quoting import named
from pipeline.core.frame_names import FRAMES, frame_named
from pipeline.errors import InputError
from pipeline.files.column_values import LENGTHS, TIMES, in_one_writing, is_naive
from pipeline.files.intake import Source
from pipeline.files.spots import FACTORS
from pipeline.files.texts import text_of
from pipeline.files.units import SPEED, to_si
from pipeline.files.values import LIMITS, booleans_of, lengths_of, seconds_of

#: A strip this wide is no strip; the column means the implement [m].
WIDEST_STRIP_M = 0.6
#: A seed row farther than this from its strip was measured in another unit [m].
FARTHEST_OFF_M = 1.0
#: Faster on the road than any implement is at work, whatever the unit [m/s].
FASTEST_M_S = 40.0
#: Units that a column's name may end in, as the configuration writes them; None is ours.
NAMED_UNITS = {
    "m": None, "in": "in", "inch": "in", "inches": "in", "cm": "cm", "mm": "mm", "ft": "ft", "feet": "ft",
    "kmh": "km/h", "kph": "km/h", "mph": "mph", "knots": "knot", "kn": "knot",
}  # fmt: skip
#: Steps in which people choose a width, by unit.
_STEPS = {"in": 0.125, "cm": 0.5, "mm": 1.0}
# What the years 1980 and 2100 are in seconds and in milliseconds since 1970.
_MOMENTS = (("s", 315_532_800, 4_102_444_800), ("ms", 315_532_800_000, 4_102_444_800_000))


def written(values: pd.Series, ours: str, unit: str | None = None) -> pd.Series:
    """Values as the intake puts them before it checks them."""
    source = Source("", None, {}, {}, units={} if unit is None else {ours: unit})
    return in_one_writing(values, ours, source, "")[0]


def units_of(ours: str, there: pd.Series, words: list[str], spacing_unit: str | None) -> list[str | None]:
    """Units that a column's bare numbers may be in, the likeliest first; None is ours.

    Parameters
    ----------
    ours : str
    there : Series
        Its values, none of them missing.
    words : list of str
        The words of its name, of which the last may be a unit.
    spacing_unit : str or None
        That of the column of row spacings: a strip's width is in the same.
    """
    number = pd.to_numeric(there, errors="coerce")
    if ours in TIMES and number.notna().all():
        return [unit for unit, low, high in _MOMENTS if number.between(low, high).all()] or [None]
    if ours not in (*LENGTHS, c.SPEED) or number.isna().all():
        return [None]
    if words and words[-1] in NAMED_UNITS:
        return [NAMED_UNITS[words[-1]]]
    bare = [None, "m"] if there.map(lambda value: isinstance(value, str)).any() and ours in LENGTHS else [None]
    if ours == c.ROW_SPACING:
        return bare + [unit for unit in _STEPS if _are_usual(number, unit)]
    if ours == c.STRIP_WIDTH:
        return bare + ([spacing_unit] if _are_in_steps(number, spacing_unit) else [])
    return bare + list(_STEPS) if ours in LENGTHS else bare


def _are_usual(number: pd.Series, unit: str) -> bool:
    """Whether the middle number is a usual row spacing in a unit, which tells 30 inches from 30 centimetres."""
    spacing_m = lengths_of(pd.Series([f"{number.median()} {unit}"]), "", "")[0]
    name = usual(spacing_m) if spacing_m > 0 else None
    return name is not None and (unit == "mm" or name.endswith(unit))


def _are_in_steps(number: pd.Series, unit: str | None) -> bool:
    """Whether all numbers are plain ones: 9.144 is a bar in metres and no strip in inches."""
    step = _STEPS.get(unit or "")
    return step is not None and bool(((number / step).round() * step == number).all())


def doubt_of(there: pd.Series, ours: str, unit: str | None, tiers: Collection[str]) -> str:
    """What speaks against taking values for ours, their bare numbers being in a unit; "" for nothing.

    Parameters
    ----------
    there : Series
        As the file has them, none of them missing.
    ours : str
    unit : str or None
    tiers : collection of str
        Ids of the catalogue.
    """
    if ours == c.TIER:
        strange = next((text_of(value) for value in there if text_of(value) not in tiers), None)
        return f"holds {named(strange)}, which is no tier of the catalogue" if strange is not None else ""
    try:
        return _TESTS[ours](written(there, ours, unit), there) if ours in _TESTS else ""
    except InputError as error:  # a reader's own words, without the place
        return str(error).partition(f"{ours}: ")[2].removesuffix("; correct it in the layer")


def says_no_zone(times: pd.Series) -> bool:
    """Whether any of the times, in one writing, is a local one for all it says."""
    return bool(times.map(is_naive).any())


_Test = Callable[[pd.Series, pd.Series], str]


def _first(there: pd.Series, bad: pd.Series, what: str) -> str:
    return f"{named(text_of(there[bad].iloc[0]))} is {what}" if bad.any() else ""


def _is_count(values: pd.Series, there: pd.Series) -> str:
    low, high = LIMITS[c.ROW_COUNT]
    number = pd.to_numeric(values, errors="coerce")
    return _first(there, ~((number >= low) & (number <= high) & (number == number.round())), "no number of rows")


def _is_length(ours: str, low: float, high: float) -> _Test:
    def test(values: pd.Series, there: pd.Series) -> str:
        metres = lengths_of(values, "", ours)
        hint = "a number there counts as metres; say its unit under units, or give a constant instead"
        return _first(there, ~((metres >= low) & (metres <= high)), f"not {low:g} to {high:g} m ({hint})")

    return test


def _is_time(ours: str) -> _Test:
    def test(values: pd.Series, there: pd.Series) -> str:
        seconds_of(values, "", ours)
        return ""

    return test


def _is_frame(values: pd.Series, there: pd.Series) -> str:
    strange = values.map(lambda value: frame_named(text_of(value)) is None)
    return _first(there, strange, f"no known frame ({', '.join(FRAMES)})")


def _is_speed(values: pd.Series, there: pd.Series) -> str:
    """As the log of points reads it: numbers count as m/s, text has a unit."""

    def sound(value: object) -> bool:
        try:
            speed = to_si(value, kind=SPEED) if isinstance(value, str) else float(value)  # type: ignore[arg-type]
        except (TypeError, ValueError):
            return False
        return 0.0 <= speed <= FASTEST_M_S

    return _first(there, ~values.map(sound).astype(bool), f"no speed of 0 to {FASTEST_M_S:g} m/s")


def _is_number(low: float, high: float, what: str) -> _Test:
    def test(values: pd.Series, there: pd.Series) -> str:
        number = pd.to_numeric(values, errors="coerce")
        return _first(there, ~((number >= low) & (number <= high)), f"no {what}")

    return test


def _is_yes_or_no(ours: str) -> _Test:
    def test(values: pd.Series, there: pd.Series) -> str:
        booleans_of(values.to_frame(ours), ours, "", otherwise=True)
        return ""

    return test


_TESTS: dict[str, _Test] = {
    c.ROW_COUNT: _is_count, c.ROW_SPACING: _is_length(c.ROW_SPACING, *LIMITS[c.ROW_SPACING_M]),
    c.STRIP_WIDTH: _is_length(c.STRIP_WIDTH, LIMITS[c.STRIP_WIDTH_M][0], WIDEST_STRIP_M),
    c.OFFSET: _is_length(c.OFFSET, -FARTHEST_OFF_M, FARTHEST_OFF_M),
    c.DISTANCE: _is_length(c.DISTANCE, 0.0, FARTHEST_OFF_M), c.TAPE_ERROR: _is_length(c.TAPE_ERROR, 0.0, 0.5),
    c.STARTED_AT: _is_time(c.STARTED_AT), c.ENDED_AT: _is_time(c.ENDED_AT),
    c.FRAME: _is_frame, c.EPOCH: _is_number(1980, 2100, "year between 1980 and 2100"),
    c.SURVEYED: _is_yes_or_no(c.SURVEYED), c.UNAVAILABLE: _is_yes_or_no(c.UNAVAILABLE),
    c.FACTOR: _is_number(*FACTORS, f"factor of {FACTORS[0]:g} to {FACTORS[1]:g}"),
    c.SPEED: _is_speed, c.HEADING: _is_number(-360.0, 360.0, "heading in degrees"),
    c.RECORD: _is_number(0.0, float("inf"), "number of a record"),
}  # fmt: skip
