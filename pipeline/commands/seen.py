"""Layers of files that nobody has described yet: what can be seen without a configuration."""

from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import shapely

from pipeline.core.neighbours import abreast_distances, laid_flat, usable_lines
from pipeline.errors import InputError
from pipeline.files.crs_checks import UNDEFINED
from pipeline.files.intake import Source
from pipeline.files.opening import ENGINE_ERRORS, resting, said_of, shown_path
from pipeline.files.reading import read_columns
from pipeline.files.texts import shown
from pipeline.files.vector_files import is_whole, layer_names, read_features

#: Features that are looked at, the first ones: neighbours mostly follow one another in a file.
LOOKED_AT = 3000
#: Lines whose neighbours are measured.
MEASURED = 300
KINDS = {0: "points", 1: "lines", 3: "polygons", 4: "points", 5: "lines", 6: "polygons"}


@dataclass(frozen=True, eq=False)
class Seen:
    """A layer as it lies in its file.

    Attributes
    ----------
    features : int
        Number of them in the layer; `table` has the first `LOOKED_AT`.
    table : DataFrame or GeoDataFrame
        Empty where the layer has no geometry.
    """

    file: str
    layer: str
    features: int
    table: pd.DataFrame
    alone: bool

    @cached_property
    def shapes(self) -> np.ndarray:
        """Geometries, None where there is none."""
        if not isinstance(self.table, gpd.GeoDataFrame):
            return np.full(len(self.table), None, object)
        return np.array(self.table.geometry.values, object)

    @cached_property
    def kind(self) -> str:
        """Points, lines, polygons or nothing, by what most features are."""
        types = pd.Series(shapely.get_type_id(self.shapes)).map(KINDS).dropna()
        return types.mode().iloc[0] if len(types) else "nothing"

    @cached_property
    def crs(self):
        """The CRS, None where the file names none."""
        crs = self.table.crs if isinstance(self.table, gpd.GeoDataFrame) else None
        return None if crs is not None and crs.name in UNDEFINED else crs

    @cached_property
    def crs_fault(self) -> str:
        """Why the layer cannot be laid on the earth; "" where it can."""
        if self.crs is None:
            return "the layer names no CRS; the one it was recorded in, as EPSG:4326 for longitude and latitude"
        if self.crs.geodetic_crs is None:
            return "the layer's CRS is not tied to the earth; assign the one it was recorded in with a GIS"
        bounds = shapely.total_bounds(self.shapes)
        if self.crs.is_geographic and np.nanmax(np.abs(bounds)) > 360:
            return "the layer's CRS is in degrees, its coordinates are not; assign the one it was recorded in with a GIS"
        return ""

    @cached_property
    def columns(self) -> list[str]:
        """Names of the columns without the geometry."""
        geometry = self.table.geometry.name if isinstance(self.table, gpd.GeoDataFrame) else None
        return [name for name in self.table.columns if name != geometry]

    @cached_property
    def distances_m(self) -> pd.Series:
        """Distance from a line to its neighbour [m], by feature of `table`; NaN where none was found."""
        lines, index = usable_lines(self.shapes[:MEASURED])
        if self.crs_fault or len(lines) == 0:
            return pd.Series(np.nan, index=index, dtype=float)
        return pd.Series(abreast_distances(laid_flat(lines, self.crs)), index=index)


def see(path: Path) -> list[Seen]:
    """Return all layers of a file.

    Raises
    ------
    InputError
        If the file is not there or cannot be read.
    """
    with resting(path) as copy:
        names = layer_names(copy, shown_path(path))
        return [_see_layer(path, copy, name, alone=len(names) == 1) for name in names]


def _see_layer(path: Path, copy: Path, name: str, *, alone: bool) -> Seen:
    place = f"{shown_path(path)}, layer '{shown(name)}'"
    if is_whole(copy):
        frame = read_features(copy, name, Source(path.as_posix(), None, {}, {}), place, None).frame
        return Seen(path.as_posix(), name, len(frame), frame.head(LOOKED_AT), alone)
    try:
        info = pyogrio.read_info(copy, layer=name, force_feature_count=True)
    except ENGINE_ERRORS as error:
        raise InputError(f"{place}: cannot be read ({said_of(error, copy)}); open and save it anew in a GIS") from error
    table = pd.DataFrame(columns=[str(column) for column in info["fields"]])
    if info["geometry_type"] is not None:
        table = read_columns(copy, name, place, None, most=LOOKED_AT).frame
    return Seen(path.as_posix(), name, int(info["features"]), table, alone)
