"""Length over ground of lines in longitude and latitude."""

import numpy as np
from pyproj import Geod

# Below this [degrees] a segment is measured on the spot, 1 km at most: at most 3e-8 off up to the latitude named.
SHORT_DEGREES, MOST_LATITUDE = 0.01, 75.0
# Vertices put between others at most: 500 km by the kilometre, in each of 200 segments. Half way round in kilometres.
_MOST_BETWEEN, _HALF_WAY = 100_000, 20_000
# Vertices at a time: what is made of them stays in the processor's cache.
_AT_ONCE = 100_000


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
    out = np.zeros(lines)
    for first in range(0, len(lonlat) - 1, _AT_ONCE):
        part, mine = lonlat[first : first + _AT_ONCE + 1], owner[first : first + _AT_ONCE + 1]
        length_m = np.bincount(mine[:-1] - mine[0], _segments_m(part, mine[1:] == mine[:-1], geod))
        out[mine[0] : mine[0] + len(length_m)] += length_m
    return out


def with_vertices_between(xy: np.ndarray, owner: np.ndarray, *, longest: float) -> tuple[np.ndarray, np.ndarray]:
    """Vertices with others between those that lie far apart, evenly on the straight line; and whose each is.

    Parameters
    ----------
    xy : ndarray, shape (n, 2)
    owner : ndarray of int, shape (n,)
        Which line each belongs to, sorted.
    longest : float
        Longest segment that stays whole, in units of `xy`; where there are many such, the parts are larger. One of more
        than `_HALF_WAY` times that is no way on the earth, but over the date line, and stays whole too.
    """
    with np.errstate(all="ignore"):  # of what is no finite number, which is left as it is
        way = np.diff(xy, axis=0, append=xy[-1:])
    step = np.maximum(np.abs(way[:-1, 0]), np.abs(way[:-1, 1]))
    far = (step > longest) & (step < _HALF_WAY * longest)
    far[far] = owner[1:][far] == owner[:-1][far]
    if not far.any():
        return xy, owner
    count = np.ones(len(xy), np.int64)
    count[:-1][far] = np.minimum(np.ceil(step[far] / longest), max(2, _MOST_BETWEEN // far.sum())).astype(np.int64)
    home = np.repeat(np.arange(len(xy)), count)
    share = (np.arange(len(home)) - np.repeat(np.cumsum(count) - count, count)) / count[home]
    way[count == 1] = 0.0
    return xy[home] + share[:, None] * way[home], owner[home]


def _segments_m(lonlat: np.ndarray, joined: np.ndarray, geod: Geod) -> np.ndarray:
    """Length from each vertex to the next where they are joined, else 0 [m]."""
    start, end = lonlat[:-1], lonlat[1:]
    with np.errstate(all="ignore"):
        east, north = (end - start).T
        middle = np.radians(start[:, 1] + 0.5 * north)
        flat = 1.0 - geod.es * np.sin(middle) ** 2
        normal = geod.a / np.sqrt(flat)
        length_m = np.hypot(normal * np.cos(middle) * east, normal * (1.0 - geod.es) / flat * north) * (np.pi / 180)
        near = (np.abs(east) <= SHORT_DEGREES) & (np.abs(north) <= SHORT_DEGREES) & (np.abs(start[:, 1]) <= MOST_LATITUDE)
    length_m[~(near & joined)] = 0.0
    far = ~near & joined
    far &= np.isfinite(lonlat[1:]).all(axis=1) & np.isfinite(lonlat[:-1]).all(axis=1)
    length_m[far] = np.nan_to_num(geod.inv(*start[far].T, *end[far].T)[2])
    return length_m
