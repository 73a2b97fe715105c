"""Lines shared out among areas: which part of a pass belongs to which field."""

from dataclasses import dataclass

import numpy as np
import shapely

from pipeline.core.inside import stretches_inside

# Places nearer than this share of a line's length are one: distances along it are sums.
_SAME_PLACE = 1e-9


@dataclass(frozen=True)
class Portions:
    """What lines fall into, in order along each line; arrays of shape (n,).

    Attributes
    ----------
    line, area : ndarray of int
    start, end : ndarray
        Distances along the line. The portions of a line cover the whole of it.
    """

    line: np.ndarray
    area: np.ndarray
    start: np.ndarray
    end: np.ndarray


def share_out(lines: np.ndarray, areas: np.ndarray, *, shortest: float) -> Portions:
    """Cut lines where they pass from one area into another.

    Parameters
    ----------
    lines : ndarray of shapely.LineString, shape (k,)
    areas : ndarray of shapely.Polygon or MultiPolygon, shape (m,)
        In the same plane.
    shortest : float
        A portion inside an area shorter than this is left to its neighbours: a pass along a common boundary
        strays over it without leaving its field. In units of the plane.

    Returns
    -------
    Portions
        What lies in no area goes with the portion before or after it, from the middle of the gap between two, and so
        does what lies in two areas; but a portion that lies as a whole inside another area's is that one's.
        A line that is nowhere inside for `shortest` goes as a whole to the area that holds most of it; one that
        only touches areas, or none, has no portion.
    """
    line, area = shapely.STRtree(areas).query(lines, predicate="intersects")
    order = np.lexsort([line])
    line, area = line[order], area[order]
    length = shapely.length(lines)
    shapely.prepare(areas)
    # A predicate is exact, where an intersection of a whole line that runs over itself may lose a piece.
    held = ~shapely.touches(areas[area], lines[line]) & (length[line] > 0)
    held[~held] = shapely.length(shapely.intersection(lines[line[~held]], areas[area[~held]])) > 0
    line, area = line[held], area[held]
    single = np.bincount(line, minlength=len(lines))[line] == 1
    # These go there as they are, and there are many of them.
    rows = np.stack([line[single], np.zeros(single.sum()), length[line[single]], area[single]], axis=1)
    split = [
        (k, *portion)
        for k in np.unique(line[~single])
        for portion in _covering(_within(lines[k], areas, area[line == k]), lines[k], shortest)
    ]
    table = np.concatenate([rows, np.array(split, float).reshape(-1, 4)])
    table = table[np.argsort(table[:, 0], kind="stable")]
    return Portions(table[:, 0].astype(np.int64), table[:, 3].astype(np.int64), table[:, 1], table[:, 2])


def _within(line: shapely.LineString, areas: np.ndarray, near: np.ndarray) -> list[tuple[float, float, int]]:
    """Portions (start, end, area) of one line inside each of the areas near it, sorted."""
    return sorted(
        (start, end, number) for number in near.tolist() for start, end in stretches_inside(line, areas[number]).tolist()
    )


def _covering(parts: list[tuple[float, float, int]], line: shapely.LineString, shortest: float) -> list[tuple]:
    """Portions that cover the whole line, from those that lie inside areas; the same whichever way it runs."""
    apart = _merged(_apart(parts, _SAME_PLACE * line.length))
    long_enough = _merged([part for part in apart if part[1] - part[0] >= shortest])
    if not long_enough:
        # Too short everywhere: the whole goes to the area that holds most of it.
        held: dict[int, float] = {}
        for start, end, area in apart:
            held[area] = held.get(area, 0.0) + end - start
        most = max(held, key=lambda area: (round(held[area] / line.length, 9), -area), default=-1)
        long_enough = [(0.0, 0.0, most)] if sum(held.values()) > 0 else []
    cuts = [0.5 * (a[1] + b[0]) for a, b in zip(long_enough[:-1], long_enough[1:], strict=True)]
    edges = [0.0, *cuts, float(line.length)]
    return [(edges[k], edges[k + 1], area) for k, (_, _, area) in enumerate(long_enough)]


def _apart(parts: list[tuple[float, float, int]], near: float) -> list[tuple[float, float, int]]:
    """Sorted portions without those inside another; where two overlap each ends in the middle of what both hold."""
    whole: list[tuple[float, float, int]] = []  # none inside another: so they end in the order in which they begin
    for part in parts:
        while whole and _inside(whole[-1], part, near):
            whole.pop()
        if not whole or not _inside(part, whole[-1], near):
            whole.append(part)
    pairs = zip(whole[:-1], whole[1:], strict=True)
    middle = [0.5 * (a[1] + b[0]) if a[1] > b[0] else None for a, b in pairs]
    return [
        (start if before is None else before, end if after is None else after, area)
        for (start, end, area), before, after in zip(whole, [None, *middle], [*middle, None], strict=False)
    ]


def _inside(part: tuple[float, float, int], other: tuple[float, float, int], near: float) -> bool:
    """Whether another area holds all of a portion; of two that hold the same, the first one keeps it."""
    within, around = (a[0] >= b[0] - near and a[1] <= b[1] + near for a, b in ((part, other), (other, part)))
    return within and (not around or other[2] < part[2])


def _merged(parts: list[tuple[float, float, int]]) -> list[tuple[float, float, int]]:
    """Portions in order, with neighbours of the same area made one."""
    out: list[tuple[float, float, int]] = []
    for start, end, area in parts:
        if out and out[-1][2] == area:
            out[-1] = (out[-1][0], end, area)
        else:
            out.append((start, end, area))
    return out
