"""Hold and reach bands: strips narrowed and widened by a tier's error, as polygons (DESIGN 2.2)."""

import numpy as np
import shapely

# Strip lines are thinned by this much before bands are drawn round them: bands are for the map, figures
# come from the exact offsets.
THIN_M = 0.02
# Beyond this turn at one vertex a mitre grows long; such lines are left to GEOS.
SHARPEST_TURN_COS = 0.5
MITRE_LIMIT = 2.0


def thinned(lines: np.ndarray) -> np.ndarray:
    """Lines without the vertices that carry less than `THIN_M`, shape (n,)."""
    return shapely.simplify(shapely.remove_repeated_points(lines), THIN_M, preserve_topology=False)


def band_outlines(lines: np.ndarray, half_width_m: np.ndarray) -> np.ndarray:
    """Polygons round lines: flat ends, mitred bends.

    Parameters
    ----------
    lines : ndarray of shapely.LineString, shape (n,)
        Without repeated points.
    half_width_m : ndarray, shape (n,)
        Half width of each band [m]; nothing where it is not positive.

    Returns
    -------
    ndarray of shapely.Polygon or MultiPolygon, shape (n,)
        Empty where there is nothing.

    Notes
    -----
    Strips bend gently, so the mitre points of all vertices are computed at once; where that loops (a bend
    tighter than the band, a line that meets itself) the band is a GEOS buffer instead, with the same shape.
    """
    out = np.full(len(lines), shapely.Polygon(), object)
    wide = np.flatnonzero(np.asarray(half_width_m) > 0)
    shapes, sharp = _ribbons(lines[wide], half_width_m[wide])
    looped = sharp | ~shapely.is_valid(shapes)
    bent = wide[looped]
    shapes[looped] = shapely.buffer(
        lines[bent], half_width_m[bent], cap_style="flat", join_style="mitre", mitre_limit=MITRE_LIMIT
    )
    out[wide] = shapes
    return out


def meeting(lines: np.ndarray, half_width_m: np.ndarray, group: np.ndarray, groups: int) -> np.ndarray:
    """Groups of lines in which a band loops, or two bands meet.

    Asked once of the widest bands: narrower ones round the same lines lie inside them, so that they neither loop
    nor meet where those do not. It is the test of validity that costs most of the drawing.

    Parameters
    ----------
    lines, half_width_m : ndarray, shape (n,)
        As for `band_outlines`.
    group : ndarray of int, shape (n,)
    groups : int

    Returns
    -------
    ndarray of bool, shape (groups,)
    """
    out = np.zeros(groups, bool)
    wide = np.flatnonzero(np.asarray(half_width_m) > 0)
    ribbons, sharp = _ribbons(lines[wide], half_width_m[wide])
    out[group[wide[sharp]]] = True
    return out | ~shapely.is_valid(_gathered(ribbons, group[wide], groups))


def band_by_group(
    lines: np.ndarray, half_width_m: np.ndarray, group: np.ndarray, groups: int, *, united: np.ndarray
) -> np.ndarray:
    """One MultiPolygon a group of lines.

    Parameters
    ----------
    lines, half_width_m : ndarray, shape (n,)
        As for `band_outlines`.
    group : ndarray of int, shape (n,)
    groups : int
    united : ndarray of bool, shape (groups,)
        Where the bands of a group may loop or meet (`meeting`) and are united; elsewhere they are only gathered.

    Returns
    -------
    ndarray of shapely.MultiPolygon, shape (groups,)
        Empty where a group has no band.
    """
    wide = np.asarray(half_width_m) > 0
    apart, close = (np.flatnonzero(wide & (united[group] == value)) for value in (False, True))
    out = _gathered(_ribbons(lines[apart], half_width_m[apart])[0], group[apart], groups)
    outlines = band_outlines(lines[close], half_width_m[close])
    for number in np.unique(group[close]):
        out[number] = _as_multi(shapely.union_all(outlines[group[close] == number]))
    return out


def _gathered(shapes: np.ndarray, group: np.ndarray, groups: int) -> np.ndarray:
    out = np.full(groups, shapely.MultiPolygon(), object)
    if len(shapes):
        order = np.argsort(group, kind="stable")
        filled, dense = np.unique(group[order], return_inverse=True)
        out[filled] = shapely.multipolygons(shapes[order], indices=dense.ravel())
    return out


def _ribbons(lines: np.ndarray, half_width_m: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Polygons from the mitre points on both sides, and which lines turn too sharply for that."""
    if len(lines) == 0:
        return np.zeros(0, object), np.zeros(0, bool)
    xy, owner = shapely.get_coordinates(lines, return_index=True)
    mitre, turn_cos = _mitres(xy, owner)
    aside = mitre * half_width_m[owner][:, None]
    count = np.bincount(owner, minlength=len(lines))
    first = np.cumsum(count) - count
    step = np.arange(len(xy)) - first[owner]
    ring = np.empty((2 * len(xy), 2))
    ring[2 * first[owner] + step] = xy + aside
    ring[2 * first[owner] + 2 * count[owner] - 1 - step] = xy - aside
    shapes = shapely.polygons(shapely.linearrings(ring, indices=np.repeat(np.arange(len(lines)), 2 * count)))
    sharp = np.zeros(len(lines), bool)
    sharp[owner[turn_cos < SHARPEST_TURN_COS]] = True
    return shapes, sharp


def _mitres(xy: np.ndarray, owner: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Vector to the left mitre point of each vertex for a half width of 1, and the cosine of its turn."""
    along = np.diff(xy, axis=0)
    along /= np.maximum(np.hypot(along[:, 0], along[:, 1]), 1e-300)[:, None]
    same = owner[1:] == owner[:-1]
    left = np.column_stack([-along[:, 1], along[:, 0]])
    before, after = np.zeros_like(xy), np.zeros_like(xy)
    before[1:][same], after[:-1][same] = left[same], left[same]
    begins, ends = ~np.append(False, same), ~np.append(same, False)
    before[begins], after[ends] = after[begins], before[ends]
    turn_cos = (before * after).sum(axis=1)
    return (before + after) / np.maximum(1.0 + turn_cos, 1e-9)[:, None], turn_cos


def _as_multi(shape: shapely.Geometry) -> shapely.MultiPolygon:
    return shapely.MultiPolygon([part for part in shapely.get_parts(shape) if part.geom_type == "Polygon"])
