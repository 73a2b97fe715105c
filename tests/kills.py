"""Runs of the small invented co-op that are killed at random, and run again by the same command.

By hand: ``python tests/kills.py --kills 60 --seed 1`` prints a line a kill and what was hit; exit code 1 on any
difference from a run that nothing disturbed.
"""

import argparse
import os
import random
import shutil
import signal
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

if __name__ == "__main__":  # pytest sets the path by itself
    sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import shapely
from workflow import PROJECT, area, begin, boundaries, config, hashes, passes_of, snakemake, write_coop

from pipeline.commands.verify import verify
from pipeline.errors import RowreturnError

#: What is killed: the process of one job; Snakemake, whose jobs live on; all of them at once.
TARGETS = ("job", "snakemake", "group")
#: The other state of the input, in runs that are killed when it has changed; "fresh": none, each run is a first one.
CHANGES = ("fresh", "boundary", "tier")
TOO_LATE_AT_MOST = 3  # attempts for each kill that is asked for


@dataclass(frozen=True)
class Kill:
    """One kill that hit a living process, and what the run after it came to.

    Attributes
    ----------
    change, target : str
        Of `CHANGES` and `TARGETS`.
    phase : str
        Rules whose jobs were running, joined by "+"; "" where Snakemake was alone.
    after_s : float
        From the start of the run [s].
    lost : bool
        Whether `.snakemake` was taken away before the run after it.
    back : bool
        Whether the input was put back to what it was before the change.
    rerun_s : float
        How long the run after it took [s].
    wrong : tuple of str
        What differs from an undisturbed run; empty where all is well.
    """

    change: str
    target: str
    phase: str
    after_s: float
    lost: bool
    back: bool
    rerun_s: float
    wrong: tuple[str, ...]

    def __str__(self) -> str:
        after = " ".join(name for name in ("lost", "back") if getattr(self, name)) or "-"
        what = f"{self.change:8} {self.target:9} at {self.after_s:5.1f} s in {self.phase or 'none':17} {after:9}"
        return f"{what} rerun {self.rerun_s:5.1f} s: " + ("; ".join(self.wrong) or "same bytes")


class Trial:
    """A folder in which runs are killed, and what undisturbed runs in other folders came to.

    Parameters
    ----------
    home : Path
        Empty folder to work in.
    change : str
        One of `CHANGES`.
    seed : int
        Of what is killed, when, and what is lost with it.
    """

    def __init__(self, home: Path, *, change: str, seed: int):
        self.home, self.change, self.random = Path(home), change, random.Random(f"{change} {seed}")
        self.folder = self.home / "killed"
        self.states = ["plain"] if change == "fresh" else ["plain", change]
        self.settings = config(Path()) | {"report": {"sheets": "all"}, "raster": {"cell": "0.2 m"}}
        self.settings["tiers"]["catalogue"] = "tiers.yaml"
        self.wanted, self.lasts_s = {}, 0.0
        for state in self.states:
            write_state(self.home / "input" / state, state)
            self.wanted[state], self.lasts_s = self._undisturbed(state)
        if change != "fresh":
            shutil.copytree(self.home / "plain", self.folder, copy_function=shutil.copy2)
            self.lasts_s = self._change_once()

    def kills(self, count: int) -> Iterator[Kill]:
        """Kill and run again until `count` kills have hit a living process, or too many came too late."""
        hits = 0
        for _ in range(TOO_LATE_AT_MOST * count):
            moment = self.random.uniform(0, self.lasts_s)
            lost, back = self.random.random() < 1 / 3, self.change != "fresh" and self.random.random() < 1 / 3
            kill = self._kill_and_run_again(self.random.choice(TARGETS), moment, lost=lost, back=back)
            if kill is not None:
                hits += 1
                yield kill
            if hits == count:
                return

    def kill_jobs_of(self, rules: Iterable[str]) -> Iterator[Kill]:
        """In one run after the other, kill the first job of a rule that is seen; Snakemake is left to end by itself."""
        for rule in rules:
            kill = self._kill_and_run_again("job", 0.0, rule=rule)
            if kill is not None:
                yield kill

    def _undisturbed(self, state: str) -> tuple[dict[str, str], float]:
        """Hashes of the results of a run in a folder of its own, and how long it took [s]."""
        folder = self.home / state
        self._put(state, folder)
        begun = time.monotonic()
        done = snakemake(self.settings, folder)
        lasted = time.monotonic() - begun
        assert done.returncode == 0, done.stdout
        assert not wrong_with(folder / "results", found := hashes(folder / "results"))
        return found, lasted

    def _change_once(self) -> float:
        """Run with the other state, undisturbed; how long that takes [s]. The states change places."""
        self.states.reverse()
        self._put(self.states[0], self.folder)
        done, lasted = self._run_again()
        assert not self._wrong(done), done.stdout
        return lasted

    def _kill_and_run_again(
        self, target: str, moment_s: float, *, rule: str = "", lost: bool = False, back: bool = False
    ) -> Kill | None:
        """One kill and the run after it; None where it came too late."""
        if self.change == "fresh":
            shutil.rmtree(self.folder, ignore_errors=True)
        self.states.reverse()
        self._put(self.states[0], self.folder)
        run, said = self._begin()
        phase, after_s = strike(run, target, moment_s, rule)
        hit = run.wait(timeout=280) != 0
        if lost:
            shutil.rmtree(self.folder / ".snakemake", ignore_errors=True)
        if back:
            self.states.reverse()
            self._put(self.states[0], self.folder)
        done, rerun_s = self._run_again()
        kill = Kill(self.change, target, phase, after_s, lost, back, rerun_s, self._wrong(done))
        if kill.wrong:
            print(said.read_text(errors="replace"), done.stdout, sep="\n--- run again:\n")
        return kill if hit or kill.wrong else None

    def _begin(self):
        said = self.home / "said.txt"
        return begin(self.settings, self.folder, said), said

    def _run_again(self):
        begun = time.monotonic()
        done = snakemake(self.settings, self.folder)
        return done, time.monotonic() - begun

    def _wrong(self, done) -> tuple[str, ...]:
        if done.returncode != 0:
            return (f"the run after it ended with {done.returncode}",)
        return tuple(wrong_with(self.folder / "results", self.wanted[self.states[0]]))

    def _put(self, state: str, folder: Path) -> None:
        """Put the input of a state into a folder; a file of equal bytes keeps its time."""
        folder.mkdir(parents=True, exist_ok=True)
        for file in (self.home / "input" / state).iterdir():
            there = folder / file.name
            if not there.exists() or there.read_bytes() != file.read_bytes():
                shutil.copyfile(file, there)


def write_state(folder: Path, state: str) -> None:
    """Write the input of a state: the boundary of F2 moved, or a figure of a tier, or neither."""
    folder.mkdir(parents=True)
    fields = boundaries()
    if state == "boundary":
        west, south, east, north = area(1).bounds
        fields.loc[1, "geometry"] = shapely.box(west, south, east - 5.0, north)
    write_coop(folder, fields=fields, rows=passes_of(shift_m=0.05))
    catalogue = (PROJECT / "shared" / "tiers.yaml").read_text()
    figure = "repeatable: 0.5 m" if state == "tier" else "repeatable: 3 ft"
    (folder / "tiers.yaml").write_text(catalogue.replace("repeatable: 3 ft", figure, 1))


def strike(run, target: str, moment_s: float, rule: str = "") -> tuple[str, float]:
    """Kill `target` of a run that has just begun, once `moment_s` are over and there is one: if a job, of that rule.

    Returns
    -------
    str
        Rules whose jobs were running, joined by "+".
    float
        When it was [s].
    """
    begun = time.monotonic()
    while run.poll() is None:
        jobs, after_s = jobs_of(run.pid), time.monotonic() - begun
        wanted = [job for job, name in jobs.items() if rule in ("", name)]
        if after_s >= moment_s and (wanted or target != "job"):
            # All of a group get the signal at once; orphans are in it, so nothing is left.
            pid = {"job": min(wanted, default=0), "snakemake": run.pid, "group": -run.pid}[target]
            try:
                os.kill(pid, signal.SIGKILL)
            except ProcessLookupError:  # ended just now
                continue
            return "+".join(sorted(jobs.values())), after_s
        time.sleep(0.01)
    return "", time.monotonic() - begun


def jobs_of(session: int) -> dict[int, str]:
    """Processes that run a step in a session, with the names of their rules."""
    found = {}
    for folder in Path("/proc").glob("[0-9]*"):
        try:
            # The name of the program, in brackets, may hold anything; the session is the fourth word after it.
            words = (folder / "stat").read_text().rpartition(")")[2].split()
            if int(words[3]) != session or words[0] in "ZX":
                continue
            script = (folder / "cmdline").read_bytes().split(b"\0")[1].decode()
        except (OSError, IndexError):  # it has ended, or is no program
            continue
        if "/scripts/tmp" in script and script.endswith(".py"):
            found[int(folder.name)] = script.split(".")[-2]
    return found


def wrong_with(results: Path, wanted: dict[str, str]) -> list[str]:
    """What a folder of results has other than `wanted`, unfinished work in it, and what `verify` says of it."""
    found = hashes(results)
    names = sorted(wanted.keys() | found.keys())
    wrong = [f"{name} differs" for name in names if found.get(name) != wanted.get(name)]
    wrong += [f"{path.name} is left" for path in sorted(results.rglob(".unfinished-*"))]
    try:
        verify(results, project=PROJECT)
    except RowreturnError as error:
        wrong.append(str(error))
    return wrong


def summary(kills: list[Kill]) -> str:
    """How many kills there were, of what and in what phase."""
    wrong = sum(bool(kill.wrong) for kill in kills)
    lines = [f"{len(kills)} kills that hit a living process, {wrong} with a difference"]
    for title, names in {
        "runs": [kill.change for kill in kills], "killed": [kill.target for kill in kills],
        "while running": [rule for kill in kills for rule in kill.phase.split("+")],
        "after it": [word for kill in kills for word in ("lost", "back") if getattr(kill, word)],
    }.items():  # fmt: skip
        counts = Counter(names).most_common()
        lines.append(f"{title}: " + ", ".join(f"{name or 'no job'} {count}" for name, count in counts))
    return "\n".join(lines)


def main() -> int:
    """Kill as often as the command line says, half of the runs fresh ones; 1 on any difference."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--kills", type=int, default=60)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    shares = {"boundary": asked.kills // 4, "tier": asked.kills // 4}
    shares["fresh"] = asked.kills - sum(shares.values())
    kills: list[Kill] = []
    with tempfile.TemporaryDirectory() as home:
        for change, count in shares.items():
            for kill in Trial(Path(home) / change, change=change, seed=asked.seed).kills(count) if count else ():
                kills.append(kill)
                print(f"{len(kills):3} {kill}", flush=True)
    print(summary(kills))
    return 0 if len(kills) == asked.kills and not any(kill.wrong for kill in kills) else 1


if __name__ == "__main__":
    sys.exit(main())
