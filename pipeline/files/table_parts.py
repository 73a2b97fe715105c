"""Tables of the whole co-op, put together from parts that each batch writes: no step holds all lines at once."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import pandas as pd

from pipeline import columns as c
from pipeline.files.store import cells_of, read_json, to_json, whole_file
from pipeline.files.texts import safe_texts

_PLACES = "fields.json"


def write_parts(folder: Path, tables: dict[str, pd.DataFrame]) -> None:
    """Write tables as text, and where in it the lines of each field lie.

    Parameters
    ----------
    folder : Path
        To fill.
    tables : dict of str to DataFrame
        By name; the lines of a field stand together.
    """
    places = {}
    for name, table in tables.items():
        head, blocks = _blocks(table)
        places[name], at = {"head": len(head), "fields": []}, len(head)
        with (folder / f"{name}.csv").open("wb") as stream:
            stream.write(head)
            for field_id, block in blocks:
                stream.write(block)
                places[name]["fields"].append([field_id, at, at + len(block)])
                at += len(block)
    (folder / _PLACES).write_bytes(to_json(places))


def join_parts(folders: list[Path], name: str, out: Path) -> None:
    """Put the parts of one table together, the fields in the order of their ids.

    Parameters
    ----------
    folders : list of Path
        Of all batches.
    name : str
        Of the table.
    out : Path
        The table.
    """
    places = {folder: read_json(folder / _PLACES)[name] for folder in folders}
    blocks = sorted((*block, folder) for folder, one in places.items() for block in one["fields"])
    with whole_file(out) as unfinished, unfinished.open("wb") as stream:
        head = [(0, places[folder]["head"], folder) for folder in folders[:1]]
        for start, end, folder in [*head, *(block[1:] for block in blocks)]:
            # Opened for each: there may be more batches than files that a process may hold open.
            with (folder / f"{name}.csv").open("rb") as part:
                part.seek(start)
                stream.write(part.read(end - start))


def _blocks(table: pd.DataFrame) -> tuple[bytes, list[tuple[str, bytes]]]:
    """The line of names, and the lines of each field."""
    ids = table[c.FIELD_ID].tolist()
    columns = [cells_of(one) for _, one in safe_texts(_typed(table)).items()]
    lines = list(zip(*columns, strict=True))
    starts = [k for k, field_id in enumerate(ids) if k == 0 or field_id != ids[k - 1]]
    ends = [*starts[1:], len(ids)] if ids else []
    return _text([list(table)]), [(ids[a], _text(lines[a:b])) for a, b in zip(starts, ends, strict=True)]


def _text(lines: list) -> bytes:
    stream = io.StringIO(newline="")
    csv.writer(stream, lineterminator="\n").writerows(lines)
    return stream.getvalue().encode()


def _typed(table: pd.DataFrame) -> pd.DataFrame:
    """Whole numbers where a column counts, others with a fraction: not as one batch happens to have them."""
    counts = {name: table[name].astype("Int64").astype(object) for name in table if name in c.COUNTS}
    others = [name for name in table if name not in counts and pd.api.types.is_integer_dtype(table[name])]
    return table.assign(**counts).astype(dict.fromkeys(others, float))
