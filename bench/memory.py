"""Peak memory of each step's job on a square field of a given size, eight tiers, cells of 0.1 m."""

import math
from pathlib import Path
from tempfile import TemporaryDirectory

import geopandas as gpd
import numpy as np
import shapely
import yaml

from bench.batch import STEPS, batches_of, take_in
from bench.coop import CONFIG, CRS, FILE, configuration
from bench.jobs import measured
from bench.table import Goal, show

HECTARE_M2, ROWS, SPACING_M = 10_000.0, 12, 0.762
ORIGIN_M = (600_000.0, 4_600_000.0)
MIB_PER_GIB = 1024


def write_square(folder: Path, *, hectares: float, vertex_m: float) -> None:
    """A co-op of one square field: passes from south to north that waver, and a planter that wavers beside them.

    Parameters
    ----------
    folder : Path
    hectares : float
    vertex_m : float
        Distance of the vertices along a pass [m].
    """
    side = math.sqrt(hectares * HECTARE_M2)
    passes = int(side // (ROWS * SPACING_M))
    y = np.linspace(0.0, side, int(side / vertex_m) + 1)
    x = (np.arange(passes)[:, None] + 0.5) * ROWS * SPACING_M + 2.0 * np.sin(y / 210.0) + 0.5 * np.sin(y / 61.0)
    phase = np.random.default_rng(20).uniform(0.0, 2 * np.pi, (2, passes, 1))
    wander = [0.04 * np.sin(y / length + one) for length, one in zip((25.0, 17.0), phase, strict=True)]
    number = {"FIELD": "S1", "PASS": np.arange(passes), "ROWS": ROWS}
    layers = {
        "fields": ({"FIELD": ["S1"], "FARM": "S", "GROWER": "S"}, [shapely.box(0.0, 0.0, side, side)]),
        "strips": (number | {"T0": "", "T1": ""}, _lines(x + wander[0], y)),
        "planter": (number, _lines(x + wander[0] + wander[1], y)),
    }
    for name, (columns, shapes) in layers.items():
        moved = shapely.transform(np.asarray(shapes, object), lambda xy: xy + ORIGIN_M)
        gpd.GeoDataFrame(columns, geometry=moved, crs=CRS).to_file(folder / FILE, layer=name, engine="pyogrio")
    (folder / CONFIG).write_text(yaml.safe_dump(configuration(1, layers=list(layers)), sort_keys=False))


def _lines(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    return shapely.linestrings(np.stack([x, np.broadcast_to(y, x.shape)], axis=2))


def peaks(hectares: float, *, vertex_m: float) -> dict[str, float]:
    """Peak memory of each step [MiB], each a process of its own."""
    with TemporaryDirectory() as home:
        folder = Path(home)
        write_square(folder, hectares=hectares, vertex_m=vertex_m)
        take_in(folder, report={"units": "us", "sheets": "all"})
        (batch,) = batches_of(folder)
        return {step: measured(step, folder, batch, how="place")[1] for step in STEPS}


def show_peaks(hectares: float, *, vertex_m: float, most_gib: float) -> None:
    """Print a line for the step that takes most, and one for each step."""
    found = peaks(hectares, vertex_m=vertex_m)
    most = max(found, key=found.get)
    name = f"peak memory of a job [GiB], {hectares:g} ha, a vertex every {vertex_m:g} m: "
    show(name + most, most_gib, found[most] / MIB_PER_GIB, Goal(1, faster=False))
    for step, mib in found.items():
        show(f"  {step}", most_gib, mib / MIB_PER_GIB, Goal(None, faster=False))
