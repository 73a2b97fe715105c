"""Opening an input file, whatever its format, as features with what a reader should know of it."""

import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import geopandas as gpd
import numpy as np
import pyogrio
import shapely

from pipeline.errors import InputError
from pipeline.files import csv_layers

PARQUET = (".parquet", ".geoparquet", ".pq")
# Formats in which curves and surfaces occur; only there is it worth another look at every feature.
_CURVED = (".gpkg", ".gml", ".gdb", ".sqlite", ".xml")
_CURVES = {"CIRCULARSTRING", "COMPOUNDCURVE", "CURVEPOLYGON", "MULTICURVE", "MULTISURFACE", "CURVE", "SURFACE"}
# A chord every 0.1 degrees lies r (1 - cos 0.05 degrees) off its arc, 0.2 mm on the 400 m of a pivot;
# GDAL's own 4 degrees would be 0.24 m off.
ARC_STEP = "0.1"
_UNREADABLE = (pyogrio.errors.DataSourceError, pyogrio.errors.DataLayerError, pyogrio.errors.FieldError, RuntimeError)


def is_text_table(path: Path) -> bool:
    """Whether a file is a table of text, whose coordinates are columns."""
    return path.suffix.lower() in csv_layers.SUFFIXES


def layer_names(path: Path) -> list[str]:
    """Names of the layers of a file.

    Raises
    ------
    pyogrio.errors.DataSourceError
        If GDAL cannot open it.
    """
    if is_text_table(path) or path.suffix.lower() in PARQUET:
        return [path.stem]
    return [str(name) for name in pyogrio.list_layers(path)[:, 0]]


def read_features(path: Path, layer: str, source, place: str) -> tuple[gpd.GeoDataFrame, list[str]]:
    """Features of a layer, arcs as chords, and notes on what was done to them.

    Parameters
    ----------
    path : Path
    layer : str
    source : Source
        With `columns` and `encoding`.
    place : str
        For errors.

    Returns
    -------
    frame : GeoDataFrame
        Index the feature id in the file. A table without geometry comes as a plain DataFrame.
    notes : list of str

    Raises
    ------
    InputError
        If the file cannot be read, or `columns` names coordinates of a file that has geometries.
    """
    if is_text_table(path):
        frame, notes = csv_layers.read_csv_layer(path, source, place)
    else:
        lone = next((name for name in ("x", "y", "wkt") if name in source.columns), None)
        if lone is not None:
            raise InputError(f"{place}: columns: {lone} is for text tables only; the file has its own geometry, remove it")
        reader = _read_parquet if path.suffix.lower() in PARQUET else _read_gdal
        frame, notes = reader(path, layer, source, place)
    if isinstance(frame, gpd.GeoDataFrame):
        notes = notes + _shape_notes(frame.geometry.values)
    return frame, notes


def _read_parquet(path: Path, layer: str, source, place: str) -> tuple[gpd.GeoDataFrame, list[str]]:
    del layer, source  # one layer, and its text is UTF-8 always
    try:
        return gpd.read_parquet(path).reset_index(drop=True), []
    except (ValueError, OSError) as error:
        raise InputError(f"{place}: is not GeoParquet ({_one_line(error)}); write it anew from a GIS") from None


def _read_gdal(path: Path, layer: str, source, place: str) -> tuple[gpd.GeoDataFrame, list[str]]:
    told = {"encoding": source.encoding} if source.encoding else {}
    try:
        with _fine_arcs():
            try:
                frame = pyogrio.read_dataframe(path, layer=layer, fid_as_index=True, **told)
            except shapely.errors.GEOSException:
                frame = _with_unsupported(path, layer, told)
            notes = _curve_notes(path, layer) if isinstance(frame, gpd.GeoDataFrame) else []
    except UnicodeDecodeError as error:
        raise InputError(
            f"{place}: text is not {error.encoding} (byte {error.object[error.start]:#x}); give 'encoding:' for the layer, "
            "as in encoding: latin-1"
        ) from None
    except _UNREADABLE as error:
        raise InputError(f"{place}: cannot be read ({_one_line(error)}); open and save it anew in a GIS") from error
    return frame, notes + _measure_notes(path, layer)


def _one_line(error: Exception) -> str:
    return " ".join(str(error).split())


@contextmanager
def _fine_arcs() -> Iterator[None]:
    before = pyogrio.get_gdal_config_option("OGR_ARC_STEPSIZE")
    pyogrio.set_gdal_config_options({"OGR_ARC_STEPSIZE": ARC_STEP})
    try:
        yield
    finally:
        pyogrio.set_gdal_config_options({"OGR_ARC_STEPSIZE": before})


def _with_unsupported(path: Path, layer: str, told: dict) -> gpd.GeoDataFrame:
    """Features of which some are surfaces that shapely does not know: a collection, which no layer wants, stands for it."""
    table = pyogrio.read_dataframe(path, layer=layer, fid_as_index=True, read_geometry=False, **told)
    meta, _, wkb, _ = pyogrio.raw.read(path, layer=layer, columns=[], **told)
    shape = np.array(shapely.from_wkb(wkb, on_invalid="ignore"), object)
    lost = np.array([one is None for one in shape]) & np.array([one is not None for one in wkb])
    xy = shapely.get_coordinates(shape)
    shape[lost] = shapely.GeometryCollection([shapely.Point(*xy[0])] if len(xy) else [])
    return gpd.GeoDataFrame(table, geometry=shape, crs=meta["crs"])


def _curve_notes(path: Path, layer: str) -> list[str]:
    if path.suffix.lower() not in _CURVED:
        return []
    quoted = layer.replace('"', '""')
    kinds = pyogrio.read_dataframe(
        path, sql=f'SELECT DISTINCT OGR_GEOMETRY AS kind FROM "{quoted}"', sql_dialect="OGRSQL", read_geometry=False
    )["kind"]
    curved = sorted(_CURVES & set(kinds.dropna()))
    return [f"{', '.join(curved)}: arcs were turned into chords, one every {ARC_STEP} degrees"] if curved else []


def _measure_notes(path: Path, layer: str) -> list[str]:
    with warnings.catch_warnings(record=True) as said:
        warnings.simplefilter("always")
        pyogrio.read_info(path, layer=layer)
    measured = any("Measured (M)" in str(one.message) for one in said)
    return ["M values were dropped: only east and north have a part in any figure"] if measured else []


def _shape_notes(shape: np.ndarray) -> list[str]:
    high = int(shapely.has_z(shape).sum())
    notes = [f"Z of {high} features was dropped: only east and north have a part in any figure"] if high else []
    measured = int(shapely.has_m(shape).sum()) if hasattr(shapely, "has_m") else 0
    if measured:
        notes.append(f"M of {measured} features was dropped: only east and north have a part in any figure")
    many = int(((shapely.get_type_id(shape) == 5) & (shapely.get_num_geometries(shape) > 1)).sum())
    if many:
        notes.append(f"{many} features are lines of several parts: each part counts as a pass of its own")
    return notes
