"""Columns in the units that people asked for: what a cell is divided by, its unit and how many digits it shows."""

from __future__ import annotations

from dataclasses import dataclass

from pipeline import columns as c
from pipeline.core.show import ACRE_M2, FOOT_M, HECTARE_M2, INCH_M, MILE_M
from pipeline.files.table_words import ColumnWords

# Errors, offsets, widths and shifts: inches or centimetres. Other lengths are of rows: feet or metres.
SMALL = {
    c.REPEATABLE_95_M, c.WORST_95_M, c.LARGEST_REPEATABLE_M, c.NARROWEST_STRIP_M, c.FRAME_EAST_M, c.FRAME_NORTH_M,
    c.EAST_M, c.NORTH_M, c.ALONG_M, c.ACROSS_M, c.PROMISED_95_M, c.STRIP_WIDTH_M, c.ROW_SPACING_M,
    *(name for name in c.CHECK_FACTS if name.endswith("_m")),
}  # fmt: skip
# Parts of an audit, among which the distance over which the wander forgets itself is long: feet or metres, and small ones.
PARTS = {c.VALUE_M, c.SE_M, c.LOW_M, c.HIGH_M}
# A price may have digits beyond the cent.
PRICES = {c.UNIT_PRICE_MONEY, c.PRICE_MONEY, *(side[1] for side in c.FLIPS.values())}
WHOLE_NUMBER, ONE_DIGIT, TWO_DIGITS, THREE_DIGITS = "#,##0", "#,##0.0", "#,##0.00", "#,##0.000"
PER_CENT, ISO_DATE = "0.0%", "yyyy-mm-dd"
# Two digits at least, as money has, and those beyond them that there are.
MONEY_AND_MORE = "#,##0.00####"


@dataclass(frozen=True)
class ShownColumn:
    """How a column is shown.

    Attributes
    ----------
    heading : str
        Name with its unit.
    unit : str
        As it is said; "" where there is none.
    size : float
        SI value of one of the unit.
    digits : str
        Number format of a spreadsheet; "" for text.
    """

    heading: str
    unit: str
    size: float
    digits: str

    @classmethod
    def of(cls, column: ColumnWords, *, units: str) -> ShownColumn:
        """A column in `units`, "us" or "metric"."""
        unit, size, digits = _shown(column, us=units == "us")
        stem = column.name.removesuffix(f"_{column.unit}") if size != 1.0 or unit == column.unit else column.name
        heading = f"{stem} [{unit}]" if unit and unit != "%" else column.name
        return cls(heading, unit, size, digits)


def _shown(column: ColumnWords, *, us: bool) -> tuple[str, float, str]:
    if column.kind == "date":
        return "", 1.0, ISO_DATE
    if column.kind not in ("number", "integer"):
        return "", 1.0, ""
    if column.name == c.QUANTITY:
        return "", 1.0, MONEY_AND_MORE
    if column.unit == "m":
        return _length(column.name, us=us)
    others = {
        "m2": ("ac", ACRE_M2, ONE_DIGIT) if us else ("ha", HECTARE_M2, TWO_DIGITS),
        "1": ("%", 1.0, PER_CENT), "deg": ("deg", 1.0, "0.000000" if column.name in c.PLACES else ONE_DIGIT),
        "min": ("min", 1.0, WHOLE_NUMBER),
        "currency": ("currency", 1.0, MONEY_AND_MORE if column.name in PRICES else TWO_DIGITS),
        "ha": ("ac", ACRE_M2 / HECTARE_M2, ONE_DIGIT) if us else ("ha", 1.0, TWO_DIGITS),
    }  # fmt: skip
    # Of what has no unit that is known, the cells keep the digits they have.
    return others.get(column.unit, (column.unit, 1.0, WHOLE_NUMBER if column.kind == "integer" else "General"))


def _length(name: str, *, us: bool) -> tuple[str, float, str]:
    plain = name.removeprefix("checked_")
    if plain == c.BASELINE_M:
        return ("mi", MILE_M, ONE_DIGIT) if us else ("km", 1000.0, ONE_DIGIT)
    if plain in SMALL:
        return ("in", INCH_M, ONE_DIGIT) if us else ("cm", 0.01, ONE_DIGIT)
    digits = THREE_DIGITS if plain in PARTS else WHOLE_NUMBER
    return ("ft", FOOT_M, digits) if us else ("m", 1.0, digits)
