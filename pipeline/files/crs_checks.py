"""Whether coordinates and their CRS belong together: told or in the file, in reach of each other, the right way round."""

import math
import re
import warnings

import geopandas as gpd
import numpy as np
import shapely
from pyproj import CRS, Geod, Transformer
from pyproj.aoi import AreaOfInterest
from pyproj.database import query_crs_info
from pyproj.enums import PJType
from pyproj.exceptions import CRSError, ProjError
from pyproj.transformer import TransformerGroup

from pipeline.core.local import to_geographic
from pipeline.errors import InputError
from pipeline.files.blocks import blocks
from pipeline.files.texts import shown

# Farms use the neighbouring zone's coordinates; beyond this the CRS is another one [degrees].
FAR_DEGREES = 10.0
# A place just over the edge of an area of use is nothing to speak of [degrees].
NEAR_DEGREES = 1.0
# Frames of today lie within this of one another, and `frame` and `epoch` deal with it; old datums do not [m].
SAME_DATUM_M = 4.0
_GEOD = Geod(ellps="GRS80")
_MEND = "assign the one it was recorded in (it is never guessed)"
_NO_DATUM = re.compile(r"un(known|defined|named)|not.specified", re.IGNORECASE)
# What stands for "none" in a GeoPackage (OGC 12-128r19, table 3: srs_id -1 and 0).
UNDEFINED = ("Undefined Cartesian SRS", "Undefined geographic SRS")


def with_crs(frame: gpd.GeoDataFrame, told: str | None, place: str) -> gpd.GeoDataFrame:
    """The layer with the CRS of its file, or the one told where the file has none; flat, without a height part.

    Raises
    ------
    InputError
        If there is none, the two differ, or it is not tied to the ground by longitude and latitude in degrees east of
        Greenwich.
    """
    if told is not None and frame.crs is not None and frame.crs.name in UNDEFINED:
        frame = frame.set_crs(None, allow_override=True)
    if frame.crs is None and told is None:
        raise InputError(
            f"{place}: has no CRS; {_MEND}: add 'crs:' to the layer, as "
            "in crs: EPSG:4326 for a receiver's longitude and latitude, or for a Shapefile its .prj file"
        )
    if frame.crs is None:
        frame = frame.set_crs(CRS.from_user_input(told))
    elif told is not None and not same_crs(frame.crs, CRS.from_user_input(told)):
        raise InputError(
            f"{place}: the file says its CRS is {_named(frame.crs)}, the configuration crs: {told}; expected the same. "
            "Remove crs, or if the file is wrong assign the right CRS in a GIS (a GeoJSON without crs is WGS 84 by its "
            "standard)"
        )
    _check_ground(frame.crs, place)
    flat = flat_crs(frame.crs)
    _check_degrees_of(flat, place)
    return frame.set_crs(flat, allow_override=True)


def _check_ground(crs: CRS, place: str) -> None:
    """Yards, heights and unknown datums lie nowhere on the earth."""
    if not crs.is_projected and (not crs.is_geographic or crs.is_geocentric):
        raise InputError(
            f"{place}: CRS '{shown(crs.name)}' is of type {crs.type_name}; expected a projected or geographic one, {_MEND}"
        )
    base = crs.geodetic_crs
    datum = "" if base is None or base.datum is None else base.datum.name
    if not datum or _NO_DATUM.match(datum):
        raise InputError(f"{place}: CRS '{shown(crs.name)}' has no known datum ('{shown(datum)}'); {_MEND}")


def same_crs(one: CRS, other: CRS) -> bool:
    """Whether two CRSs give the same coordinates, whoever wrote them down."""
    one, other = flat_crs(one), flat_crs(other)
    if one.equals(other, ignore_axis_order=True):
        return True
    codes = [crs.to_epsg(min_confidence=70) for crs in (one, other)]
    return codes[0] is not None and codes[0] == codes[1]


def flat_crs(crs: CRS) -> CRS:
    """The horizontal part of a CRS."""
    if crs.is_bound and crs.source_crs is not None:
        crs = crs.source_crs
    if crs.is_compound:
        crs = crs.sub_crs_list[0]
    return crs.to_2d() if len(crs.axis_info) > 2 else crs


def _named(crs: CRS) -> str:
    code = crs.to_authority(min_confidence=70)
    return f"{':'.join(code)} ({crs.name})" if code else f"'{crs.name}'"


def _check_degrees_of(crs: CRS, place: str) -> None:
    base = crs.geodetic_crs
    angle = base.axis_info[0].unit_conversion_factor if base.axis_info else math.pi / 180
    paris = base.prime_meridian.longitude if base.prime_meridian else 0.0
    if not math.isclose(angle, math.pi / 180, rel_tol=1e-9) or paris != 0.0:
        raise InputError(
            f"{place}: CRS {_named(crs)} does not count degrees from Greenwich; transform the layer in a GIS, for example "
            "to EPSG:4326"
        )


def check_place(frame: gpd.GeoDataFrame, place: str) -> list[str]:
    """Hold the coordinates against the area their CRS is for.

    Returns
    -------
    list of str
        A note where the layer lies a little outside.

    Raises
    ------
    InputError
        Where it lies far outside, with the likely reason: axes swapped, a zone number in front of the eastings.
    """
    corners = shapely.bounds(np.asarray(frame.geometry.values, object)).reshape(-1, 2, 2)
    corners = corners[np.isfinite(corners).all(axis=(1, 2))]
    if len(corners) == 0:
        return []
    at = np.median(corners.mean(axis=1), axis=0)  # a stray feature is for the rejects; here the layer as a whole is judged
    outside = _degrees_outside(frame.crs, at)
    if outside is None or outside <= NEAR_DEGREES:
        return []
    said = f"({at[0]:.10g}, {at[1]:.10g}) in {_named(frame.crs)}"
    swapped = _degrees_outside(frame.crs, at[::-1])
    if swapped is not None and swapped <= NEAR_DEGREES:
        raise InputError(
            f"{place}: coordinates such as {said} lie outside the area of that CRS, and swapped they lie within; expected "
            "longitude or easting first, then latitude or northing: swap the columns or the axes of the layer"
        )
    if frame.crs.is_geographic and not math.isfinite(outside):
        return []  # no degrees at all, and the check of degrees names the feature
    if better := _by_zone_prefix(frame.crs, at):
        raise InputError(f"{place}: coordinates such as {said} {better}")
    if not math.isfinite(outside) or outside > FAR_DEGREES:
        far = f"{outside:.0f} degrees outside" if math.isfinite(outside) else "outside"
        raise InputError(
            f"{place}: coordinates such as {said} lie {far} the area that CRS is for; expected the CRS the layer was "
            "recorded in, assign the right one"
        )
    return [f"lies {outside:.1f} degrees outside the area that {_named(frame.crs)} is for"]


def _degrees_outside(crs: CRS, at: np.ndarray) -> float | None:
    """How far a place is outside a CRS's area of use; infinite where it is nowhere, None where no area is known."""
    area = _area(crs)
    lonlat = _lonlat(crs, at)
    if lonlat is None:
        return math.inf
    if area is None:
        return None
    lon, lat = lonlat
    west, south, east, north = area
    width = (east - west) % 360 or 360.0
    into = (lon - west) % 360
    beside = 0.0 if into <= width else min(into - width, 360 - into)
    return max(beside, south - lat, lat - north, 0.0)


def _area(crs: CRS) -> tuple[float, float, float, float] | None:
    if crs.area_of_use is None:  # a .prj file has the CRS without its area
        code = crs.to_authority(min_confidence=70)
        crs = CRS.from_authority(*code) if code else crs
    return crs.area_of_use.bounds if crs.area_of_use else None


def _lonlat(crs: CRS, at: np.ndarray) -> tuple[float, float] | None:
    base = crs.geodetic_crs
    try:
        lon, lat = Transformer.from_crs(crs, base, always_xy=True).transform(*at, errcheck=True)
        round_trip = np.array(Transformer.from_crs(base, crs, always_xy=True).transform(lon, lat, errcheck=True))
    except ProjError:
        return None
    tolerance = 1e-6 * max(1.0, float(np.abs(at).max()))
    sound = np.isfinite([lon, lat]).all() and abs(lat) <= 90 and np.abs(round_trip - at).max() < tolerance
    return (lon, lat) if sound or crs.is_geographic and abs(lat) <= 90 and abs(lon) <= 360 else None


def _by_zone_prefix(crs: CRS, at: np.ndarray) -> str | None:
    """What to do where only the millions of the easting are wrong."""
    if not crs.is_projected:
        return None
    millions, zone = (math.floor(x / 1e6) for x in (at[0], _false_easting(crs)))
    plain = np.array([at[0] + 1e6 * (zone - millions), at[1]])
    outside = _degrees_outside(crs, plain)
    if zone == millions or outside is None or outside > NEAR_DEGREES:
        return None
    better = _crs_with(crs, at, plain)
    fix = f"expected a CRS such as {better}, assign it" if better else "assign the CRS whose eastings are written so"
    if millions:
        return f"have {millions} in front of the easting, a zone number that is not of this CRS; {fix}"
    return f"lack the zone number {zone} that this CRS has in front of the easting; {fix}"


def _false_easting(crs: CRS) -> float:
    params = crs.coordinate_operation.params if crs.coordinate_operation else []
    return next((one.value for one in params if one.name == "False easting"), 0.0)


def _crs_with(crs: CRS, at: np.ndarray, plain: np.ndarray) -> str | None:
    """The registered CRS of the same datum under which `at` is where `plain` is under `crs`."""
    lon, lat = _lonlat(crs, plain)
    spot = AreaOfInterest(lon, lat, lon, lat)
    for info in query_crs_info(auth_name="EPSG", pj_types=PJType.PROJECTED_CRS, area_of_interest=spot, contains=True):
        try:
            other = CRS.from_authority(info.auth_name, info.code)
        except CRSError:
            continue
        if other.geodetic_crs != crs.geodetic_crs or other.axis_info[0].direction != "east":
            continue
        there = _lonlat(other, at)
        if there is not None and np.abs(np.subtract(there, (lon, lat))).max() < 1e-8:
            return f"{info.auth_name}:{info.code} ({info.name})"
    return None


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
        f"{middles[0][1]:.4f} by {_named(frame.crs)}, the fields around {middles[1][0]:.4f}, {middles[1][1]:.4f} by "
        f"{_named(fields.crs)}; expected on the fields, {hint}"
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
    return float(_GEOD.inv(lon_a, lat_a, lon_b, lat_b)[2])


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
    return float(_GEOD.inv(lon, lat, *there)[2]) if np.isfinite(there).all() else math.inf
