"""Writing files so that a half-written one is never taken for whole, and an unchanged one keeps its time."""

from __future__ import annotations

import csv
import hashlib
import json
import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING

# Only whoever reads a table waits for the libraries of tables.
if TYPE_CHECKING:
    import geopandas as gpd
    import numpy as np
    import pandas as pd
    import pyarrow as pa
    from pyproj import CRS

from pipeline.files.disk import errors_of_disk
from pipeline.files.texts import safe_texts

LISTED = "listed.json"
# Before the name of a folder that another one is just taking the place of.
_REPLACED = ".replaced-"
# Before the name of what is not whole yet.
_UNFINISHED = ".unfinished-"
# What drivers write beside a file.
_ENDINGS = ("-journal", "-wal", "-shm", ".working", ".aux.xml")


@contextmanager
def whole_file(path: Path) -> Iterator[Path]:
    """A temporary name beside `path`, renamed to it only when the block ends well."""
    unfinished = _unfinished(path)
    try:
        with errors_of_disk(path, written=unfinished):
            yield unfinished
            os.replace(unfinished, path)
    finally:
        discard(unfinished)


def discard(unfinished: Path) -> None:
    """Take away what is not wanted any more; where a disk does not even allow that, an error of the writing says more."""
    with suppress(OSError):
        unfinished.unlink()


@contextmanager
def whole_folder(path: Path) -> Iterator[Path]:
    """A temporary folder beside `path`, in whose place it is put only when the block ends well."""
    unfinished = _unfinished(path)
    # Moved away first: a folder half taken away would be a half one under the whole one's name.
    old = path.with_name(f"{_REPLACED}{path.name}")
    unfinished.mkdir()
    try:
        yield unfinished
        if path.exists():
            remove(old)
            os.replace(path, old)
        os.replace(unfinished, path)
    finally:
        if old.exists() and not path.exists():
            os.replace(old, path)
        for left in (unfinished, old):
            shutil.rmtree(left, ignore_errors=True)


@contextmanager
def listed_folder(path: Path) -> Iterator[Path]:
    """As `whole_folder`, with a hash of what is in it as the file `LISTED`: that file is what the workflow goes by.

    A folder is no output to go by: of one that is to be made again Snakemake takes away its own mark and nothing else, so
    that the old one looks new if the job is killed then.
    """
    with whole_folder(path) as filled:
        yield filled
        (filled / LISTED).write_bytes(to_json({"sha256": hash_of_files(filled)}))


def hash_of_files(*inputs: Path) -> str:
    """Hash of files, and of all that lies in folders, by their names in them."""
    total = hashlib.sha256()
    for one in inputs:
        for path in sorted(one.rglob("*")) if one.is_dir() else [one]:
            if path.is_file():
                name = path.relative_to(one).as_posix() if one.is_dir() else path.name
                total.update(f"{name} {sha256(path)}\n".encode())
    return total.hexdigest()


def _unfinished(path: Path) -> Path:
    """A name beside `path` that nothing has; what killed processes left of theirs is taken away."""
    path.parent.mkdir(parents=True, exist_ok=True)
    # Numbers of processes come again, and a driver would append to what it finds, or believe its journal. But nothing of
    # another name: a job beside this one may be at work on the field F10 while this one is on F1.
    wanted = {path.name, *(f"{path.name}{ending}" for ending in _ENDINGS if path.suffix)}
    for left in path.parent.glob(f"{_UNFINISHED}*"):
        if left.name.split("-", 2)[2] in wanted:
            remove(left)
    # The suffix stays last, because drivers choose the format by it.
    return path.with_name(f"{_UNFINISHED}{os.getpid()}-{path.name}")


def left_by_kills(folder: Path) -> list[Path]:
    """What killed processes have left under a folder: files and folders half written, and such as were to be replaced."""
    return sorted(path for path in folder.rglob(".*") if path.name.startswith((_UNFINISHED, _REPLACED)))


def remove(path: Path) -> None:
    """Take away a file or a whole folder."""
    shutil.rmtree(path) if path.is_dir() else path.unlink(missing_ok=True)


def write_bytes(path: Path, data: bytes, *, only_if_changed: bool = False) -> bool:
    """Write bytes as a whole; with `only_if_changed` an equal file is left alone. Says whether it wrote."""
    if only_if_changed and path.exists() and path.read_bytes() == data:
        return False
    with whole_file(path) as unfinished:
        unfinished.write_bytes(data)
    return True


def to_json(value: object) -> bytes:
    """JSON with sorted keys and a closing newline: equal values give equal bytes."""
    return (json.dumps(value, indent=1, sort_keys=True, ensure_ascii=False) + "\n").encode()


def read_json(path: Path) -> dict:
    """The object in a JSON file of ours."""
    return json.loads(path.read_bytes())


def write_frame(path: Path, frame: pd.DataFrame, *, only_if_changed: bool = False) -> bool:
    """Write a table, with or without geometry, as Parquet. Says whether it wrote."""
    with whole_file(path) as unfinished:
        # Most columns are coordinates, all different: a dictionary of them would cost time and save nothing.
        frame.to_parquet(unfinished, index=False, compression="zstd", use_dictionary=False)
        if only_if_changed and path.exists() and sha256(path) == sha256(unfinished):
            os.replace(path, unfinished)  # the context manager puts the old file back, time and all
            return False
    return True


def read_frame(path: Path, *, columns: list[str] | None = None) -> pd.DataFrame:
    """A table without geometry, or some columns of one."""
    return _read(path, columns).to_pandas(use_threads=False)


def read_arrays(path: Path) -> dict[str, np.ndarray]:
    """The columns of a table of numbers as arrays of their own, read one after the other: a large one lies there once."""
    import numpy as np
    import pyarrow.parquet

    with pyarrow.parquet.ParquetFile(path) as file:
        # Copies: arrow lends its memory for reading only, and kernels would be compiled once more for such arrays.
        return {
            name: np.array(file.read([name], use_threads=False).column(0).to_numpy()) for name in file.schema_arrow.names
        }


def read_geo(path: Path) -> gpd.GeoDataFrame:
    """A table with geometry."""
    import geopandas as gpd
    import shapely

    table = _read(path)
    said = json.loads(table.schema.metadata[b"geo"])
    name = said["primary_column"]
    shapes = shapely.from_wkb(table[name].to_numpy())
    frame = table.drop_columns([name]).to_pandas(use_threads=False)
    crs = _crs(json.dumps(said["columns"][name]["crs"]))
    frame.insert(table.column_names.index(name), name, gpd.GeoSeries(shapes, crs=crs))
    return gpd.GeoDataFrame(frame, geometry=name)


def _read(path: Path, columns: list[str] | None = None) -> pa.Table:
    """A small table, without the search for parts and the threads that a large one is worth: twice as fast."""
    import pyarrow.parquet

    with pyarrow.parquet.ParquetFile(path) as file:
        return file.read(columns, use_threads=False)


@lru_cache(maxsize=64)
def _crs(projjson: str) -> CRS | None:
    from pyproj import CRS

    return CRS.from_json(projjson) if projjson != "null" else None


def read_arrow(path: Path) -> pa.Table:
    """A table with geometry as well-known binary, to be handed on as it is."""
    import pyarrow.parquet

    return pyarrow.parquet.read_table(path)


def write_csv(path: Path, table: pd.DataFrame) -> None:
    """Write a table people open: UTF-8, comma, point, LF; six digits after the point; no text is live (`safe_text`)."""
    table = safe_texts(table)
    # The tables are mostly figures, and pandas' own `float_format` takes twice as long over them.
    columns = [cells_of(table[name]) for name in table]
    with whole_file(path) as unfinished, unfinished.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.writer(stream, lineterminator="\n")
        writer.writerow(table.columns)
        writer.writerows(zip(*columns, strict=True))


def cells_of(column: pd.Series) -> list:
    """Cells as text, nothing where there is nothing."""
    if column.dtype == float:  # "z": what rounds to nothing is 0, not -0
        return [f"{value:z.6f}" if value == value else "" for value in column.tolist()]
    return column.where(column.notna(), "").tolist()


def sha256(path: Path) -> str:
    """SHA-256 of a file, in hexadecimal."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()
