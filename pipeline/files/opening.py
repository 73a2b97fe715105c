"""Input files before anything is read of them: looked at with suspicion, and the same before and after."""

from __future__ import annotations

import shutil
import sqlite3
import tempfile
from collections.abc import Iterable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pyarrow as pa
import pyogrio

from pipeline.errors import InputError, RowreturnError, did_you_mean
from pipeline.files.store import sha256
from pipeline.files.texts import shown

# Formats that name other files, servers or programs: what they would give is not in the file, nor in its hash.
_OUTWARD = (
    "OGR_VRT", "GDALG", "WFS", "OAPIF", "OGCAPI", "CSW", "NGW", "EEDA", "Elasticsearch", "Carto", "AmigoCloud", "PLSCENES",
    "HTTP", "GPSBabel", "ADBC",
)  # fmt: skip
_OUTWARD_WORDS = (b"<OGRVRTDataSource", b"<OGRWFSDataSource", b"gdal_streamed_alg")
ENGINE_ERRORS = (
    pyogrio.errors.DataSourceError, pyogrio.errors.DataLayerError, pyogrio.errors.FeatureError,
    pyogrio.errors.GeometryError, pyogrio.errors.FieldError, pyogrio.errors.CRSError, pa.ArrowException, RuntimeError,
    OSError, ValueError,
)  # fmt: skip


@contextmanager
def resting(path: Path, role: str) -> Iterator[Path]:
    """The file, or a copy of it where commits wait in a write-ahead log: GDAL would write them into the user's file.

    Raises
    ------
    InputError
        If there is no such file or it cannot be opened.
    """
    _check_file(path, role)
    log = path.with_name(f"{path.name}-wal")
    if not (log.is_file() and log.stat().st_size):
        yield path
        return
    with tempfile.TemporaryDirectory() as folder:
        for one in (path, log):
            shutil.copyfile(one, Path(folder) / one.name)
        yield Path(folder) / path.name


def layer_name(path: Path, layer: str | None, place: str) -> str:
    """The layer to read, after everything that can be said against the file.

    Parameters
    ----------
    path : Path
        As `resting` gives it.
    layer : str or None
        Name in the configuration.
    place : str
        Key and file, for messages.

    Raises
    ------
    InputError
        If the file is not one that we read, or the layer is missing or ambiguous.
    """
    _check_views(path, place)
    try:
        names = [str(name) for name in pyogrio.list_layers(path)[:, 0]]
        driver = pyogrio.read_info(path, layer=names[0])["driver"] if names else ""
    except ENGINE_ERRORS as error:
        raise InputError(f"{place} is not a vector file that GDAL can read ({said_of(error, path)})") from error
    if driver in _OUTWARD:
        raise InputError(_outward(place))
    if layer is None and len(names) == 1:
        layer = names[0]
    if layer is None:
        listed = ", ".join(map(shown, names)) or "none"
        raise InputError(f"{place} has several layers; name one with 'layer:'. Known: {listed}")
    if layer not in names:
        raise InputError(f"{place} has no layer '{shown(layer)}'; {did_you_mean(layer, names)}")
    return layer


def _check_file(path: Path, role: str) -> None:
    key = f"inputs.{role}: file '{shown_path(path)}'"
    start = "" if path.is_absolute() else f"; relative paths start at the working directory {Path.cwd()}"
    try:
        if "\0" in str(path):
            raise ValueError("embedded null byte")
        there, folder, plain = path.exists(), path.is_dir(), path.is_file()
    except (OSError, ValueError) as error:
        said = getattr(error, "strerror", None) or error
        raise InputError(f"{key} is no path ({shown(said)}); correct inputs.{role}.file") from None
    if not there:
        raise InputError(f"{key} does not exist; correct inputs.{role}.file{start}")
    if folder:
        raise InputError(f"{key} is a folder; expected a file, export a folder's layers to a GeoPackage")
    if not plain:
        raise InputError(f"{key} is a pipe or a device; expected a file, save the layers in one")
    try:
        with path.open("rb") as stream:
            head = stream.read(4096)
    except OSError as error:
        raise InputError(f"{key} cannot be opened ({error.strerror}); allow yourself to read it") from None
    if not head:
        raise InputError(f"{key} is empty, 0 bytes; copy or export it again")
    if any(word in head for word in _OUTWARD_WORDS):
        raise InputError(_outward(f"inputs.{role}: {shown_path(path)}"))


def _outward(place: str) -> str:
    return f"{place} only points at other files or services; expected the features themselves, save them as a GeoPackage"


def _check_views(path: Path, place: str) -> None:
    """Views are programs that run on reading, and one may never end: none where GDAL or we would look."""
    with path.open("rb") as stream:
        if stream.read(16) != b"SQLite format 3\0":
            return
    ours = "SELECT name FROM sqlite_master WHERE type = 'view' AND (substr(lower(name), 1, 5) = 'gpkg_' OR sql LIKE ?)"
    try:
        with closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True)) as base:
            found = base.execute(ours, ["%recursive%"]).fetchone()
    except (sqlite3.Error, UnicodeDecodeError) as error:
        raise InputError(f"{place} is not a vector file that GDAL can read ({shown(error)})") from error
    if found:
        raise InputError(
            f"{place} has a view '{shown(found[0])}' that may never end; expected tables of features, save the layers anew"
        )


def said_of(error: Exception, path: Path) -> str:
    """What an engine says of a file, on one line and without its folder."""
    text = str(error).replace(str(path), path.name).partition(";")[0].strip(". ")
    return shown(text or type(error).__name__, longest=200)


def shown_path(path: Path) -> str:
    """A path for a message."""
    text = path.as_posix()
    return text if text.isprintable() and len(text) < 4096 else shown(text)


def hashes_of(files: Iterable[str]) -> dict[str, str]:
    """SHA-256 of every file that can be read, with the write-ahead log of a GeoPackage and the parts of a shapefile."""
    hashes = {}
    for name in sorted(files):
        for path in _parts(name):
            try:
                if Path(path).is_file() and (path == name or Path(path).stat().st_size):
                    hashes[path] = sha256(Path(path))
            except (OSError, ValueError):
                continue  # reading it will say why
    return hashes


def _parts(name: str) -> list[str]:
    if name.lower().endswith(".shp"):
        return [name, *(name[:-3] + end for end in ("dbf", "shx", "prj", "cpg"))]
    return [name, f"{name}-wal"]


@contextmanager
def unchanged(files: Iterable[str]) -> Iterator[dict[str, str]]:
    """Hashes of the files; an error if they are others when the block ends, however it ends.

    Raises
    ------
    InputError
        With the file that changed.
    """
    files = sorted(files)
    before = hashes_of(files)
    try:
        yield before
    except RowreturnError:
        _check_same(before, hashes_of(files))  # a file read while it is written is a better reason than what was found
        raise
    _check_same(before, hashes_of(files))


def _check_same(before: dict[str, str], after: dict[str, str]) -> None:
    changed = [name for name in sorted(before.keys() | after.keys()) if before.get(name) != after.get(name)]
    if changed:
        raise InputError(
            f"inputs: file '{shown_path(Path(changed[0]))}' changed while it was read; expected one that rests, "
            "end what writes to it and run again"
        ) from None
