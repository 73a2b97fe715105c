"""Centre lines of implement passes in a field's own plane: x along the rows, y across them [m on the ground]."""

import itertools
import math
from dataclasses import dataclass

import numpy as np
import shapely
from shapely import Polygon

ROW_M = 0.762
BAR_M = 12 * ROW_M
DENSE_M = 0.25  # a track before it is cut and thinned
SAG_M = 0.004  # chord against arc on curved tracks
SHORTEST_M = 20.0  # nobody sets the implement down for less


@dataclass(frozen=True)
class Track:
    """A dense centre line (n, 2) [m] of one pass; `step_m` is the vertex step, None on a straight one."""

    xy_m: np.ndarray
    step_m: float | None = None


def straight(length_m: float, *, count: int, width_m: float = BAR_M, first_m: float = 0.0) -> list[Track]:
    """Return `count` straight tracks along x, `width_m` apart, the first half a width above `first_m`."""
    # the odd start keeps samples off the boundary, where inside or outside would hang on the last bit
    x_m = np.arange(-40.117, length_m + 40.0, DENSE_M)
    centres_m = [first_m + (number + 0.5) * width_m for number in range(count)]
    return [Track(np.column_stack([x_m, np.full_like(x_m, y_m)])) for y_m in centres_m]


def across(tracks: list[Track]) -> list[Track]:
    """Return straight tracks turned to run along y: x and y change places."""
    return [Track(track.xy_m[:, ::-1]) for track in tracks]


def rings(radius_m: float, *, split_above_m: float = math.inf) -> list[Track]:
    """Return concentric tracks open at a lane at angle 0; those wider than `split_above_m` in two arcs."""
    radii_m = np.arange(radius_m - BAR_M / 2, BAR_M, -BAR_M)
    return [arc for r_m in radii_m for arc in _arcs(float(r_m), parts=2 if r_m > split_above_m else 1)]


def _arcs(radius_m: float, *, parts: int) -> list[Track]:
    lane = 4.0 / radius_m  # half the lane's width, as an angle
    turns = np.linspace(lane, 2 * math.pi - lane, parts + 1)
    step_m = math.sqrt(8 * radius_m * SAG_M)
    count = int(2 * math.pi * radius_m / parts / DENSE_M)
    angles = [np.linspace(a, b, count) for a, b in itertools.pairwise(turns)]
    return [Track(radius_m * np.column_stack([np.cos(a), np.sin(a)]), step_m) for a in angles]


def contours(length_m: float, *, middle_m: float, count: int) -> list[Track]:
    """Return true parallels of one wavy guide line (tightest bend 385 m) to both sides of it."""
    x_m = np.arange(-150.117, length_m + 150.0, DENSE_M)
    long, short = 2 * math.pi / 820, 2 * math.pi / 390
    y_m = middle_m + 22 * np.sin(long * x_m + 0.6) + 5 * np.sin(short * x_m)
    slope = 22 * long * np.cos(long * x_m + 0.6) + 5 * short * np.cos(short * x_m)
    normal = np.column_stack([-slope, np.ones_like(slope)]) / np.sqrt(1 + slope**2)[:, None]
    offsets_m = (np.arange(count) - (count - 1) / 2) * BAR_M
    guide = np.column_stack([x_m, y_m])
    return [Track(guide + d_m * normal, math.sqrt(8 * (385 - abs(d_m)) * SAG_M)) for d_m in offsets_m]


def pieces(track: Track, area: Polygon, *, ends_m: float, rng: np.random.Generator) -> list[Track]:
    """Return the parts of a track inside `area`, each lengthened by 0 to `ends_m` [m] at both ends."""
    inside = shapely.contains_xy(area, track.xy_m[:, 0], track.xy_m[:, 1])
    edges = np.flatnonzero(np.diff(np.concatenate([[0], inside.astype(int), [0]])))
    parts = []
    for start, stop in edges.reshape(-1, 2):
        before, after = (rng.random(2) * ends_m / DENSE_M).astype(int)
        part = track.xy_m[max(0, start - before) : stop + after]
        if len(part) * DENSE_M >= SHORTEST_M:
            parts.append(Track(part, track.step_m))
    return parts


def along(track: Track, step_m: float | None) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return positions [m] every `step_m` along a track (None: its ends), the points and their left normals."""
    x_m, y_m = track.xy_m.T
    dense_m = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(x_m), np.diff(y_m)))])
    count = 2 if step_m is None else max(2, math.ceil(dense_m[-1] / step_m) + 1)
    s_m = np.linspace(0.0, dense_m[-1], count)
    tangent = np.column_stack([np.interp(s_m, dense_m, np.gradient(v)) for v in (x_m, y_m)])
    tangent = tangent / np.hypot(tangent[:, 0], tangent[:, 1])[:, None]
    points_m = np.column_stack([np.interp(s_m, dense_m, v) for v in (x_m, y_m)])
    return s_m, points_m, np.column_stack([-tangent[:, 1], tangent[:, 0]])


def wander(s_m: np.ndarray, *, sd_m: float, rng: np.random.Generator) -> np.ndarray:
    """Return a smooth sideways wander (n,) [m]: six waves of 60 to 250 m, so correlated over 50 to 100 m."""
    lengths_m = 60.0 + 190.0 * rng.random(6)
    phases = 2 * math.pi * rng.random(6)
    waves = [
        np.sin(2 * math.pi * s_m / length + phase) for length, phase in zip(lengths_m, phases, strict=True)
    ]
    return sd_m * math.sqrt(2 / 6) * sum(waves)


def driven(track: Track, *, sd_m: float, rng: np.random.Generator) -> np.ndarray:
    """Return the log (n, 2) [m] of a bar that followed the track with wander."""
    step_m = track.step_m or 12.0 + 8.0 * float(rng.random())
    s_m, points_m, normals = along(track, step_m)
    return points_m + wander(s_m, sd_m=sd_m, rng=rng)[:, None] * normals


def planned(track: Track) -> np.ndarray:
    """Return the plan (n, 2) [m] of a track: two points where it is straight."""
    return along(track, track.step_m)[1]
