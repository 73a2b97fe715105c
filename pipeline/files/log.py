"""How a step speaks: to its log file, and one clear error to the person at the terminal."""

import logging
import sys
from collections.abc import Callable
from pathlib import Path

from pipeline.errors import RowreturnError

LOG = logging.getLogger("rowreturn")


def run_step(step: Callable[[], None], *, log: str | None) -> None:
    """Run a step for the workflow: log to `log`, print an error a user can act on, exit 1 on it.

    A traceback is for faults of ours; it goes to the log and to the terminal only then.
    """
    handlers: list[logging.Handler] = [logging.StreamHandler(sys.stderr)]
    if log:
        Path(log).parent.mkdir(parents=True, exist_ok=True)
        handlers.append(logging.FileHandler(log, mode="w", encoding="utf-8"))
    logging.basicConfig(level=logging.INFO, format="%(message)s", handlers=handlers, force=True)
    try:
        step()
    except RowreturnError as error:
        LOG.error("rowreturn: error: %s", error)
        sys.exit(1)
    except OSError as error:
        LOG.error("rowreturn: error: %s: %s", error.filename or "file", error.strerror or error)
        sys.exit(1)
