"""Whole runs of invented co-ops of two sizes: processor time per hectare, start of the program included."""

import os
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

import pyogrio
import shapely
import yaml

from bench.coop import CONFIG, FILE, write_coop
from bench.table import Goal, note, show, waited_for

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
    peak_mib : float
        Memory of the largest process [MiB].
    """

    fields: int
    hectares: float
    seconds: float
    peak_mib: float

    @property
    def per_hectare(self) -> float:
        """Processor time a hectare [s]."""
        return self.seconds / self.hectares


def whole_run(fields: int, *, cores: int = 2, small: bool = False) -> Run:
    """Run a co-op from an empty folder to the manifest.

    Parameters
    ----------
    fields, cores : int
    small : bool
        Fields of a tenth of the usual area, two tiers, cells of 0.5 m: what goes by the number of fields weighs most.
    """
    with TemporaryDirectory() as home:
        write_coop(Path(home), fields=fields, area=0.1 if small else 1.0)
        if small:
            _make_light(Path(home) / CONFIG)
        outlines = pyogrio.read_dataframe(Path(home) / FILE, layer="fields")
        said = ["--configfile", f"{home}/{CONFIG}", "--directory", home, "--snakefile", str(PROJECT / "Snakefile")]
        with (Path(home) / "said.txt").open("w") as said_to:
            process = subprocess.Popen(
                [sys.executable, "-m", "snakemake", *said, "--cores", str(cores), "--quiet"],
                stdout=said_to, stderr=subprocess.STDOUT, env=dict(os.environ, OPENBLAS_NUM_THREADS="1"),
            )  # fmt: skip
            used = waited_for(process.pid)
            process.returncode = used.exit_code
        if used.exit_code:
            sys.exit(f"the run of {fields} fields failed:\n{(Path(home) / 'said.txt').read_text()[-2000:]}")
        return Run(fields, float(shapely.area(outlines.geometry.values).sum()) / HECTARE_M2, used.seconds, used.peak_mib)


def _make_light(config: Path) -> None:
    said = yaml.safe_load(config.read_text())
    said["tiers"]["compare"] = said["tiers"]["compare"][-2:]
    config.write_text(yaml.safe_dump(said | {"raster": {"cell": "0.5 m"}}, sort_keys=False))


def show_sizes(few: int, many: int, *, small: bool = False) -> None:
    """Cost per hectare of the larger co-op beside that of the smaller one."""
    one, other = (whole_run(fields, small=small) for fields in (few, many))
    name = f"a hectare [s] at {many} fields ({other.hectares:.0f} ha): at {few} ({one.hectares:.0f} ha)"
    show(name, one.per_hectare, other.per_hectare, Goal(1.1, faster=False))
    note(f"the largest process took {one.peak_mib:.0f} and {other.peak_mib:.0f} MiB")
