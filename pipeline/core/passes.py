"""From implement passes to the lines of their row units.

A row unit runs at a fixed distance beside the centre line, along its normal. Each segment is moved sideways and
neighbours meet on the bisector of the bend (the mitre), which is exact for straight and curved passes and for
sparse and dense logs alike. On the inside of a bend tighter than the implement the moved line folds back over
itself; the fold is cut out, and the pass is marked.
"""

import numpy as np
import shapely

from pipeline.core.cut import cut_lines
from pipeline.core.inside import stretches_inside
from pipeline.core.line_ends import CUT_TURNS, without_turned_ends

# Bends up to this angle are mitred; sharper corners, which no implement drives, get two points (a bevel) on their outside.
MITRE_LIMIT_DEG = 60.0
# Beyond this angle a pass comes back beside itself: both ways are driven, and the inside is not cut either.
WAY_BACK_DEG = 135.0
# Vertices as near to one another are one place: there is no direction from one to the other [m].
_SAME_PLACE_M = 1e-6
# A place as near to a boundary lies on it but for rounding [m].
_ON_BOUNDARY_M = 1e-6


def unit_distances(row_count: int, row_spacing_m: float) -> np.ndarray:
    """Distances of the row units from the centre line, left positive, left to right [m], shape (row_count,)."""
    return (0.5 * (row_count - 1) - np.arange(row_count)) * row_spacing_m


def beside(line: shapely.LineString, distances_m: np.ndarray) -> tuple[np.ndarray, bool]:
    """Lines beside a centre line.

    Parameters
    ----------
    line : shapely.LineString
        Centre line in metric coordinates [m].
    distances_m : ndarray, shape (k,)
        Distances along the left normal [m]; negative to the right.

    Returns
    -------
    lines : ndarray of LineString or MultiLineString, shape (k,)
        In the direction of the centre line, without repeated points.
    tight : bool
        Whether some bend is tighter than the implement, so that a line was cut.
    """
    xy, distances_m = shapely.get_coordinates(_without_repeats(line)), np.asarray(distances_m, float)
    base, push = _corners(xy)
    raw = base[None, :, :] + distances_m[:, None, None] * push[None, :, :]
    cut = _cut_inside_corners(xy, distances_m, raw)
    lines = shapely.linestrings(raw)
    folded = _folds(base, raw)
    for k in np.flatnonzero(folded):
        lines[k] = _without_folds(lines[k], line, abs(float(distances_m[k])))
    # Beside the line itself the two points of a sharp corner are one, and inside a bend any number of them may be.
    return _without_repeats(lines), cut or bool(folded.any())


def _without_repeats(lines):
    return shapely.remove_repeated_points(lines, _SAME_PLACE_M)


def _corners(xy: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Points to move, and the move for a distance of one: mitred vertices, sharp ones twice."""
    normal, mitre, cosine, _ = _bends(xy)
    sharp = cosine < np.cos(np.radians(MITRE_LIMIT_DEG))
    before, after = np.vstack([normal[:1], mitre, normal[-1:]]), np.vstack([normal[:1], mitre, normal[-1:]])
    before[1:-1][sharp], after[1:-1][sharp] = normal[:-1][sharp], normal[1:][sharp]
    twice = np.concatenate([[1], np.where(sharp, 2, 1), [1]])
    push = np.repeat(before, twice, axis=0)
    last = np.cumsum(twice) - 1
    push[last] = after
    return np.repeat(xy, twice, axis=0), push


def _bends(xy: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Left normals of the segments; of the bends between them the mitre and the cosine; the segments' lengths."""
    step = np.diff(xy, axis=0)
    size = np.hypot(step[:, 0], step[:, 1])
    along = step / np.where(size > 0.0, size, 1.0)[:, None]  # a line without length goes nowhere, and is not moved
    normal = np.column_stack([-along[:, 1], along[:, 0]])
    # cos of the bend between neighbouring segments; 1 + cos = 2 cos^2(half)
    cosine = (normal[1:] * normal[:-1]).sum(axis=1)
    return normal, (normal[1:] + normal[:-1]) / np.maximum(1.0 + cosine, 1e-12)[:, None], cosine, size


def _cut_inside_corners(xy: np.ndarray, distances_m: np.ndarray, raw: np.ndarray) -> bool:
    """Make both points that `raw` has inside a sharp corner the one where the moved legs meet; whether any were.

    Only where the legs are long enough to meet: of a jog, or of points that err at a standstill, they are not.
    """
    normal, mitre, cosine, size = _bends(xy)
    sharp = cosine < np.cos(np.radians(MITRE_LIMIT_DEG))
    if not sharp.any():
        return False
    turn = normal[:-1, 0] * normal[1:, 1] - normal[:-1, 1] * normal[1:, 0]  # sine of the bend, to the left positive
    inside = (distances_m[:, None] * turn > 0.0) & (cosine >= np.cos(np.radians(WAY_BACK_DEG)))
    # tan of half the bend, times the distance: so much of each leg lies beyond the place where they meet.
    beyond = np.where(inside, np.abs(distances_m[:, None] * turn) / np.maximum(1.0 + cosine, 1e-12), 0.0)
    ends = np.pad(beyond, ((0, 0), (1, 1)))
    long = ends[:, :-1] + ends[:, 1:] <= size
    unit, corner = np.nonzero(inside & sharp & long[:, :-1] & long[:, 1:])
    first = corner + 1 + (np.cumsum(sharp) - sharp)[corner]
    raw[unit, first] = raw[unit, first + 1] = xy[corner + 1] + distances_m[unit, None] * mitre[corner]
    return len(unit) > 0


def _folds(base: np.ndarray, raw: np.ndarray) -> np.ndarray:
    """Which moved lines run backwards somewhere, shape (k,)."""
    forward = np.diff(base, axis=0)
    moved = np.diff(raw, axis=1)
    return ((moved * forward[None]).sum(axis=2) < -1e-9).any(axis=1)


def _without_folds(moved: shapely.Geometry, centre: shapely.LineString, distance_m: float) -> shapely.Geometry:
    """Keep what is not nearer to the centre line than the row unit runs, in the direction of travel."""
    parts = shapely.get_parts(shapely.node(moved))
    middle = shapely.line_interpolate_point(parts, 0.5, normalized=True)
    # As `distance >= least`, but by an index: a stop in mid-pass has thousands of parts.
    least = distance_m * (1.0 - 1e-6) - 1e-6
    shapely.prepare(centre)
    keep = ~shapely.dwithin(centre, middle, np.nextafter(least, -np.inf))
    if not keep.any():  # the whole pass bends tighter than the implement: nothing may vanish, so it stays folded
        return moved
    kept = _directed(parts[keep], moved)
    return shapely.line_merge(shapely.multilinestrings(kept), directed=True)


def _directed(parts: np.ndarray, along: shapely.Geometry) -> np.ndarray:
    """Parts of a line turned to run as it does, in the order in which it passes them."""
    first = shapely.line_locate_point(along, shapely.get_point(parts, 0))
    second = shapely.line_locate_point(along, shapely.line_interpolate_point(parts, 1e-3, normalized=True))
    turned = np.where(second < first, shapely.reverse(parts), parts)
    return turned[np.argsort(np.minimum(first, second), kind="stable")]


def clip_lines(lines: np.ndarray, area: shapely.Geometry) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """The parts of lines inside an area, turned to run as they did.

    Parameters
    ----------
    lines : ndarray of LineString or MultiLineString, shape (k,)
    area : shapely Polygon or MultiPolygon

    Returns
    -------
    parts : ndarray of LineString, shape (n,)
        In the order of the lines, and along each.
    owner : ndarray of int, shape (n,)
        Index of the line each part is of.
    outside_m : ndarray, shape (k,)
        Length outside the area, and of turned ends that the cut left [m].
    """
    shapely.prepare(area)
    within = shapely.covers(area, lines)
    # An intersection of the whole line is many times faster, and right where the line does not run over itself.
    whole = ~within & shapely.is_simple(lines)
    cut = np.array(lines, object)
    cut[whole] = shapely.intersection(cut[whole], area)
    for k in np.flatnonzero(~within & ~whole):
        cut[k] = shapely.multilinestrings(_cut_inside(shapely.get_parts(cut[k]), area))
    parts, owner = shapely.get_parts(cut, return_index=True)
    linear = (shapely.get_type_id(parts) == 1) & ~shapely.is_empty(parts)  # a line outside leaves an empty one
    nested = shapely.get_type_id(parts) >= 4
    if nested.any():
        inner, index = shapely.get_parts(parts[nested], return_index=True)
        owner = np.concatenate([owner[linear], owner[nested][index][shapely.get_type_id(inner) == 1]])
        parts = np.concatenate([parts[linear], inner[shapely.get_type_id(inner) == 1]])
    else:
        parts, owner = parts[linear], owner[linear]
    order = np.argsort(owner, kind="stable")
    parts, owner = parts[order], owner[order]
    for k in np.unique(owner[whole[owner]]):
        mine = owner == k
        parts[mine] = _directed(parts[mine], _as_one(lines[k]))
    # A vertex all but on the boundary leaves a last piece of a nanometre, whichever way rounding turns it.
    cut_off = ~within[owner]
    ends = np.stack([shapely.get_point(parts[cut_off], which) for which in (0, -1)], axis=1)
    by_cut = shapely.distance(ends, shapely.boundary(area)) < _ON_BOUNDARY_M
    parts[cut_off] = without_turned_ends(parts[cut_off], turns=CUT_TURNS, ends=by_cut)
    outside = shapely.length(lines) - np.bincount(owner, shapely.length(parts), len(lines))
    return parts, owner, np.maximum(outside, 0.0)


def _cut_inside(parts: np.ndarray, area: shapely.Geometry) -> np.ndarray:
    """What of the parts of one line lies inside, in their direction and order."""
    inside = [stretches_inside(part, area) for part in parts]
    ends = np.concatenate(inside)
    return cut_lines(parts, np.repeat(np.arange(len(parts)), list(map(len, inside))), ends[:, 0], ends[:, 1])


def _as_one(line: shapely.Geometry) -> shapely.Geometry:
    """One LineString through all parts, so that places can be ordered along it."""
    return line if shapely.get_type_id(line) == 1 else shapely.linestrings(shapely.get_coordinates(line))
