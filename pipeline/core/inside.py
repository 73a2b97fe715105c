"""Where lines lie inside an area, by distances along them: also of lines that run over themselves."""

import numpy as np
import shapely

# Stretches of a line nearer than this share of its length are not apart: distances along it are sums.
_ROUNDING = 1e-12


def stretches_inside(line: shapely.LineString, area: shapely.Geometry) -> np.ndarray:
    """Stretches of a line inside an area.

    Parameters
    ----------
    line : shapely.LineString
    area : shapely.Polygon or MultiPolygon
        In the same plane.

    Returns
    -------
    ndarray, shape (n, 2)
        Distances along the line at which each begins and ends, ascending.

    Notes
    -----
    The line is cut segment by segment: an intersection of the whole counts ground once that is driven twice, and
    breaks the line where it crosses itself.
    """
    xy = shapely.get_coordinates(line)
    length = np.hypot(*np.diff(xy, axis=0).T)
    begins = np.cumsum(length) - length
    segments = shapely.linestrings(np.stack([xy[:-1], xy[1:]], axis=1))
    parts, owner = shapely.get_parts(shapely.intersection(segments, area), return_index=True)
    lines = (shapely.get_type_id(parts) == 1) & ~shapely.is_empty(parts)
    parts, owner = parts[lines], owner[lines]
    ends = [np.hypot(*(shapely.get_coordinates(shapely.get_point(parts, k)) - xy[owner]).T) for k in (0, -1)]
    return _joined(*(begins[owner] + one(*ends) for one in (np.minimum, np.maximum)), near=_ROUNDING * begins[-1])


def _joined(first: np.ndarray, last: np.ndarray, *, near: float) -> np.ndarray:
    """Stretches with those that touch made one: where a line has a vertex, it does not leave its area."""
    order = np.lexsort((last, first))
    first, last = first[order], last[order]
    anew = np.append(True, first[1:] > last[:-1] + near)[: len(first)]
    return np.stack([first[anew], last[np.append(anew[1:], True)[: len(first)]]], axis=1)
