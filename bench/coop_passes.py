"""What is done in an invented field: passes of bar and planter, their times, ground checks and tree belts."""

import math
from dataclasses import dataclass

import numpy as np
import shapely

from bench.coop_fields import FARM, CoopField, drawing
from bench.field import SPACING_M

FIELDS_PER_FARM = 25
ROW_COUNTS = (12, 16)
SHORTEST_M, VERTEX_M = 20.0, 25.0
WAVES, WAVES_M, WANDER_SD_M = 4, (80.0, 300.0), (0.02, 0.03)
# ASSUME: 11 hours a day, 8 to 10 km/h, half a minute to turn, a move to the next field: 12 rows do some 75 ha a day.
FIRST_MORNING, LAST_START_DAY = np.datetime64("2025-10-01T13:00:00"), 30
DAY_S, WORKED_S, TURN_S, MOVE_S, SPEEDS_M_S = 86_400, 39_600, 30, 1_200, (8.0 / 3.6, 10.0 / 3.6)
CHECKED_SHARE, CHECKS, TAPE_95_M, Z95 = 0.05, 3, 0.0127, 1.95996
# ASSUME: what a good receiver is off between two seasons (1 in, 95 %), and the steering of both implements besides.
RETURN_SD_M, STEERING_SD_M = 0.013, 0.018
BELT_SHARE, BELT_M, BELT_FACTORS = 0.04, (20.0, 40.0), (2.0, 3.0, 4.0)


@dataclass(frozen=True)
class Passes:
    """Passes of one field in the order of work, in the field's own plane [m].

    Attributes
    ----------
    ends_m : ndarray, shape (passes, 2, 2)
        First and last point of the planned line.
    of_vertex : ndarray of int, shape (vertices,)
        Pass of each vertex of the line as built.
    built_m : ndarray, shape (vertices, 2)
    rows : int
        Row units of the implement.
    """

    ends_m: np.ndarray
    of_vertex: np.ndarray
    built_m: np.ndarray
    rows: int

    @property
    def lengths_m(self) -> np.ndarray:
        """Length of each planned line [m]."""
        return np.abs(self.ends_m[:, 1, 0] - self.ends_m[:, 0, 0])

    @property
    def direction(self) -> np.ndarray:
        """+1 where a pass runs along x, -1 where against it."""
        return np.sign(self.ends_m[:, 1, 0] - self.ends_m[:, 0, 0])


def farm_of(field: CoopField) -> int:
    """Number of the farm, from 0."""
    return field.number // FIELDS_PER_FARM


def farm_implement(farm: int, *, seed: int) -> tuple[int, int]:
    """Row units of a farm's machines, and the day of its first pass after `FIRST_MORNING`."""
    rng = drawing(seed, FARM, farm)
    return int(rng.choice(ROW_COUNTS)), int(rng.integers(LAST_START_DAY + 1))


def passes_of(field: CoopField, rng: np.random.Generator, *, rows: int) -> Passes:
    """Lay the passes back and forth along the field's longest side, and let the bar wander beside them."""
    ends_m = _planned(field.outline, width_m=rows * SPACING_M)
    length_m = np.abs(ends_m[:, 1, 0] - ends_m[:, 0, 0])
    counts = np.ceil(length_m / VERTEX_M).astype(int) + 1
    of_vertex = np.repeat(np.arange(len(counts)), counts)
    nth = np.arange(len(of_vertex)) - np.repeat(np.cumsum(counts) - counts, counts)
    share = (nth / (counts - 1)[of_vertex])[:, None]
    built_m = (1.0 - share) * ends_m[of_vertex, 0] + share * ends_m[of_vertex, 1]
    aside_m = _wander(rng, of_vertex, share[:, 0] * length_m[of_vertex])
    return Passes(ends_m, of_vertex, built_m + np.column_stack([np.zeros_like(aside_m), aside_m]), rows)


def _planned(outline: shapely.Polygon, *, width_m: float) -> np.ndarray:
    """Ends (passes, 2, 2) [m] of straight lines along x, `width_m` apart, cut to the field."""
    west, south, east, north = outline.bounds
    count = max(1, round((north - south) / width_m))
    # In the middle of the field, so that what is left of a width is shared by both sides.
    y = 0.5 * (south + north) + width_m * (np.arange(count) - 0.5 * (count - 1))
    ends = np.array([[west - 1.0, 0.0], [east + 1.0, 0.0]])
    whole = shapely.linestrings(ends + np.stack([np.zeros_like(y), y], axis=1)[:, None])
    parts, line = shapely.get_parts(shapely.intersection(outline, whole), return_index=True)
    kept = shapely.length(parts) >= SHORTEST_M
    bounds, line = shapely.bounds(parts[kept]), line[kept]
    back = line % 2 == 1
    order = np.lexsort((np.where(back, -bounds[:, 0], bounds[:, 0]), line))
    x = np.where(back[:, None], bounds[:, [2, 0]], bounds[:, [0, 2]])
    return np.stack([x, bounds[:, [1, 3]]], axis=2)[order]


def _wander(rng: np.random.Generator, of_pass: np.ndarray, along_m: np.ndarray) -> np.ndarray:
    """Slow sideways motion of the bar [m] at places along its passes."""
    sd_m, passes = rng.uniform(*WANDER_SD_M), int(of_pass[-1]) + 1
    waves_m, phases = rng.uniform(*WAVES_M, (passes, WAVES)), rng.uniform(0.0, 2 * math.pi, (passes, WAVES))
    sines = np.sin(2 * math.pi * along_m[:, None] / waves_m[of_pass] + phases[of_pass])
    return sd_m * math.sqrt(2 / WAVES) * sines.sum(axis=1)


def worked(passes: Passes, rng: np.random.Generator, *, begin_s: int) -> tuple[np.ndarray, np.ndarray]:
    """Start and end of each pass, whole seconds after the farm's first morning; nights are off.

    Parameters
    ----------
    passes : Passes
    rng : numpy.random.Generator
    begin_s : int
        From which the machine is free for the field.
    """
    lasts_s = np.ceil(passes.lengths_m / rng.uniform(*SPEEDS_M_S, len(passes.lengths_m))).astype(int)
    starts_s, now_s = np.empty_like(lasts_s), begin_s
    for k, one_s in enumerate(lasts_s.tolist()):
        if now_s % DAY_S + one_s > WORKED_S:
            now_s = (now_s // DAY_S + 1) * DAY_S
        starts_s[k] = now_s
        now_s += one_s + TURN_S
    return starts_s, starts_s + lasts_s


def dug(field: CoopField, passes: Passes, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Ground checks of a field; most have none.

    Returns
    -------
    pass : ndarray of int
        The passes that were checked, each in its middle.
    places_m : ndarray, shape (checks, 2)
        On the planned row north of the implement's middle, in the field's own plane.
    offsets_m : ndarray
        From strip to seed row, positive left of the strip's direction: one shift of the whole field, what the bar
        had wandered there, steering and tape.
    """
    numbers = np.arange(len(passes.ends_m))
    middle = (np.searchsorted(passes.of_vertex, numbers) + np.searchsorted(passes.of_vertex, numbers, side="right")) // 2
    planned_m = np.column_stack([passes.built_m[middle, 0], passes.ends_m[:, 0, 1]])
    # The units of an even number of rows lie half a spacing beside the implement's middle.
    places_m = planned_m + (0.0, 0.5 * SPACING_M)
    open_to = np.flatnonzero(shapely.contains_xy(field.outline, places_m))
    count = min(CHECKS, len(open_to)) if rng.random() < CHECKED_SHARE else 0
    which = np.sort(rng.choice(open_to, count, replace=False))
    off_m = rng.normal(0.0, RETURN_SD_M) + (planned_m - passes.built_m[middle])[which, 1]
    noise_m = rng.normal(0.0, math.hypot(STEERING_SD_M, TAPE_95_M / Z95), count)
    return which, places_m[which], passes.direction[which] * off_m + noise_m


def tree_belt(field: CoopField, rng: np.random.Generator) -> tuple[shapely.Polygon | None, float]:
    """A belt of trees inside the southern side of some fields, and by what the tiers are worse there."""
    if rng.random() >= BELT_SHARE:
        return None, 1.0
    west, south, east, _ = field.outline.bounds
    belt = field.outline.intersection(shapely.box(west, south, east, south + rng.uniform(*BELT_M)))
    return max(shapely.get_parts(belt), key=lambda part: part.area), float(rng.choice(BELT_FACTORS))
