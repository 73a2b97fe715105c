"""How a step speaks: to its log file, and one clear error to the person at the terminal."""

import logging
import os
import sys
from collections.abc import Callable
from pathlib import Path

from pipeline.errors import RowreturnError
from pipeline.files.folder_lock import lock_job

LOG = logging.getLogger("rowreturn")
# Where the workflow keeps its intermediates, from the working directory.
WORK = "work"
#: Set in the environment of the steps where nobody wants to be told how far they are (``snakemake --quiet``).
QUIET = "ROWRETURN_QUIET"


def run_step(step: Callable[[], None], *, log: str | None) -> None:
    """Run a step for the workflow: log to `log`, print an error a user can act on, exit 1 on it.

    Which field it is at goes to the log alone (DEBUG), how far it is to the terminal as well (INFO).

    A traceback is for faults of ours; it goes to the log and to the terminal only then.
    """
    logging.raiseExceptions = False  # a log on a full disk is no reason for tracebacks
    terminal = logging.StreamHandler(sys.stderr)
    terminal.setLevel(logging.WARNING if os.environ.get(QUIET) else logging.INFO)
    logging.basicConfig(level=logging.INFO, format="%(message)s", handlers=[terminal], force=True)
    LOG.setLevel(logging.DEBUG)
    try:
        if log:
            lock_job(Path(WORK))
            Path(log).parent.mkdir(parents=True, exist_ok=True)
            LOG.addHandler(logging.FileHandler(log, mode="w", encoding="utf-8"))
        step()
        # A power cut must not take what the workflow is about to note as made.
        os.sync()
    except RowreturnError as error:
        LOG.error("rowreturn: error: %s", error)
        sys.exit(1)
    except OSError as error:
        LOG.error("rowreturn: error: %s: %s", error.filename or "file", error.strerror or error)
        sys.exit(1)


def refusal(error: RowreturnError, *, mute: bool) -> str:
    """The text with which a run ends before its jobs; it is printed here where Snakemake is `mute` (``--quiet all``)."""
    said = f"rowreturn: error: {error}"
    if mute:
        print(said, file=sys.stderr)
    return said
