"""The description of the tables for machines: a Frictionless data package (specs.frictionlessdata.io, version 1)."""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator
from pathlib import Path

from pipeline.files.cautions import FOOT
from pipeline.files.store import sha256
from pipeline.files.table_words import ColumnWords, table_words, words_of

_NUMBER = re.compile(r"-?\d+(\.\d+)?")


def data_package(tables: list[Path], *, title: str) -> dict:
    """The package that describes these tables.

    Parameters
    ----------
    tables : list of Path
        CSV files of one folder, which the package will lie in.
    title : str
        Of the run.

    Returns
    -------
    dict
        What `datapackage.json` holds.
    """
    return {
        "profile": "tabular-data-package", "name": "rowreturn-results", "title": title,
        "description": f"Which planted rows will stand on their strips, by correction tier. SI units. {FOOT}",
        "resources": [_resource(path) for path in sorted(tables)],
    }  # fmt: skip


def columns_of(path: Path) -> list[ColumnWords]:
    """Names, types, units and meanings of the columns of a table, in its order."""
    said = [words_of(name, table=path.stem) for name in next(lines_of(path))]
    unknown = [place for place, one in enumerate(said) if one.kind is None]
    kinds = _kinds(path, unknown) if unknown else {}
    return [
        ColumnWords(one.name, one.kind or kinds[place], one.unit, one.meaning) for place, one in enumerate(said)
    ]


def lines_of(path: Path) -> Iterator[list[str]]:
    """The lines of a table, that of the names first."""
    with path.open(encoding="utf-8", newline="") as stream:
        yield from csv.reader(stream)


def _kinds(path: Path, places: list[int]) -> dict[int, str]:
    """Numbers where there is something and all of it is a number, text otherwise."""
    numeric, filled = dict.fromkeys(places, True), dict.fromkeys(places, False)
    lines = lines_of(path)
    next(lines)
    for line in lines:
        for place in places:
            if line[place]:
                filled[place] = True
                numeric[place] = numeric[place] and _NUMBER.fullmatch(line[place]) is not None
    return {place: "number" if numeric[place] and filled[place] else "string" for place in places}


def _resource(path: Path) -> dict:
    title, key = table_words(path.stem)
    schema = {"fields": [_field(one) for one in columns_of(path)], "missingValues": [""]}
    return {
        "profile": "tabular-data-resource", "name": path.stem.replace("_", "-").lower(), "title": title,
        "path": path.name, "format": "csv", "mediatype": "text/csv", "encoding": "utf-8",
        "dialect": {"delimiter": ",", "lineTerminator": "\n", "header": True},
        "bytes": path.stat().st_size, "hash": f"sha256:{sha256(path)}",
        "schema": schema | ({"primaryKey": key} if key else {}),
    }  # fmt: skip


def _field(one: ColumnWords) -> dict:
    out = {"name": one.name, "type": one.kind, "description": one.meaning}
    return out | ({"unit": one.unit} if one.unit else {})
