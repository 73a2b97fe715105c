"""The planter's own passes where no rows layer says: as wide as the bar, narrower, wider, or out of step."""

import numpy as np
import pytest
import shapely
from helpers import SPACING_M
from workflow import ORIGIN, boundaries, config, first_field, passes_of, run_steps, write_coop

from pipeline.core.passes import beside, unit_distances
from pipeline.core.planter import plan_passes
from pipeline.core.row_grids import grid_places
from pipeline.core.stretches import cut_at_zones
from pipeline.errors import CheckError
from pipeline.steps import passes as passes_step


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


WIDTH_M = 8 * SPACING_M


def field_with_headlands(ends: int, sides: int = 0) -> np.ndarray:
    """Twelve passes of 360 m, every other one the other way, and so many headland passes at each end and each side."""
    inner = [[(0.0, (k + 0.5) * WIDTH_M), (360.0, (k + 0.5) * WIDTH_M)][:: 1 if k % 2 else -1] for k in range(12)]
    across = [[(x, 0.0), (x, 12 * WIDTH_M)] for j in range(ends) for x in (-(j + 0.5) * WIDTH_M, 360 + (j + 0.5) * WIDTH_M)]
    beyond = [[(0.0, y), (360.0, y)] for j in range(sides) for y in (-(j + 0.5) * WIDTH_M, (12.5 + j) * WIDTH_M)]
    return shapely.linestrings(np.array(inner + across + beyond))


@pytest.mark.parametrize("planter_rows", [12, 16, 6])
@pytest.mark.parametrize("ends", [0, 1, 2, 3])
@pytest.mark.parametrize("first", [False, True])
def test_headlands_are_a_grid_of_their_own(ends, planter_rows, first):
    """As much is planted as there are strips, but for what a grid's last pass lays beyond them: by counting rows."""
    lines = field_with_headlands(ends)
    lines = lines[::-1] if first else lines
    plan = plan_passes(lines, bar_rows=8, planter_rows=planter_rows, spacing_m=SPACING_M)
    along = np.abs(np.diff(shapely.get_coordinates(plan.line).reshape(-1, 2, 2), axis=1)[:, 0]) @ [1.0, 0.0] > 1.0
    assert along.sum() == np.ceil(12 * 8 / planter_rows)  # 96 rows between the headlands
    assert (~along).sum() == 2 * np.ceil(ends * 8 / planter_rows)  # at both ends
    # Side by side without a gap, in both: whole passes from a common edge.
    y = np.sort(shapely.get_coordinates(shapely.centroid(plan.line[along]))[:, 1])
    np.testing.assert_allclose(np.diff(y), planter_rows * SPACING_M, atol=1e-6)


def test_a_ring_is_no_neighbour_of_the_passes_inside_it():
    inner = field_with_headlands(0)
    ring = shapely.LineString(shapely.box(-0.5 * WIDTH_M, -0.5 * WIDTH_M, 360 + 0.5 * WIDTH_M, 12.5 * WIDTH_M).exterior)
    for lines in (np.append(inner, ring), np.append([ring], inner)):
        grids = grid_places(lines, WIDTH_M)
        straight = shapely.length(lines) < 500.0
        assert len(set(grids.grid[straight])) == 1 and grids.grid[~straight][0] != grids.grid[straight][0]
        assert np.abs(np.diff(grids.place[straight])).tolist() == [1] * 11


@pytest.mark.parametrize("gap_m", [5.0, 100.0])
@pytest.mark.parametrize("seed", range(6))
def test_passes_on_both_sides_of_a_gap_are_on_one_grid_whichever_way_each_was_driven(gap_m, seed):
    """A waterway across all passes: each half has the places and directions that its passes have, by construction."""
    rng = np.random.default_rng(seed)
    number, half = np.repeat(np.arange(8), 2), np.tile([0, 1], 8)
    turned, order = rng.random(16) < 0.5, rng.permutation(16)
    start = half * (100.0 + gap_m)
    ends = np.stack([np.c_[start, number * WIDTH_M], np.c_[start + 100.0, number * WIDTH_M]], axis=1)
    ends[turned] = ends[turned, ::-1]
    lines = shapely.linestrings(ends)[order]
    grids = grid_places(lines, WIDTH_M)
    assert not grids.grid.any()
    first = order[0]
    sign = -1 if turned[first] else 1
    assert grids.place.tolist() == (sign * (number - number[first]))[order].tolist()
    assert grids.flipped.tolist() == (turned ^ turned[first])[order].tolist()


@pytest.mark.parametrize("seed", range(4))
def test_rings_driven_either_way_and_begun_anywhere_lie_one_inside_the_other(seed):
    rng = np.random.default_rng(seed)
    lines, turned = [], rng.random(6) < 0.5
    for k in range(6):
        at = rng.uniform(0, 2 * np.pi) + np.linspace(0, 2 * np.pi, 181)[:: -1 if turned[k] else 1]
        lines.append(shapely.LineString((100.0 - k * WIDTH_M) * np.c_[np.cos(at), np.sin(at)]))
    grids = grid_places(np.array(lines), WIDTH_M)
    # Counter-clockwise, the left of a ring is its inside.
    assert grids.place.tolist() == [(-k if turned[0] else k) for k in range(6)]
    assert grids.flipped.tolist() == (turned ^ turned[0]).tolist()


E, N = ORIGIN
BENT = {
    "an L": [(5, 10), (100, 10), (100, 45)],
    "a step": [(0, 10), (60, 10), (60, 14), (118, 14)],
    "a closed lap": [(5, 5), (100, 5), (100, 40), (5, 40), (5, 5)],
    "61 degrees": [(20, 10), (60, 10), (75, 10 + 15 * np.tan(np.radians(61)))],
}


def bent(name):
    """The field's passes, the first of them bent so."""
    passes = passes_of(1)
    shapes = [shapely.LineString([(E + x, N + y) for x, y in BENT[name]]), *passes.geometry[1:]]
    return passes.set_geometry(shapes, crs=passes.crs)


def judged(folder, *, strips, rows=None):
    """Figures of the one field; the planter follows the strips where there are no rows."""
    folder.mkdir()
    write_coop(folder, fields=boundaries(1), strips=strips, rows=rows)
    settings = config(folder, planter=rows is not None) | {"raster": {"cell": "0.5 m"}}
    settings["tiers"]["compare"] = ["rtk_base"]
    return first_field(run_steps(settings, folder))


@pytest.mark.parametrize("name", BENT)
def test_a_planter_that_follows_sharp_corners_plants_what_the_same_lines_as_rows_do(tmp_path, name):
    led = judged(tmp_path / "led", strips=bent(name))
    given = judged(tmp_path / "given", strips=bent(name), rows=bent(name))
    lengths = ["row_length_m", "holds_m", "misses_m", "crossing_m", "no_strip_m", "outside_m"]
    np.testing.assert_allclose(led[lengths].astype(float), given[lengths].astype(float), atol=0.01)
    assert led.row_count == given.row_count == 4 * 12


def no_numbers(*_):
    return np.array([shapely.LineString([(0, 0), (np.nan, 1), (2, 2)])]), False


def half_of_them(lines, zones):
    parts, line, inside = cut_at_zones(lines, zones)
    return parts[::2], line[::2], inside[::2]


@pytest.mark.filterwarnings("ignore:invalid value")
@pytest.mark.parametrize(
    ("name", "broken", "said"),
    [("beside", no_numbers, "no numbers"), ("cut_at_zones", half_of_them, r"rows of 57\d\d\.\d\d m were laid out")],
)
def test_rows_that_would_go_lost_end_the_run(tmp_path, monkeypatch, name, broken, said):
    monkeypatch.setattr(passes_step, name, broken)
    with pytest.raises(CheckError, match=f"field 'F0': .*{said}.*this is a fault of ours"):
        judged(tmp_path / "one", strips=passes_of(1))
