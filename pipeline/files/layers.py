"""Reading an input layer: found or named in an error, columns mapped, every feature kept or rejected."""

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from pipeline import columns as c
from pipeline.errors import InputError, did_you_mean
from pipeline.files.opening import layer_name, resting, shown_path
from pipeline.files.reading import read_columns
from pipeline.files.texts import shown

POLYGONS, LINES, POINTS = (3, 6), (1, 5), (0, 4)
_KIND_NAMES = {POLYGONS: "polygons", LINES: "lines", POINTS: "points"}
# A receiver that writes ten times a second makes 860,000 points in a day.
MOST_VERTICES = 1_000_000
# Geometries looked at in one go, so that a check takes little beside the layer itself.
BLOCK = 250


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
    """

    kept: gpd.GeoDataFrame
    rejects: gpd.GeoDataFrame
    read: int
    file: str
    layer: str

    def reject(self, bad: np.ndarray, reason: str | np.ndarray) -> "Layer":
        """The same with the features at mask `bad` moved to the rejects; one reason, or one a feature."""
        if not bad.any():
            return self
        out = self.kept[bad]
        rows = {
            c.FILE: self.file, c.LAYER: self.layer, c.FEATURE: out.index.astype(str),
            c.FIELD_ID: out.get(c.FIELD_ID), c.REASON: reason if isinstance(reason, str) else reason[bad],
        }  # fmt: skip
        rejected = gpd.GeoDataFrame(rows, geometry=out.geometry.values, crs=self.kept.crs)
        rejects = pd.concat([self.rejects, rejected], ignore_index=True)
        return Layer(self.kept[~bad], rejects, self.read, self.file, self.layer)


def read_layer(source, *, role: str, kind: tuple[int, ...], known: tuple[str, ...]) -> Layer:
    """Read one layer of the configuration.

    Parameters
    ----------
    source : Source
        With `file`, `layer`, `columns` and `constants`.
    role : str
        What the configuration calls it, for errors.
    kind : tuple of int
        Geometry types wanted: POLYGONS, LINES or POINTS.
    known : tuple of str
        Our column names that this layer may have.

    Raises
    ------
    InputError
        File, layer or column missing, no CRS, empty layer, wrong geometry type.
    """
    path = Path(source.file)
    wanted = [source.columns.get(name, name) for name in known]
    with resting(path, role) as copy:
        layer = layer_name(copy, source.layer, f"inputs.{role}: {shown_path(path)}")
        place = f"inputs.{role}: {shown_path(path)}, layer '{shown(layer)}'"
        frame, faults, theirs = read_columns(copy, layer, place, wanted)
    _check_degrees(frame, place)
    frame = _mapped(frame, source, known, theirs, place)
    columns = (c.FILE, c.LAYER, c.FEATURE, c.FIELD_ID, c.REASON)
    rejects = gpd.GeoDataFrame({name: [] for name in columns}, geometry=[], crs=frame.crs)
    found = Layer(frame, rejects, len(frame), path.as_posix(), layer)
    found = found.reject(np.not_equal(faults, None), faults)
    return _without_bad_geometry(found, kind, place)


def _check_degrees(frame: gpd.GeoDataFrame, place: str) -> None:
    if not frame.crs.is_geographic:
        return
    for first, block in blocks(frame.geometry.values):
        xy, owner = shapely.get_coordinates(block, return_index=True)
        wild = (np.abs(xy[:, 0]) > 360) | (np.abs(xy[:, 1]) > 90)
        if wild.any():
            k = int(np.flatnonzero(wild)[0])
            raise InputError(
                f"{place}: feature {frame.index[first + owner[k]]} has longitude {xy[k, 0]:g}, latitude {xy[k, 1]:g} under "
                f"the geographic CRS '{frame.crs.name}'; expected degrees within 180 and 90. Is the layer really projected?"
            )


def blocks(shape: np.ndarray) -> Iterator[tuple[int, np.ndarray]]:
    """First index and geometries of blocks: what a check makes of them never takes the room of the layer again."""
    for first in range(0, len(shape), BLOCK):
        yield first, np.asarray(shape[first : first + BLOCK])


def _mapped(
    frame: gpd.GeoDataFrame, source, known: tuple[str, ...], theirs: list[str], place: str
) -> gpd.GeoDataFrame:
    """Columns by our names: mapped ones, ones that have our name already, constants where a value is missing."""
    out = {}
    for name in known:
        column = source.columns.get(name, name if name in theirs else None)
        if column is not None and column not in theirs:
            raise InputError(f"{place}: has no column '{shown(column)}' (for {name}); {did_you_mean(column, theirs)}")
        if column is not None:
            out[name] = frame[column]
        if name in source.constants:
            constant = source.constants[name]
            out[name] = _filled(out[name], constant) if name in out else constant
    return gpd.GeoDataFrame(out, index=frame.index, geometry=frame.geometry.values, crs=frame.crs)


def _filled(values: pd.Series, constant: object) -> pd.Series:
    missing = values.isna()
    return values.astype(object).where(~missing, constant) if missing.any() else values


def _without_bad_geometry(found: Layer, kind: tuple[int, ...], place: str) -> Layer:
    shape = found.kept.geometry.values
    types = shapely.get_type_id(shape)
    if len(shape) == 0:
        first = found.rejects.iloc[0]
        raise InputError(f"{place}: no feature can be used; feature {first[c.FEATURE]}: {first[c.REASON]}")
    if not np.isin(types[types >= 0], kind).any():
        named = {k: v for k, v in _KIND_NAMES.items() if types[types >= 0].size and types[types >= 0][0] in k}
        raise InputError(f"{place}: holds {next(iter(named.values()), 'no geometry')}, expected {_KIND_NAMES[kind]}")
    found = found.reject(shape == None, "no geometry")  # noqa: E711 - elementwise
    for test, reason in _GEOMETRY_TESTS:
        found = found.reject(test(found.kept.geometry.values), reason)
    wrong = ~np.isin(shapely.get_type_id(found.kept.geometry.values), kind)
    found = found.reject(wrong, f"geometry is not of the kind expected here, {_KIND_NAMES[kind]}")
    if kind == LINES:
        return found.reject(shapely.length(found.kept.geometry.values) == 0.0, "line of zero length")
    if kind == POLYGONS:
        shape = found.kept.geometry.values
        reasons = np.array([f"polygon is not valid: {why}" for why in shapely.is_valid_reason(shape)], object)
        return found.reject(~shapely.is_valid(shape), reasons)
    return found


def _not_finite(shape: np.ndarray) -> np.ndarray:
    bad = np.zeros(len(shape), bool)
    for first, block in blocks(shape):
        xy, owner = shapely.get_coordinates(block, return_index=True)
        bad[first + owner[~np.isfinite(xy).all(axis=1)]] = True
    return bad


def _too_long(shape: np.ndarray) -> np.ndarray:
    return shapely.get_num_coordinates(shape) > MOST_VERTICES


_GEOMETRY_TESTS = (
    (shapely.is_empty, "empty geometry"),
    (_not_finite, "coordinates are not finite numbers"),
    (_too_long, f"geometry has more than {MOST_VERTICES:,} vertices; simplify or split it"),
)
