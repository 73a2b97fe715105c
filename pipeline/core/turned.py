"""Which passes of one number run against one another, judged where they lie beside one another.

Ends say nothing of that: a closed ring has none, those of an open one lie where it was begun, and two arcs of a ring
look to opposite sides.
"""

import numpy as np
import shapely

from pipeline.core.headings import ahead


def turned(strips: np.ndarray, rows: np.ndarray, *, width_m: float, reach_m: float) -> tuple[np.ndarray, np.ndarray]:
    """Whether each pass runs against the first strip pass.

    Parameters
    ----------
    strips, rows : ndarray of shapely.LineString, shape (strip passes,) and (planter passes,)
        Passes of one number, in one metric plane [m].
    width_m : float
        Width of a pass [m].
    reach_m : float
        Farthest that a planted row may lie from its strip [m].

    Returns
    -------
    tuple of ndarray of bool, shape (strip passes,) and (planter passes,)

    Notes
    -----
    Passes that lie beside none of the others are turned as it falls out: no row of theirs meets a strip.
    """
    alike = _runs_alike(strips, rows, width_m=width_m, reach_m=reach_m)
    none = [np.zeros((n, n)) for n in alike.shape]
    against = _signs(np.block([[none[0], alike], [alike.T, none[1]]])) < 0.0
    return against[: len(strips)], against[len(strips) :]


def _runs_alike(strips: np.ndarray, rows: np.ndarray, *, width_m: float, reach_m: float) -> np.ndarray:
    """How far each pair of passes runs the same way, negative the other way, shape (strip passes, planter passes) [m].

    The cosine of their directions at places along the planter pass, over the length that each stands for. It counts the
    less the farther off the strip pass is: the other side of a small ring is another place.
    """
    out = np.zeros((len(strips), len(rows)))
    tree = shapely.STRtree(strips)
    far_m = width_m + reach_m  # farther apart no unit of the one is in reach of a unit of the other
    for k, row in enumerate(rows):
        # So near one another that of the strips beside the pass only a short one is stepped over, and one farther off than
        # 0.86 of `far_m`; on a short pass eight.
        count = max(int(np.ceil(row.length / far_m)), 8)
        at = (np.arange(count) + 0.5) * (row.length / count)
        places = shapely.line_interpolate_point(row, at)
        place, strip = tree.query(places, predicate="dwithin", distance=far_m)
        near = strips[strip]
        there = shapely.line_locate_point(near, places[place])
        apart = shapely.distance(near, places[place]) / reach_m
        cosine = (ahead(near, there) * ahead(np.full(count, row), at)[place]).sum(axis=1)
        np.add.at(out[:, k], strip, row.length / count * cosine / (1.0 + apart**2) ** 2)
    return out


def _signs(alike: np.ndarray) -> np.ndarray:
    """Sign of each pass, 1 for the first, by how far each pair runs alike, (passes, passes): the surest one next."""
    sign, leaning = np.zeros(len(alike)), np.zeros(len(alike))
    for _ in range(len(alike)):
        surest = int(np.argmax(np.where(sign == 0.0, np.abs(leaning), -1.0)))
        sign[surest] = -1.0 if leaning[surest] < 0.0 else 1.0
        leaning = leaning + sign[surest] * alike[surest]
    return sign
