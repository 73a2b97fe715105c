"""Whether a layer's coordinates and its CRS belong together: told or in the file, in its area, the right way round."""

import math
import re

import geopandas as gpd
import numpy as np
import shapely
from pyproj import CRS, Transformer
from pyproj.aoi import AreaOfInterest
from pyproj.database import query_crs_info
from pyproj.enums import PJType
from pyproj.exceptions import CRSError, ProjError

from pipeline.errors import InputError
from pipeline.files.texts import shown

# Farms use the neighbouring zone's coordinates; beyond this the CRS is another one [degrees].
FAR_DEGREES = 10.0
# A place just over the edge of an area of use is nothing to speak of [degrees].
NEAR_DEGREES = 1.0
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
            f"{place}: the file says its CRS is {named_crs(frame.crs)}, the configuration crs: {told}; expected the same. "
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


def named_crs(crs: CRS) -> str:
    """A CRS for a message: its code where it has one."""
    code = crs.to_authority(min_confidence=70)
    return f"{':'.join(code)} ({crs.name})" if code else f"'{crs.name}'"


def _check_degrees_of(crs: CRS, place: str) -> None:
    base = crs.geodetic_crs
    angle = base.axis_info[0].unit_conversion_factor if base.axis_info else math.pi / 180
    paris = base.prime_meridian.longitude if base.prime_meridian else 0.0
    if not math.isclose(angle, math.pi / 180, rel_tol=1e-9) or paris != 0.0:
        raise InputError(
            f"{place}: CRS {named_crs(crs)} does not count degrees from Greenwich; transform the layer in a GIS, for "
            "example to EPSG:4326"
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
    said = f"({at[0]:.10g}, {at[1]:.10g}) in {named_crs(frame.crs)}"
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
    return [f"lies {outside:.1f} degrees outside the area that {named_crs(frame.crs)} is for"]


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
