"""A disk that is full, or cannot be written to: found out even where a library does not say so."""

import atexit
import errno
import logging
import os
import re
import shutil
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from pipeline.errors import RowreturnError

#: Once something went wrong, less room than this is none, whatever was to be written [bytes].
SPARE_BYTES = 1 << 20
#: No run begins with less; Snakemake's own notes take some kilobytes a job [bytes].
LEAST_BYTES = 1 << 16
# What stands before the name of a folder that is being filled (`store.whole_folder`).
_UNFINISHED = re.compile(r"\.unfinished-\d+-")
MAKE_ROOM = "make room and give the same command again"


def check_disk(folder: Path) -> None:
    """See that a run can begin: on a disk that is full already, Snakemake would end with a traceback.

    Raises
    ------
    RowreturnError
        If there is no room at all.
    """
    if shutil.disk_usage(folder).free < LEAST_BYTES:
        raise RowreturnError(f"{folder.absolute()}: {os.strerror(errno.ENOSPC)}; {MAKE_ROOM}")


def watch_disk(folder: Path) -> None:
    """Tell of a full disk when this process ends, unless `run_ended_well` came before.

    Snakemake writes notes of its own to that disk, and ends with an error of its own where it cannot.
    """
    logging.raiseExceptions = False  # its log is on that disk too: that would be a traceback for each line of it
    atexit.register(_tell_if_full, folder.absolute())


def run_ended_well() -> None:
    """Take `watch_disk` back."""
    atexit.unregister(_tell_if_full)


def _tell_if_full(folder: Path) -> None:
    if shutil.disk_usage(folder).free < SPARE_BYTES:
        print(f"rowreturn: error: {folder}: {os.strerror(errno.ENOSPC)}; {MAKE_ROOM}", file=sys.stderr)


def check_room(written: Path) -> None:
    """Refuse a file that was written when the disk may have been full.

    GDAL's drivers close a file on a full disk without a word, and leave out what had no room: a tile, a spatial index.
    That is smaller than the file itself, so room for the file once more says that nothing was left out.

    Parameters
    ----------
    written : Path
        A file that a driver has just closed.

    Raises
    ------
    OSError
        If there is less room.
    """
    if _is_full(written):
        raise _error(errno.ENOSPC, written)


@contextmanager
def errors_of_disk(path: Path, *, written: Path) -> Iterator[None]:
    """Tell of the disk where an error in writing comes of it, by the name that the file would have had.

    Parameters
    ----------
    path, written : Path
        The file's name, and the one under which it is being written; after an error nobody wants what lies there.

    Raises
    ------
    OSError
        If the disk is full, or cannot be written to; any other error as it is.
    """
    try:
        yield
    except RowreturnError:
        raise
    except Exception as error:
        number = _number_of(error, written)
        if number is None:
            raise
        raise _error(number, path, "" if isinstance(error, OSError) else f" ({' '.join(str(error).split())})") from error


def _number_of(error: Exception, written: Path) -> int | None:
    """Number of the system's error behind an error in writing; None where it is another, or says all by itself."""
    if isinstance(error, OSError) and error.errno is not None:
        elsewhere = error.filename is not None and Path(os.fsdecode(error.filename)) != written
        return None if elsewhere else error.errno
    try:
        written.touch()
    except OSError as refused:
        return refused.errno
    return errno.ENOSPC if _is_full(written) else None


def _is_full(written: Path) -> bool:
    return shutil.disk_usage(written.parent).free < max(written.stat().st_size, SPARE_BYTES)


def _error(number: int, path: Path, more: str = "") -> OSError:
    return OSError(number, os.strerror(number) + more, _UNFINISHED.sub("", str(path)))
