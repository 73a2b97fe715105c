"""The planter's own passes where no rows layer says: as wide as the bar, narrower, wider, or out of step."""

import numpy as np
import pytest
import shapely
from helpers import SPACING_M

from pipeline.core.passes import beside, unit_distances
from pipeline.core.planter import plan_passes
from pipeline.core.row_grids import grid_places


def bar_passes(count, bar_rows, *, against=(), length_m=100.0, turn_deg=0.0):
    """Strip passes side by side; those in `against` travel the other way."""
    lines = []
    for k in range(count):
        y = (k + 0.5) * bar_rows * SPACING_M
        ends = [(0.0, y), (length_m, y)]
        lines.append(shapely.LineString(ends[::-1] if k in against else ends))
    turn = np.radians(turn_deg)
    spin = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    return shapely.transform(np.array(lines), lambda xy: xy @ spin), spin


def row_places(lines, row_count, spin):
    """Place of every row unit across the passes, in row spacings from the edge of the first one, sorted."""
    places = []
    for line in lines:
        for row in beside(line, unit_distances(row_count, SPACING_M))[0]:
            places.append((shapely.get_coordinates(row) @ spin.T)[:, 1].mean() / SPACING_M)
    return np.sort(places)


DIRECTIONS = [(), (1, 3), (0, 2), (0, 1, 2, 3), (0,), (2,)]


@pytest.mark.parametrize("against", DIRECTIONS)
def test_as_wide_as_the_bar(against):
    lines, spin = bar_passes(4, 12, against=against)
    plan = plan_passes(lines, bar_rows=12, planter_rows=12, spacing_m=SPACING_M)
    assert list(plan.leader) == [0, 1, 2, 3]
    np.testing.assert_allclose(row_places(plan.line, 12, spin), 0.5 + np.arange(48), atol=1e-9)


@pytest.mark.parametrize("against", DIRECTIONS)
@pytest.mark.parametrize(("bar_rows", "planter_rows"), [(24, 12), (12, 6), (24, 8), (6, 1)])
def test_planter_rows_divide_the_bars(bar_rows, planter_rows, against):
    #  |<------ 24 ------>|<------ 24 ------>|     every strip pass is followed by as many planter passes
    #  |<- 12 ->|<- 12 ->||<- 12 ->|<- 12 ->|      as it takes
    lines, spin = bar_passes(4, bar_rows, against=against)
    plan = plan_passes(lines, bar_rows=bar_rows, planter_rows=planter_rows, spacing_m=SPACING_M)
    times = bar_rows // planter_rows
    assert np.bincount(plan.leader).tolist() == [times] * 4
    np.testing.assert_allclose(
        row_places(plan.line, planter_rows, spin), 0.5 + np.arange(4 * bar_rows), atol=1e-9
    )


@pytest.mark.parametrize("turn_deg", [0.0, 63.0, 180.0])
@pytest.mark.parametrize("against", DIRECTIONS)
@pytest.mark.parametrize(("planter_rows", "bar_rows"), [(24, 12), (16, 12), (8, 12), (18, 12)])
def test_planter_on_the_grid_of_the_bar(planter_rows, bar_rows, against, turn_deg):
    # 24 behind 12 spans two bar passes; 16 behind 12 is out of step: 12 + 4, 8 + 8, 4 + 12. All rows of all
    # planter passes lie on grid places, none twice, and every strip of the field is planted. Where the field
    # is no whole number of planter widths the last pass runs over its far edge, which depends on the
    # direction of the first pass, so the places are looked at as a set: they hold all strips and nothing in
    # between.
    lines, spin = bar_passes(4, bar_rows, against=against, turn_deg=turn_deg)
    plan = plan_passes(lines, bar_rows=bar_rows, planter_rows=planter_rows, spacing_m=SPACING_M)
    places = row_places(plan.line, planter_rows, spin)
    grid = np.round(places - 0.5)
    np.testing.assert_allclose(places - 0.5, grid, atol=1e-6)
    assert len(set(grid)) == len(grid)
    assert set(range(4 * bar_rows)) <= set(grid.astype(int))
    assert len(plan.line) == int(np.ceil(4 * bar_rows / planter_rows))


@pytest.mark.parametrize("against", DIRECTIONS)
def test_the_planter_follows_the_travel_of_the_pass_that_leads_it(against):
    lines, _ = bar_passes(4, 12, against=against)
    for planter_rows in (12, 6, 16, 24):
        plan = plan_passes(lines, bar_rows=12, planter_rows=planter_rows, spacing_m=SPACING_M)
        for line, leader in zip(plan.line, plan.leader, strict=True):
            ends, lead = shapely.get_coordinates(line), shapely.get_coordinates(lines[leader])
            assert (ends[-1] - ends[0]) @ (lead[-1] - lead[0]) > 0


def test_order_of_the_features_does_not_matter_to_the_grid():
    lines, spin = bar_passes(5, 12, against=(1, 3))
    # The first feature stays first: it is the one from which the grid counts.
    mixed = lines[[0, 3, 1, 4, 2]]
    on = grid_places(mixed, 12 * SPACING_M)
    assert on.grid.tolist() == [0] * 5
    assert on.place.tolist() == [0, 3, 1, 4, 2]
    assert on.flipped.tolist() == [False, True, True, False, False]
    plan = plan_passes(mixed, bar_rows=12, planter_rows=16, spacing_m=SPACING_M)
    other = plan_passes(lines, bar_rows=12, planter_rows=16, spacing_m=SPACING_M)
    np.testing.assert_allclose(row_places(plan.line, 16, spin), row_places(other.line, 16, spin), atol=1e-6)


def test_the_plan_hangs_on_no_feature_and_no_travel():
    # 60 rows are three planter passes of 16 and one that runs over the edge: the same edge whichever way the
    # passes are driven, wherever the list begins, and however the field lies. Passes get longer to the left.
    lines, _ = bar_passes(5, 12)
    lines = np.array([shapely.LineString([(0, xy[0, 1]), (100 + 7 * k, xy[0, 1])])
                      for k, xy in enumerate(map(shapely.get_coordinates, lines))])  # fmt: skip
    reference = row_places(
        plan_passes(lines, bar_rows=12, planter_rows=16, spacing_m=SPACING_M).line, 16, np.eye(2)
    )
    for turn_deg in (0.0, 110.0, 200.0):
        turn = np.radians(turn_deg)
        spin = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
        for against in DIRECTIONS:
            driven = [shapely.reverse(line) if k in against else line for k, line in enumerate(lines)]
            mixed = np.roll(np.array(driven), int(turn_deg) // 50)
            mixed = shapely.transform(mixed, lambda xy, spin=spin: xy @ spin)
            plan = plan_passes(mixed, bar_rows=12, planter_rows=16, spacing_m=SPACING_M)
            np.testing.assert_allclose(row_places(plan.line, 16, spin), reference, atol=1e-6)


@pytest.mark.parametrize("first", range(4))
@pytest.mark.parametrize("against", [(), (0, 2)])
def test_any_pass_may_come_first(first, against):
    # Whichever feature is first in the layer, and whichever way it travels, the planter begins at one edge of
    # the field: 48 rows are three planter passes of 16, and the rows are those of the strips exactly.
    lines, spin = bar_passes(4, 12, against=against)
    mixed = np.roll(lines, -first)
    plan = plan_passes(mixed, bar_rows=12, planter_rows=16, spacing_m=SPACING_M)
    np.testing.assert_allclose(row_places(plan.line, 16, spin), 0.5 + np.arange(48), atol=1e-6)


def test_wavy_passes_keep_the_grid():
    # Passes beside a wavy first one; 16 behind 12: the planter's outer rows must lie on the strips of the
    # next pass.
    x = np.linspace(0, 150, 301)
    first = shapely.LineString(np.column_stack([x, 3 * np.sin(x / 25)]))
    lines = beside(first, 12 * SPACING_M * np.arange(4))[0]
    plan = plan_passes(lines, bar_rows=12, planter_rows=16, spacing_m=SPACING_M)
    strips = shapely.union_all(
        np.concatenate([beside(line, unit_distances(12, SPACING_M))[0] for line in lines])
    )
    for line in plan.line:
        for row in beside(line, unit_distances(16, SPACING_M))[0]:
            along = shapely.line_interpolate_point(row, np.linspace(0.1, 0.9, 9), normalized=True)
            assert shapely.distance(along, strips).max() < 2e-3


@pytest.mark.parametrize("planter_rows", [8, 16, 18, 24])
def test_a_part_of_a_field_with_fewer_passes_is_planted_too(planter_rows):
    # Six bar passes in the western part, three of them (places 2 to 4) go on in the east beyond a ditch.
    #   ======  ====      Where the bar pass under the planter's centre has no counterpart in the east,
    #   ======  ====      the planter still has to cover the strips of its neighbour.
    #   ======
    west = bar_passes(6, 12)[0]
    east = shapely.transform(bar_passes(5, 12)[0][2:], lambda xy: xy + [110.0, 0.0])
    plan = plan_passes(
        np.concatenate([west, east]), bar_rows=12, planter_rows=planter_rows, spacing_m=SPACING_M
    )
    in_east = np.array([shapely.get_coordinates(line)[0, 0] > 105 for line in plan.line])
    for part, strips in ((plan.line[~in_east], range(72)), (plan.line[in_east], range(24, 60))):
        grid = np.round(row_places(part, planter_rows, np.eye(2)) - 0.5).astype(int)
        assert len(set(grid)) == len(grid)
        assert set(strips) <= set(grid)
