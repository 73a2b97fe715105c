"""Memory and processor time of every step of every batch of a finished run, beside the size of the batch's fields.

`python -m bench.jobs FOLDER` runs each step anew, in a process of its own and into a folder that is thrown away; with
nothing kept of an earlier run, as on a cluster at first. The rates in `pipeline/files/job_size.py` are from it.
"""

import argparse
import subprocess
import sys
from pathlib import Path

from bench.batch import STEPS, run_aside, run_step
from bench.table import waited_for
from pipeline.files.store import read_json


def peak_mib() -> float:
    """Peak memory of this process so far [MiB].

    Not the resource usage: that of a child begins with what its parent held when it was forked.
    """
    status = Path("/proc/self/status").read_text()
    return int(status.partition("VmHWM:")[2].split()[0]) / 1024


def measured(step: str, folder: Path, batch: str, *, how: str = "aside") -> tuple[float, float]:
    """Processor time [s] and peak memory [MiB] of a step of a batch, in a fresh process.

    Parameters
    ----------
    how : {"aside", "place"}
        Whether what it makes is thrown away or left for the steps after it.
    """
    said = [sys.executable, "-m", "bench.jobs", str(folder), "--one", step, batch, how]
    process = subprocess.Popen(said, stdout=subprocess.PIPE, text=True)
    mib = process.stdout.read()
    used = waited_for(process.pid)
    process.returncode = used.exit_code
    if used.exit_code:
        raise SystemExit(f"{step} of {batch} ended with {used.exit_code}")
    return used.seconds, float(mib)


def main() -> None:
    """Print a line a batch and step."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--one", nargs=3, metavar=("STEP", "BATCH", "HOW"))
    asked = parser.parse_args()
    if asked.one:
        step, batch, how = asked.one
        {"aside": run_aside, "place": run_step}[how](step, asked.folder, batch)
        print(peak_mib())
        return
    for batch, size in read_json(asked.folder / "work" / "intake.json")["sizes"].items():
        print(f"{batch}: " + ", ".join(f"{name} {value:g}" for name, value in size.items()))
        for step in STEPS:
            seconds, mib = measured(step, asked.folder, batch)
            print(f"  {step:8} {seconds:8.1f} s {mib:8.0f} MiB", flush=True)


if __name__ == "__main__":
    main()
