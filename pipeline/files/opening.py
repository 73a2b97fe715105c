"""Input files before anything is read of them: looked at with suspicion, and the same before and after."""

from __future__ import annotations

import lzma
import shutil
import sqlite3
import tempfile
import zipfile
import zlib
from collections.abc import Iterable, Iterator
from contextlib import closing, contextmanager, suppress
from pathlib import Path

import pyarrow as pa
import pyogrio

from pipeline.errors import InputError, RowreturnError
from pipeline.files.file_parts import holds_layers, parts_of
from pipeline.files.store import sha256
from pipeline.files.texts import shown

# Formats that name other files, servers or programs: what they would give is not in the file, nor in its hash.
_OUTWARD = (
    "OGR_VRT", "GDALG", "WFS", "OAPIF", "OGCAPI", "CSW", "NGW", "EEDA", "Elasticsearch", "Carto", "AmigoCloud", "PLSCENES",
    "HTTP", "GPSBabel", "ADBC",
)  # fmt: skip
_SQLITE, _HEAD_BYTES = b"SQLite format 3\0", 4096
_BAD_PACKS = (zipfile.BadZipFile, zlib.error, lzma.LZMAError, RuntimeError, EOFError, ValueError, OSError)
_OUTWARD_WORDS = (b"<OGRVRTDataSource", b"<OGRWFSDataSource", b"gdal_streamed_alg")
ENGINE_ERRORS = (
    pyogrio.errors.DataSourceError, pyogrio.errors.DataLayerError, pyogrio.errors.FeatureError,
    pyogrio.errors.GeometryError, pyogrio.errors.FieldError, pyogrio.errors.CRSError, pa.ArrowException, RuntimeError,
    OSError, ValueError,
)  # fmt: skip


@contextmanager
def resting(path: Path, key: str = "") -> Iterator[Path]:
    """The file, or a copy of it where commits wait in a write-ahead log: GDAL would write them into the user's file.

    Parameters
    ----------
    path : Path
    key : str
        Key of the configuration that names it, for messages.

    Raises
    ------
    InputError
        If there is no such file or it cannot be opened.
    """
    _check_file(path, key)
    log = path.with_name(f"{path.name}-wal")
    if path.is_dir() or not (log.is_file() and log.stat().st_size):
        yield path
        return
    with tempfile.TemporaryDirectory() as folder:
        for one in (path, log):
            shutil.copyfile(one, Path(folder) / one.name)
        yield Path(folder) / path.name


def layers_of(path: Path, place: str) -> list[str]:
    """Names of the layers of a file that GDAL reads, after everything that can be said against the file.

    Parameters
    ----------
    path : Path
        As `resting` gives it.
    place : str
        Key and file, for messages.

    Raises
    ------
    InputError
        If the file is not one that we read.
    """
    _check_views(path, place)
    try:
        names = [str(name) for name in pyogrio.list_layers(path)[:, 0]]
        driver = pyogrio.read_info(path, layer=names[0])["driver"] if names else ""
    except ENGINE_ERRORS as error:
        raise InputError(f"{place} is not a vector file that GDAL can read ({said_of(error, path)})") from error
    if driver in _OUTWARD:
        raise InputError(_outward(place))
    return names


def _check_file(path: Path, key: str) -> None:
    place = f"{key}: file '{shown_path(path)}'" if key else f"file '{shown_path(path)}'"
    mend = f"correct {key}.file" if key else "correct the path"
    start = "" if path.is_absolute() else f"; relative paths start at the working directory {Path.cwd()}"
    try:
        if "\0" in str(path):
            raise ValueError("embedded null byte")
        there, folder, plain = path.exists(), path.is_dir(), path.is_file()
        layered = folder and holds_layers(path)
    except (OSError, ValueError) as error:
        said = getattr(error, "strerror", None) or error
        raise InputError(f"{place} is no path ({shown(said)}); {mend}") from None
    if not there:
        raise InputError(f"{place} does not exist; {mend}{start}")
    if folder and not layered:
        raise InputError(f"{place} is a folder; expected a file, export a folder's layers to a GeoPackage")
    if not (plain or folder):
        raise InputError(f"{place} is a pipe or a device; expected a file, save the layers in one")
    if layered:
        return
    try:
        head, *packed = _heads(path)
    except OSError as error:
        raise InputError(f"{place} cannot be opened ({error.strerror}); allow yourself to read it") from None
    if not head:
        raise InputError(f"{place} is empty, 0 bytes; copy or export it again")
    if any(word in one for one in (head, *packed) for word in _OUTWARD_WORDS):
        raise InputError(_outward(f"{key}: {shown_path(path)}" if key else shown_path(path)))
    if any(one.startswith(_SQLITE) for one in packed):
        raise InputError(f"{place} is a packed database, which cannot be looked over; expected a plain one, unpack it")


def _heads(path: Path) -> Iterator[bytes]:
    """First bytes of a file, and of every file packed in it."""
    with path.open("rb") as stream:
        yield stream.read(_HEAD_BYTES)
    if not zipfile.is_zipfile(path):
        return
    with suppress(*_BAD_PACKS), zipfile.ZipFile(path) as packed:  # GDAL will say what is wrong with it
        for name in packed.namelist():
            with packed.open(name) as stream:
                yield stream.read(_HEAD_BYTES)


def _outward(place: str) -> str:
    return f"{place} only points at other files or services; expected the features themselves, save them as a GeoPackage"


def _check_views(path: Path, place: str) -> None:
    """Views are programs that run on reading, and one may never end: none where GDAL or we would look."""
    if path.is_dir():
        return
    with path.open("rb") as stream:
        if stream.read(len(_SQLITE)) != _SQLITE:
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
    """SHA-256 of every file that can be read and of what belongs to it (`parts_of`), in hexadecimal."""
    hashes = {}
    for part in (part for name in sorted(files) for part in parts_of(name)):
        with suppress(OSError):  # reading it will say why
            hashes[part] = sha256(Path(part))
    return hashes


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
