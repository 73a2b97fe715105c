"""Length over ground of lines in longitude and latitude."""

import math

import numba
import numpy as np
from pyproj import Geod

# Below this [degrees] a segment is measured on the spot, 1 km at most: at most 3e-8 off up to the latitude named.
SHORT_DEGREES, MOST_LATITUDE = 0.01, 75.0


def lengths_over_ground(lonlat: np.ndarray, owner: np.ndarray, lines: int, geod: Geod) -> np.ndarray:
    """Length along the geodesics between the vertices of lines, shape (lines,) [m].

    Parameters
    ----------
    lonlat : ndarray, shape (n, 2)
        Vertices [degrees]. Those that are no finite numbers, or no places on the earth, add nothing.
    owner : ndarray of int, shape (n,)
        Which line each belongs to, sorted.
    lines : int
    geod : pyproj.Geod
        The ellipsoid.

    Notes
    -----
    A short segment is the hypotenuse of its way north, by the meridian's radius of curvature at its middle latitude,
    and its way east, by the radius of the parallel there: logs have millions of segments of a metre, and a geodesic
    takes ten times as long.
    """
    far = np.zeros(max(len(lonlat) - 1, 0), np.bool_)
    near_m = _near_lengths(lonlat, owner, lines, geod.a, geod.es, far)
    far_m = np.nan_to_num(geod.inv(*lonlat[:-1][far].T, *lonlat[1:][far].T)[2])
    return near_m + np.bincount(owner[:-1][far], far_m, lines)


@numba.njit(cache=True, nogil=True)
def _near_lengths(xy, owner, lines, a, es, far):
    """Length of each line's short segments [m]; `far` comes to mark the others."""
    out = np.zeros(lines)
    for i in range(len(far)):
        lon, lat = xy[i]
        east, north = xy[i + 1, 0] - lon, xy[i + 1, 1] - lat
        if owner[i] != owner[i + 1] or not (math.isfinite(lon + lat) and math.isfinite(east + north)):
            continue
        if abs(east) > SHORT_DEGREES or abs(north) > SHORT_DEGREES or abs(lat) > MOST_LATITUDE:
            far[i] = True
            continue
        middle = math.radians(lat + 0.5 * north)
        flat = 1.0 - es * math.sin(middle) ** 2
        normal = a / math.sqrt(flat)
        across, along = normal * math.cos(middle) * math.radians(east), normal * (1.0 - es) / flat * math.radians(north)
        out[owner[i]] += math.hypot(across, along)
    return out
