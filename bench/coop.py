"""Write an invented co-op of any number of fields, and the configuration to run it: `coop.gpkg` and `coop.yaml`.

Growers, farms, fields, dates and tracks are invented; the same seed gives the same bytes. Fields are drawn and written
in chunks, so memory does not grow with their number. The layers of a GeoPackage would lie in it by turns, chunk by
chunk, if each were appended to its layer; so every layer is first written to a stream of its own, and the file from these.
"""

import argparse
import tempfile
from collections.abc import Collection, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from itertools import islice
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyogrio
import shapely
import yaml

from bench.coop_fields import coop_fields, real_outlines
from bench.coop_layers import LAYERS, SHAPES, Columns, layers_of
from pipeline.files.geopackage import GEOMETRY, STAMP
from pipeline.files.store import whole_file, write_bytes

FILE, CONFIG, CRS = "coop.gpkg", "coop.yaml", "EPSG:32614"
CHUNK, FEATURES = 100, 4_000
TIERS = ("sbas", "ppp_submetre", "ppp_decimetre", "ppp_10cm_gps", "ppp_cm", "galileo_has", "rtk_network", "rtk_base")


def write_coop(
    folder: Path, *, fields: int, seed: int = 1, parcels: Path | None = None, area: float = 1.0, chunk: int = CHUNK
) -> Path:  # fmt: skip
    """Write the co-op and its configuration into a folder; returns the path of the GeoPackage.

    Parameters
    ----------
    folder : Path
    fields, seed : int
    parcels : Path or None
        Vector file of real parcels to take outlines from; None, or no such file: they are invented.
    area : float
        Fields are so many times as large as the usual ones: many small ones try what goes by their number.
    chunk : int
        Fields in memory at a time. It plays no part in what is written.
    """
    folder = Path(folder)
    outlines = real_outlines(parcels) if parcels and Path(parcels).exists() else []
    with whole_file(folder / FILE) as unfinished, tempfile.TemporaryDirectory(dir=folder) as scratch:
        everything = layers_of(coop_fields(fields, seed=seed, parcels=outlines, area=area), seed=seed)
        filled = _write_streams(Path(scratch), everything, chunk=chunk)
        with _fixed_date():
            for layer in LAYERS:
                _write_layer(unfinished, layer, Path(scratch) / layer)
    text = "# Written by bench/coop.py: everything in it is invented.\n"
    text += yaml.safe_dump(configuration(fields, layers=filled), sort_keys=False, width=120)
    write_bytes(folder / CONFIG, text.encode())
    return folder / FILE


def configuration(fields: int, *, layers: Collection[str] = tuple(LAYERS)) -> dict:
    """The configuration, with paths from the folder of the co-op; `layers` are those that have features."""
    columns = {"field_id": "FIELD", "pass_id": "PASS", "row_count": "ROWS"}
    constants = {"row_spacing": "30 in", "frame": "NAD83(2011)", "epoch": 2010.0}
    mapped = {
        "fields": {"columns": {"field_id": "FIELD", "farm": "FARM", "grower": "GROWER"}},
        "strips": {
            "columns": columns | {"started_at": "T0", "ended_at": "T1"},
            "constants": constants | {"strip_width": "8 in"},
        },
        "rows": {"kind": "planned", "columns": dict(columns), "constants": dict(constants)},
        "bases": {"columns": {"base_id": "BASE", "surveyed": "SURVEYED"}},
        "checks": {"columns": {"offset": "OFFSET_M", "tape_error": "TAPE_M", "pass_id": "PASS"}},
        "zones": {"columns": {"tier": "TIER", "factor": "FACTOR"}},
    }  # fmt: skip
    layer = {role: "planter" if role == "rows" else role for role in mapped}
    inputs = {role: {"file": FILE, "layer": layer[role], **how} for role, how in mapped.items() if layer[role] in layers}
    return {
        "title": f"Invented co-op of {fields} fields, spring 2026",
        "inputs": inputs,
        "tiers": {"compare": list(TIERS), "autumn": "same"},
        "judging": {"steering": {"autumn": "1 in", "spring": "1 in"}, "seed": 1},
        "raster": {"cell": "0.1 m"},
        "report": {"units": "us", "sheets": "none"},
    }  # fmt: skip


def _write_streams(folder: Path, fields: Iterator[dict[str, Columns]], *, chunk: int) -> set[str]:
    """Write one Arrow stream a layer; returns the layers that have features."""
    filled: set[str] = set()
    schemas = {name: pa.schema([*columns.items(), (SHAPES, pa.binary())]) for name, (_, columns) in LAYERS.items()}
    with ExitStack() as opened:
        streams = {
            name: opened.enter_context(pa.ipc.new_stream(opened.enter_context(pa.OSFile(str(folder / name), "wb")), schema))
            for name, schema in schemas.items()
        }  # fmt: skip
        while some := list(islice(fields, chunk)):
            for name, stream in streams.items():
                if parts := [one[name] for one in some if name in one and len(one[name][SHAPES])]:
                    stream.write_batch(_batch(parts, schemas[name]))
                    filled.add(name)
    return filled


def _batch(parts: Sequence[Columns], schema: pa.Schema) -> pa.RecordBatch:
    """Columns of some fields, one below the other."""
    whole = {name: np.concatenate([part[name] for part in parts]) for name in schema.names}
    whole[SHAPES] = shapely.to_wkb(np.asarray(whole[SHAPES], object))
    return pa.RecordBatch.from_arrays([pa.array(whole[one.name], one.type) for one in schema], schema=schema)


def _write_layer(path: Path, layer: str, stream: Path) -> None:
    """Append a layer. Without a spatial index, which would be built in memory and which nobody needs to read it all."""
    with pa.OSFile(str(stream)) as source, pa.ipc.open_stream(source) as read:
        pyogrio.write_arrow(
            pa.RecordBatchReader.from_batches(read.schema, _equal_batches(read)), path, layer=layer, driver="GPKG",
            append=path.exists(), geometry_name=SHAPES, crs=CRS, geometry_type=LAYERS[layer][0],
            GEOMETRY_NAME=GEOMETRY, FID="fid", SPATIAL_INDEX="NO",
        )  # fmt: skip


def _equal_batches(read: pa.RecordBatchReader) -> Iterator[pa.RecordBatch]:
    """The stream in batches of `FEATURES`: GDAL commits each, and the file counts how often it was changed."""
    held = read.schema.empty_table()
    for batch in read:
        held = pa.concat_tables([held, pa.Table.from_batches([batch])])
        while len(held) >= FEATURES:
            yield from held.slice(0, FEATURES).combine_chunks().to_batches()
            held = held.slice(FEATURES)
    yield from held.combine_chunks().to_batches()


@contextmanager
def _fixed_date() -> Iterator[None]:
    """GDAL stamps every layer with a fixed time."""
    before = pyogrio.get_gdal_config_option("OGR_CURRENT_DATE")
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": STAMP})
    try:
        yield
    finally:
        pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": before})


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description="Write an invented co-op and the configuration to run it.")
    parser.add_argument("folder", type=Path)
    parser.add_argument("--fields", type=int, default=5000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--parcels", type=Path, help="vector file of real parcels to take outlines from")
    parser.add_argument("--area", type=float, default=1.0, help="fields so many times as large as the usual 20 ha")
    given = parser.parse_args()
    if given.fields < 1 or given.seed < 0 or not 0.01 <= given.area <= 10.0:
        parser.error("expected --fields of 1 or more, --seed of 0 or more and --area of 0.01 to 10")
    print(write_coop(given.folder, fields=given.fields, seed=given.seed, parcels=given.parcels, area=given.area))
