"""Lines shared out among areas: shapely as the outside referee."""

import numpy as np
import pytest
import shapely
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from pipeline.core.cut import cut_lines
from pipeline.core.partition import share_out

LEFT, RIGHT = shapely.box(0, 0, 100, 100), shapely.box(100, 0, 200, 100)
AREAS = np.array([LEFT, RIGHT, shapely.box(300, 0, 400, 100)], object)


def shared(*lines, shortest=5.0):
    return share_out(np.array([shapely.LineString(line) for line in lines], object), AREAS, shortest=shortest)


def test_a_line_over_a_common_boundary_is_cut_at_it():
    found = shared([(20, 50), (180, 50)])
    assert found.area.tolist() == [0, 1]
    np.testing.assert_allclose(np.column_stack([found.start, found.end]), [[0, 80], [80, 160]])


def test_there_and_back_gives_three_portions():
    found = shared([(50, 20), (150, 20), (150, 40), (50, 40)])
    assert found.area.tolist() == [0, 1, 0]
    np.testing.assert_allclose(found.end, [50, 170, 220])


def test_a_line_that_crosses_itself_is_cut_where_it_leaves():
    # A loop through the place where it enters the second area: x = 100 is met at 50, 190 and 230 m.
    found = shared([(50, 50), (120, 50), (120, 80), (80, 80), (80, 50), (150, 50)])
    assert found.area.tolist() == [0, 1, 0, 1]
    np.testing.assert_allclose(found.end[:-1], [50, 120, 190])


def test_the_way_between_two_areas_is_cut_in_its_middle_and_the_ends_stay():
    found = shared([(150, 50), (450, 50)])
    assert found.area.tolist() == [1, 2]
    np.testing.assert_allclose(found.end, [100, 300])


@pytest.mark.parametrize("vertices", [[], [10.0], [5.0, 8.0, 12.0], list(np.linspace(0.3, 29.7, 50))])
def test_an_area_inside_another_has_no_portion_wherever_vertices_are(vertices):
    # One area holds the line from 0 to 30, another from 5 to 12 and nothing that the first does not hold.
    outer, inner = shapely.box(-1, 0, 31, 10), shapely.box(5, 0, 12, 10)
    line = shapely.LineString([(x, 5) for x in [0.0, *vertices, 30.0]])
    found = share_out(np.array([line], object), np.array([outer, inner], object), shortest=1.0)
    assert (found.area.tolist(), found.start.tolist()) == ([0], [0.0])
    assert found.end[0] == pytest.approx(30.0, rel=1e-12)


@pytest.mark.parametrize("order", [1, -1])
def test_a_sliver_in_two_areas_is_cut_in_its_middle_whichever_way_the_line_runs(order):
    areas = np.array([shapely.box(0, 0, 100, 100), shapely.box(98, 0, 200, 100)][::order], object)
    for way in (1, -1):  # the middle is at x = 99, 119 m from one end and 121 m from the other
        found = share_out(np.array([shapely.LineString([(-20, 50), (220, 50)][::way])]), areas, shortest=5.0)
        assert found.area.tolist() == [0, 1][:: order * way]
        np.testing.assert_allclose(found.end, [119.0 if way == 1 else 121.0, 240.0])


intervals = st.lists(st.tuples(st.integers(0, 90), st.integers(1, 60)), min_size=1, max_size=5)


@given(intervals)
def test_where_areas_overlap_the_way_of_travel_has_no_part_in_it(widths):
    # Any boxes one behind the other, nested and alike ones too; each place goes to an area that holds it, where one does.
    areas = np.array([shapely.box(first, 0, first + width, 10) for first, width in widths], object)
    line = shapely.LineString([(-7, 5), (160, 5)])
    there, back = (share_out(np.array([one]), areas, shortest=0.0) for one in (line, shapely.reverse(line)))
    assert there.area.tolist() == back.area.tolist()[::-1]
    np.testing.assert_allclose(there.end[:-1], (line.length - back.start)[::-1][:-1], atol=1e-6)
    places = np.arange(0.25, 167.0, 0.5)
    owner = there.area[np.searchsorted(there.end, places)]
    at = shapely.points(places - 7.0, 5.0)
    held = shapely.covers(areas[owner], at)
    assert (held == shapely.covers(shapely.union_all(areas), at)).all()


def test_outside_all_areas_there_is_no_portion():
    found = shared([(0, 200), (50, 200)], [(20, 50), (80, 50)])
    assert found.line.tolist() == [1]


def test_short_everywhere_goes_to_the_longer_part():
    found = shared([(97, 50), (101, 50)])
    assert (found.area.tolist(), found.end.tolist()) == ([0], [4.0])
    # As long in both: to the first, whichever way it runs.
    assert shared([(98, 50), (102, 50)]).area.tolist() == shared([(102, 50), (98, 50)]).area.tolist() == [0]


def length_inside(xy: np.ndarray, area: shapely.Polygon) -> float:
    """Length of a line inside an area, segment by segment: a line that runs over itself counts twice."""
    segments = shapely.linestrings(np.stack([xy[:-1], xy[1:]], axis=1))
    return float(shapely.length(shapely.intersection(segments, area)).sum())


@settings(max_examples=150, deadline=None)
@given(arrays(np.float64, (6, 2), elements=st.floats(-50, 450, width=32)))
def test_portions_cover_the_line_and_hold_what_lies_in_their_area(xy):
    line = shapely.LineString(xy)
    assume(line.length > 0)
    # Along a common boundary a portion lies in both areas and is counted to one of them; a touch is no length.
    assume(not np.isin(xy[:, 0], [0.0, 100.0, 200.0, 300.0, 400.0]).any())
    found = shared(xy, shortest=0.0)
    assert (len(found.line) > 0) == bool(sum(length_inside(xy, area) for area in AREAS) > 0)
    if len(found.line) == 0:
        return
    assert (found.start[0], found.end[-1]) == (0.0, pytest.approx(line.length, abs=1e-9))
    np.testing.assert_allclose(found.start[1:], found.end[:-1])
    parts = cut_lines(np.array([line], object), np.zeros(len(found.line), int), found.start, found.end)
    for number, area in enumerate(AREAS):
        mine = [shapely.get_coordinates(part) for part in parts[found.area == number]]
        assert sum(length_inside(part, area) for part in mine) == pytest.approx(length_inside(xy, area), abs=1e-6)


def test_a_line_that_runs_nearly_over_itself_loses_no_piece():
    # An intersection of the whole line with the second area is empty, though the line goes 1 m into it, twice.
    found = shared([(1, 1), (5e-24, 5e-24), (101, 1), (5e-24, 0), (1, 1)], shortest=0.0)
    assert found.area.tolist() == [0, 1, 0]
    one, other = np.hypot(100, 100 / 101) + np.hypot(1, 1), 2 * np.hypot(1, 1 / 101)
    np.testing.assert_allclose(found.end - found.start, [one, other, one], rtol=1e-9)


def test_a_line_that_only_touches_an_area_is_not_in_it():
    found = shared([(-50, 50), (0, 50)], [(0, -20), (0, 0)], [(-50, 50), (1, 50)], shortest=0.5)
    assert (found.line.tolist(), found.area.tolist()) == ([2], [0])
