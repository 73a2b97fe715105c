"""Layers as they come: read in batches, only what is needed of them, and only where their CRS is tied to the ground."""

from __future__ import annotations

import re
from collections.abc import Iterable
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyarrow as pa
import pyogrio
import shapely
from pyproj import CRS
from pyproj.exceptions import CRSError

from pipeline.errors import InputError
from pipeline.files.opening import ENGINE_ERRORS, said_of
from pipeline.files.texts import shown
from pipeline.files.wkb import shapes_of

# Features at a time, some of them read ahead: 250 passes of ten thousand points are 40 MB.
BATCH = 250


def read_columns(
    path: Path, layer: str, place: str, wanted: Iterable[str]
) -> tuple[gpd.GeoDataFrame, np.ndarray, list[str]]:
    """Geometries and the wanted columns of a layer.

    Returns
    -------
    frame : GeoDataFrame
        Index the feature id in the file.
    faults : ndarray of str or None
        Why a geometry could not be read.
    theirs : list of str
        Names of all columns in the layer.

    Raises
    ------
    InputError
        If the layer cannot be read, is empty, has no geometry or CRS, or a column holds no plain values.
    """
    try:
        info = pyogrio.read_info(path, layer=layer)
        theirs = [str(name) for name in info["fields"]]
        if info["geometry_type"] is None:
            raise InputError(f"{place}: has no geometry column; expected a layer of features")
        # A file may have two columns of a name; by name only one of them can be asked for.
        columns = list(dict.fromkeys(name for name in wanted if name in theirs))
        fids, table, shapes, faults = _read_batches(path, layer, columns, place)
    except ENGINE_ERRORS as error:
        raise InputError(f"{place}: cannot be read ({said_of(error, path)}); open and save it anew in a GIS") from error
    if len(fids) == 0:
        raise InputError(f"{place}: is empty; expected at least one feature")
    frame = gpd.GeoDataFrame(table.set_axis(fids), geometry=gpd.GeoSeries(shapes, index=fids), crs=_crs(info["crs"], place))
    return frame, faults, theirs


def _read_batches(path: Path, layer: str, columns: list[str], place: str):
    fids, tables, shapes, faults, curves = [], [], [], [], []
    how = {"layer": layer, "columns": columns, "batch_size": BATCH, "return_fids": True, "use_pyarrow": True}
    with pyogrio.raw.open_arrow(path, **how) as (meta, reader):
        fid, geometry = reader.schema.names[0], meta["geometry_name"] or "wkb_geometry"
        _check_types(reader.schema, columns, place)
        for batch in reader:
            batch.validate(full=True)
            found, fault, curved = shapes_of(batch.column(geometry).to_numpy(zero_copy_only=False))
            fids.append(batch.column(fid).to_numpy(zero_copy_only=False))
            tables.append(batch.select(columns))
            shapes.append(found)
            faults.append(fault)
            curves.append(curved)
        table = pa.Table.from_batches(tables, schema=pa.schema([reader.schema.field(name) for name in columns]))
    if not fids:
        return np.zeros(0, np.int64), pd.DataFrame(), np.zeros(0, object), np.zeros(0, object)
    fids, shapes, curves = np.concatenate(fids), np.concatenate(shapes), np.concatenate(curves)
    if curves.any():
        straight = pyogrio.raw.read(path, layer=layer, columns=[], fids=fids[curves], force_2d=True)[2]
        shapes[curves] = shapely.from_wkb(straight, on_invalid="ignore")
    return fids, table.to_pandas(), shapes, np.concatenate(faults)


def _check_types(schema: pa.Schema, columns: list[str], place: str) -> None:
    for name in columns:
        kind = schema.field(name).type
        tests = (
            pa.types.is_string, pa.types.is_large_string, pa.types.is_integer, pa.types.is_floating, pa.types.is_boolean,
            pa.types.is_temporal, pa.types.is_null, pa.types.is_decimal,
        )  # fmt: skip
        if not any(test(kind) for test in tests):
            raise InputError(
                f"{place}: column '{shown(name)}' holds values of type {kind}; expected text, numbers or times, name another"
            )


def _crs(said: str | None, place: str) -> CRS:
    mend = "assign the one it was recorded in (it is never guessed)"
    if not said:
        raise InputError(f"{place}: has no CRS; {mend}")
    try:
        crs = CRS.from_user_input(said)
        base = crs.geodetic_crs
        datum = "" if base is None or base.datum is None else base.datum.name
        flat = crs.is_projected or (crs.is_geographic and not crs.is_geocentric)
    except CRSError as error:
        raise InputError(f"{place}: CRS cannot be read ({shown(error)}); {mend}") from error
    if not flat:
        raise InputError(
            f"{place}: CRS '{shown(crs.name)}' is of type {crs.type_name}; expected a projected or geographic one, {mend}"
        )
    if re.match(r"un(known|defined|named)|not.specified", datum, re.IGNORECASE) or not datum:
        raise InputError(f"{place}: CRS '{shown(crs.name)}' has no known datum ('{shown(datum)}'); {mend}")
    return crs
