"""Tracks of small invented fields: points (n, 2) [m] and their left normals, in the shapes that the demo has."""

import numpy as np
from helpers import SPACING_M

OVERSHOOT_M = 2.0  # the bar is lifted past the end of the field
SAG_M = 0.004


def straight(count: int, *, rows: int, length_m: float, step_m: float = 15.0, first_m: float = 0.0, x0_m: float = 0.0):
    """Tracks along x, each a working width above the last, longer than the field at both ends."""
    x = np.linspace(x0_m - OVERSHOOT_M, x0_m + length_m + OVERSHOOT_M, int(length_m / step_m) + 2)
    y = first_m + (np.arange(count) + 0.5) * rows * SPACING_M
    return [(np.column_stack([x, np.full_like(x, v)]), np.tile([0.0, 1.0], (len(x), 1))) for v in y]


def across(tracks):
    """Tracks turned to run along y."""
    return [(xy[:, ::-1], -normal[:, ::-1]) for xy, normal in tracks]


def rings(radii_m, *, split_above_m: float = np.inf):
    """Rings about the origin, open at a lane; wide ones in two arcs."""
    out = []
    for r in radii_m:
        turns = np.linspace(4.0 / r, 2 * np.pi - 4.0 / r, 3 if r > split_above_m else 2)
        for a, b in zip(turns[:-1], turns[1:], strict=True):
            angle = np.linspace(a, b, int(r * (b - a) / np.sqrt(8 * r * SAG_M)) + 2)
            outward = np.column_stack([np.cos(angle), np.sin(angle)])
            out.append((r * outward, -outward))  # counterclockwise: left is inward
    return out


def contours(count: int, *, rows: int, length_m: float):
    """Parallels of one wavy guide line, tightest bend 120 m, to both sides of it."""
    x = np.linspace(-OVERSHOOT_M, length_m + OVERSHOOT_M, int(length_m / 1.8))
    y, slope = 3.0 * np.sin(2 * np.pi * x / 120), 3.0 * 2 * np.pi / 120 * np.cos(2 * np.pi * x / 120)
    normal = np.column_stack([-slope, np.ones_like(x)]) / np.hypot(1.0, slope)[:, None]
    beside = (np.arange(count) - 0.5 * (count - 1)) * rows * SPACING_M
    return [(np.column_stack([x, y]) + d * normal, normal) for d in beside]


def wavering(tracks, *, sd_m: float = 0.025, seed: int):
    """Tracks as driven: six waves of 60 to 250 m to the sides."""
    rng, out = np.random.default_rng(seed), []
    for xy, normal in tracks:
        s = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(xy, axis=0).T))])
        wave, phase = rng.uniform(60, 250, 6), rng.uniform(0, 2 * np.pi, 6)
        aside = sd_m / np.sqrt(3) * np.sin(2 * np.pi * s[:, None] / wave + phase).sum(axis=1)
        out.append((xy + aside[:, None] * normal, normal))
    return out


def serpentine(tracks):
    """Every other track driven back; its left is then the other side."""
    return [(xy[::-1], -normal[::-1]) if k % 2 else (xy, normal) for k, (xy, normal) in enumerate(tracks)]
