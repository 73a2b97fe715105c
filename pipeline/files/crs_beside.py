"""Whether a layer lies where the fields lie, in a datum that agrees with theirs."""

import math
import warnings

import geopandas as gpd
import numpy as np
import shapely
from pyproj import CRS
from pyproj.aoi import AreaOfInterest
from pyproj.transformer import TransformerGroup

from pipeline.core.local import GRS80, to_geographic
from pipeline.errors import InputError
from pipeline.files.blocks import blocks
from pipeline.files.crs_checks import named_crs

# Frames of today lie within this of one another, and `frame` and `epoch` deal with it; old datums do not [m].
SAME_DATUM_M = 4.0


def check_beside(frame: gpd.GeoDataFrame, fields: gpd.GeoDataFrame, place: str) -> None:
    """A layer must lie where the fields lie, in a datum that agrees with theirs.

    Raises
    ------
    InputError
        With the distance where no part of the layer's extent touches the fields'; with both datums where they differ.
    """
    if len(frame) == 0 or len(fields) == 0:
        return
    boxes = [_extent(layer) for layer in (frame, fields)]
    _check_datum(frame.crs, fields.crs, boxes[1], place)
    apart_m = _apart_m(*boxes)
    if apart_m <= 0:
        return
    middles = [((west + east) / 2, (south + north) / 2) for west, south, east, north in boxes]
    west, south, east, north = boxes[0]
    hint = "the CRS of one of the two is wrong, or the wrong layer is named"
    if _apart_m((south, west, north, east), boxes[1]) <= 0:
        hint = "with longitude and latitude swapped it would lie on them: swap the two"
    raise InputError(
        f"{place}: lies {_distance(apart_m)} from the fields: around longitude {middles[0][0]:.4f}, latitude "
        f"{middles[0][1]:.4f} by {named_crs(frame.crs)}, the fields around {middles[1][0]:.4f}, {middles[1][1]:.4f} by "
        f"{named_crs(fields.crs)}; expected on the fields, {hint}"
    )


def _extent(layer: gpd.GeoDataFrame) -> tuple[float, float, float, float]:
    """West, south, east, north of a layer [degrees]."""
    wkt = layer.crs.to_wkt()
    bounds = [shapely.total_bounds(to_geographic(block, wkt)) for _, block in blocks(layer.geometry.values)]
    west, south, east, north = np.array(bounds).T
    return float(np.nanmin(west)), float(np.nanmin(south)), float(np.nanmax(east)), float(np.nanmax(north))


def _apart_m(one: tuple, other: tuple) -> float:
    """Distance between two extents, 0 where they touch [m]."""
    gaps = [max(a[k] - b[k + 2] for a, b in ((one, other), (other, one))) for k in (0, 1)]
    if max(gaps) <= 0:
        return 0.0
    # From the corner or edge of one that is nearest to the other.
    ends = []
    for k in (0, 1):
        low, high = max(one[k], other[k]), min(one[k + 2], other[k + 2])
        shared = (low + high) / 2
        nearest = (one[k + 2], other[k]) if one[k + 2] < other[k] else (one[k], other[k + 2])
        ends.append((shared, shared) if low <= high else nearest)
    (lon_a, lon_b), (lat_a, lat_b) = ends
    if max(abs(lat_a), abs(lat_b)) > 90:
        return math.inf
    return float(GRS80.inv(lon_a, lat_a, lon_b, lat_b)[2])


def _distance(metres: float) -> str:
    return f"{metres / 1000:.1f} km" if metres >= 1000 else f"{metres:.0f} m"


def _check_datum(crs: CRS, fields_crs: CRS, extent: tuple, place: str) -> None:
    """Datums of today may be mixed; an old one among them lies tens of metres off and is not moved unasked."""
    mine, theirs = crs.geodetic_crs, fields_crs.geodetic_crs
    if mine.equals(theirs, ignore_axis_order=True):
        return
    lon, lat = (extent[0] + extent[2]) / 2, (extent[1] + extent[3]) / 2
    moved_m = _moved_m(mine, theirs, lon, lat)
    axes = [one.ellipsoid.semi_major_metre for one in (mine, theirs)]
    # Where PROJ knows no transformation it moves nothing: between two ellipsoids that says nothing.
    if moved_m <= SAME_DATUM_M and abs(axes[0] - axes[1]) < SAME_DATUM_M:
        return
    far = f"{moved_m:.0f} m apart here" if SAME_DATUM_M < moved_m < math.inf else "which do not agree"
    raise InputError(
        f"{place}: its datum is {mine.name}, the fields' {theirs.name}, {far}; expected layers in datums that agree within "
        f"{SAME_DATUM_M:g} m, transform one of them in a GIS with the official grid"
    )


def _moved_m(mine: CRS, theirs: CRS, lon: float, lat: float) -> float:
    """How far PROJ's best transformation at hand moves a place [m]."""
    spot = AreaOfInterest(lon, lat, lon, lat)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", UserWarning)  # that a finer grid exists; here metres are enough
        known = TransformerGroup(mine, theirs, always_xy=True, area_of_interest=spot).transformers
    there = known[0].transform(lon, lat) if known else (lon, lat)
    return float(GRS80.inv(lon, lat, *there)[2]) if np.isfinite(there).all() else math.inf
