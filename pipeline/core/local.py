"""The field's own plane: a transverse Mercator projection centred on it."""

from functools import lru_cache

import numpy as np
import shapely
from pyproj import CRS, Geod, Transformer

from pipeline.errors import InputError

# Coordinates transformed at once: what PROJ's copies of them take stays in the processor's cache.
_AT_ONCE = 50_000
EARTH_RADIUS_M = 6_371_000.0
#: The ellipsoid of the plane and of the frames of today, for distances over ground.
GRS80 = Geod(ellps="GRS80")


def local_crs(longitude: float, latitude: float) -> CRS:
    """Transverse Mercator centred on a place [degrees]; scale error below 1 ppm within 5 km.

    No datum is named: coordinates of whatever frame are laid out as they are, so no shift creeps in that
    nobody asked for. Frames are dealt with by `frame_shift`.
    """
    return CRS.from_proj4(
        f"+proj=tmerc +lat_0={latitude:.9f} +lon_0={longitude:.9f} +k=1 +x_0=0 +y_0=0 +ellps=GRS80 +units=m +no_defs"
    )


def metres_per_unit(crs: CRS) -> float:
    """How long a unit of a CRS is [m]; a degree as an arc of a great circle, which is near enough for a tolerance."""
    unit = crs.axis_info[0].unit_conversion_factor
    return unit * EARTH_RADIUS_M if crs.is_geographic else unit


@lru_cache(maxsize=64)
def _to_geographic(crs_wkt: str) -> Transformer:
    crs = CRS.from_wkt(crs_wkt)
    base = crs.geodetic_crs
    if base is None:
        raise InputError(f"CRS '{crs.name}' is not tied to the earth; expected a projected or geographic CRS")
    return Transformer.from_crs(crs, base, always_xy=True)


def datum_name(crs: CRS) -> str:
    """Name of the datum that coordinates in a CRS are on, such as `North American Datum 1983`."""
    base = crs.geodetic_crs or crs
    return base.datum.name if base.datum is not None else base.name


def to_geographic(geometry: np.ndarray, crs: str) -> np.ndarray:
    """Geometries in the longitude and latitude of their own datum [degrees]; Z and M are dropped."""
    return _moved(shapely.force_2d(geometry), _to_geographic(crs).transform)


def lonlat_of(xy: np.ndarray, crs: str) -> np.ndarray:
    """Coordinates of a CRS (WKT), shape (n, 2), in the longitude and latitude of its own datum [degrees]."""
    move, out = _to_geographic(crs).transform, np.empty_like(xy)
    for first in range(0, len(xy), _AT_ONCE):
        part = slice(first, first + _AT_ONCE)
        out[part, 0], out[part, 1] = move(xy[part, 0], xy[part, 1])
    return out


def to_local(geometry: np.ndarray, crs: str, local: CRS) -> np.ndarray:
    """Geometries of a CRS (WKT) in the plane of `local` [m]; polygons stay valid."""
    return _with_valid_polygons(_moved(to_geographic(geometry, crs), _laying(local.to_wkt()).transform))


def from_local(geometry: np.ndarray, local: CRS, crs: str) -> np.ndarray:
    """Geometries of the plane of `local` [m] in a CRS (WKT); polygons stay valid."""
    lay, geographic = _laying(local.to_wkt()), _to_geographic(crs)

    def back(x: np.ndarray, y: np.ndarray) -> tuple:
        return geographic.transform(*lay.transform(x, y, direction="INVERSE"), direction="INVERSE")

    # In one go: no geometries are made of the degrees between.
    return _with_valid_polygons(_moved(geometry, back))


@lru_cache(maxsize=64)
def _laying(local_wkt: str) -> Transformer:
    local = CRS.from_wkt(local_wkt)
    return Transformer.from_crs(local.geodetic_crs, local, always_xy=True)


def _moved(geometry: np.ndarray, transform) -> np.ndarray:
    geometry = np.asarray(geometry, object)
    return shapely.transform(geometry, lambda xy: np.column_stack(transform(xy[:, 0], xy[:, 1])))


def _with_valid_polygons(moved: np.ndarray) -> np.ndarray:
    """Moved geometries, the polygons that are not valid any more made valid, as multipolygons.

    A straight edge of one plane bends in another, and coordinates are rounded, so that edges which touch or stand a
    hairline apart may cross. What crosses is united, and what has no width left goes.
    """
    areas = np.isin(shapely.get_type_id(moved), (shapely.GeometryType.POLYGON, shapely.GeometryType.MULTIPOLYGON))
    which = np.flatnonzero(areas)
    which = which[~shapely.is_valid(moved[which])]
    with np.errstate(invalid="ignore"):  # of polygons that are not finite, which are left for others to find
        which = which[np.isfinite(shapely.area(moved[which]))]
    out = moved.copy()
    for number, shape in zip(which, shapely.make_valid(moved[which], method="structure", keep_collapsed=False), strict=True):
        out[number] = shapely.multipolygons(shapely.get_parts(shape))
    return out
