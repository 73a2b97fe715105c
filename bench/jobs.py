"""Memory and processor time of every step of every batch of a finished run, beside the size of the batch's fields.

`python -m bench.jobs FOLDER` runs each step anew, in a process of its own and into a folder that is thrown away; with
nothing kept of an earlier run, as on a cluster at first. The rates in `pipeline/files/job_size.py` are from it.
"""

import argparse
import os
import subprocess
import sys
import tempfile
from functools import partial
from importlib import import_module
from pathlib import Path

from pipeline.files.store import read_json

STEPS = ("passes", "offsets", "odds", "overlap", "figures", "bands", "sheets")


def one(step: str, folder: Path, batch: str) -> None:
    """Run one step of one batch."""
    work, module = folder / "work", import_module(f"pipeline.steps.{step}")
    settings = {name: work / "settings" / f"{name}.json" for name in ("geometry", "tiers", "raster", "report", "crs")}
    made = {name: work / name / batch for name in ("passes", "offsets", "odds", "bands")}
    with tempfile.TemporaryDirectory(dir=folder) as home:
        out, results, tiers = Path(home) / "out", Path(home) / "results", settings["tiers"]
        laid = {"passes": made["passes"], "offsets": made["offsets"], "tiers": tiers}
        run = {
            "passes": partial(module.run, batch=work / "intake" / batch, settings=settings["geometry"], out=out),
            "offsets": partial(module.run, passes=made["passes"], out=out),
            "odds": partial(module.run, **laid, out=out),
            "overlap": partial(module.run, **laid, raster=settings["raster"], results=results, out=out),
            "figures": partial(module.run, odds=made["odds"], overlap=work / "overlap" / f"{batch}.parquet", out=out),
            "bands": partial(module.run, **laid, crs_from=settings["crs"], out=out),
            "sheets": partial(
                module.run, passes=made["passes"], bands=made["bands"], odds=made["odds"], tiers=tiers,
                report=settings["report"], results=results, out=out,
            ),
        }  # fmt: skip
        run[step]()


def measured(step: str, folder: Path, batch: str) -> tuple[float, float]:
    """Processor time [s] and peak memory [MiB] of a step of a batch."""
    process = subprocess.Popen([sys.executable, "-m", "bench.jobs", str(folder), "--one", step, batch])
    _, status, used = os.wait4(process.pid, 0)
    if status:
        raise SystemExit(f"{step} of {batch} ended with {os.waitstatus_to_exitcode(status)}")
    return used.ru_utime + used.ru_stime, used.ru_maxrss / 1024


def main() -> None:
    """Print a line a batch and step."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--one", nargs=2, metavar=("STEP", "BATCH"))
    asked = parser.parse_args()
    if asked.one:
        one(asked.one[0], asked.folder, asked.one[1])
        return
    for batch, size in read_json(asked.folder / "work" / "intake.json")["sizes"].items():
        print(f"{batch}: " + ", ".join(f"{name} {value:g}" for name, value in size.items()))
        for step in STEPS:
            seconds, mib = measured(step, asked.folder, batch)
            print(f"  {step:8} {seconds:8.1f} s {mib:8.0f} MiB", flush=True)


if __name__ == "__main__":
    main()
