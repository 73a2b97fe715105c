"""GeoParquet files as layers, in batches."""

import json
from collections.abc import Iterable
from pathlib import Path

import geopandas as gpd
import pyarrow as pa
import pyarrow.parquet as pq

from pipeline.errors import InputError
from pipeline.files.arrow_batches import read_arrow
from pipeline.files.opening import said_of
from pipeline.files.reading import BATCH, Features, crs_of, notes_of

_FAULTS = (pa.ArrowException, OSError, ValueError, KeyError, TypeError, AttributeError)
# What the format says of a file that names no CRS (GeoParquet 1.1, "crs").
DEFAULT_CRS = "OGC:CRS84"


def read_parquet_layer(path: Path, place: str, wanted: Iterable[str] | None) -> Features:
    """Geometries and the wanted columns (None: all of plain values) of a GeoParquet file; features are counted from 0.

    Raises
    ------
    InputError
        If it is none, or its geometries are not in well-known binary.
    """
    try:
        with pq.ParquetFile(path) as file:
            schema = file.schema_arrow
            about = json.loads((schema.metadata or {})[b"geo"])
            geometry = about["primary_column"]
            said = about["columns"][geometry]
            theirs = [name for name in schema.names if name not in about["columns"]]
            columns = _chosen(schema, theirs, wanted)
            batches = file.iter_batches(batch_size=BATCH, columns=[geometry, *columns])
            if said["encoding"] != "WKB":
                schema, batches = _in_wkb(path, [geometry, *columns])
            kind = schema.field(geometry).type
            if not (pa.types.is_binary(kind) or pa.types.is_large_binary(kind)):
                raise ValueError(f"its geometries are of type {kind}")
            fids, table, found = read_arrow(batches, schema, columns, geometry, place)
    except _FAULTS as error:
        why = "it has no column of geometries" if isinstance(error, KeyError) else said_of(error, path)
        raise InputError(f"{place}: is not GeoParquet ({why}); write it anew from a GIS") from None
    faults = found.faults.copy()
    faults[found.curves > 0] = "geometry is a curve, which GeoParquet does not have"
    shapes = gpd.GeoSeries(found.shapes, index=fids)
    crs = crs_of(said.get("crs", DEFAULT_CRS), place)
    frame = gpd.GeoDataFrame(table.set_axis(fids), geometry=shapes, crs=crs)
    return Features(frame, faults, theirs, notes_of(found), "Parquet")


def _chosen(schema: pa.Schema, theirs: list[str], wanted: Iterable[str] | None) -> list[str]:
    if wanted is not None:
        return list(dict.fromkeys(name for name in wanted if name in theirs))
    kinds = {name: schema.field(name).type for name in theirs}
    unlike = (pa.types.is_nested, pa.types.is_binary, pa.types.is_large_binary)
    return [name for name, kind in kinds.items() if not any(test(kind) for test in unlike)]


def _in_wkb(path: Path, columns: list[str]) -> tuple[pa.Schema, list[pa.RecordBatch]]:
    """The columns of a file whose geometries are nested lists of coordinates."""
    table = gpd.read_parquet(path, columns=columns).to_arrow(index=False, geometry_encoding="WKB")
    whole = pa.table(table)
    return whole.schema, whole.to_batches()
