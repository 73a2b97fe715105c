"""Fields with headlands, laps and blocks apart: which passes lie on one grid, and how much the planter plants there."""

import numpy as np
import pytest
import shapely
from helpers import SPACING_M
from hypothesis import given
from hypothesis import strategies as st

from pipeline.core.planter import plan_passes
from pipeline.core.row_grids import grid_places

BAR_ROWS = 8
WIDTH_M = BAR_ROWS * SPACING_M
OUT_OF_STEP = [6, 12, 16]  # planter rows that do not divide the bar's


def inner_passes(count, *, start_m=0.0, length_m=360.0):
    """Straight passes side by side, driven to and fro."""
    ends = [[(start_m, k * WIDTH_M), (start_m + length_m, k * WIDTH_M)] for k in range(count)]
    return [shapely.LineString(end[::-1] if k % 2 else end) for k, end in enumerate(ends)]


def headland(count, inner_count, *, x_m, outward):
    """Passes across the ends of the inner ones, the first half a width off their ends."""
    south, north = -0.5 * WIDTH_M, (inner_count - 0.5) * WIDTH_M
    at = [x_m + outward * (k + 0.5) * WIDTH_M for k in range(count)]
    return [shapely.LineString([(x, south), (x, north)]) for x in at]


def planted_m(lines, planter_rows):
    plan = plan_passes(np.array(lines, object), bar_rows=BAR_ROWS, planter_rows=planter_rows, spacing_m=SPACING_M)
    return shapely.length(plan.line).sum() * planter_rows


def block_m(lines, planter_rows):
    """Row length of a block of equal passes: the whole planter passes that its rows take, the last one overhanging."""
    if not lines:
        return 0.0
    return -(-len(lines) * BAR_ROWS // planter_rows) * planter_rows * lines[0].length


def rounds(count, *, radius_m=60.0, begun_rad=0.0):
    """Concentric rings driven alternately left and right, each begun farther round than the one inside it."""
    out = []
    for k in range(count):
        turn = np.linspace(0, 2 * np.pi, 181) + k * begun_rad
        ring = shapely.LineString((radius_m + k * WIDTH_M) * np.column_stack([np.cos(turn), np.sin(turn)]))
        out.append(shapely.reverse(ring) if k % 2 else ring)
    return np.array(out, object)


def lines_of(plan):
    """The lines of a plan as a set, to the millimetre, whichever way they run."""
    lines = shapely.normalize(shapely.set_precision(plan.line, 1e-3, mode="pointwise"))
    return sorted(tuple(np.round(shapely.get_coordinates(line), 3).ravel() + 0.0) for line in lines)


@pytest.mark.parametrize("planter_rows", OUT_OF_STEP)
@pytest.mark.parametrize("headlands_first", [False, True])
@pytest.mark.parametrize(("west", "east"), [(1, 0), (2, 2)])
def test_headland_passes_are_planned_by_themselves(west, east, headlands_first, planter_rows):
    #  | | ============ | |     12 inner passes and the headland passes at each end: three blocks, and each takes
    #  | | ============ | |     as many whole planter passes as its rows ask for, as long as its strips are.
    inner = inner_passes(12)
    ends = [headland(west, 12, x_m=0.0, outward=-1), headland(east, 12, x_m=360.0, outward=1)]
    lines = [*ends[0], *ends[1], *inner] if headlands_first else [*inner, *ends[0], *ends[1]]
    expected = sum(block_m(block, planter_rows) for block in (inner, *ends))
    assert planted_m(lines, planter_rows) == pytest.approx(expected)


@pytest.mark.parametrize("planter_rows", OUT_OF_STEP)
def test_an_angled_pass_is_planned_by_itself(planter_rows):
    # A pass along a slanting boundary, 30 degrees to the field's passes: no multiple of their width lies between them.
    inner = inner_passes(12)
    slant = shapely.LineString([(0, -WIDTH_M), (150 * np.sqrt(3), -WIDTH_M - 150)])  # 300 m long
    assert planted_m([*inner, slant], planter_rows) == pytest.approx(
        block_m(inner, planter_rows) + block_m([slant], planter_rows)
    )


def test_a_closed_lap_round_the_field_lies_on_a_grid_of_its_own():
    # Every inner pass runs along a side of the lap, but the lap runs both ways along them and across their ends.
    corners = [(-20, -WIDTH_M), (380, -WIDTH_M), (380, 12 * WIDTH_M), (-20, 12 * WIDTH_M), (-20, -WIDTH_M)]
    for lap in (shapely.LineString(corners), shapely.LineString(corners[::-1])):
        for lines in ([*inner_passes(12), lap], [lap, *inner_passes(12)]):
            on = grid_places(np.array(lines, object), WIDTH_M)
            inside = np.array([not line.is_ring for line in lines])
            assert len(set(on.grid[inside])) == 1
            assert set(on.grid[~inside]).isdisjoint(on.grid[inside])
            assert on.place[inside].tolist() == list(range(12))


def test_the_plan_of_one_lap_hangs_on_no_travel():
    # Twelve rows behind eight: four run over, on the outside whichever way round the lap is driven and wherever begun.
    ring = rounds(1)[0]
    for lap in (ring, shapely.reverse(ring), *rounds(2, radius_m=60.0 - WIDTH_M, begun_rad=1.0)[1:]):
        plan = plan_passes(np.array([lap]), bar_rows=BAR_ROWS, planter_rows=12, spacing_m=SPACING_M)
        radius = np.hypot(*shapely.get_coordinates(plan.line).T)
        np.testing.assert_allclose(radius, 60.0 + 2 * SPACING_M, atol=0.05)


@pytest.mark.parametrize("begun_rad", [0.0, 0.7, 2.0])
def test_rings_are_placed_by_radius_and_turned_by_travel(begun_rad):
    # Counted to the left of a ring driven against the clock: inwards, so each wider one lies one place to the right.
    on = grid_places(rounds(8, begun_rad=begun_rad), WIDTH_M)
    assert on.grid.tolist() == [0] * 8
    assert on.place.tolist() == list(range(0, -8, -1))
    assert on.flipped.tolist() == [False, True] * 4


@pytest.mark.parametrize("gap_m", [5.0, 20.0, 100.0])
@pytest.mark.parametrize("by_side", [False, True])
def test_passes_go_on_in_line_beyond_a_waterway(gap_m, by_side):
    # Each pass is two, driven the same way: both halves have its place and its travel, however wide the gap.
    west, east = inner_passes(8, length_m=150.0), inner_passes(8, start_m=150.0 + gap_m, length_m=150.0)
    lines = [*west, *east] if by_side else [line for pair in zip(west, east, strict=True) for line in pair]
    on = grid_places(np.array(lines, object), WIDTH_M)
    true = np.round([line.centroid.y / WIDTH_M for line in lines]).astype(int)
    assert set(on.grid) == {0}
    assert on.place.tolist() == true.tolist()
    assert on.flipped.tolist() == (true % 2 == 1).tolist()
    assert planted_m(lines, 12) == pytest.approx(block_m(west, 12) + block_m(east, 12))


def torn(count, *, gap_m, bend_deg):
    """Passes of two halves of 400 m, one on the way of the other; the first turns aside over its last 3 m."""
    turn = np.radians(bend_deg)
    west = [[(0, y), (397, y), (397 + 3 * np.cos(turn), y + 3 * np.sin(turn))] for y in WIDTH_M * np.arange(count)]
    east = [[(400 + gap_m, y), (800 + gap_m, y)] for y in WIDTH_M * np.arange(count)]
    return [shapely.LineString(half) for pair in zip(west, east, strict=True) for half in pair]


def torn_arcs(count, *, gap_m, radius_m):
    """Passes of 800 m along circles, cut in their middle."""
    out = []
    for radius in radius_m + WIDTH_M * np.arange(count):
        for begin, end in ((-400.0, -0.5 * gap_m), (0.5 * gap_m, 400.0)):
            turn = -np.linspace(begin, end, 201) / radius  # with the clock, so that the next wider one lies to the left
            out.append(shapely.LineString(radius * np.column_stack([np.cos(turn), np.sin(turn)])))
    return out


TORN = {
    **{f"{bend} degrees, {gap} m": torn(12, gap_m=gap, bend_deg=bend) for bend in (-6, -4, -2, 2, 6) for gap in (10, 100)},
    **{f"on circles of {r} m, {gap} m": torn_arcs(12, gap_m=gap, radius_m=r) for r in (500, 760, 1500) for gap in (0, 10)},
}


@pytest.mark.parametrize("turned", [(), (0,), (1, 2, 5, 6, 12)])
@pytest.mark.parametrize("name", TORN)
def test_passes_go_on_in_line_though_they_curve_or_turn_aside_at_the_gap(name, turned):
    # Both halves of a pass have its place and, but where they are turned, its travel: by construction.
    lines = [shapely.reverse(line) if k in turned else line for k, line in enumerate(TORN[name])]
    on = grid_places(np.array(lines, object), WIDTH_M)
    sign = -1 if 0 in turned else 1
    assert set(on.grid) == {0}
    assert on.place.tolist() == (sign * np.repeat(np.arange(12), 2)).tolist()
    assert on.flipped.tolist() == [(k in turned) != (0 in turned) for k in range(24)]


def test_a_block_in_line_is_turned_as_its_own_travel_says():
    # The second block is driven west, the first pass east: it counts on to the north of the first pass all the same.
    ends = [[(0, 0), (100, 0)], [(300, 0), (200, 0)], [(300, WIDTH_M), (200, WIDTH_M)], [(0, WIDTH_M), (100, WIDTH_M)]]
    on = grid_places(np.array([shapely.LineString(end) for end in ends]), WIDTH_M)
    assert on.place.tolist() == [0, 0, 1, 1]
    assert on.flipped.tolist() == [False, True, True, False]


def test_a_block_abreast_beyond_a_gap_counts_from_its_own_edge():
    # Three passes of 8 rows are two of 12 exactly; 10.4 widths farther north there are three more, which are two as well.
    south = inner_passes(3)
    north = [shapely.transform(line, lambda xy: xy + [0.0, 10.4 * WIDTH_M]) for line in south]
    assert len(set(grid_places(np.array([*south, *north]), WIDTH_M).grid)) == 2
    assert planted_m([*south, *north], 12) == pytest.approx(2 * block_m(south, 12))
    assert block_m(south, 12) == pytest.approx(3 * BAR_ROWS * 360.0)


def test_a_headland_that_goes_round_one_corner_is_planted_round_it():
    # Beside the inner passes along one side and across their ends: no part of any strip may go without a planter pass.
    for corner in ([(-4, 80), (-4, -WIDTH_M), (360, -WIDTH_M)], [(-4, -20), (-4, 12 * WIDTH_M), (360, 12 * WIDTH_M)]):
        lines = np.array([*inner_passes(12), shapely.LineString(corner)], object)
        plan = plan_passes(lines, bar_rows=BAR_ROWS, planter_rows=12, spacing_m=SPACING_M)
        planted = shapely.union_all(shapely.buffer(plan.line, 6.01 * SPACING_M, cap_style="flat", join_style="mitre"))
        strips = shapely.union_all(shapely.buffer(lines, 3.5 * SPACING_M, cap_style="flat", join_style="mitre"))
        assert strips.difference(planted).area < 0.01 * strips.area


@given(st.integers(1, 9), st.integers(0, 3), st.integers(0, 3), st.sampled_from(OUT_OF_STEP), st.randoms())
def test_row_length_and_plan_hang_on_no_feature_and_no_travel(inner_count, west, east, planter_rows, random):
    # All strips are planted, and no more than the overhang of the last planter pass of each block comes on top.
    blocks = [
        inner_passes(inner_count),
        headland(west, inner_count, x_m=0.0, outward=-1),
        headland(east, inner_count, x_m=360.0, outward=1),
    ]
    blocks = [block for block in blocks if block]
    lines = [line for block in blocks for line in block]
    strips_m = sum(line.length for line in lines) * BAR_ROWS
    overhang_m = sum((planter_rows - 1) * block[0].length for block in blocks)
    assert strips_m * (1 - 1e-9) <= planted_m(lines, planter_rows) <= strips_m + overhang_m

    mixed = [shapely.reverse(line) if random.random() < 0.5 else line for line in lines]
    random.shuffle(mixed)
    plans = [
        plan_passes(np.array(some, object), bar_rows=BAR_ROWS, planter_rows=planter_rows, spacing_m=SPACING_M)
        for some in (lines, mixed)
    ]
    assert lines_of(plans[0]) == lines_of(plans[1])


@given(st.permutations(range(6)), st.lists(st.booleans(), min_size=6, max_size=6))
def test_the_plan_of_curved_passes_hangs_on_no_feature_and_no_travel(order, reverse):
    # Contour passes, two of them broken off half way: the same lines whatever the layer's order and travel.
    x = np.linspace(0, 300, 61)
    lines = [shapely.LineString(np.column_stack([x, k * WIDTH_M + 5 * np.sin(x / 60)])[: 31 if k > 3 else 61])
             for k in range(6)]  # fmt: skip
    mixed = [shapely.reverse(lines[k]) if reverse[k] else lines[k] for k in order]
    plans = [plan_passes(np.array(some, object), bar_rows=BAR_ROWS, planter_rows=12, spacing_m=SPACING_M)
             for some in (lines, mixed)]  # fmt: skip
    assert lines_of(plans[0]) == lines_of(plans[1])


def by_row(lines, row_count):
    """Stretches (west, east) that straight passes towards east or west lay on each grid row, by the row's number."""
    out = {}
    for line in lines:
        xy = shapely.get_coordinates(line)
        for row in np.rint(xy[0, 1] / SPACING_M + np.arange(row_count) - 0.5 * (row_count - 1) + 0.5 * (BAR_ROWS - 1)):
            out.setdefault(int(row), []).append((xy[:, 0].min(), xy[:, 0].max()))
    return {row: sorted(stretches) for row, stretches in out.items()}


def ragged_passes(ends):
    """Passes side by side from the first to the second of each pair of ends."""
    return np.array([shapely.LineString([(west, k * WIDTH_M), (east, k * WIDTH_M)]) for k, (west, east) in enumerate(ends)])


@given(
    st.lists(st.tuples(st.integers(-300, 0), st.integers(60, 400)), min_size=1, max_size=9),
    st.sampled_from([*OUT_OF_STEP, 10]),
    st.randoms(),
)
def test_strips_that_go_on_beside_the_end_of_their_neighbour_are_planted(ends, planter_rows, random):
    # Slanted ends, Ls and Ts. By intervals, row for row: of a strip less than two planter widths at each end lies under
    # no planter row, nothing lies under two, and neither the order nor the travel of the passes has a part in it.
    lines = ragged_passes(ends)
    plan = plan_passes(lines, bar_rows=BAR_ROWS, planter_rows=planter_rows, spacing_m=SPACING_M)
    planted, strips = by_row(plan.line, planter_rows), by_row(lines, BAR_ROWS)
    for stretches in planted.values():  # each begins where the one before it ends, or they would be two passes of a place
        assert all(after[0] == pytest.approx(before[1]) for before, after in zip(stretches[:-1], stretches[1:], strict=True))
    for row, [(west, east)] in strips.items():
        bare = [planted[row][0][0] - west, east - planted[row][-1][1]]
        assert max(bare) < 2 * planter_rows * SPACING_M + 1e-6
    mixed = [shapely.reverse(line) if random.random() < 0.5 else line for line in lines]
    random.shuffle(mixed)
    again = plan_passes(np.array(mixed), bar_rows=BAR_ROWS, planter_rows=planter_rows, spacing_m=SPACING_M)
    assert lines_of(again) == lines_of(plan)


@pytest.mark.parametrize("planter_rows", [12, 16])
def test_an_l_shaped_field_is_planted_whole_and_once(planter_rows):
    # Nine or ten short passes beside long ones: all row length of the strips, and what runs over at the far edge.
    for short in (9, 10):
        lines = ragged_passes([(0, 200 if k < short else 800) for k in range(20)])
        strips = by_row(lines, BAR_ROWS)
        plan = plan_passes(lines, bar_rows=BAR_ROWS, planter_rows=planter_rows, spacing_m=SPACING_M)
        on_strips = sum(end - begin for row, all_of in by_row(plan.line, planter_rows).items() if row in strips
                        for begin, end in [(begin, min(end, strips[row][0][1])) for begin, end in all_of])  # fmt: skip
        assert on_strips == pytest.approx(BAR_ROWS * shapely.length(lines).sum())


@pytest.mark.parametrize("planter_rows", [12, 16])
def test_neighbours_that_waver_are_not_planted_twice(planter_rows):
    # Twelve passes that sway by 0.4 m, each in its own phase: half a planter is never left between two of them.
    x = np.linspace(0, 500, 251)
    lines = np.array([
        shapely.LineString(np.column_stack([x, k * WIDTH_M + 0.4 * np.sin(x / 60 + 2.4 * k)])) for k in range(12)
    ])  # fmt: skip
    plan = plan_passes(lines, bar_rows=BAR_ROWS, planter_rows=planter_rows, spacing_m=SPACING_M)
    assert len(plan.line) == 12 * BAR_ROWS // planter_rows
