"""Fields of an invented co-op: sizes, outlines and places, drawn one after the other for as many as are asked for.

Nothing about a field depends on how many come after it. Its size, outline and heading hang on the seed and its own
number; its place besides on the fields before it.
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import geopandas as gpd
import numpy as np
import pyogrio
import shapely
from scipy.special import ndtr, ndtri
from shapely import affinity

HECTARE_M2 = 10_000.0
# ASSUME: lognormal, cut at both ends; of these the mean is 20.0 ha, the median 14.5 ha, one in twenty above 56 ha.
LOG_MEDIAN_HA, LOG_SD, SMALLEST_HA, LARGEST_HA = 2.6711, 0.85, 1.0, 130.0
# Places in UTM zone 14N. 100 blocks hold some 5,000 fields, 400 some 20,000: 60 and 120 km across.
ORIGIN_M, BLOCK_M, LANE_M = (600_000.0, 4_600_000.0), 6_000.0, 25.0
# ASSUME: most fields lie along the lines of a land survey, the others as the ground has it.
SURVEYED_SHARE, SURVEYED_SD_DEG = 0.7, 2.0
CIRCLE_SHARE, NOTCH_SHARE, CUT_SHARE = 0.12, 0.2, 0.2
# Real parcels that are no slivers: 4 pi area / perimeter^2 is 1 of a circle, 0.785 of a square, 0.5 of 5 : 1.
SMALLEST_PARCEL_M2, LEAST_ROUND, MOST_VERTICES = 3_000.0, 0.5, 200
# Bends of an outline below this share of the field's width are no corners.
CORNER_SHARE = 0.03
SHAPE, WORK, FARM = 0, 1, 2


@dataclass(frozen=True)
class CoopField:
    """One invented field.

    Attributes
    ----------
    number : int
        From 0.
    outline : shapely.Polygon
        In the field's own plane, its longest side along x [m].
    heading_deg : float
        By which the plane is turned against the grid, counter-clockwise.
    origin_m : tuple of float
        Easting and northing of the plane's origin [m].
    block : tuple of int
        Column and row of the block that it lies in.
    """

    number: int
    outline: shapely.Polygon
    heading_deg: float
    origin_m: tuple[float, float] = (0.0, 0.0)
    block: tuple[int, int] = (0, 0)

    def to_grid(self, xy_m: np.ndarray) -> np.ndarray:
        """Easting and northing (n, 2) [m, to 1 mm] of points of the own plane."""
        cos, sin = math.cos(math.radians(self.heading_deg)), math.sin(math.radians(self.heading_deg))
        # Rounded before the large coordinates come to it, so that the last bit of a sine cannot reach a file.
        return np.round(np.round(xy_m @ np.array([[cos, sin], [-sin, cos]]), 3) + self.origin_m, 3)

    def boundary(self) -> shapely.Polygon:
        """The outline on the grid."""
        return shapely.transform(self.outline, self.to_grid)


@dataclass(frozen=True)
class Shelf:
    """Where the next field goes: blocks are filled by shelves from south to north, each from west to east [m]."""

    block: int = 0
    south_m: float = LANE_M
    deep_m: float = 0.0
    east_m: float = LANE_M

    def with_room(self, wide_m: float, high_m: float) -> "Shelf":
        """This shelf, the one north of it, or the first of the next block."""
        room_m = BLOCK_M - LANE_M
        if self.east_m + wide_m <= room_m and self.south_m + high_m <= room_m:
            return self
        north_m = self.south_m + self.deep_m + LANE_M
        if north_m + high_m <= room_m:
            return Shelf(self.block, north_m)
        return Shelf(self.block + 1)

    def after(self, wide_m: float, high_m: float) -> "Shelf":
        """The shelf once the field stands on it."""
        return replace(self, east_m=self.east_m + wide_m + LANE_M, deep_m=max(self.deep_m, high_m))


def drawing(seed: int, what: int, number: int) -> np.random.Generator:
    """Random numbers of one field (`SHAPE`, `WORK`) or one `FARM` alone."""
    return np.random.default_rng([seed, what, number])


def coop_fields(
    count: int, *, seed: int, parcels: Sequence[shapely.Polygon] = (), area: float = 1.0
) -> Iterator[CoopField]:  # fmt: skip
    """Yield the fields in order, boxes around them a lane apart.

    Parameters
    ----------
    count, seed : int
    parcels : sequence of shapely.Polygon
        Outlines to choose from, of any size (`real_outlines`); none: they are invented.
    area : float
        Areas are so many times as large.
    """
    shelf = Shelf()
    for number in range(count):
        field = _unplaced(number, seed=seed, parcels=parcels, area=area)
        west, south, east, north = field.boundary().bounds
        shelf = shelf.with_room(east - west, north - south)
        block = spiral(shelf.block)
        corner_m = np.add(ORIGIN_M, np.multiply(block, BLOCK_M)) + (shelf.east_m, shelf.south_m)
        yield replace(field, origin_m=tuple(np.round(corner_m - (west, south), 3).tolist()), block=block)
        shelf = shelf.after(east - west, north - south)


def spiral(number: int) -> tuple[int, int]:
    """Column and row of a cell on the square spiral around (0, 0), so that any number of them is nearly a square."""
    ring = math.ceil((math.sqrt(number + 1) - 1) / 2)
    side, back = 2 * ring, (2 * ring + 1) ** 2 - 1 - number  # steps back from the ring's last cell, in the south-east
    if back <= side:
        return ring - back, -ring
    if back <= 2 * side:
        return -ring, back - side - ring
    if back <= 3 * side:
        return back - 2 * side - ring, ring
    return ring, ring - (back - 3 * side)


def sizes_ha(chance: np.ndarray) -> np.ndarray:
    """Areas [ha] at these quantiles (0 to 1) of the sizes of fields."""
    low, high = (ndtr((math.log(end) - LOG_MEDIAN_HA) / LOG_SD) for end in (SMALLEST_HA, LARGEST_HA))
    return np.exp(LOG_MEDIAN_HA + LOG_SD * ndtri(low + (high - low) * np.asarray(chance)))


def real_outlines(path: Path) -> list[shapely.Polygon]:
    """The parcels of all layers of a file that are simple and no slivers, in metres.

    Parameters
    ----------
    path : Path
        Any vector file; a layer in degrees is laid out in its UTM zone.
    """
    found = []
    for layer in pyogrio.list_layers(path)[:, 0]:
        table = gpd.read_file(path, layer=layer)
        parts = table.geometry.to_crs(table.estimate_utm_crs()).force_2d().explode()
        found += [shape for shape in parts if _is_plain(shape)]
    return found


def _is_plain(shape: shapely.Geometry) -> bool:
    if shape.geom_type != "Polygon" or not shape.is_valid or len(shape.interiors) or shape.area < SMALLEST_PARCEL_M2:
        return False
    few = shapely.get_num_coordinates(shape) <= MOST_VERTICES
    return few and 4 * math.pi * shape.area / shape.length**2 >= LEAST_ROUND


def _unplaced(number: int, *, seed: int, parcels: Sequence[shapely.Polygon], area: float) -> CoopField:
    """A field at the plane's origin."""
    rng = drawing(seed, SHAPE, number)
    area_m2 = area * HECTARE_M2 * float(sizes_ha(rng.random()))
    shape = parcels[rng.integers(len(parcels))] if len(parcels) else _invented(rng)
    survey_deg = 90.0 * rng.integers(4) + rng.normal(0.0, SURVEYED_SD_DEG)
    heading_deg = survey_deg if rng.random() < SURVEYED_SHARE else rng.uniform(0.0, 360.0)
    return CoopField(number, _lengthwise(shape, area_m2=area_m2), heading_deg)


def _invented(rng: np.random.Generator) -> shapely.Polygon:
    """A circle, or a skewed rectangle, some with a notch or without a corner; about 1 across."""
    kind, long = rng.random(), rng.uniform(1.0, 2.5)
    if kind < CIRCLE_SHARE:
        return shapely.Point(0.0, 0.0).buffer(0.5, quad_segs=24)
    corners = np.array([[0.0, 0.0], [long, 0.0], [long, 1.0], [0.0, 1.0]])
    skewed = shapely.Polygon(corners + rng.uniform(-0.06, 0.06, (4, 2)))
    if kind < CIRCLE_SHARE + NOTCH_SHARE:  # as where a farmstead lies at the road
        west = rng.uniform(0.1, 0.6) * long
        return skewed.difference(shapely.box(west, -0.1, west + 0.25 * long, rng.uniform(0.15, 0.4)))
    if kind < CIRCLE_SHARE + NOTCH_SHARE + CUT_SHARE:  # as where a ditch or a railway cuts across
        cut = rng.uniform(0.25, 0.6, 2) * (long, 1.0)
        return skewed.difference(shapely.Polygon([(-0.1, -0.1), (cut[0], -0.1), (-0.1, cut[1])]))
    return skewed


def _lengthwise(shape: shapely.Polygon, *, area_m2: float) -> shapely.Polygon:
    """The shape in another size [m2], its middle at the origin, its longest side along x."""
    corners = shapely.get_coordinates(shape.simplify(CORNER_SHARE * math.sqrt(shape.area)))
    sides = np.diff(corners, axis=0)
    east, north = sides[np.hypot(*sides.T).argmax()]
    turned = affinity.rotate(shape, -math.degrees(math.atan2(north, east)), origin=(0.0, 0.0))
    scale = math.sqrt(area_m2 / shape.area)
    scaled = affinity.scale(turned, scale, scale, origin=(0.0, 0.0))
    middle = scaled.envelope.centroid
    return affinity.translate(scaled, -middle.x, -middle.y)
