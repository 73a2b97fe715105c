"""The table of ratios: timing, and one line for each thing that is measured."""

import os
import sys
import time
from collections.abc import Callable
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from statistics import median

LINE = "| {:<66} | {:>9} | {:>9} | {:>7} | {:>7} |"


def timed(work: Callable, *, repeats: int = 1) -> tuple[float, object]:
    """Median wall time [s] and the last result."""
    seconds, result = [], None
    for _ in range(repeats):
        start = time.perf_counter()
        result = work()
        seconds.append(time.perf_counter() - start)
    return median(seconds), result


def worked(work: Callable) -> float:
    """Processor time [s] of this process, all threads: what others do on the machine has less part in it."""
    start = time.process_time()
    work()
    return time.process_time() - start


def least_worked(work: Callable, *, repeats: int) -> float:
    """Least processor time [s] of some repeats: what comes on top is not of the work."""
    return min(worked(work) for _ in range(repeats))


@dataclass(frozen=True)
class Used:
    """Processor time of a child process and all that it waited for [s], memory of the largest [MiB], and its exit code.

    Linux counts the memory of the process that it was forked from, too: `peak_mib` is no less than that.
    """

    seconds: float
    peak_mib: float
    exit_code: int


def waited_for(process_id: int) -> Used:
    """What a child process has used, when it has ended."""
    _, status, used = os.wait4(process_id, 0)
    return Used(used.ru_utime + used.ru_stime, used.ru_maxrss / 1024, os.waitstatus_to_exitcode(status))


@dataclass(frozen=True)
class Goal:
    """What a ratio must reach: so many times faster or more, or so many times the cost or less; `number` may be None."""

    number: float | None
    faster: bool = True

    def ratio(self, theirs: float, ours: float) -> float:
        """Theirs over ours where ours is to be faster, ours over theirs where it is to cost little more."""
        return theirs / ours if self.faster else ours / theirs

    def __str__(self) -> str:
        return "" if self.number is None else f"{'>=' if self.faster else '<='} {self.number:g}"


def head(name: str, said: str) -> None:
    """Begin a table."""
    print("\n" + LINE.format(f"{name}: {said}", "theirs", "ours", "ratio", "goal"))
    print(LINE.format("---", "--:", "--:", "--:", "--:"), flush=True)


def show(name: str, theirs: float, ours: float, goal: Goal) -> None:
    """Print a line; where its goal has no number it is for information."""
    ratio = goal.ratio(theirs, ours)
    figures = (f"{value:.3g}" if value < 10 else f"{value:.1f}" for value in (theirs, ours))
    print(LINE.format(name, *figures, f"{ratio:.3g}" if ratio < 1000 else f"{ratio:,.0f}", str(goal)), flush=True)


def skipped(name: str, why: str) -> None:
    """Print a line for what could not be measured, and why beside the table."""
    print(LINE.format(name, "", "", "skipped", ""), flush=True)
    note(f"skipped: {why}")


def note(text: str) -> None:
    """Say something that is not of the table."""
    print(text, file=sys.stderr, flush=True)


@contextmanager
def inside(folder: Path):
    """Work in a folder, as a run does."""
    before = Path.cwd()
    os.chdir(folder)
    try:
        yield
    finally:
        os.chdir(before)
