"""One run at a time in a folder, and none beside a job that a killed run has left at work.

The system takes a lock of this kind back when its holder ends, however it ends: nothing has to be unlocked after a kill.
"""

import errno
import fcntl
import os
import time
from pathlib import Path

from pipeline.errors import BusyError, RowreturnError

_RUN, _JOBS = "run.lock", "jobs.lock"
# By this, jobs know which run has begun them.
_BEGUN_BY = "ROWRETURN_RUN"
# File systems that know no locks (ENOSYS: Lustre without the option); a run there goes without.
_NO_LOCKS = (errno.ENOLCK, errno.ENOTSUP, errno.EOPNOTSUPP, errno.ENOSYS)
_LOOK_S, _SAY_S = 0.2, 2.0
_held: list[int] = []  # until this process ends


def lock_run(work: Path) -> None:
    """Keep the folder for this process until it ends, once the last job of an earlier run has ended.

    Parameters
    ----------
    work : Path
        Folder for intermediates; it is made if need be.

    Raises
    ------
    BusyError
        If another run is at work there.
    """
    work.mkdir(parents=True, exist_ok=True)
    if not _try(work / _RUN, fcntl.LOCK_EX):
        raise BusyError(
            f"another run is at work in this folder (process {_pid(work / _RUN)}); wait until it ends, or stop it, and "
            "give the same command again. To have two at once, give each a folder of its own with --directory"
        )
    os.environ[_BEGUN_BY] = str(os.getpid())
    begun, told = time.monotonic(), False
    while not _try(work / _JOBS, fcntl.LOCK_EX, keep=False):
        if not told and time.monotonic() - begun > _SAY_S:
            print("rowreturn: a job of an earlier run is still at work in this folder; waiting until it ends", flush=True)
            told = True
        time.sleep(_LOOK_S)


def check_writable(*folders: Path) -> None:
    """See that what exists of these folders can be written to.

    Raises
    ------
    RowreturnError
        With the folder.
    """
    for folder in folders:
        if folder.exists() and not os.access(folder, os.W_OK | os.X_OK):
            raise RowreturnError(
                f"{folder.absolute()} cannot be written to; expected a folder for work and results. Make it writable, or "
                "name another one with --directory"
            )


def lock_job(work: Path) -> None:
    """Say until the end of this process that a job is at work in the folder.

    Parameters
    ----------
    work : Path
        Folder for intermediates.

    Raises
    ------
    BusyError
        If another run has the folder by now: the one that began this job was killed before the job came this far.
    """
    work.mkdir(parents=True, exist_ok=True)
    _try(work / _JOBS, fcntl.LOCK_SH)
    # In this order: a run writes its number before it looks for jobs, so either it sees this one or this one sees it.
    begun_by, now = os.environ.get(_BEGUN_BY), _pid(work / _RUN)
    if begun_by is not None and now.isdigit() and begun_by != now:
        raise BusyError(f"the run that began this job (process {begun_by}) has ended, and process {now} has the folder")


def _try(path: Path, how: int, *, keep: bool = True) -> bool:
    """Whether the lock was there to be had."""
    handle = os.open(path, os.O_RDWR | os.O_CREAT, 0o644)
    try:
        fcntl.flock(handle, how | fcntl.LOCK_NB)
    except BlockingIOError:
        os.close(handle)
        return False
    except OSError as error:
        os.close(handle)
        if error.errno in _NO_LOCKS:
            return True
        raise
    if not keep:
        os.close(handle)
        return True
    _held.append(handle)
    if how == fcntl.LOCK_EX:
        os.ftruncate(handle, 0)
        os.write(handle, f"{os.getpid()}\n".encode())
    return True


def _pid(path: Path) -> str:
    text = path.read_text(encoding="ascii", errors="replace") if path.exists() else ""
    return text.strip() or "unknown"
