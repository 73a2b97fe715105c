"""Reading an input layer: found or named in an error, columns mapped, every feature kept or rejected."""

from dataclasses import dataclass, replace
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import shapely

from pipeline import columns as c
from pipeline.core.local import to_geographic
from pipeline.errors import InputError, did_you_mean
from pipeline.files.column_values import in_one_writing
from pipeline.files.crs_checks import check_place, with_crs
from pipeline.files.vector_files import layer_names, read_features

POLYGONS, LINES, POINTS = (3, 6), (1, 5), (0, 4)
LINES_OR_POINTS = LINES + POINTS
_KIND_NAMES = {POLYGONS: "polygons", LINES: "lines", POINTS: "points", LINES_OR_POINTS: "lines or points"}


@dataclass(frozen=True)
class Layer:
    """What was read from an input layer.

    Attributes
    ----------
    kept : GeoDataFrame
        Columns by our names, index the feature id in the file, in the CRS of the file.
    rejects : GeoDataFrame
        Columns file, layer, feature, field_id, reason.
    read : int
        Number of features in the layer.
    notes : tuple of str
        What was done to the layer and a reader should know.
    read_m : float or None
        Their length over ground where they are lines [m].
    points : Series, optional
        Where the layer's features are points of a log: by feature id, the pass (index in `kept`) each ended in.
    places : GeoSeries, optional
        Their geometries.
    """

    kept: gpd.GeoDataFrame
    rejects: gpd.GeoDataFrame
    read: int
    file: str
    layer: str
    notes: tuple[str, ...] = ()
    read_m: float | None = None
    points: pd.Series | None = None
    places: gpd.GeoSeries | None = None

    @property
    def kept_features(self) -> int:
        """Number of features of the file that are in what is kept; passes of a log have many points each."""
        return self.kept.index.nunique() if self.points is None else int(self.points.isin(self.kept.index).sum())

    def reject(self, bad: np.ndarray, reason: str | np.ndarray) -> "Layer":
        """The same with the features at mask `bad` moved to the rejects; one reason, or one a feature."""
        if not bad.any():
            return self
        out = self.kept[bad].assign(**{c.REASON: reason if isinstance(reason, str) else reason[bad]})
        if self.points is not None:  # a pass that is not used means that its points are not
            gone = self.points[self.points.isin(out.index)]
            out = out.loc[gone].set_index(gone.index).set_geometry(self.places[gone.index].values, crs=self.kept.crs)
        rows = {
            c.FILE: self.file, c.LAYER: self.layer, c.FEATURE: out.index.astype(str),
            c.FIELD_ID: out.get(c.FIELD_ID), c.REASON: out[c.REASON],
        }  # fmt: skip
        rejected = gpd.GeoDataFrame(rows, geometry=out.geometry.values, crs=self.kept.crs)
        rejects = pd.concat([self.rejects, rejected], ignore_index=True)
        return replace(self, kept=self.kept[~bad], rejects=rejects)


def read_layer(source, *, role: str, kind: tuple[int, ...], known: tuple[str, ...]) -> Layer:
    """Read one layer of the configuration.

    Parameters
    ----------
    source : Source
        With `file`, `layer`, `columns`, `constants`, `crs`, `units`, `timezone` and `encoding`.
    role : str
        What the configuration calls it, for errors.
    kind : tuple of int
        Geometry types wanted: POLYGONS, LINES or POINTS.
    known : tuple of str
        Our column names that this layer may have.

    Raises
    ------
    InputError
        File, layer or column missing, no CRS or a wrong one, empty layer, wrong geometry type.
    """
    path = Path(source.file)
    layer = _layer_name(path, source.layer, role)
    place = f"inputs.{role}: {path}, layer '{layer}'"
    frame, notes = read_features(path, layer, source, place)
    _check_layer(frame, place)
    frame = with_crs(frame, source.crs, place)
    notes += check_place(frame, place)
    _check_degrees(frame, place)
    frame, more = _mapped(frame, source, known, place)
    columns = (c.FILE, c.LAYER, c.FEATURE, c.FIELD_ID, c.REASON)
    rejects = gpd.GeoDataFrame({name: [] for name in columns}, geometry=[], crs=frame.crs)
    said = tuple(f"{place}: {note}" for note in [*notes, *more])
    lines = kind in (LINES, LINES_OR_POINTS) and np.isin(shapely.get_type_id(frame.geometry.values), LINES).any()
    read_m = length_m(frame.geometry.values, frame.crs) if lines else None
    found = Layer(frame, rejects, len(frame), path.as_posix(), layer, said, read_m)
    return _without_bad_geometry(found, kind, place)


def length_m(shape: np.ndarray, crs) -> float:
    """Length over ground of lines in a CRS, along the geodesics between their vertices [m].

    Lines with coordinates that are no finite numbers or no places on the earth count as nothing.
    """
    xy, owner = shapely.get_coordinates(to_geographic(shapely.get_parts(shape), crs.to_wkt()), return_index=True)
    part = (owner[1:] == owner[:-1]) & np.isfinite(xy[1:]).all(axis=1) & np.isfinite(xy[:-1]).all(axis=1)
    length = crs.get_geod().inv(*xy[:-1][part].T, *xy[1:][part].T)[2]
    return float(np.nansum(length))


def _layer_name(path: Path, layer: str | None, role: str) -> str:
    if not path.exists():
        start = "" if path.is_absolute() else f"; relative paths start at the working directory {Path.cwd()}"
        raise InputError(f"inputs.{role}: file '{path}' does not exist; correct inputs.{role}.file{start}")
    try:
        names = layer_names(path)
    except pyogrio.errors.DataSourceError as error:
        raise InputError(f"inputs.{role}: {path} is not a vector file that GDAL can read ({error})") from error
    if layer is None and len(names) == 1:
        return names[0]
    if layer is None:
        raise InputError(f"inputs.{role}: {path} has several layers; name one with 'layer:'. Known: {', '.join(names)}")
    if layer not in names:
        raise InputError(f"inputs.{role}: {path} has no layer '{layer}'; {did_you_mean(layer, names)}")
    return layer


def _check_layer(frame: pd.DataFrame, place: str) -> None:
    if not isinstance(frame, gpd.GeoDataFrame):
        raise InputError(f"{place}: has no geometry column; expected a layer of features")
    if len(frame) == 0:
        raise InputError(f"{place}: is empty; expected at least one feature")


def _check_degrees(frame: gpd.GeoDataFrame, place: str) -> None:
    if not frame.crs.is_geographic:
        return
    xy, owner = shapely.get_coordinates(frame.geometry.values, return_index=True)
    wild = (np.abs(xy[:, 0]) > 360) | (np.abs(xy[:, 1]) > 90)
    if wild.any():
        k = int(np.flatnonzero(wild)[0])
        raise InputError(
            f"{place}: feature {frame.index[owner[k]]} has longitude {xy[k, 0]:g}, latitude {xy[k, 1]:g} under the "
            f"geographic CRS '{frame.crs.name}'; expected degrees within 180 and 90. Is the layer really projected?"
        )


def _mapped(frame: gpd.GeoDataFrame, source, known: tuple[str, ...], place: str) -> tuple[gpd.GeoDataFrame, list[str]]:
    """Columns by our names: mapped ones, ones that have our name already, constants where a value is missing."""
    theirs = [name for name in frame.columns if name != frame.geometry.name]
    out, notes = {}, []
    for name in known:
        column = source.columns.get(name, name if name in theirs else None)
        if column is not None and column not in theirs:
            raise InputError(f"{place}: has no column '{column}' (for {name}); {did_you_mean(column, theirs)}")
        if column is not None:
            out[name], more = in_one_writing(frame[column], name, source, place)
            notes += more
        if name in source.constants:
            constant = source.constants[name]
            out[name] = out[name].where(out[name].notna(), constant) if name in out else constant
    flat = shapely.force_2d(frame.geometry.values)
    return gpd.GeoDataFrame(out, index=frame.index, geometry=flat, crs=frame.crs), notes


def _without_bad_geometry(found: Layer, kind: tuple[int, ...], place: str) -> Layer:
    shape = found.kept.geometry.values
    types = shapely.get_type_id(shape)
    if not np.isin(types[types >= 0], kind).any():
        named = {k: v for k, v in _KIND_NAMES.items() if types[types >= 0].size and types[types >= 0][0] in k}
        raise InputError(f"{place}: holds {next(iter(named.values()), 'no geometry')}, expected {_KIND_NAMES[kind]}")
    found = found.reject(shape == None, "no geometry")  # noqa: E711 - elementwise
    for test, reason in _GEOMETRY_TESTS:
        found = found.reject(test(found.kept.geometry.values), reason)
    wrong = ~np.isin(shapely.get_type_id(found.kept.geometry.values), kind)
    found = found.reject(wrong, f"geometry is not of the kind expected here, {_KIND_NAMES[kind]}")
    if kind in (LINES, LINES_OR_POINTS):
        shape = found.kept.geometry.values
        flat = np.isin(shapely.get_type_id(shape), LINES) & (shapely.length(shape) == 0.0)
        return found.reject(flat, "line of zero length")
    if kind == POLYGONS:
        shape = found.kept.geometry.values
        reasons = np.array([f"polygon is not valid: {why}" for why in shapely.is_valid_reason(shape)], object)
        return found.reject(~shapely.is_valid(shape), reasons)
    return found


def _not_finite(shape: np.ndarray) -> np.ndarray:
    xy, owner = shapely.get_coordinates(shape, return_index=True)
    return np.bincount(owner, ~np.isfinite(xy).all(axis=1), len(shape)) > 0


_GEOMETRY_TESTS = (
    (shapely.is_empty, "empty geometry"),
    (_not_finite, "coordinates are not finite numbers"),
)
