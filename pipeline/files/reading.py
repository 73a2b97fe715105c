"""Layers as GDAL reads them: only what is needed of them, arcs as chords, and notes on what was done."""

from __future__ import annotations

import re
import warnings
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import shapely
from pyproj import CRS
from pyproj.exceptions import CRSError

from pipeline.core.show import so_many
from pipeline.errors import InputError
from pipeline.files.arrow_batches import read_arrow
from pipeline.files.opening import ENGINE_ERRORS, said_of
from pipeline.files.stored_types import check_stored_numbers
from pipeline.files.texts import shown
from pipeline.files.wkb import CURVES, Shapes

# Features at a time, some of them read ahead: 250 passes of ten thousand points are 40 MB.
BATCH, BATCH_OF_POINTS = 250, 20_000
# A chord every 0.1 degrees lies r (1 - cos 0.05 degrees) off its arc, 0.2 mm on the 400 m of a pivot;
# GDAL's own 4 degrees would be 0.24 m off.
ARC_STEP = "0.1"


@dataclass(frozen=True)
class Features:
    """What a file gives of a layer.

    Attributes
    ----------
    frame : GeoDataFrame
        Index the feature id in the file; geometries in two dimensions, arcs as chords; without a CRS where there is none.
    faults : ndarray of str or None
        Why a geometry could not be read.
    theirs : list of str
        Names of all columns in the layer; `frame` has those that were wanted.
    notes : list of str
        What was done to the features and a reader should know.
    format : str
        Name of the format.
    """

    frame: gpd.GeoDataFrame
    faults: np.ndarray
    theirs: list[str]
    notes: list[str]
    format: str


def read_columns(
    path: Path, layer: str, place: str, wanted: Iterable[str] | None, *, encoding: str | None = None, skip: int = 0,
    most: int | None = None,
) -> Features:  # fmt: skip
    """Geometries and columns of a layer that GDAL reads.

    Parameters
    ----------
    path : Path
    layer : str
    place : str
        For errors.
    wanted : iterable of str or None
        Names of columns, those that the layer has not are passed over; None for all that hold plain values.
    encoding : str or None
        Of text that is not UTF-8 and of which the file does not say what it is.
    skip, most : int
        Features not read at the beginning, and how many at most after them.

    Raises
    ------
    InputError
        If the layer cannot be read, has no geometry, or a column holds no plain values.
    """
    try:
        with _quiet_on_m():
            info = pyogrio.read_info(path, layer=layer, encoding=encoding)
            theirs = [str(name) for name in info["fields"]]
            if info["geometry_type"] is None:
                raise InputError(f"{place}: has no geometry column; expected a layer of features")
            if wanted is not None and info["driver"] == "GPKG":
                mine = set(_chosen(info, wanted))
                kinds = zip(theirs, info["ogr_types"], strict=True)
                check_stored_numbers(path, layer, [(name, kind) for name, kind in kinds if name in mine], place)
            fids, table, found = _read_batches(path, layer, place, _chosen(info, wanted), info, encoding, skip, most)
    except UnicodeDecodeError as error:
        raise InputError(
            f"{place}: text is not {error.encoding} (byte {error.object[error.start]:#x}); give 'encoding:' for the layer, "
            "as in encoding: latin-1"
        ) from None
    except ENGINE_ERRORS as error:
        raise InputError(f"{place}: cannot be read ({said_of(error, path)}); open and save it anew in a GIS") from error
    dated = [name for name, kind in zip(theirs, info["ogr_types"], strict=True) if kind == "OFTDateTime" and name in table]
    moments = {name: _moments(table[name]) for name in dated}
    shapes = gpd.GeoSeries(found.shapes, index=fids)
    frame = gpd.GeoDataFrame(table.assign(**moments).set_axis(fids), geometry=shapes, crs=crs_of(info["crs"], place))
    return Features(frame, found.faults, theirs, notes_of(found), str(info["driver"]))


def _chosen(info: dict, wanted: Iterable[str] | None) -> list[str]:
    theirs = [str(name) for name in info["fields"]]
    if wanted is None:
        kinds = zip(theirs, info["ogr_types"], strict=True)
        return [name for name, kind in kinds if "List" not in kind and "Binary" not in kind]
    # A file may have two columns of a name; by name only one of them can be asked for.
    return list(dict.fromkeys(name for name in wanted if name in theirs))


def _read_batches(path: Path, layer: str, place: str, columns: list[str], info: dict, encoding: str | None, skip, most):
    declared = info["encoding"] or "UTF-8"
    size = BATCH_OF_POINTS if re.fullmatch(r"(2\.5D )?Point( Z)?", info["geometry_type"]) else BATCH
    how = {"layer": layer, "columns": columns, "batch_size": min(size, most or size), "return_fids": True,
           "skip_features": skip, "use_pyarrow": True}  # fmt: skip
    if info["driver"] == "ESRI Shapefile" and (encoding or declared != "UTF-8"):
        how["encoding"] = encoding or declared  # GDAL itself turns its text, and the names of its columns, into UTF-8
    with pyogrio.raw.open_arrow(path, datetime_as_string=True, **how) as (meta, reader):
        about = {"fid": reader.schema.names[0], "encoding": encoding or declared}
        geometry = meta["geometry_name"] or "wkb_geometry"
        fids, table, found = read_arrow(_first(reader, most), reader.schema, columns, geometry, place, **about)
    curved = found.curves > 0
    if not curved.any():
        return fids, table, found
    with _fine_arcs():
        chords = pyogrio.raw.read(path, layer=layer, columns=[], fids=fids[curved], force_2d=True)[2]
    shapes = found.shapes.copy()
    shapes[curved] = shapely.from_wkb(chords, on_invalid="ignore")
    return fids, table, replace(found, shapes=shapes)


def _first(batches: Iterable, most: int | None) -> Iterator:
    """Batches, the features after the first `most` left off."""
    for batch in batches:
        if most is None:
            yield batch
            continue
        yield batch.slice(0, most)
        most -= len(batch)
        if most <= 0:
            return


def _moments(values: pd.Series) -> pd.Series:
    """Date-times that came as text, so as to keep their offsets; where these differ they stay text."""
    try:
        moments = pd.to_datetime(values, format="ISO8601")
    except ValueError:
        return values
    return moments if pd.api.types.is_datetime64_any_dtype(moments) else values


def crs_of(said: object, place: str) -> CRS | None:
    """The CRS that a file names.

    Raises
    ------
    InputError
        If it is none that PROJ understands.
    """
    try:
        return CRS.from_user_input(said) if said else None
    except CRSError as error:
        mend = "assign the one it was recorded in (it is never guessed)"
        raise InputError(f"{place}: CRS cannot be read ({shown(error)}); {mend}") from error


def notes_of(found: Shapes) -> list[str]:
    """What is said of geometries that were not plain lines, points or polygons."""
    kinds = sorted(CURVES[kind] for kind in set(found.curves.tolist()) - {0})
    notes = [f"{', '.join(kinds)}: arcs were turned into chords, one every {ARC_STEP} degrees"] if kinds else []
    for name, mask in (("Z", found.high), ("M", found.measured)):
        if mask.any():
            some = so_many(int(mask.sum()), "feature")
            notes.append(f"{name} of {some} was dropped: only east and north have a part in any figure")
    many = int(((shapely.get_type_id(found.shapes) == 5) & (shapely.get_num_geometries(found.shapes) > 1)).sum())
    if many:
        lines = so_many(many, "feature is a line", "features are lines")
        notes.append(f"{lines} of several parts: each part counts as a pass of its own")
    return notes


@contextmanager
def _fine_arcs() -> Iterator[None]:
    before = pyogrio.get_gdal_config_option("OGR_ARC_STEPSIZE")
    pyogrio.set_gdal_config_options({"OGR_ARC_STEPSIZE": ARC_STEP})
    try:
        yield
    finally:
        pyogrio.set_gdal_config_options({"OGR_ARC_STEPSIZE": before})


@contextmanager
def _quiet_on_m() -> Iterator[None]:
    """Without pyogrio's warning that M is dropped: we say so ourselves, with the number of features."""
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message=r"Measured \(M\) geometry types are not supported")
        yield
