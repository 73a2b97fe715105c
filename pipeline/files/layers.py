"""Reading an input layer: found or named in an error, columns mapped, every feature kept or rejected."""

from dataclasses import dataclass, replace
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from pipeline import columns as c
from pipeline.core.ground import lengths_over_ground, with_vertices_between
from pipeline.core.local import lonlat_of, metres_per_unit
from pipeline.errors import InputError, did_you_mean
from pipeline.files.blocks import blocks
from pipeline.files.column_values import in_one_writing
from pipeline.files.crs_checks import check_place, with_crs
from pipeline.files.opening import resting, shown_path
from pipeline.files.texts import shown
from pipeline.files.vector_files import layer_name, read_features

POLYGONS, LINES, POINTS = (3, 6), (1, 5), (0, 4)
LINES_OR_POINTS = LINES + POINTS
_KIND_NAMES = {POLYGONS: "polygons", LINES: "lines", POINTS: "points", LINES_OR_POINTS: "lines or points"}
# A receiver that writes ten times a second makes 860,000 points in a day.
MOST_VERTICES = 1_000_000
# What a segment may measure in a geodesic; a straight one of the plane is then longer by less than a thousandth of a ppm.
LONGEST_M = 1000.0


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
    read_m : Series or None
        By feature id, the length over ground of each where they are lines [m]; of a log, of each pass made of it.
    points : Series, optional
        Where the layer's features are points of a log: by feature id, the pass each ended in, which has the id of one
        of its points.
    places : GeoSeries, optional
        Their geometries.
    theirs : tuple of str
        Names of all columns in the file.
    format : str
        Name of the file's format.
    """

    kept: gpd.GeoDataFrame
    rejects: gpd.GeoDataFrame
    read: int
    file: str
    layer: str
    notes: tuple[str, ...] = ()
    read_m: pd.Series | None = None
    points: pd.Series | None = None
    places: gpd.GeoSeries | None = None
    theirs: tuple[str, ...] = ()
    format: str = ""

    @property
    def place(self) -> str:
        """File and layer, for messages."""
        return f"{shown_path(Path(self.file))}, layer '{shown(self.layer)}'"

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


def read_layer(
    source, *, role: str, kind: tuple[int, ...], known: tuple[str, ...], may_be_empty: bool = False
) -> Layer:
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
    may_be_empty : bool, optional
        Whether a layer without features will do: one in which there is nothing yet.

    Raises
    ------
    InputError
        File, layer or column missing, no CRS or a wrong one, empty layer, wrong geometry type.
    """
    path = Path(source.file)
    wanted = [source.columns.get(name, name) for name in known]
    with resting(path, f"inputs.{role}") as copy:
        layer = layer_name(copy, source.layer, f"inputs.{role}: {shown_path(path)}")
        place = f"inputs.{role}: {shown_path(path)}, layer '{shown(layer)}'"
        features = read_features(copy, layer, source, place, wanted)
    empty = len(features.frame) == 0
    if empty and not may_be_empty:
        raise InputError(f"{place}: is empty; expected at least one feature")
    frame = with_crs(features.frame, source.crs, place)
    notes = [*features.notes, *(["holds no feature"] if empty else check_place(frame, place))]
    wild = _no_degrees(frame, place)
    faults = np.where(np.equal(features.faults, None), wild, features.faults)
    if empty and not features.theirs:  # some formats have no columns where there is no feature
        source = replace(source, columns={})
    frame, more = _mapped(frame, source, known, features.theirs, place)
    columns = (c.FILE, c.LAYER, c.FEATURE, c.FIELD_ID, c.REASON)
    rejects = gpd.GeoDataFrame({name: [] for name in columns}, geometry=[], crs=frame.crs)
    said = tuple(f"{place}: {note}" for note in [*notes, *more])
    lines = np.isin(shapely.get_type_id(frame.geometry.values), LINES).any()
    if kind == LINES_OR_POINTS and lines:  # a layer that holds any line is one of lines
        kind = LINES
    read_m = pd.Series(lengths_m(frame.geometry.values, frame.crs), frame.index) if kind == LINES and lines else None
    found = Layer(frame, rejects, len(frame), path.as_posix(), layer, said, read_m)
    found = replace(found, theirs=tuple(features.theirs), format=features.format)
    found = found.reject(np.not_equal(faults, None), faults)
    return found if empty else _without_bad_geometry(found, kind, place)


def lengths_m(shape: np.ndarray, crs) -> np.ndarray:
    """Length over ground of lines in a CRS, straight from vertex to vertex in its plane [m].

    A segment longer than a kilometre is measured by parts: a geodesic leaves the straight line of the plane, and
    lines must have one length whether they are cut or not. Vertices that are no finite numbers or no places on the
    earth add nothing, nor do geometries of more vertices than are used: to measure what is refused would take longer
    than all the rest.
    """
    geod, wkt = crs.get_geod(), crs.to_wkt()
    shape = np.where(_too_long(shape), None, shape)
    out = np.zeros(len(shape))
    longest = LONGEST_M / metres_per_unit(crs)
    for first, block in blocks(shape):
        parts, home = shapely.get_parts(block, return_index=True)
        xy, owner = with_vertices_between(*shapely.get_coordinates(parts, return_index=True), longest=longest)
        part_m = lengths_over_ground(lonlat_of(xy, wkt), owner, len(parts), geod)
        out[first : first + len(block)] = np.bincount(home, part_m, len(block))
    return out


def _no_degrees(frame: gpd.GeoDataFrame, place: str) -> np.ndarray:
    """Why a geometry in degrees lies nowhere on the earth, None where it does; an error where it is so for most."""
    faults = np.full(len(frame), None, object)
    if not frame.crs.is_geographic:
        return faults
    for first, block in blocks(frame.geometry.values):
        xy, owner = shapely.get_coordinates(block, return_index=True)
        wild = np.flatnonzero((np.abs(xy[:, 0]) > 360) | (np.abs(xy[:, 1]) > 90))
        for k in wild[np.unique(owner[wild], return_index=True)[1]]:  # the first vertex of each
            faults[first + owner[k]] = f"has longitude {xy[k, 0]:g}, latitude {xy[k, 1]:g}"
    wild = np.flatnonzero(np.not_equal(faults, None))
    if 2 * len(wild) > len(frame):
        raise InputError(
            f"{place}: feature {frame.index[wild[0]]} {faults[wild[0]]} under the geographic CRS '{frame.crs.name}'; "
            "expected degrees within 180 and 90. Is the layer really projected?"
        )
    faults[wild] = [f"{fault}, expected degrees within 180 and 90" for fault in faults[wild]]
    return faults


def _mapped(
    frame: gpd.GeoDataFrame, source, known: tuple[str, ...], theirs: list[str], place: str
) -> tuple[gpd.GeoDataFrame, list[str]]:
    """Columns by our names: mapped ones, ones that have our name already, constants where a value is missing."""
    out, notes = {}, []
    for name in known:
        column = source.columns.get(name, name if name in theirs else None)
        if column is not None and column not in theirs:
            raise InputError(f"{place}: has no column '{shown(column)}' (for {name}); {did_you_mean(column, theirs)}")
        if column is not None:
            out[name], more = in_one_writing(_without_blanks(frame[column]), name, source, place)
            notes += more
        if name in source.constants:
            constant = source.constants[name]
            out[name] = _filled(out[name], constant) if name in out else constant
    return gpd.GeoDataFrame(out, index=frame.index, geometry=frame.geometry.values, crs=frame.crs), notes


def _without_blanks(values: pd.Series) -> pd.Series:
    """Text of white space alone is as good as none, in whatever format; a constant may fill it in."""
    if values.dtype != object and not pd.api.types.is_string_dtype(values.dtype):
        return values
    blank = values.map(lambda value: isinstance(value, str) and not value.strip()).astype(bool)
    return values.mask(blank, None) if blank.any() else values


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
