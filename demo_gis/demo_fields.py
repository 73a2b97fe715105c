"""The eight invented fields: where each lies, its boundary, and the tracks of bar and planter in it."""

import math
from dataclasses import dataclass

import numpy as np
from demo_tracks import BAR_M, Track, across, contours, rings, straight
from shapely import Polygon, box

OVERSHOOT_M = 3.0
FRAME, EPOCH = "NAD83(2011)", 2010.0
SPRING_FRAME, SPRING_EPOCH = "ITRF2014", 2026.3
UNNAMED_IN = "QP03-contour"

CATTAIL = ("Cattail Bend Farm", "Member 1")
SANDREED = ("Sandreed Farm", "Member 2")
SLOUGH = ("Long Slough Farm", "Member 3")


@dataclass(frozen=True)
class DemoField:
    """One invented field; geometry in its own plane, placed at `origin_m` (grid) and turned by `heading_deg`."""

    field_id: str
    farm: tuple[str, str]
    origin_m: tuple[int, int]
    heading_deg: float
    boundary: Polygon
    bar: list[Track]
    planter: list[Track]
    days: tuple[int, int]  # day of October 2025, day of April 2026
    planter_rows: int = 12
    worked: Polygon | None = None  # where the bar went, if not in the whole field
    headland: tuple[Track, ...] = ()
    headland_area: Polygon | None = None
    lift_m: float = OVERSHOOT_M  # farthest the bar runs past the end of what it works
    spring_frame: tuple[str, float] = (FRAME, EPOCH)
    planter_from_far_side: bool = False


def demo_fields() -> list[DemoField]:
    """Return the eight fields; README.md says what is peculiar about each."""
    return [_quarter(), _pivot(), _contour(), _wide_planter(), _headland(), _far(), _frames(), _slough()]


def _quarter() -> DemoField:
    tracks = straight(804.672, count=88)
    square = box(0, 0, 804.672, 804.672)
    return DemoField("QP01-quarter", CATTAIL, (420000, 4691000), 0.0, square, tracks, tracks, (6, 20))


def _pivot() -> DemoField:
    angles = np.arange(240) * (2 * math.pi / 240)
    circle = Polygon(400.0 * np.column_stack([np.cos(angles), np.sin(angles)]))
    bar, planter = rings(399.9, split_above_m=220.0), rings(399.9)
    return DemoField("QP02-pivot", CATTAIL, (422500, 4691420), 14.0, circle, bar, planter, (7, 21))


def _contour() -> DemoField:
    outline = Polygon([(0, 0), (690, -20), (760, 250), (720, 560), (380, 600), (20, 540)])
    tracks = contours(760.0, middle_m=280.0, count=75)
    return DemoField(UNNAMED_IN, CATTAIL, (420500, 4689300), -8.0, outline, tracks, tracks, (8, 22),
                     planter_from_far_side=True)  # fmt: skip


def _wide_planter() -> DemoField:
    width_m = 54 * BAR_M
    bar, planter = straight(660.0, count=54), straight(660.0, count=27, width_m=2 * BAR_M)
    return DemoField("QP04-wide-planter", SANDREED, (430000, 4690500), 5.0, box(0, 0, 660, width_m), bar, planter,
                     (9, 20), planter_rows=24)  # fmt: skip


def _headland() -> DemoField:
    # rows run along x; the bar made two end passes at each end and never reached the last nine passes
    length_m, built_m, end_m = 620.0, 51 * BAR_M, 2 * BAR_M
    whole = straight(length_m, count=60)
    ends = straight(built_m, count=2) + straight(built_m, count=2, first_m=length_m - end_m)
    return DemoField("QP05-headland", SANDREED, (431500, 4688300), 91.0, box(0, 0, length_m, 60 * BAR_M),
                     whole[:51], whole, (10, 21), worked=box(end_m, 0, length_m - end_m, built_m),
                     headland=tuple(across(ends)), headland_area=box(0, 0, length_m, built_m), lift_m=0.8)  # fmt: skip


def _far() -> DemoField:
    outline = Polygon([(0, 0), (640, 0), (700, 530), (-40, 530)])
    tracks = straight(700.0, count=58)
    return DemoField("QP06-far", SLOUGH, (443100, 4688400), 23.0, outline, tracks, tracks, (13, 23))


def _frames() -> DemoField:
    tracks = straight(720.0, count=66)
    return DemoField("QP07-frames", SANDREED, (428200, 4688600), 37.0, box(0, 0, 720, 66 * BAR_M), tracks, tracks,
                     (14, 22), spring_frame=(SPRING_FRAME, SPRING_EPOCH), planter_from_far_side=True)  # fmt: skip


def _slough() -> DemoField:
    angles = np.arange(48) * (-2 * math.pi / 48)
    pond = np.column_stack([230 + 62 * np.cos(angles), 210 + 38 * np.sin(angles)])
    corner = [(0, 0), (800, 0), (800, 384), (470, 384), (470, 704), (0, 704)]
    tracks = straight(800.0, count=77)
    return DemoField(
        "QP08-slough", SLOUGH, (441900, 4689900), 90.0, Polygon(corner, [pond]), tracks, tracks, (15, 24)
    )
