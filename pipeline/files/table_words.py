"""What the columns of the tables are: type, unit and meaning of each, once for `datapackage.json` and the workbook.

A column that is not named here still comes through: its unit is read off the end of its name, its type off its cells.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

from pipeline import columns as c
from pipeline.files.table_meanings import CHECKED, KEYS, MEANINGS, OF_TABLE, TABLES

# A bound of a share, such as `miss_share_p10`, or the share before something, has the unit of a share.
_UNITS = re.compile(r"_(?P<unit>m2|m|deg|min|s|share|p|probability|money)(_before|_after|_p\d\d)?")
# Which currency stands in a column of its own.
_SAID_UNITS = {"share": "1", "p": "1", "probability": "1", "money": "currency"}
_TRUE_OR_FALSE = {c.TIGHT, c.WHOLE}
_DATES = {c.DAY_UTC}
# Numbers without a unit at the end of their name.
_NUMBERS = {
    c.DAY: "", c.PROBABILITY_WITHIN: "1", c.LONGITUDE: "deg", c.LATITUDE: "deg", c.QUANTITY: "", c.BREAK_EVEN_HA: "ha",
    c.STANDARD_SHARE: "1", **{side[0]: "" for side in c.FLIPS.values()},
}  # fmt: skip


@dataclass(frozen=True)
class ColumnWords:
    """What is said of a column.

    Attributes
    ----------
    name : str
        In the table.
    kind : {"string", "number", "integer", "boolean", "date"} or None
        Type of its cells; None where only they can tell.
    unit : str
        SI unit, "1" for shares and probabilities, "currency" for money, "" where there is none.
    meaning : str
    """

    name: str
    kind: str | None
    unit: str
    meaning: str


def words_of(name: str, *, table: str = "") -> ColumnWords:
    """What is known of a column by its name, and by that of its table's file without ending."""
    unit = _unit(name)
    return ColumnWords(name, _kind(name, unit), unit, OF_TABLE.get((table, name)) or _meaning(name))


def table_words(name: str) -> tuple[str, list[str]]:
    """Title of a table, by its file's name without ending, and the columns that tell its lines apart (none: no such)."""
    return TABLES.get(name, (name.replace("_", " ").capitalize(), []))


def reading_order(table: Path) -> tuple[int, str]:
    """Where a table comes among others: the fields first, what is not named here last, by name."""
    return list(TABLES).index(table.stem) if table.stem in TABLES else len(TABLES), table.stem


def _unit(name: str) -> str:
    if name in _NUMBERS:
        return _NUMBERS[name]
    found = re.search(rf"{_UNITS.pattern}$", f"_{name}")
    return _SAID_UNITS.get(found["unit"], found["unit"]) if found else ""


def _kind(name: str, unit: str) -> str | None:
    kinds = ((c.COUNTS, "integer"), (_TRUE_OR_FALSE, "boolean"), (_DATES, "date"), (_NUMBERS, "number"))
    for names, kind in kinds:
        if name in names:
            return kind
    if not _meant(name):
        return None  # its end may promise what its cells do not hold
    return "number" if unit else "string"


def _meaning(name: str) -> str:
    return _meant(name) or name.replace("_", " ")


def _meant(name: str) -> str:
    plain = name.removeprefix(CHECKED)
    if plain != name and plain in MEANINGS:
        return f"after the ground checks: {MEANINGS[plain]}"
    return MEANINGS.get(name) or KEYS.get(name) or ""
