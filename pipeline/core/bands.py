"""Hold and reach bands: strips narrowed and widened by a tier's error, as polygons."""

from dataclasses import dataclass

import numpy as np
import shapely

# Strip lines are thinned by this much before bands are drawn round them: bands are for the map, figures
# come from the exact offsets.
THIN_M = 0.02
# Beyond this turn at one vertex a mitre grows long; such lines are left to GEOS.
SHARPEST_TURN_COS = 0.5
MITRE_LIMIT = 2.0


@dataclass(frozen=True)
class CentreLines:
    """Lines with what their bands of every width share; arrays of one value a vertex except where said.

    Attributes
    ----------
    lines : ndarray of shapely.LineString, shape (n,)
        Without repeated points.
    xy : ndarray, shape (vertices, 2)
    mitre : ndarray, shape (vertices, 2)
        To the mitre point on the left, for a half width of 1.
    owner : ndarray of int
        Line of each vertex.
    left, right : ndarray of int
        Where its mitre points stand in the rings of the bands, one ring behind the other.
    sharp : ndarray of bool, shape (n,)
        Lines that turn too sharply for mitres.
    """

    lines: np.ndarray
    xy: np.ndarray
    mitre: np.ndarray
    owner: np.ndarray
    left: np.ndarray
    right: np.ndarray
    sharp: np.ndarray

    @classmethod
    def of(cls, lines: np.ndarray) -> "CentreLines":
        """Of lines without repeated points, shape (n,)."""
        xy, owner = shapely.get_coordinates(lines, return_index=True)
        mitre, turn_cos = _mitres(xy, owner)
        count = np.bincount(owner, minlength=len(lines))
        first = (np.cumsum(count) - count)[owner]
        step = np.arange(len(xy)) - first
        sharp = np.zeros(len(lines), bool)
        sharp[owner[turn_cos < SHARPEST_TURN_COS]] = True
        return cls(lines, xy, mitre, owner, 2 * first + step, 2 * (first + count[owner]) - 1 - step, sharp)

    def ribbons(self, half_width_m: np.ndarray) -> np.ndarray:
        """Polygons from the mitre points on both sides, shape (n,), whether these loop or not."""
        aside = self.mitre * half_width_m[self.owner][:, None]
        ring, line = np.empty((2 * len(self.xy), 2)), np.empty(2 * len(self.xy), np.int64)
        ring[self.left], ring[self.right] = self.xy + aside, self.xy - aside
        line[self.left] = line[self.right] = self.owner
        return shapely.polygons(shapely.linearrings(ring, indices=line))


def thinned(lines: np.ndarray) -> np.ndarray:
    """Lines without the vertices that carry less than `THIN_M`, shape (n,)."""
    return shapely.simplify(shapely.remove_repeated_points(lines), THIN_M, preserve_topology=False)


def band_outlines(lines: CentreLines, half_width_m: np.ndarray, ribbons: np.ndarray, which: np.ndarray) -> np.ndarray:
    """Polygons round some of the lines: flat ends, mitred bends.

    Parameters
    ----------
    lines : CentreLines
    half_width_m : ndarray, shape (n,)
        Half width of each band [m]; positive where a line is asked for.
    ribbons : ndarray of shapely.Polygon, shape (n,)
        `lines.ribbons` of these half widths.
    which : ndarray of int
        Numbers of the lines that are asked for.

    Returns
    -------
    ndarray of shapely.Polygon or MultiPolygon, shape (n,)
        Empty where nothing is asked for.

    Notes
    -----
    Strips bend gently, so the mitre points of all vertices are computed at once; where that loops (a bend
    tighter than the band, a line that meets itself) the band is a GEOS buffer instead, with the same shape.
    """
    out = np.full(len(ribbons), shapely.Polygon(), object)
    out[which] = ribbons[which]
    bent = which[lines.sharp[which] | ~shapely.is_valid(ribbons[which])]
    out[bent] = shapely.buffer(
        lines.lines[bent], half_width_m[bent], cap_style="flat", join_style="mitre", mitre_limit=MITRE_LIMIT
    )
    return out


def meeting(lines: CentreLines, half_width_m: np.ndarray, group: np.ndarray, groups: int) -> np.ndarray:
    """Groups of lines in which a band loops, or two bands meet.

    Asked once of the widest bands: narrower ones round the same lines lie inside them, so that they neither loop
    nor meet where those do not. It is the test of validity that costs most of the drawing.

    Parameters
    ----------
    lines : CentreLines
    half_width_m : ndarray, shape (n,)
        Half width of each band [m]; nothing where it is not positive.
    group : ndarray of int, shape (n,)
    groups : int

    Returns
    -------
    ndarray of bool, shape (groups,)
    """
    out = np.zeros(groups, bool)
    wide = half_width_m > 0
    out[group[wide & lines.sharp]] = True
    return out | ~shapely.is_valid(_gathered(lines.ribbons(half_width_m)[wide], group[wide], groups))


def band_by_group(
    lines: CentreLines, half_width_m: np.ndarray, group: np.ndarray, groups: int, *, united: np.ndarray
) -> np.ndarray:
    """One MultiPolygon a group of lines.

    Parameters
    ----------
    lines : CentreLines
    half_width_m : ndarray, shape (n,)
        Half width of each band [m]; nothing where it is not positive.
    group : ndarray of int, shape (n,)
    groups : int
    united : ndarray of bool, shape (groups,)
        Where the bands of a group may loop or meet (`meeting`) and are united; elsewhere they are only gathered.

    Returns
    -------
    ndarray of shapely.MultiPolygon, shape (groups,)
        Empty where a group has no band.
    """
    wide = half_width_m > 0
    if not wide.any():
        return _gathered(np.zeros(0, object), group[wide], groups)
    ribbons = lines.ribbons(half_width_m)
    apart, close = (np.flatnonzero(wide & (united[group] == value)) for value in (False, True))
    out = _gathered(ribbons[apart], group[apart], groups)
    outlines = band_outlines(lines, half_width_m, ribbons, close)
    for number in np.unique(group[close]):
        out[number] = _as_multi(shapely.union_all(outlines[close[group[close] == number]]))
    return out


def _gathered(shapes: np.ndarray, group: np.ndarray, groups: int) -> np.ndarray:
    out = np.full(groups, shapely.MultiPolygon(), object)
    if len(shapes):
        order = np.argsort(group, kind="stable")
        filled, dense = np.unique(group[order], return_inverse=True)
        out[filled] = shapely.multipolygons(shapes[order], indices=dense.ravel())
    return out


def _mitres(xy: np.ndarray, owner: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Vector to the left mitre point of each vertex for a half width of 1, and the cosine of its turn."""
    along = np.diff(xy, axis=0)
    along /= np.maximum(np.hypot(along[:, 0], along[:, 1]), 1e-300)[:, None]
    same = owner[1:] == owner[:-1]
    left = np.column_stack([-along[:, 1], along[:, 0]])
    before, after = np.zeros_like(xy), np.zeros_like(xy)
    before[1:][same], after[:-1][same] = left[same], left[same]
    begins, ends = np.ones((2, len(xy)), bool)
    begins[1:], ends[:-1] = ~same, ~same
    before[begins], after[ends] = after[begins], before[ends]
    turn_cos = (before * after).sum(axis=1)
    return (before + after) / np.maximum(1.0 + turn_cos, 1e-9)[:, None], turn_cos


def _as_multi(shape: shapely.Geometry) -> shapely.MultiPolygon:
    parts = shapely.get_parts(shape)
    return shapely.multipolygons(parts[shapely.get_type_id(parts) == shapely.GeometryType.POLYGON])
