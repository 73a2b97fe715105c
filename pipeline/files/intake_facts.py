"""What the workflow asks of the intake's account: read once for all jobs, until it is written anew."""

from functools import lru_cache
from pathlib import Path

from pipeline.files.store import read_json


def known_sizes(intake: Path) -> dict[str, dict[str, float]]:
    """Sizes of all batches as the intake has written them down; none where it has yet to run."""
    return _facts(intake).get("sizes", {})


def known_batches(intake: Path) -> dict[str, list[str]]:
    """Folder names of the fields of each batch; none where the intake has yet to run."""
    return _facts(intake).get("batches", {})


def home_of(intake: Path, field: str) -> str:
    """The batch that a field's folder is in.

    Raises
    ------
    KeyError
        If there is no such field.
    """
    return _homes(intake, intake.stat().st_mtime_ns)[field]


def _facts(intake: Path) -> dict:
    return _read(intake, intake.stat().st_mtime_ns) if intake.exists() else {}


@lru_cache(maxsize=1)
def _read(intake: Path, written_ns: int) -> dict:
    return read_json(intake)


@lru_cache(maxsize=1)
def _homes(intake: Path, written_ns: int) -> dict[str, str]:
    return {field: batch for batch, fields in known_batches(intake).items() for field in fields}
