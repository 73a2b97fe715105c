"""Cutting lines at distances, against shapely's own one-line-at-a-time answer."""

import numpy as np
import pytest
import shapely
from shapely.ops import substring

from pipeline.core.cut import cut_lines
from pipeline.core.stretches import cut_at_zones


@pytest.fixture
def lines():
    rng = np.random.default_rng(5)
    return np.array([shapely.LineString(rng.uniform(0, 100, (n, 2))) for n in (2, 3, 40, 2, 7)], object)


def test_pieces_are_those_of_shapely(lines):
    rng = np.random.default_rng(6)
    line = np.sort(rng.integers(0, len(lines), 300))
    ends = np.sort(rng.uniform(0, 1, (300, 2)), axis=1) * shapely.length(lines)[line][:, None]
    pieces = cut_lines(lines, line, ends[:, 0], ends[:, 1])
    for piece, number, (start, end) in zip(pieces, line, ends, strict=True):
        wanted = shapely.get_coordinates(substring(lines[number], start, end))
        np.testing.assert_allclose(shapely.get_coordinates(piece), wanted, atol=1e-8)
    np.testing.assert_allclose(shapely.length(pieces), ends[:, 1] - ends[:, 0], atol=1e-8)


def test_whole_lines_come_back_vertex_by_vertex(lines):
    whole = cut_lines(lines, np.arange(len(lines)), np.zeros(len(lines)), shapely.length(lines) + 1e-7)
    assert all(shapely.equals(whole, lines))
    assert list(shapely.get_num_coordinates(whole)) == list(shapely.get_num_coordinates(lines))


def test_cut_at_a_vertex_makes_no_second_vertex():
    corner = np.array([shapely.LineString([(0, 0), (3, 0), (3, 4)])], object)
    first, second = cut_lines(corner, np.array([0, 0]), np.array([0.0, 3.0]), np.array([3.0, 7.0]))
    assert first.wkt == "LINESTRING (0 0, 3 0)"
    assert second.wkt == "LINESTRING (3 0, 3 4)"


def test_pieces_in_any_order_and_none_at_all(lines):
    backward = cut_lines(lines, np.array([4, 0]), np.array([1.0, 1.0]), np.array([2.0, 2.0]))
    assert shapely.distance(backward[0], lines[4]) < 1e-9
    assert shapely.distance(backward[1], lines[0]) < 1e-9
    assert len(cut_lines(lines, np.zeros(0, int), np.zeros(0), np.zeros(0))) == 0


def test_ground_driven_twice_is_cut_at_a_zone_twice():
    # Two laps of a ring through a zone: GEOS tells what of one lap lies in it.
    lap = [(10, 10), (130, 10), (130, 60), (10, 60), (10, 10)]
    zone = shapely.box(80, 0, 100, 30)
    pieces, line, inside = cut_at_zones(np.array([shapely.LineString(lap + lap[1:])]), [zone])
    within = np.array([bool(numbers) for numbers in inside])
    assert within.tolist() == [False, True, False, True, False]
    once = shapely.length(shapely.intersection(shapely.LineString(lap), zone))
    np.testing.assert_allclose(shapely.length(pieces[within]), [once, once])
    assert line.tolist() == [0] * 5
