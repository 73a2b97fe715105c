"""Whole runs of invented co-ops of two sizes: processor time per hectare, start of the program included."""

import os
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

import pyogrio
import shapely

from bench.coop import CONFIG, FILE, write_coop
from bench.table import Goal, child_time, show

PROJECT = Path(__file__).parents[1]
HECTARE_M2 = 10_000.0


@dataclass(frozen=True)
class Run:
    """What a whole run took.

    Attributes
    ----------
    fields : int
    hectares : float
    seconds : float
        Processor time of the run and all its jobs [s].
    """

    fields: int
    hectares: float
    seconds: float

    @property
    def per_hectare(self) -> float:
        """Processor time a hectare [s]."""
        return self.seconds / self.hectares


def whole_run(fields: int, *, cores: int = 2) -> Run:
    """Run a co-op from an empty folder to the manifest."""
    with TemporaryDirectory() as home:
        write_coop(Path(home), fields=fields)
        outlines = pyogrio.read_dataframe(Path(home) / FILE, layer="fields")
        said = ["--configfile", f"{home}/{CONFIG}", "--directory", home, "--snakefile", str(PROJECT / "Snakefile")]
        with (Path(home) / "said.txt").open("w") as said_to:
            process = subprocess.Popen(
                [sys.executable, "-m", "snakemake", *said, "--cores", str(cores), "--quiet"],
                stdout=said_to, stderr=subprocess.STDOUT, env=dict(os.environ, OPENBLAS_NUM_THREADS="1"),
            )  # fmt: skip
            seconds, process.returncode = child_time(process.pid)
        if process.returncode:
            sys.exit(f"the run of {fields} fields failed:\n{(Path(home) / 'said.txt').read_text()[-2000:]}")
        return Run(fields, float(shapely.area(outlines.geometry.values).sum()) / HECTARE_M2, seconds)


def show_sizes(few: int, many: int) -> None:
    """Cost per hectare of the larger co-op beside that of the smaller one."""
    small, large = whole_run(few), whole_run(many)
    name = f"a hectare [s] at {many} fields ({large.hectares:.0f} ha): at {few} ({small.hectares:.0f} ha)"
    show(name, small.per_hectare, large.per_hectare, Goal(1.1, faster=False))
