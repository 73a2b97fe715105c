"""Logs as points, made from lines that are known: what a receiver writes while a machine drives them."""

from dataclasses import dataclass, replace

import numpy as np
import shapely


@dataclass(frozen=True)
class Log:
    """Points in the order driven; `truth` is the true pass of each, -1 in turns."""

    xy: np.ndarray
    time_s: np.ndarray
    heading_deg: np.ndarray
    truth: np.ndarray

    def at(self, index) -> "Log":
        """Those points, in that order."""
        return Log(self.xy[index], self.time_s[index], self.heading_deg[index], self.truth[index])


def turn(start, heading_in: float, end, heading_out: float, radius_m: float) -> np.ndarray:
    """Shortest path of two arcs and a straight (or three arcs, a light bulb) between two poses, by 0.1 m."""
    ways = []
    for side_a in (1, -1):
        for side_b in (1, -1):
            ways.append(_arcs(start, heading_in, end, heading_out, radius_m, side_a, side_b))
        ways.append(_bulb(start, heading_in, end, heading_out, radius_m, side_a))
    return min((way for way in ways if way is not None), key=lambda way: shapely.LineString(way).length)


def _centre(pose, heading, radius, side):
    return np.asarray(pose) + side * radius * np.array([-np.sin(heading), np.cos(heading)])


def _arc(centre, radius, start, sweep):
    count = max(2, int(abs(sweep) * radius / 0.1))
    angle = start + np.linspace(0, sweep, count)
    return centre + radius * np.column_stack([np.cos(angle), np.sin(angle)])


def _sweep(start, end, side):
    return side * ((side * (end - start)) % (2 * np.pi))


def _arcs(start, heading_in, end, heading_out, radius, side_a, side_b):
    a, b = _centre(start, heading_in, radius, side_a), _centre(end, heading_out, radius, side_b)
    way, far = np.arctan2(*(b - a)[::-1]), np.hypot(*(b - a))
    if side_a != side_b:
        if far < 2 * radius:
            return None
        way = way + side_a * np.arcsin(2 * radius / far)
    first = _arc(a, radius, heading_in - side_a * np.pi / 2, _sweep(heading_in, way, side_a))
    last = _arc(b, radius, way - side_b * np.pi / 2, _sweep(way, heading_out, side_b))
    count = 2 + int(np.hypot(*(last[0] - first[-1])) / 0.1)
    return np.vstack([first, np.linspace(first[-1], last[0], count), last])


def _bulb(start, heading_in, end, heading_out, radius, side):
    a, b = _centre(start, heading_in, radius, side), _centre(end, heading_out, radius, side)
    far = np.hypot(*(b - a))
    if far >= 4 * radius:
        return None
    way = np.arctan2(*(b - a)[::-1]) - side * np.arccos(far / (4 * radius))
    middle = a + 2 * radius * np.array([np.cos(way), np.sin(way)])
    to_b = np.arctan2(*(b - middle)[::-1])
    first = _arc(a, radius, heading_in - side * np.pi / 2, _sweep(heading_in - side * np.pi / 2, way, side))
    second = _arc(middle, radius, way + np.pi, _sweep(way + np.pi, to_b, -side))
    third = _arc(b, radius, to_b + np.pi, _sweep(to_b + np.pi, heading_out - side * np.pi / 2, side))
    return np.vstack([first, second, third])


def drive(lines, *, radius_m: float = 7.0, speed_m_s: float = 2.0, rate_hz: float = 1.0, turns: bool = True) -> Log:
    """Points along the lines one after the other, without noise, with a headland turn between each two."""
    parts, truth = [], []
    for k, line in enumerate(lines):
        dense = shapely.get_coordinates(shapely.segmentize(line, 0.1))
        parts.append(dense)
        truth.append(np.full(len(dense), k))
        if k + 1 < len(lines):
            after = shapely.get_coordinates(lines[k + 1])
            bow = [np.arctan2(*(q - p)[::-1]) for p, q in ((dense[-2], dense[-1]), (after[0], after[1]))]
            way = turn(dense[-1], bow[0], after[0], bow[1], radius_m)
            parts.append(way)
            truth.append(np.full(len(way), -1))
    xy, truth = np.vstack(parts), np.concatenate(truth)
    along = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(xy, axis=0).T))])
    s = np.arange(0, along[-1], speed_m_s / rate_hz)
    at = np.column_stack([np.interp(s, along, xy[:, 0]), np.interp(s, along, xy[:, 1])])
    of = truth[np.minimum(np.searchsorted(along, s), len(truth) - 1)]
    ahead = np.column_stack([np.interp(s + 0.3, along, v) - np.interp(s - 0.3, along, v) for v in xy.T])
    log = Log(at, np.arange(len(s)) / rate_hz, np.degrees(np.arctan2(*ahead.T)) % 360, of)
    return log if turns else log.at(of >= 0)


def disturbed(log: Log, rng, *, noise_m=0.02, dropouts=0.01, twice=0.01, shuffled=0.02) -> Log:
    """With position noise, missing stretches of 1-4 points, records written twice, and late records."""
    xy = log.xy + rng.normal(0, noise_m, log.xy.shape)
    heading = (log.heading_deg + rng.normal(0, 1.0, len(xy))) % 360
    log = replace(log, xy=xy, heading_deg=heading)
    keep = np.ones(len(xy), bool)
    for start in np.flatnonzero(rng.random(len(xy)) < dropouts):
        keep[start : start + rng.integers(1, 5)] = False
    log = log.at(keep)
    order = np.sort(np.concatenate([np.arange(len(log.xy)), np.flatnonzero(rng.random(len(log.xy)) < twice)]))
    late = rng.random(len(order)) < shuffled
    return log.at(order[np.argsort(np.arange(len(order)) + late * rng.integers(1, 30, len(order)), kind="stable")])


def distances(rebuilt: shapely.LineString, true: shapely.LineString) -> tuple[np.ndarray, np.ndarray]:
    """Of the rebuilt line, every metre and at its vertices, to the true one; and of the true one to it."""
    out = []
    for a, b in ((rebuilt, true), (true, rebuilt)):
        places = shapely.line_interpolate_point(a, np.arange(0.0, a.length, 0.5))
        out.append(shapely.distance(np.concatenate([places, shapely.points(shapely.get_coordinates(a))]), b))
    return out[0], out[1]
