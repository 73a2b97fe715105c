"""How far neighbouring passes lie apart: what a bar's or planter's rows and spacing must multiply to."""

import numpy as np
import shapely
from pyproj import CRS
from shapely import STRtree

from pipeline.core.local import local_crs, to_geographic, to_local

#: Where along a pass its neighbours are sought; the ends are left out, where passes turn and headlands cross.
PROBES = (0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8)
#: Neighbours nearer than this are the same pass driven again [m].
SAME_PLACE_M = 0.1
#: Searched first nearby, which finds single rows, and then as wide as implements are [m].
SEARCHED_M = (3.0, 45.0)


def abreast_distances(lines: np.ndarray) -> np.ndarray:
    """Distance from each line to the nearest other one abreast of it.

    Parameters
    ----------
    lines : ndarray of LineString, shape (k,)
        In a plane [m].

    Returns
    -------
    ndarray, shape (k,)
        Median over places along the line [m]; NaN where no other line is near at most of them.
    """
    out = np.full(len(lines), np.nan)
    pieces, owner = _segments(lines)
    if len(pieces) == 0:
        return out
    tree = STRtree(pieces)
    for within_m in SEARCHED_M:
        todo = np.flatnonzero(np.isnan(out))
        probes = shapely.line_interpolate_point(lines[todo][:, None], np.array(PROBES), normalized=True)
        out[todo] = _medians(_nearest(probes.ravel(), np.repeat(todo, len(PROBES)), tree, owner, within_m))
    return out


def _segments(lines: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Every stretch between two vertices as a line, and whose it is: long lines would make a slow index."""
    xy, owner = shapely.get_coordinates(lines, return_index=True)
    inner = np.flatnonzero(owner[1:] == owner[:-1])
    return shapely.linestrings(np.stack([xy[inner], xy[inner + 1]], axis=1)), owner[inner]


def _nearest(probes: np.ndarray, of: np.ndarray, tree: STRtree, owner: np.ndarray, within_m: float) -> np.ndarray:
    """Distance from each probe to the nearest line that is neither its own nor in the same place; inf without one."""
    probe, piece = tree.query(probes, predicate="dwithin", distance=within_m)
    other = owner[piece] != of[probe]
    probe, piece = probe[other], piece[other]
    apart = shapely.distance(probes[probe], tree.geometries[piece])
    # A line in the same place is left out as a whole, not only the stretch of it that is nearest.
    key = probe * (owner.max() + 1) + owner[piece]
    pair, member = np.unique(key, return_inverse=True)
    nearest = np.full(len(pair), np.inf)
    np.minimum.at(nearest, member, apart)
    nearest[nearest < SAME_PLACE_M] = np.inf
    out = np.full(len(probes), np.inf)
    np.minimum.at(out, pair // (owner.max() + 1), nearest)
    return out


def _medians(distance: np.ndarray) -> np.ndarray:
    """Median of each line's probes; NaN where most of them found nothing."""
    middle = np.sort(distance.reshape(-1, len(PROBES)), axis=1)[:, len(PROBES) // 2]
    return np.where(np.isfinite(middle), middle, np.nan)


def usable_lines(shapes: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The longest part of every line that has a length, and which feature it belongs to."""
    whole = [k for k, shape in enumerate(shapes) if shape is not None and np.isfinite(shape.length) and shape.length > 0]
    lines = [max(shapely.get_parts(shapes[k]), key=shapely.length) for k in whole]
    good = [k for k, line in enumerate(lines) if line.geom_type == "LineString"]
    return np.array([lines[k] for k in good], object), np.array([whole[k] for k in good], int)


def laid_flat(shapes: np.ndarray, crs: CRS) -> np.ndarray:
    """Geometries of a CRS in a plane of their own [m]."""
    wkt = crs.to_wkt()
    middle = shapely.get_coordinates(to_geographic(shapes, wkt)).mean(axis=0)
    return to_local(shapes, wkt, local_crs(*np.round(middle, 7)))
