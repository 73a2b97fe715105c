"""A layer of 20 million vertices is taken in under 2 GiB: written in a stream, read in batches."""

import json
import subprocess
import sys
from pathlib import Path

import geopandas as gpd
import numpy as np
import pyarrow as pa
import pyogrio
import pytest
import shapely
from workflow import ORIGIN, config, layer_of

HERE = Path(__file__).resolve().parent
LIMIT_BYTES = 2 << 30
PASSES, VERTICES, FIELDS = 2_000, 10_000, 8
WIDE_M, STEP_M = 9.144, 0.5
INTAKE = """
import json, sys
from workflow import take_in
from pathlib import Path
take_in(json.loads(Path(sys.argv[1]).read_text()), Path(sys.argv[2]))
print([line.split()[1] for line in open("/proc/self/status") if line.startswith("VmHWM")][0])
"""


def write_strips(path: Path, crs: str) -> None:
    """Write wavy passes side by side, a hundred in memory at a time."""
    x = ORIGIN[0] + STEP_M * np.arange(VERTICES)

    def batch(first: int) -> pa.RecordBatch:
        norths = ORIGIN[1] + WIDE_M * (np.arange(first, first + 100) + 0.5)
        lines = [np.stack([x, y + np.sin(x / 40.0)], axis=1) for y in norths]
        names = [f"P{first + k}" for k in range(100)]
        shapes = shapely.to_wkb(shapely.linestrings(lines))
        return pa.RecordBatch.from_arrays([pa.array(names), pa.array(shapes)], schema=schema)

    schema = pa.schema([("PASS", pa.string()), ("geometry", pa.binary())])
    stream = pa.RecordBatchReader.from_batches(schema, (batch(first) for first in range(0, PASSES, 100)))
    how = {"driver": "GPKG", "geometry_name": "geometry", "geometry_type": "LineString", "crs": crs}
    pyogrio.write_arrow(stream, path, layer="strips", append=True, **how)


@pytest.mark.slow
@pytest.mark.skipif(sys.platform != "linux", reason="peak memory is read from /proc")
@pytest.mark.parametrize("crs", ["EPSG:32614", "EPSG:6343"])  # as the fields, and another that must be transformed
def test_peak_memory_of_the_intake(tmp_path, crs):
    length, per_field = STEP_M * VERTICES, PASSES * WIDE_M / FIELDS
    souths = [ORIGIN[1] + per_field * k for k in range(FIELDS)]
    boxes = [shapely.box(ORIGIN[0] - 5, y, ORIGIN[0] + length + 5, y + per_field) for y in souths]
    fields: gpd.GeoDataFrame = layer_of(boxes, FIELD=[f"L{k}" for k in range(FIELDS)], FARM="Invented")
    pyogrio.write_dataframe(fields, tmp_path / "coop.gpkg", layer="fields")
    write_strips(tmp_path / "coop.gpkg", crs)
    (tmp_path / "mine.json").write_text(json.dumps(config(tmp_path, planter=False)))
    done = subprocess.run(
        [sys.executable, "-c", INTAKE, tmp_path / "mine.json", tmp_path], capture_output=True, text=True, check=True,
        env={"PYTHONPATH": f"{HERE}:{HERE.parent}", "PATH": ""},
    )  # fmt: skip
    said = json.loads((tmp_path / "work/intake.json").read_bytes())["layers"]["strips"]
    peak = 1024 * int(done.stdout.splitlines()[-1])
    print(f"{PASSES * VERTICES:,} vertices in {crs}: peak {peak / 2**30:.2f} GiB")
    assert (said["read"], said["kept"]) == (PASSES, PASSES)
    assert peak < LIMIT_BYTES
