"""Numbers of a GeoPackage that are none: SQLite keeps what a script stores, whatever the column is for."""

import sqlite3
from contextlib import closing

import pytest
from workflow import config, passes_of, take_in, write_coop

from pipeline.errors import InputError


def stored(folder, layer: str, column: str, value, *, journal: str = "delete") -> dict:
    """The co-op with one value of its third feature stored as SQLite lets one; the configuration."""
    file = write_coop(folder, strips=passes_of().assign(WIDE=0.2, COUNT=4, NAME="a"))
    with closing(sqlite3.connect(file)) as base:
        base.execute(f"PRAGMA journal_mode = {journal}")
        for name in base.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            base.execute(f'DROP TRIGGER "{name[0]}"')
        base.execute(f'UPDATE "{layer}" SET "{column}" = ? WHERE rowid = 3', [value])
        base.commit()
    settings = config(folder, planter=False)
    del settings["inputs"]["strips"]["constants"]["strip_width"], settings["inputs"]["strips"]["constants"]["row_count"]
    settings["inputs"]["strips"]["columns"] |= {"strip_width": "WIDE", "row_count": "COUNT"}
    return settings


@pytest.mark.parametrize(
    ("column", "value", "said"),
    [
        ("WIDE", "n/a", "is one of numbers and holds 'n/a'"), ("WIDE", "8 in", "is one of numbers and holds '8 in'"),
        ("WIDE", b"\x01", r"is one of numbers and holds 'b"), ("COUNT", 12.7, "is one of whole numbers and holds '12.7'"),
        ("COUNT", "twelve", "is one of whole numbers and holds 'twelve'"),
    ],
)  # fmt: skip
def test_what_is_no_number_in_a_column_of_numbers_is_refused(tmp_path, column, value, said):
    with pytest.raises(InputError, match=said) as caught:
        take_in(stored(tmp_path, "strips", column, value, journal="wal"), tmp_path)
    assert f"layer 'strips': feature 3: column '{column}' " in str(caught.value) and "\n" not in str(caught.value)


@pytest.mark.parametrize(("column", "value"), [("WIDE", 1), ("WIDE", None), ("COUNT", 4.0), ("COUNT", "4"), ("NAME", 7)])
def test_what_is_a_number_whatever_its_storage_is_read(tmp_path, column, value):
    take_in(stored(tmp_path, "strips", column, value), tmp_path)


def test_in_a_view_as_in_a_table(tmp_path):
    settings = stored(tmp_path, "strips", "WIDE", "8 in")
    with closing(sqlite3.connect(settings["inputs"]["strips"]["file"])) as base:
        base.execute('CREATE VIEW "seen ""so""" AS SELECT * FROM strips')
        for table, name in (("gpkg_contents", "table_name"), ("gpkg_geometry_columns", "table_name")):
            columns = [one[1] for one in base.execute(f"PRAGMA table_info({table})")]
            same = ", ".join("'seen \"so\"'" if one in (name, "identifier") else one for one in columns)
            base.execute(f"INSERT INTO {table} SELECT {same} FROM {table} WHERE {name} = 'strips'")
        base.commit()
    settings["inputs"]["strips"]["layer"] = 'seen "so"'
    with pytest.raises(InputError, match="column 'WIDE' is one of numbers and holds '8 in'"):
        take_in(settings, tmp_path)
