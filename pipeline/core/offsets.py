"""Signed offsets of planted rows from their strips, exact and piecewise linear along each row.

The offset of a point from a strip segment is its distance from the segment's line, positive to the left of
the strip's travel. Along a straight planted segment it is linear, so a row falls into *spans*, each with one
strip segment, one unit normal and two end offsets. Nothing is sampled.
"""

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, fields

import numba
import numpy as np

from pipeline.core.cells import Cells, cell_range, first_shared_cell
from pipeline.core.headings import CROSSING_ANGLE_DEG
from pipeline.core.kernels import THREADS, sort_first
from pipeline.core.segments import Segments
from pipeline.errors import InputError

ON_STRIP, CROSSING, NO_STRIP = 0, 1, 2
CELL_M = 2.0
# Spans shorter than this are rounding, not ground.
_SLIVER_M = 1e-9
# So many pieces of strip beside one place are strips that lie on one another.
_MOST_AT_A_PLACE = 256
# Room for the pieces beside one planted segment, and for cuts through it. Finely drawn strips need more, and get it.
_CANDIDATES, _CUTS = 256, 2048
_SEGMENTS_AT_ONCE = 32768
# What a kernel may lack, beside room for spans.
_NOTHING, _MORE_CANDIDATES, _MORE_CUTS, _CROWDED = 0, 1, 2, 3


class CrowdedError(InputError):
    """More strips lie on one another beside one place than any field has.

    Attributes
    ----------
    line : int
        Index of the planted line.
    """

    def __init__(self, line: int):
        super().__init__(
            f"more than {_MOST_AT_A_PLACE} pieces of strip lie within half a row spacing of one place on it; expected "
            "strips side by side, take away passes that lie on one another"
        )
        self.line = line


@dataclass(frozen=True)
class Spans:
    """Pieces of planted row with one strip segment each; all arrays have shape (n,).

    Attributes
    ----------
    row, strip : ndarray of int32
        Index of the planted line and of its strip line (-1 where there is none).
    kind : ndarray of uint8
        ON_STRIP, CROSSING or NO_STRIP.
    start_m, end_m : ndarray
        Distance along the planted line [m].
    offset0_m, offset1_m : ndarray
        Signed offset at start and end, positive left of the strip's travel [m].
    normal_x, normal_y : ndarray
        Unit left normal of the strip (east, north).
    heading : ndarray of int8
        +1 where the planter travels as the strip did, -1 where against it, 0 without a strip.
    """

    row: np.ndarray
    strip: np.ndarray
    kind: np.ndarray
    start_m: np.ndarray
    end_m: np.ndarray
    offset0_m: np.ndarray
    offset1_m: np.ndarray
    normal_x: np.ndarray
    normal_y: np.ndarray
    heading: np.ndarray

    @property
    def length_m(self) -> np.ndarray:
        """Length of each span [m], shape (n,)."""
        return self.end_m - self.start_m

    def take(self, which: np.ndarray | slice) -> "Spans":
        """The spans at an index, mask or slice."""
        return Spans(**{f.name: getattr(self, f.name)[which] for f in fields(self)})


def measure_offsets(
    rows: Segments,
    strips: Segments,
    *,
    reach_m: np.ndarray,
    row_key: np.ndarray | None = None,
    strip_key: np.ndarray | None = None,
) -> Spans:
    """Offsets of planted rows from the nearest strip that runs their way.

    Parameters
    ----------
    rows, strips : Segments
        Planted lines and strip centre lines in one metric frame.
    reach_m : ndarray, shape (number of planted lines,)
        Beyond this offset there is no strip, usually half the row spacing [m].
    row_key, strip_key : ndarray of int64, optional
        Where given, a planted line only meets strips with the same key (identity from pass numbers).

    Returns
    -------
    Spans
        In the order of the planted lines; their lengths add up to the length of the rows.

    Raises
    ------
    CrowdedError
        If more strips lie on one another at one place than any field has.

    Notes
    -----
    A strip within 20 degrees of the row is preferred to one that crosses it, however near that is: an
    interior row that runs out over headland strips stands on its own strip for as long as that lasts.
    """
    if row_key is None or strip_key is None:
        row_key = np.full(len(reach_m), -1, np.int64)
        strip_key = np.full(int(strips.line.max(initial=-1)) + 1, -1, np.int64)
    with ThreadPoolExecutor(THREADS) as pool:
        indexing = pool.submit(Cells.over, strips.xy, size=CELL_M)
        normals, planes, cells = strips.left_normals(), strips.corner_normals(), indexing.result()
    fixed = (
        strips.xy, strips.line, normals, planes, reach_m, row_key, strip_key,
        cells.first, cells.members, cells.x0, cells.y0, cells.per_m, cells.nx, cells.ny,
        np.cos(np.radians(CROSSING_ANGLE_DEG)),
    )  # fmt: skip

    def part(first: int) -> list[np.ndarray]:
        some = slice(first, first + _SEGMENTS_AT_ONCE)
        return _spans_of(rows.xy[some], rows.line[some], rows.start_m[some], fixed)

    # Segments stand alone, so parts are measured side by side; their order is kept.
    with ThreadPoolExecutor(THREADS) as pool:
        parts = list(pool.map(part, range(0, max(len(rows.xy), 1), _SEGMENTS_AT_ONCE)))
        columns = [list(column) for column in zip(*parts, strict=True)]
        del parts
        return Spans(*pool.map(_joined, columns))


def _joined(parts: list[np.ndarray]) -> np.ndarray:
    """One array of some, which are let go: not all columns of a large field lie in memory twice."""
    whole = np.concatenate(parts)
    parts.clear()
    return whole


def _spans_of(xy: np.ndarray, line: np.ndarray, start_m: np.ndarray, fixed: tuple) -> list[np.ndarray]:
    """Columns of the spans of some planted segments."""
    room, candidates, cuts = 3 * len(xy) + 1024, _CANDIDATES, _CUTS
    while True:
        count, lacks, *columns = _spans(*(xy, line, start_m, *fixed, room, candidates, cuts))
        if lacks == _CROWDED:
            raise CrowdedError(count)
        if lacks == _MORE_CANDIDATES:
            candidates *= 4
        elif lacks == _MORE_CUTS:
            cuts *= 4
        elif count <= room:
            # Views: of the room that was not written to there is no memory yet.
            return [column[:count] for column in columns]
        else:
            room = 2 * count


@numba.njit(cache=True)
def _clip(f0, f1, t0, t1):
    """Part of [t0, t1] on which a linear function with ends f0 (t=0) and f1 (t=1) is not negative."""
    slope = f1 - f0
    if slope == 0.0:
        return (t0, t1) if f0 >= 0.0 else (1.0, 0.0)
    cut = -f0 / slope
    if slope > 0.0:
        return max(t0, cut), t1
    return t0, min(t1, cut)


@numba.njit(cache=True)
def _abreast(rows, i, strips, k, planes, o0, o1, reach, iv, m):
    """Put the interval of planted segment i beside strip segment k and its end offsets `o0` and `o1` into iv[m].

    False where no part of it lies within `reach` and between the planes at the segment's ends.
    """
    # Numbers, not views of lines: making a view costs more than all that is done with it.
    ax, ay, bx, by = rows[i, 0], rows[i, 1], rows[i, 2], rows[i, 3]
    before0 = planes[k, 0] * (ax - strips[k, 0]) + planes[k, 1] * (ay - strips[k, 1])
    before1 = planes[k, 0] * (bx - strips[k, 0]) + planes[k, 1] * (by - strips[k, 1])
    after0 = planes[k, 2] * (strips[k, 2] - ax) + planes[k, 3] * (strips[k, 3] - ay)
    after1 = planes[k, 2] * (strips[k, 2] - bx) + planes[k, 3] * (strips[k, 3] - by)
    if max(before0, before1) <= 0.0 or max(after0, after1) <= 0.0:
        return False
    t0, t1 = _clip(before0, before1, 0.0, 1.0)
    t0, t1 = _clip(after0, after1, t0, t1)
    t0, t1 = _clip(reach - o0, reach - o1, t0, t1)
    t0, t1 = _clip(reach + o0, reach + o1, t0, t1)
    iv[m, 0], iv[m, 1], iv[m, 2], iv[m, 3] = t0, t1, o0, o1
    return t0 < t1


@numba.njit(cache=True)
def _best(t, m, iv, crossing):
    """The aligned candidate with the smallest offset at t; -1 none; -2 only crossing ones."""
    best, least, crosses = -1, np.inf, False
    for k in range(m):
        if iv[k, 0] <= t <= iv[k, 1]:
            if crossing[k]:
                crosses = True
            else:
                offset = abs(iv[k, 2] + t * (iv[k, 3] - iv[k, 2]))
                if offset < least:
                    best, least = k, offset
    return -2 if best < 0 and crosses else best


@numba.njit(cache=True)
def _add_cuts(m, iv, cuts):
    """Ends of the candidates' intervals and the places where two offsets are equally far, sorted.

    Returns how many there are; more than the room of `cuts`, and these are neither all there nor sorted.
    """
    n = 2
    cuts[0], cuts[1] = 0.0, 1.0
    for k in range(m):
        for t in (iv[k, 0], iv[k, 1]):
            if 0.0 < t < 1.0:
                if n < len(cuts):
                    cuts[n] = t
                n += 1
        for j in range(k):
            low, high = max(iv[k, 0], iv[j, 0]), min(iv[k, 1], iv[j, 1])
            if low >= high:
                continue
            for sign in (-1.0, 1.0):
                gap0 = iv[k, 2] + sign * iv[j, 2]
                gap1 = iv[k, 3] + sign * iv[j, 3]
                if gap0 != gap1:
                    t = gap0 / (gap0 - gap1)
                    if low < t < high:
                        if n < len(cuts):
                            cuts[n] = t
                        n += 1
    if n <= _CUTS:
        sort_first(cuts, n)
    elif n <= len(cuts):
        cuts[:n].sort()
    return n


@numba.njit(cache=True)
def _most_at_a_place(m, iv):
    """Largest number of candidates that lie beside one place of a planted segment."""
    most = 0
    for k in range(m):
        beside = 0
        for j in range(m):
            beside += iv[j, 0] <= iv[k, 0] < iv[j, 1]
        most = max(most, beside)
    return most


@numba.njit(cache=True, nogil=True)
def _spans(
    rows, row_line, row_start, strips, strip_line, normals, planes, reach, row_key, strip_key,
    first, members, x0, y0, per_m, nx_cells, ny_cells, cos_limit, room, candidates, most_cuts,
):  # fmt: skip
    line, strip = np.empty(room, np.int32), np.empty(room, np.int32)
    kind, heading = np.empty(room, np.uint8), np.empty(room, np.int8)
    start, end = np.empty(room), np.empty(room)
    off0, off1, nrm_x, nrm_y = np.empty(room), np.empty(room), np.empty(room), np.empty(room)
    iv = np.empty((candidates + 1, 4))
    seg, crossing = np.empty(candidates, np.int64), np.empty(candidates, np.bool_)
    dots, cuts = np.empty(candidates), np.empty(most_cuts)
    n, lacks = 0, _NOTHING
    for i in range(len(rows)):
        ax, ay, bx, by = rows[i, 0], rows[i, 1], rows[i, 2], rows[i, 3]
        far, own = reach[row_line[i]], row_key[row_line[i]]
        ux, uy = bx - ax, by - ay
        length = np.sqrt(ux * ux + uy * uy)
        ix0, ix1 = cell_range(min(ax, bx) - far, max(ax, bx) + far, x0, per_m, nx_cells)
        iy0, iy1 = cell_range(min(ay, by) - far, max(ay, by) + far, y0, per_m, ny_cells)
        m = 0
        for iy in range(iy0, iy1 + 1):
            for ix in range(ix0, ix1 + 1):
                for q in range(first[iy * nx_cells + ix], first[iy * nx_cells + ix + 1]):
                    k = members[q]
                    # The cheapest question first: most of what the index finds falls out here.
                    o0 = normals[k, 0] * (ax - strips[k, 0]) + normals[k, 1] * (ay - strips[k, 1])
                    o1 = o0 + normals[k, 0] * ux + normals[k, 1] * uy
                    if min(o0, o1) > far or max(o0, o1) < -far:
                        continue
                    if not first_shared_cell(strips, k, ix, iy, ix0, iy0, x0, y0, per_m):
                        continue
                    if own >= 0 and strip_key[strip_line[k]] != own:
                        continue
                    if not _abreast(rows, i, strips, k, planes, o0, o1, far, iv, m):
                        continue
                    if m == candidates:
                        lacks = _MORE_CANDIDATES
                        break
                    seg[m], dots[m] = k, (ux * normals[k, 1] - uy * normals[k, 0]) / length
                    crossing[m] = abs(dots[m]) < cos_limit
                    m += 1
        if m > _MOST_AT_A_PLACE and _most_at_a_place(m, iv) > _MOST_AT_A_PLACE:
            n, lacks = row_line[i], _CROWDED
        if lacks != _NOTHING:
            break
        cut_count = _add_cuts(m, iv, cuts)
        if cut_count > most_cuts:
            lacks = _MORE_CUTS
            break
        before = -9
        for c in range(cut_count - 1):
            t0, t1 = cuts[c], cuts[c + 1]
            if (t1 - t0) * length <= _SLIVER_M and cut_count > 2:
                continue
            b = _best(0.5 * (t0 + t1), m, iv, crossing)
            if b == before:
                if n <= room:
                    end[n - 1] = row_start[i] + t1 * length
                    if b >= 0:
                        off1[n - 1] = iv[b, 2] + t1 * (iv[b, 3] - iv[b, 2])
                continue
            before = b
            if n < room:
                line[n], start[n], end[n] = row_line[i], row_start[i] + t0 * length, row_start[i] + t1 * length
                strip[n], heading[n], off0[n], off1[n], nrm_x[n], nrm_y[n] = -1, 0, 0.0, 0.0, 0.0, 0.0
                kind[n] = CROSSING if b == -2 else NO_STRIP
                if b >= 0:
                    kind[n], strip[n] = ON_STRIP, strip_line[seg[b]]
                    heading[n] = 1 if dots[b] > 0 else -1
                    off0[n] = iv[b, 2] + t0 * (iv[b, 3] - iv[b, 2])
                    off1[n] = iv[b, 2] + t1 * (iv[b, 3] - iv[b, 2])
                    nrm_x[n], nrm_y[n] = normals[seg[b], 0], normals[seg[b], 1]
            n += 1
    return n, lacks, line, strip, kind, start, end, off0, off1, nrm_x, nrm_y, heading
