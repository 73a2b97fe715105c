"""Row units beside a pass, and cutting lines at a boundary: answers by geometry."""

import numpy as np
import pytest
import shapely
from helpers import SPACING_M

from pipeline.core.passes import beside, clip_lines, unit_distances

LINE = shapely.LineString


def arc(radius_m, *, from_deg=0.0, to_deg=180.0, step_deg=1.0):
    """Travel anticlockwise on a circle around the origin: the centre lies to the left."""
    turn = np.radians(np.arange(from_deg, to_deg + step_deg / 2, step_deg))
    return LINE(np.column_stack([radius_m * np.cos(turn), radius_m * np.sin(turn)]))


def test_units_run_left_to_right_and_balance():
    # Four rows of 30 in: 1.5 and 0.5 spacings to each side.
    np.testing.assert_allclose(unit_distances(4, SPACING_M), SPACING_M * np.array([1.5, 0.5, -0.5, -1.5]))
    np.testing.assert_allclose(unit_distances(1, SPACING_M), [0.0])
    assert unit_distances(11, SPACING_M)[5] == 0.0


def test_straight_pass():
    lines, tight = beside(LINE([(0, 0), (100, 0)]), unit_distances(2, 1.0))
    assert not tight
    np.testing.assert_allclose(shapely.get_coordinates(lines), [[0, 0.5], [100, 0.5], [0, -0.5], [100, -0.5]])


@pytest.mark.parametrize("distance_m", [4.0, 1.0, -4.0, -30.0])
def test_on_a_circle_the_radius_changes_by_the_distance(distance_m):
    # A regular polygon of edges e at radius r: its edges lie at r cos(half step) from the centre. Moved by
    # the distance they lie at that less the distance (left is inward), exactly, and so do the corners over
    # the cosine.
    centre = arc(40.0)
    (moved,), tight = beside(centre, np.array([distance_m]))
    assert not tight
    half = np.cos(np.radians(0.5))
    corners = np.hypot(*shapely.get_coordinates(moved).T)[1:-1]
    np.testing.assert_allclose(corners, (40.0 * half - distance_m) / half, rtol=1e-12)
    middles = shapely.get_coordinates(moved)[1:-2] + shapely.get_coordinates(moved)[2:-1]
    np.testing.assert_allclose(np.hypot(*middles.T) / 2, 40.0 * half - distance_m, rtol=1e-12)


def test_every_place_of_a_unit_keeps_its_distance():
    # Curved both ways, bends wider than the implement: nowhere nearer to the centre line than the distance.
    x = np.linspace(0, 120, 481)
    centre = LINE(np.column_stack([x, 4 * np.sin(x / 12)]))
    lines, tight = beside(centre, unit_distances(6, SPACING_M))
    assert not tight
    for line, distance in zip(lines, np.abs(unit_distances(6, SPACING_M)), strict=True):
        middle = shapely.line_interpolate_point(line, np.linspace(0.05, 0.95, 50), normalized=True)
        np.testing.assert_allclose(shapely.distance(middle, centre), distance, rtol=1e-3)


def test_a_bend_tighter_than_the_implement_is_flagged_and_cut():
    # Out along y = 0, half circle of radius 2 m to the left, back along y = 4; a unit 3 m to the left would
    # run backwards on a circle of radius -1. It is cut to what keeps 3 m away from the centre line: the left
    # units of both legs lie at y = 3 and y = 1 and are there too near to the other leg.
    legs = [(-50.0, 0.0)], [(-50.0, 4.0)]
    bend = [(2 * np.sin(a), 2 - 2 * np.cos(a)) for a in np.radians(np.arange(0, 181, 5))]
    centre = LINE([*legs[0], *bend, *legs[1]])
    lines, tight = beside(centre, np.array([1.0, -1.0]))
    assert not tight  # 1 m inside a bend of 2 m is still driven forwards
    lines, tight = beside(centre, np.array([3.0, -3.0]))
    assert tight
    assert shapely.length(lines[1]) == pytest.approx(100 + np.pi * 5.0, rel=2e-3)  # the outer unit is whole


def test_a_shallow_tight_bend_loses_the_fold_only():
    # A right-angled turn with radius 2 m to the left; 4 m to the left the two legs meet at (-2, 4) m:
    #   legs of 50 m before the bend at (0, 0) and after it at (2, 2). Moved 4 m left they cross at (-2, 4),
    # so
    #   each keeps 50 - 2 m.
    bend = [(2 * np.sin(a), 2 - 2 * np.cos(a)) for a in np.radians(np.arange(0, 91, 3))]
    centre = LINE([(-50, 0), *bend, (2, 52)])
    (inner,), tight = beside(centre, np.array([4.0]))
    assert tight
    assert inner.geom_type == "LineString"
    assert inner.length == pytest.approx(48.0 + 48.0, abs=0.02)
    assert shapely.distance(inner, shapely.Point(-2, 4)) < 0.01
    xy = shapely.get_coordinates(inner)
    assert tuple(xy[0]) == pytest.approx((-50, 4)) and tuple(xy[-1]) == pytest.approx((-2, 52))


def corner(angle_deg, *, leg_m=100.0):
    """Two legs, and a bend to the left between them."""
    turn = np.radians(angle_deg)
    return LINE([(-leg_m, 0), (0, 0), (leg_m * np.cos(turn), leg_m * np.sin(turn))])


@pytest.mark.parametrize("distance_m", [0.381, 4.191])
@pytest.mark.parametrize("angle_deg", [45, 62, 90, 120, 134])
def test_inside_a_sharp_corner_the_legs_end_where_they_meet(angle_deg, distance_m):
    # The moved legs meet on the bisector, d tan(angle / 2) before the end of the one and after the begin of the other.
    for line, inner in ((corner(angle_deg), 0), (shapely.reverse(corner(angle_deg)), 1)):
        lines, tight = beside(line, np.array([distance_m, -distance_m]))
        assert tight == (angle_deg > 60)
        assert lines[inner].is_simple
        assert lines[inner].length == pytest.approx(200.0 - 2 * distance_m * np.tan(np.radians(0.5 * angle_deg)))
        parallel = shapely.offset_curve(line, (distance_m, -distance_m)[inner], join_style="mitre", mitre_limit=100.0)
        assert shapely.hausdorff_distance(lines[inner], parallel) < 1e-6  # GEOS


def test_the_inner_rows_of_a_square_lap_are_squares():
    # Begun in the middle of a side of 400 m: a row d inside is 8 d shorter; six lie 0.5, 1.5 ... 5.5 spacings inside.
    lap = LINE([(200, 0), (400, 0), (400, 400), (0, 400), (0, 0), (200, 0)])
    for line, inner in ((lap, slice(0, 6)), (shapely.reverse(lap), slice(6, 12))):
        lines, tight = beside(line, unit_distances(12, SPACING_M))
        assert tight
        assert shapely.length(lines[inner]).sum() == pytest.approx(6 * 1600.0 - 8 * SPACING_M * 18.0)


@pytest.mark.parametrize("name", ["150 degrees", "179 degrees", "there and back", "a jog", "a step back"])
def test_no_row_is_cut_on_a_way_back_nor_at_a_jog_too_short_for_it(name):
    # Both legs were driven, so each row has both of them whole: 4 m beside the pass and 100 m long, by hand.
    line = {
        "150 degrees": corner(150), "179 degrees": corner(179), "there and back": corner(180),
        "a jog": LINE([(-100, 0), (0, 0), (0, 0.3), (100, 0.3)]),
        "a step back": LINE([(-100, 0), (0, 0), (-0.2, 0.1), (100, 0.1)]),
    }[name]  # fmt: skip
    xy = shapely.get_coordinates(line)
    lines, tight = beside(line, np.array([4.0, -4.0]))
    assert not tight
    for moved, distance in zip(lines, (4.0, -4.0), strict=True):
        for leg in (xy[:2], xy[-2:]):
            along = (leg[1] - leg[0]) / np.hypot(*(leg[1] - leg[0]))
            whole = LINE(leg + distance * np.array([-along[1], along[0]]))
            assert shapely.covers(shapely.buffer(moved, 1e-6), whole)


def test_lines_keep_the_direction_of_travel():
    centre = arc(40.0)
    for line in beside(centre, unit_distances(4, SPACING_M))[0]:
        xy = shapely.get_coordinates(line)
        assert xy[0, 0] > 0 > xy[-1, 0]  # from east to west, as the centre line
    back = beside(shapely.reverse(centre), unit_distances(4, SPACING_M))[0]
    # Driven the other way left and right change places: the same lines, in the opposite order and direction.
    ahead = beside(centre, unit_distances(4, SPACING_M))[0]
    for one, other in zip(ahead, back[::-1], strict=True):
        np.testing.assert_allclose(
            shapely.get_coordinates(one), shapely.get_coordinates(other)[::-1], atol=1e-9
        )


SQUARE = shapely.box(0, 0, 100, 100)


def test_clipping_conserves_length():
    #     ____________
    #  --|------------|-->   10 m before, 100 m inside, 20 m behind
    lines = np.array([LINE([(-10, 50), (120, 50)]), LINE([(10, 10), (90, 10)]), LINE([(0, 200), (9, 200)])])
    parts, owner, outside = clip_lines(lines, SQUARE)
    assert list(owner) == [0, 1]
    np.testing.assert_allclose(shapely.length(parts), [100.0, 80.0])
    np.testing.assert_allclose(outside, [30.0, 0.0, 9.0])


def test_clipped_parts_keep_direction_and_order():
    # Travelling west through a field with a pond (hole) from x = 40 to 60: first the eastern part, then the
    # western.
    pond = shapely.difference(SQUARE, shapely.box(40, 40, 60, 60))
    parts, owner, outside = clip_lines(np.array([LINE([(120, 50), (-10, 50)])]), pond)
    assert list(owner) == [0, 0]
    ends = [shapely.get_coordinates(part)[[0, -1], 0].tolist() for part in parts]
    assert ends == [[100.0, 60.0], [40.0, 0.0]]
    assert outside[0] == pytest.approx(50.0)


def test_a_field_in_two_parts():
    area = shapely.union_all([SQUARE, shapely.box(200, 0, 300, 100)])
    parts, _, outside = clip_lines(np.array([LINE([(-50, 50), (350, 50)])]), area)
    np.testing.assert_allclose(shapely.length(parts), [100.0, 100.0])
    assert outside[0] == pytest.approx(200.0)


def test_ground_driven_twice_is_cut_twice():
    # Two laps of one ring, a third of which lies outside. GEOS tells what of one lap is inside.
    lap = [(10, 10), (130, 10), (130, 60), (10, 60), (10, 10)]
    once = shapely.length(shapely.intersection(LINE(lap), SQUARE))
    parts, owner, outside = clip_lines(np.array([LINE(lap + lap[1:])]), SQUARE)
    np.testing.assert_allclose(shapely.length(parts), [90.0, 230.0, 140.0])
    assert shapely.length(parts).sum() == pytest.approx(2 * once)
    assert outside[0] == pytest.approx(2 * (LINE(lap).length - once))
    assert list(owner) == [0, 0, 0]
    assert [shapely.get_coordinates(part)[0].tolist() for part in parts] == [[10, 10], [100, 60], [100, 60]]


def test_a_line_that_crosses_itself_is_cut_at_the_boundary_only():
    # East, round a loop and north across its own way, out of the field at the top.
    line = LINE([(10, 50), (60, 50), (60, 80), (30, 80), (30, 20), (90, 20), (90, 120)])
    parts, _, outside = clip_lines(np.array([line]), SQUARE)
    assert len(parts) == 1
    assert shapely.get_coordinates(parts[0]).tolist() == [*map(list, line.coords[:-1]), [90, 100]]
    assert outside[0] == pytest.approx(20.0)


SQUARE_CORNER = [(0, 0), (50, 0), (50, 30)]
REPEATED = {
    "at a corner": [(0, 0), (50, 0), (50, 0), (50, 30)],
    "a nanometre on": [(0, 0), (50, 0), (50 + 1e-9, 0), (50, 30)],
    "at both ends": [(0, 0), (0, 0), (50, 0), (50, 30), (50, 30 + 1e-9)],
    "all of them": [xy for xy in SQUARE_CORNER for _ in range(3)],
}


@pytest.mark.parametrize("name", REPEATED)
def test_repeated_points_are_one(name):
    distances = unit_distances(4, SPACING_M)
    want = beside(LINE(SQUARE_CORNER), distances)[0]
    found = beside(LINE(REPEATED[name]), distances)[0]
    assert shapely.equals_exact(found, want, tolerance=1e-6).all()


@pytest.mark.parametrize("distance_m", [0.0, 1e-12, -1e-9])
def test_beside_itself_a_line_with_sharp_corners_is_itself(distance_m):
    # The two points of a sharp corner are one there, and have to be one for whoever lays rows beside that line.
    lap = LINE([(0, 0), (100, 0), (100, 40), (60, 40), (60, 3), (0, 0)])
    (same,), _ = beside(lap, np.array([distance_m]))
    assert shapely.equals_exact(same, lap, tolerance=1e-6)
    again, ever = beside(same, unit_distances(12, SPACING_M))[0], beside(lap, unit_distances(12, SPACING_M))[0]
    np.testing.assert_allclose(shapely.length(again), shapely.length(ever), atol=1e-4)


def test_the_inside_of_a_bend_as_wide_as_the_unit_runs_has_no_repeated_points():
    # An arc of radius 3 m with a unit 3 m inside: all its places are the middle of the arc.
    (inner,), _ = beside(arc(3.0, step_deg=10.0), np.array([3.0 * np.cos(np.radians(5.0))]))
    assert np.isfinite(shapely.get_coordinates(inner)).all()
    whole = LINE([(3, -20), *shapely.get_coordinates(arc(3.0, step_deg=10.0)), (-3, -20)])
    (inner,), _ = beside(whole, np.array([3.0 * np.cos(np.radians(5.0))]))
    for line in shapely.get_parts(inner):
        xy = shapely.get_coordinates(line)
        assert (np.hypot(*np.diff(xy, axis=0).T) > 0.0).all()


def test_a_line_without_length_stays_where_it_is():
    lines, _ = beside(LINE([(5, 5), (5, 5)]), np.array([1.0, 0.0, -1.0]))
    np.testing.assert_array_equal(shapely.get_coordinates(lines), 5.0)
