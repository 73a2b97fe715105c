"""Small invented fields of the demo's shapes: passes as they were laid, as layers, and as pieces of row for a referee.

A pass is a track with its left normals; a row unit runs at a fixed distance beside it along these. The strips of a bar
waver, the planter's lines do not. Nothing here asks the pipeline for anything.
"""

from dataclasses import dataclass, fields
from functools import cached_property

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from helpers import INCH, SPACING_M
from tracks import OVERSHOOT_M, across, contours, rings, serpentine, straight, wavering
from workflow import CRS, ORIGIN

HALF_WIDTH_M = 4 * INCH
MIDNIGHT = pd.Timestamp("2026-04-20T00:00:00Z")
LONGEST_PIECE_M = 3.0


@dataclass(frozen=True)
class Laid:
    """The passes of one operation: points (n, 2) and left normals of each track, row units, times [s]."""

    tracks: list[tuple[np.ndarray, np.ndarray]]
    row_count: int
    begun_s: np.ndarray
    ended_s: np.ndarray

    def centres(self) -> np.ndarray:
        """One centre line a pass."""
        return np.array([shapely.LineString(xy) for xy, _ in self.tracks], object)

    def units(self) -> tuple[np.ndarray, np.ndarray]:
        """Line of every row unit, and its pass."""
        beside = (np.arange(self.row_count) - 0.5 * (self.row_count - 1)) * SPACING_M
        lines = [shapely.LineString(xy + d * normal) for xy, normal in self.tracks for d in beside]
        return np.array(lines, object), np.repeat(np.arange(len(self.tracks)), self.row_count)

    def layer(self) -> gpd.GeoDataFrame:
        """The layer that a farmer would hand in, with times in UTC."""
        times = {name: MIDNIGHT + pd.to_timedelta(s, unit="s") for name, s in (("T0", self.begun_s), ("T1", self.ended_s))}
        shape = shapely.transform(self.centres(), lambda xy: xy + ORIGIN)
        number = [f"P{k}" for k in range(len(self.tracks))]
        return gpd.GeoDataFrame({"PASS": number} | times, geometry=shape, crs=CRS)

    @property
    def time_s(self) -> np.ndarray:
        return 0.5 * (self.begun_s + self.ended_s)


@dataclass(frozen=True)
class SmallField:
    """A boundary, strips and planter passes; whether receivers were switched on at the first pass."""

    boundary: shapely.Polygon
    strips: Laid
    rows: Laid
    correlation_s: float = 1800.0
    converging: bool = False

    @cached_property
    def pieces(self) -> "Pieces":
        return Pieces.of(self)


@dataclass(frozen=True)
class Pieces:
    """Straight pieces of planted row, each with its own strip beside it; arrays of shape (pieces,) except where said.

    `end_m` (pieces, 2, 2) are both ends, `left` (pieces, 2) the left normals of the planter's travel, `strip` the strip
    line, `strip_s` and `row_s` the times at which the strip and the row were laid there.
    """

    end_m: np.ndarray
    left: np.ndarray
    length_m: np.ndarray
    strip: np.ndarray
    strip_pass: np.ndarray
    row_pass: np.ndarray
    strip_s: np.ndarray
    row_s: np.ndarray
    strips: np.ndarray

    def take(self, which: np.ndarray) -> "Pieces":
        """Some of the pieces, on the same strips."""
        some = {f.name: getattr(self, f.name)[which] for f in fields(self) if f.name != "strips"}
        return Pieces(**some, strips=self.strips)

    @property
    def middle_m(self) -> np.ndarray:
        return self.end_m.mean(axis=1)

    @classmethod
    def of(cls, small: SmallField) -> "Pieces":
        """Rows inside the boundary, as far as a strip runs their way within half a row spacing."""
        strips, strip_pass = small.strips.units()
        rows, row_pass = small.rows.units()
        rows = shapely.intersection(rows, small.boundary)
        near = shapely.buffer(strips, 0.5 * SPACING_M, cap_style="flat")
        row, strip = shapely.STRtree(near).query(rows, predicate="intersects")
        beside = shapely.intersection(rows[row], near[strip])
        # A crossing row has but the strip's width beside it, a row in the next lane touches at most.
        own = shapely.length(beside) > 3 * SPACING_M
        parts, of = shapely.get_parts(shapely.segmentize(beside[own], LONGEST_PIECE_M), return_index=True)
        row, strip = row[own][of], strip[own][of]
        xy, line = shapely.get_coordinates(parts, return_index=True)
        joined = line[1:] == line[:-1]
        end, line = np.stack([xy[:-1], xy[1:]], axis=1)[joined], line[1:][joined]
        row, strip = row[line], strip[line]
        step = end[:, 1] - end[:, 0]
        # The boundary may have turned a line round: the planter's travel is that of its track.
        middle = shapely.points(end.mean(axis=1))
        at = [_at(laid, which, middle) for laid, which in ((small.strips, strip_pass[strip]), (small.rows, row_pass[row]))]
        ahead = _ahead(small.rows, row_pass[row], middle)
        length = np.hypot(*step.T)
        along = step / length[:, None] * np.sign((step * ahead).sum(axis=1))[:, None]
        left = np.column_stack([-along[:, 1], along[:, 0]])
        return cls(end, left, length, strip, strip_pass[strip], row_pass[row], *at, strips)


def _at(laid: Laid, which: np.ndarray, places: np.ndarray) -> np.ndarray:
    """Time at which a pass came by each place, at an even speed [s]."""
    share = shapely.line_locate_point(laid.centres()[which], places, normalized=True)
    return laid.begun_s[which] + share * (laid.ended_s - laid.begun_s)[which]


def _ahead(laid: Laid, which: np.ndarray, places: np.ndarray) -> np.ndarray:
    """Direction of a pass at each place, over a metre."""
    lines = laid.centres()[which]
    at = np.clip(shapely.line_locate_point(lines, places), 0.5, shapely.length(lines) - 0.5)
    ends = [shapely.get_coordinates(shapely.line_interpolate_point(lines, at + d)) for d in (-0.5, 0.5)]
    return ends[1] - ends[0]


def laid(tracks, *, rows: int, every_s: float, later_s=0.0, speed_m_s: float = 2.5) -> Laid:
    """Passes begun `every_s` one after the other, some `later_s`."""
    begun = 3600.0 + every_s * np.arange(len(tracks)) + later_s
    length = np.array([np.hypot(*np.diff(xy, axis=0).T).sum() for xy, _ in tracks])
    return Laid(tracks, rows, begun, begun + np.round(length / speed_m_s))


# --- the demo's shapes ---


def straight_field() -> SmallField:
    """Straight passes there and back; receivers were switched on at the first, and take ten minutes."""
    tracks = straight(8, rows=6, length_m=150.0)
    strips = laid(serpentine(wavering(tracks, seed=1)), rows=6, every_s=120.0)
    rows = laid(serpentine(tracks)[::-1], rows=6, every_s=120.0)
    return SmallField(shapely.box(0, 0, 150, 48 * SPACING_M), strips, rows, correlation_s=600.0, converging=True)


def pivot_field() -> SmallField:
    """Rings under a pivot; the bar took the wide ones in two arcs, the planter each in one."""
    radii = 50.0 - 6 * SPACING_M * (np.arange(5) + 0.5)
    bar = serpentine(wavering(rings(radii, split_above_m=40.0), seed=2))
    strips, rows = laid(bar, rows=6, every_s=500.0), laid(serpentine(rings(radii)), rows=6, every_s=800.0)
    return SmallField(shapely.Point(0, 0).buffer(50.0, quad_segs=60), strips, rows)


def contour_field() -> SmallField:
    """Contour passes; the bar made the last three a day later, the planter began at the far side."""
    tracks = contours(8, rows=6, length_m=180.0)
    later = 86_400.0 * (np.arange(8) >= 5)
    strips = laid(serpentine(wavering(tracks, seed=3)), rows=6, every_s=600.0, later_s=later)
    rows = laid(serpentine(tracks[::-1]), rows=6, every_s=700.0)
    return SmallField(shapely.box(0, -40, 180, 40), strips, rows)


def wide_planter_field() -> SmallField:
    """A bar of 12 rows, then a planter of 24."""
    bar = serpentine(wavering(straight(6, rows=12, length_m=120.0), seed=4))
    planter = serpentine(straight(3, rows=24, length_m=120.0))
    strips, rows = laid(bar, rows=12, every_s=600.0), laid(planter, rows=24, every_s=1500.0)
    return SmallField(shapely.box(0, 0, 120, 72 * SPACING_M), strips, rows)


def headland_field() -> SmallField:
    """Two end passes across at either end; the rows between run on over the first of them, and cross it.

    ::

        |  |------------|  |      | strips and rows of the ends
        |  |------------|  |      - strips between them; their rows are 8 m longer
    """
    length, wide, built = 150.0, 12 * SPACING_M, 36 * SPACING_M
    inner = straight(6, rows=6, length_m=length - 2 * wide - 2 * OVERSHOOT_M, x0_m=wide + OVERSHOOT_M)
    longer = straight(6, rows=6, length_m=length - 2 * wide, x0_m=wide)
    ends = across([*straight(2, rows=6, length_m=built), *straight(2, rows=6, length_m=built, first_m=length - wide)])
    bar = [*serpentine(wavering(ends, seed=5)), *serpentine(wavering(inner, seed=6))]
    strips = laid(bar, rows=6, every_s=500.0)
    rows = laid([*serpentine(longer), *serpentine(ends)], rows=6, every_s=500.0)
    return SmallField(shapely.box(0, 0, length, built), strips, rows)


def two_headings_field(*, days: int) -> SmallField:
    """A block worked to the east, and one to the north; on a second day the planter did the last three passes."""
    east = straight(8, rows=6, length_m=120.0)
    north = across(straight(6, rows=6, length_m=110.0, first_m=123.0))
    bar = [*serpentine(wavering(east, seed=7)), *serpentine(wavering(north, seed=8))]
    strips, later = laid(bar, rows=6, every_s=600.0), 86_400.0 * (days - 1) * (np.arange(14) >= 11)
    # The planter goes as the bar did in the one block, and against it in the other.
    rows = laid([*serpentine(east), *serpentine(north[::-1])], rows=6, every_s=500.0, later_s=later)
    blocks = [shapely.box(0, 0, 120, 48 * SPACING_M), shapely.box(123, 0, 123 + 36 * SPACING_M, 110)]
    return SmallField(shapely.MultiPolygon(blocks), strips, rows)


SHAPES = {
    "straight": straight_field, "pivot": pivot_field, "contour": contour_field,
    "wide planter": wide_planter_field, "headland": headland_field,
}  # fmt: skip
