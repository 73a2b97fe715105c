"""What a GeoPackage holds in columns of numbers: SQLite lets anything be stored there, and GDAL makes some number of it."""

import sqlite3
from collections.abc import Iterable
from contextlib import closing
from pathlib import Path

from pipeline.errors import InputError
from pipeline.files.texts import shown

# Types of OGR whose columns hold whole numbers, and numbers.
_WHOLE, _NUMBERS = ("OFTInteger", "OFTInteger64"), ("OFTInteger", "OFTInteger64", "OFTReal")


def check_stored_numbers(path: Path, layer: str, kinds: Iterable[tuple[str, str]], place: str) -> None:
    """Refuse text in columns of numbers, and fractions in those of whole ones: both would be read as other numbers.

    Parameters
    ----------
    path : Path
        A GeoPackage.
    layer : str
    kinds : iterable of (str, str)
        Name of each column that is read, and its type as OGR calls it.
    place : str
        For errors.

    Raises
    ------
    InputError
        With the first such value.
    """
    with closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True)) as base:
        for name, kind in kinds:
            if kind not in _NUMBERS:
                continue
            found = _first_other(base, layer, name, whole=kind in _WHOLE)
            if found is not None:
                feature, value = found
                who = "a feature" if feature is None else f"feature {feature}"
                of = "whole numbers" if kind in _WHOLE else "numbers"
                said = f"{place}: {who}: column '{shown(name)}' is one of {of} and holds '{shown(value)}'"
                raise InputError(
                    f"{said}, which would be read as another number; store a number there, or make it a column of text, in "
                    "which a length may have its unit (0.5 in)"
                )


def _first_other(base: sqlite3.Connection, layer: str, name: str, *, whole: bool) -> tuple[int | None, object] | None:
    """Feature and value of the first that is no number, or no whole one."""
    column, table = (f'"{one.replace(chr(34), 2 * chr(34))}"' for one in (name, layer))
    column = f"t.{column}"  # by itself SQLite takes a name that it does not know for text
    other = f"typeof({column}) IN ('text', 'blob')"
    if whole:
        other += f" OR (typeof({column}) = 'real' AND {column} <> round({column}))"
    try:
        return base.execute(f"SELECT t.rowid, {column} FROM {table} AS t WHERE {other} LIMIT 1").fetchone()
    except sqlite3.Error:  # a view has no row ids
        pass
    try:
        found = base.execute(f"SELECT {column} FROM {table} AS t WHERE {other} LIMIT 1").fetchone()
    except sqlite3.Error:  # no table of that name: what reads the layer says more
        return None
    return None if found is None else (None, found[0])
