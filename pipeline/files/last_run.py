"""What is kept of the last run, so that the next one can say what changed.

`work/last/` has a folder for each of the last two states that differ in something told, named by its content, and
`state.json`, which says which is which. That file is rewritten in place, as a whole: a run that was killed before it
leaves the last state as it was, and one killed after it compares the same two states again. `told.json` names the state
that a run has told of at its end, to the person at the terminal; no job writes it.
"""

from __future__ import annotations

import csv
import hashlib
import io
import json
import shutil
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from pipeline import columns as c
from pipeline.files.store import read_json, to_json, whole_folder, write_bytes

_STATE, _TOLD = "state.json", "told.json"
_FILES = {
    "table": "field_tier.csv", "contents": "fields.json", "config": "config.json", "tiers": "tiers.json",
    "losses": "losses.json",
}  # fmt: skip


@dataclass(frozen=True)
class RunState:
    """What one run came to, as bytes.

    Attributes
    ----------
    table : bytes
        Of field_tier.csv.
    contents : bytes
        Of the fields, as `field_contents` has them.
    config, tiers, losses : bytes
        Of the files that `intake` writes.
    """

    table: bytes
    contents: bytes
    config: bytes
    tiers: bytes
    losses: bytes

    @classmethod
    def read(cls, folder: Path) -> RunState:
        """From its folder."""
        return cls(**{part: (folder / name).read_bytes() for part, name in _FILES.items()})

    @property
    def name(self) -> str:
        """Equal for equal content."""
        hashes = [hashlib.sha256(getattr(self, part)).digest() for part in _FILES]
        return hashlib.sha256(b"".join(hashes)).hexdigest()[:32]

    @property
    def lines(self) -> dict[tuple[str, str], dict[str, str]]:
        """Lines of the table by field and tier, in its order, cells as text."""
        found = csv.DictReader(io.StringIO(self.table.decode()))
        return {(line[c.FIELD_ID], line[c.TIER]): line for line in found}

    @property
    def batches(self) -> dict[str, dict]:
        """Contents of all batches, as `field_contents` has them."""
        return json.loads(self.contents)

    @property
    def fields(self) -> dict[str, dict]:
        """Contents of all fields, by id."""
        return {name: one for batch in self.batches.values() for name, one in batch["fields"].items()}

    def is_of(self, results: Path, work: Path) -> bool:
        """Whether these results are what the run came to."""
        pairs = (
            (self.table, results / "field_tier.csv"), (self.config, work / "config.json"),
            (self.tiers, work / "settings" / "tiers.json"), (self.losses, work / "settings" / "losses.json"),
        )  # fmt: skip
        return all(path.is_file() and path.read_bytes() == said for said, path in pairs)

    def write(self, folder: Path) -> None:
        """As a folder that is there as a whole or not at all."""
        if folder.exists():
            return
        with whole_folder(folder) as filled:
            for part, name in _FILES.items():
                write_bytes(filled / name, getattr(self, part))


def last_state(last: Path) -> RunState | None:
    """The state of the last run; None where there was none."""
    return _state(last, _said(last).get("now"))


def keep(last: Path, now: RunState, *, alike: bool) -> RunState | None:
    """Make `now` the last state, and return the one to compare it with; None where there is none.

    Parameters
    ----------
    last : Path
        The folder of states.
    now : RunState
        Where it is the last one already, the one before that is returned: to do this twice is to do it once.
    alike : bool
        Whether nothing that is told differs from the last one: then this takes its place.
    """
    said = _said(last)
    same = alike or said.get("now") == now.name
    before = said.get("before") if same else said.get("now")
    state = _state(last, before)
    now.write(last / now.name)
    names = {"now": now.name, "before": before if state else None, "told": _told(said) if same else now.name}
    write_bytes(last / _STATE, to_json(names), only_if_changed=True)
    _prune(last, (names["now"], names["before"]))
    return state


def is_told(last: Path) -> bool:
    """Whether a finished run has told of the last state, or of one alike."""
    said = _read(last / _TOLD).get("told")
    return said is not None and said == _told(_said(last))


def tell(last: Path) -> None:
    """Note that the last state is told of now."""
    write_bytes(last / _TOLD, to_json({"told": _told(_said(last))}), only_if_changed=True)


def _told(said: dict) -> str | None:
    """Where an earlier version wrote what is said, it told of the last state."""
    return said.get("told") or said.get("now")


def _said(last: Path) -> dict:
    return _read(last / _STATE)


def _read(path: Path) -> dict:
    try:
        said = read_json(path)
    except (OSError, ValueError):  # none yet, or no work of ours: a first run
        return {}
    return said if isinstance(said, dict) else {}


def _state(last: Path, name: object) -> RunState | None:
    if not isinstance(name, str):
        return None
    try:
        state = RunState.read(last / Path(name).name)
    except OSError:
        return None
    return state if state.name == name else None  # damaged, which no run of ours can leave


def _prune(last: Path, wanted: Iterable[str | None]) -> None:
    for old in sorted(last.iterdir()):
        if old.is_dir() and old.name not in set(wanted):
            shutil.rmtree(old)
