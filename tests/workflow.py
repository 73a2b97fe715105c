"""A small invented co-op on disk, and the workflow run on it: step by step in-process, or whole."""

import hashlib
import os
import re
import subprocess
import sys
from collections import Counter
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
import yaml
from helpers import SPACING_M

from pipeline.steps import figures, intake, odds, offsets, overlap, passes, tables

PROJECT = Path(__file__).resolve().parents[1]
CRS = "EPSG:32614"
ORIGIN = (600_000.0, 4_600_000.0)
LENGTH_M, WIDTH_M = 120.0, 50.0
ROWS = 12
TIERS = ("sbas", "rtk_base")


def area(number: int) -> shapely.Polygon:
    """Boundary of an invented field; the fields lie beside one another, 400 m apart."""
    east, north = ORIGIN[0] + 400.0 * number, ORIGIN[1]
    return shapely.box(east, north, east + LENGTH_M, north + WIDTH_M)


def pass_lines(number: int, *, shift_m: float = 0.0, count: int = 4, rows: int = ROWS) -> list:
    """Passes from west to east and back, the first half an implement inside the southern boundary."""
    east, north = ORIGIN[0] + 400.0 * number, ORIGIN[1]
    wide = rows * SPACING_M
    norths = [north + (k + 0.5) * wide + shift_m for k in range(count)]
    ends = [(east, east + LENGTH_M)[:: 1 if k % 2 == 0 else -1] for k in range(count)]
    return [shapely.LineString([(a, y), (b, y)]) for (a, b), y in zip(ends, norths, strict=True)]


def layer_of(lines: list, **columns) -> gpd.GeoDataFrame:
    """A layer of those shapes."""
    return gpd.GeoDataFrame(columns, geometry=np.array(lines, object), crs=CRS)


def boundaries(fields: int = 2) -> gpd.GeoDataFrame:
    """The fields' layer."""
    names = ["F0", "F2"][:fields]  # two names whose hashes put them into two batches
    return layer_of([area(k) for k in range(fields)], FIELD=names, FARM=["Invented"] * fields)


def passes_of(fields: int = 2, **how) -> gpd.GeoDataFrame:
    """Passes of all fields, with pass numbers."""
    found = [(line, f"P{k}") for n in range(fields) for k, line in enumerate(pass_lines(n, **how))]
    return layer_of([line for line, _ in found], PASS=[name for _, name in found])


def write_coop(folder: Path, *, fields=None, strips=None, rows=None, name: str = "coop.gpkg") -> Path:
    """Write the layers that are given, two fields with strips otherwise."""
    path = Path(folder) / name
    path.unlink(missing_ok=True)
    layers = {"fields": boundaries() if fields is None else fields}
    layers["strips"] = passes_of() if strips is None else strips
    if rows is not None:
        layers["planter"] = rows
    for layer, frame in layers.items():
        frame.to_file(path, layer=layer, driver="GPKG", engine="pyogrio")
    return path


def config(folder: Path, *, planter: bool = True, name: str = "coop.gpkg") -> dict:
    """A configuration for `write_coop`, paths absolute."""
    file = str(Path(folder) / name)
    implement = {"row_count": ROWS, "row_spacing": "30 in"}
    inputs = {
        "fields": {"file": file, "layer": "fields", "columns": {"field_id": "FIELD", "farm": "FARM"}},
        "strips": {
            "file": file, "layer": "strips", "columns": {"pass_id": "PASS"},
            "constants": implement | {"strip_width": "8 in"},
        },
    }  # fmt: skip
    if planter:
        inputs["rows"] = {
            "file": file, "layer": "planter", "columns": {"pass_id": "PASS"}, "constants": dict(implement),
        }  # fmt: skip
    return {
        "title": "Invented fields", "inputs": inputs, "tiers": {"compare": list(TIERS)},
        "raster": {"cell": "0.1 m"}, "report": {"sheets": "none"},
    }  # fmt: skip


def one_tier(folder: Path, **more) -> str:
    """A catalogue of one invented tier, 1 m off at switch-on, with figures as given; returns its path."""
    figures = ("pass_to_pass", "repeatable", "convergence", "start_error", "correlation_time")
    tier = {
        "name": "Invented", "pass_to_pass": "0 in", "measure": "cross_track_95", "basis": "return", "convergence": "0 s",
        "start_error": "1 m", "correlation_time": "60 min", "frame": "base", "source": dict.fromkeys(figures, "invented"),
    }  # fmt: skip
    file = Path(folder) / "tiers.yaml"
    file.write_text(yaml.safe_dump([tier | more]))
    return str(file)


def take_in(settings: dict, folder: Path) -> Path:
    """Run `intake` alone; returns the folder of intermediates."""
    intake.run(config=settings, source="mine.yaml", work=Path(folder) / "work")
    return Path(folder) / "work"


def first_field(tables: dict[str, pd.DataFrame]) -> pd.Series:
    """The line of field F0 under the one tier of a run."""
    return tables["fields"][tables["fields"].field_id == "F0"].iloc[0]


def run_steps(settings: dict, folder: Path) -> dict[str, pd.DataFrame]:
    """Run the steps up to the tables in-process; the tables by name."""
    work, results = take_in(settings, folder), Path(folder) / "results"
    parts = []
    for batch in sorted(path for path in (work / "intake").iterdir() if path.is_dir()):
        laid, measured = work / "passes" / batch.name, work / "offsets" / batch.name
        passes.run(batch=batch, settings=work / "settings/geometry.json", out=laid)
        offsets.run(passes=laid, out=measured)
        judging, judged = work / "settings/tiers.json", work / "odds" / batch.name
        odds.run(passes=laid, offsets=measured, tiers=judging, losses=judging.with_name("losses.json"), out=judged)
        counted = work / "overlap" / f"{batch.name}.parquet"
        overlap.run(
            passes=laid, offsets=measured, tiers=judging, raster=work / "settings/raster.json", results=results, out=counted
        )
        parts.append(work / "figures" / batch.name)
        figures.run(odds=judged, overlap=counted, out=parts[-1])
    names = {
        "fields": "field_tier", "rows": "row_tier", "passes": "pass_tier", "waiting": "waiting", "shift": "shift",
        "audit": "audit",
    }  # fmt: skip
    paths = {name: results / f"{file}.csv" for name, file in names.items()}
    tables.run(figures=parts, results=list(paths.values()))
    return {name: pd.read_csv(path, dtype={"field_id": str}) for name, path in paths.items()}


def snakemake(
    settings: dict, folder: Path, *targets: str, cores: int = 2, project: Path = PROJECT
) -> subprocess.CompletedProcess:
    """Run the workflow as a user does, in a folder of its own; output and errors in `stdout`."""
    how = _documented(settings, folder, *targets, cores=cores, project=project)
    return subprocess.run(
        **how, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, check=False, timeout=280
    )


def begin(settings: dict, folder: Path, said: Path, *targets: str, cores: int = 2) -> subprocess.Popen:
    """Begin such a run in a session of its own and leave it to itself; what it prints goes to the file `said`."""
    how = _documented(settings, folder, *targets, cores=cores)
    with Path(said).open("wb") as stream:  # a pipe would be held open by jobs that outlive the run
        return subprocess.Popen(**how, stdout=stream, stderr=subprocess.STDOUT, start_new_session=True)


def _documented(settings: dict, folder: Path, *targets: str, cores: int, project: Path = PROJECT) -> dict:
    """The command that users are told of, and its environment; writes the configuration it names."""
    Path(folder).mkdir(parents=True, exist_ok=True)
    file = Path(folder) / "mine.yaml"
    text = yaml.safe_dump(settings, sort_keys=True)
    if not file.exists() or file.read_text() != text:
        file.write_text(text)
    command = [
        sys.executable, "-m", "snakemake", "-s", project / "Snakefile", "--directory", folder,
        "--cores", cores, "--configfile", file, "--nocolor", *targets,
    ]  # fmt: skip
    environment = {name: value for name, value in os.environ.items() if name != "PYTHONPATH"}
    return {"args": [str(part) for part in command], "env": environment}


def rules_run(said: str) -> Counter[str]:
    """How often each rule ran, but the last one that asks for all, by what Snakemake printed."""
    return Counter(re.findall(r"^Finished jobid: \d+ \(Rule: (\w+)\)", said, re.MULTILINE)) - Counter({"all": 1})


def hashes(results: Path) -> dict[str, str]:
    """SHA-256 of every file under a folder, by relative path."""
    files = sorted(path for path in Path(results).rglob("*") if path.is_file())
    return {str(f.relative_to(results)): hashlib.sha256(f.read_bytes()).hexdigest() for f in files}
