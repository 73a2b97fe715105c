"""What a step made of each field, kept so that a batch with one changed field computes that field alone.

A thing is used again only where everything it was made from is the same: the field's own files, the settings, our code
and the versions of the libraries. So a run that finds something kept writes what it would have computed.
"""

from __future__ import annotations

import hashlib
import shutil
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, fields, is_dataclass
from pathlib import Path
from unicodedata import normalize

import numpy as np
import pandas as pd
import shapely

from pipeline import PROJECT
from pipeline.files.provenance import code_hash, versions
from pipeline.files.store import read_frame, read_json, sha256, to_json, whole_folder, write_frame

_KEY = "key.json"


@dataclass(frozen=True)
class Kept:
    """What one step has kept.

    Attributes
    ----------
    home : Path
        Folder with one of each field in it.
    common : str
        Hash of what all fields of the step depend on.
    """

    home: Path
    common: str

    @classmethod
    def of_step(cls, step: str, *settings: Path, work: Path) -> Kept:
        """Of a step that reads these settings.

        Parameters
        ----------
        step : str
            Name of its module.
        settings : Path
            Files that count for every field.
        work : Path
            Folder for intermediates.
        """
        said = {
            "code": code_hash(PROJECT, [step]), "versions": versions(),
            "settings": {path.name: sha256(path) for path in settings},
        }  # fmt: skip
        return cls(work / "kept" / step, hashlib.sha256(to_json(said)).hexdigest())

    def tables(
        self, name: str, made_of: str, make: Callable[[], dict[str, pd.DataFrame]], *, beside: Iterable[Path] = ()
    ) -> dict[str, pd.DataFrame]:
        """Tables of a field: those that are kept, or made and kept.

        Parameters
        ----------
        name : str
            The field's folder name.
        made_of : str
            Hash of what they are made of: `hash_of_files`, `hash_of`.
        make : callable
            Makes them, by name.
        beside : iterable of Path
            Files that `make` writes as well; where one is not as it left it, all is made again.

        Returns
        -------
        dict of str to DataFrame
            As they are read back, whether made now or before: equal content gives equal bytes in what follows.
        """
        folder, key = self.home / name, f"{self.common} {made_of}"
        said = _said(folder)
        if said.get("key") != key or said.get("beside") != _hashes(beside):
            if folder.exists():  # what is kept of older input is of no use, and must not outlive what `make` overwrites
                # The key first: killed half way, and the older input put back, it would promise tables that are gone.
                (folder / _KEY).unlink(missing_ok=True)
                shutil.rmtree(folder)
            made = make()
            with whole_folder(folder) as unfinished:
                for table, frame in made.items():
                    write_frame(unfinished / f"{table}.parquet", frame)
                (unfinished / _KEY).write_bytes(to_json({"key": key, "tables": list(made), "beside": _hashes(beside)}))
            said = _said(folder)
        return {table: read_frame(folder / f"{table}.parquet") for table in said["tables"]}


def prune(work: Path, wanted: set[str]) -> None:
    """Take away what is kept of fields that are gone."""
    for folder in sorted((work / "kept").glob("*/*")):
        if normalize("NFC", folder.name) not in wanted:  # some disks take letters with marks apart
            shutil.rmtree(folder)


def _said(folder: Path) -> dict:
    try:
        return read_json(folder / _KEY)
    except (OSError, ValueError):
        return {}


def _hashes(files: Iterable[Path]) -> dict[str, str]:
    return {path.name: sha256(path) if path.is_file() else "" for path in files}


def hash_of(value: object) -> str:
    """Hash of the content of dataclasses, containers, arrays, tables, geometries and plain values."""
    total = hashlib.sha256()
    for part in _parts(value):
        total.update(part + b"\x00")
    return total.hexdigest()


def _parts(value: object) -> Iterator[bytes]:
    yield type(value).__name__.encode()
    if is_dataclass(value):
        value = {one.name: getattr(value, one.name) for one in fields(value)}
    if isinstance(value, pd.DataFrame):
        value = {str(name): value[name].tolist() for name in value}
    if isinstance(value, dict):
        value = [part for item in value.items() for part in item]
    if isinstance(value, np.ndarray) and value.dtype != object:
        yield f"{value.dtype} {value.shape}".encode() + value.tobytes()
    elif isinstance(value, (list, tuple, np.ndarray)):
        yield str(len(value)).encode()
        for one in value:
            yield from _parts(one)
    elif isinstance(value, shapely.Geometry):
        yield shapely.to_wkb(value)
    elif value is None or isinstance(value, (str, int, float, np.generic)):
        yield repr(value).encode()
    else:  # its text may say less than it holds
        raise TypeError(f"no hash for a {type(value).__name__}")
