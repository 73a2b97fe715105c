"""Lines cut where they pass from field to field, and from which share of each line's length to which its parts go."""

from dataclasses import dataclass

import numpy as np
import pandas as pd
import shapely

from pipeline.core.cut import before_in_owner, cut_lines
from pipeline.core.local import metres_per_unit
from pipeline.core.partition import Portions, share_out
from pipeline.files.blocks import blocks

# A pass that strays into the neighbour's field for less than this stays whole.
SHORTEST_PART_M = 5.0


@dataclass(frozen=True)
class Parts:
    """Parts of lines, a line's and a field's at most one; arrays of shape (n,).

    Attributes
    ----------
    shape : ndarray of LineString or MultiLineString
    share : ndarray, shape (n, 2)
        From which share of its line's length to which each goes.
    line, field : ndarray of int
    """

    shape: np.ndarray
    share: np.ndarray
    line: np.ndarray
    field: np.ndarray


def parts_in_fields(shape: np.ndarray, areas: np.ndarray, crs) -> Parts:
    """Parts of lines by field; lines in no field have none.

    Parameters
    ----------
    shape : ndarray of LineString or MultiLineString, shape (k,)
    areas : ndarray of Polygon or MultiPolygon, shape (m,)
        In the same CRS.
    crs : pyproj.CRS
    """
    shapely.prepare(areas)
    shortest = SHORTEST_PART_M / metres_per_unit(crs)
    parts = [Parts(np.zeros(0, object), np.zeros((0, 2)), np.zeros(0, np.int64), np.zeros(0, np.int64))]
    for first, block in blocks(shape):
        one = _parts_of_block(block, areas, shortest)
        parts.append(Parts(one.shape, one.share, one.line + first, one.field))
    return _joined(parts)


def _joined(parts: list[Parts]) -> Parts:
    """All of them, a line's by field."""
    every = Parts(*(np.concatenate([getattr(one, name) for one in parts]) for name in Parts.__dataclass_fields__))
    order = np.lexsort([every.field, every.line])
    return Parts(*(getattr(every, name)[order] for name in Parts.__dataclass_fields__))


def _parts_of_block(shape: np.ndarray, areas: np.ndarray, shortest: float) -> Parts:
    single, owner = shapely.get_parts(shape, return_index=True)
    plain = shapely.get_type_id(shape)[owner] == 1
    single[plain] = shape[owner[plain]]  # not the copies that were made of them
    found = share_out(single, areas, shortest=shortest)
    length = shapely.length(single)
    before = before_in_owner(length, owner)  # along the whole of a line of several parts
    total = np.maximum(np.bincount(owner, length, len(shape)), 1e-300)
    line = owner[found.line]
    start, end = ((before[found.line] + at) / total[line] for at in (found.start, found.end))
    cut = _cut(single, length, found)
    # Most lines are one part in one field: nothing to be joined, whatever lies in no field.
    lone = (np.bincount(line, minlength=len(shape)) == 1)[line] & (np.bincount(owner, minlength=len(shape)) == 1)[line]
    alone = Parts(cut[lone], np.stack([start[lone], end[lone]], axis=1), line[lone], found.area[lone])
    rest = pd.DataFrame({"line": line, "field": found.area})[~lone]
    shapes, shares, homes = [], [], []
    longest: dict[int, tuple[float, int]] = {}
    for (k, area), group in rest.groupby(["line", "field"], sort=True):
        members = group.index.to_numpy()
        longest[k] = max(longest.get(k, (0.0, -1)), (float(np.sum(end[members] - start[members])), len(shapes)))
        shapes.append(list(cut[members]))
        shares.append((start[members].min(), end[members].max()))
        homes.append((k, area))
    # A part of a line that lies in no field stays with the rest of it, and counts as outside.
    for part in np.setdiff1d(np.arange(len(single)), found.line) if longest else ():
        if owner[part] in longest:
            shapes[longest[owner[part]][1]].append(single[part])
    joined = np.empty(len(shapes), object)
    for k, pieces in enumerate(shapes):
        joined[k] = pieces[0] if len(pieces) == 1 else shapely.multilinestrings(pieces)
    joint = Parts(joined, np.array(shares).reshape(-1, 2), *np.array(homes, np.int64).reshape(-1, 2).T)
    return _joined([alone, joint])


def _cut(single: np.ndarray, length: np.ndarray, found: Portions) -> np.ndarray:
    """The portions' lines; one that is a whole line is that line and no copy of it, as most are."""
    out = single[found.line]
    part = (found.start > 0) | (found.end < length[found.line])
    out[part] = cut_lines(out[part], np.arange(part.sum()), found.start[part], found.end[part])
    return out
