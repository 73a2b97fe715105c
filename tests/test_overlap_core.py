"""The raster route: cells counted by arithmetic, and the exact route within its tolerance, ever nearer."""

import numpy as np
import pytest
import shapely
from helpers import INCH, SPACING_M, Field, Tier, Z, straight, tier, tier_without_error, wave

from pipeline.core.cells import Cells
from pipeline.core.headings import CROSSING_ANGLE_DEG
from pipeline.core.overlap import (
    DOUBT,
    EMPTY,
    HOLDS,
    INDEX_CELL_M,
    MISSES,
    NO_STRIP,
    Bands,
    Grid,
    Lines,
    count_cells,
)
from pipeline.core.route_agreement import route_agreement
from pipeline.core.segments import Segments

LINE = shapely.LineString
HALF_WIDTH_M = 4 * INCH
CELLS_M = (0.4, 0.2, 0.1, 0.05)


def count(field: Field, *tiers: Tier, cell_m: float, belts: int = 1, grid_at=(0.0, 0.0), reach_m=None):
    """Row length by class (tiers, rows, 6) [m], and the painted grid (tiers, lines, columns)."""
    rows, strips = Segments.from_lines(field.rows), Segments.from_lines(field.strips)
    lines = Lines(
        rows, strips, Cells.over(strips.xy, size=INDEX_CELL_M),
        np.full(len(field.rows), 0.5 * field.spacing_m if reach_m is None else reach_m),
        np.full(len(field.rows), -1), np.full(len(field.strips), -1),
    )  # fmt: skip
    shape = (len(tiers), field.row_pass.max() + 1, field.strip_pass.max() + 1)
    bound = np.empty(shape)
    for k, one in enumerate(tiers):
        bound[k] = one.repeatable_m  # one tier in both operations: R itself
    bands = Bands(
        field.row_pass, np.arange(len(field.rows)), field.strip_pass,
        np.full(len(field.strips), HALF_WIDTH_M), bound,
    )  # fmt: skip
    west, south, east, north = shapely.total_bounds(field.rows)
    grid = Grid.around((west - grid_at[0], south, east, north + grid_at[1]), cell_m=cell_m)
    counted = np.zeros((len(tiers), len(field.rows), 6))
    painted = np.zeros((len(tiers), grid.lines, grid.columns), np.uint8)
    height = -(-grid.lines // belts)
    for first in range(0, grid.lines, height):
        window = np.zeros_like(painted[:, first : first + height])
        count_cells(
            lines,
            bands,
            grid,
            first_line=first,
            window=window,
            counted=counted,
            crossing_deg=CROSSING_ANGLE_DEG,
        )
        painted[:, first : first + height] = window
    return counted, painted


def slanting_field(count: int = 24) -> Field:
    """Wavy strips turned by 31 degrees, rows that wander across the class limits many times.

    The rows have a vertex every 2 m only: a piece of row ends at a cell's border or a vertex; with vertices
    nearer than the cells it would be the vertices that rule the error.
    """
    rng = np.random.default_rng(11)
    x = np.linspace(-5.0, 165.0, 681)
    base = np.column_stack([x, wave(x)])
    along = np.gradient(base, axis=0)
    normal = np.column_stack([-along[:, 1], along[:, 0]]) / np.hypot(*along.T)[:, None]
    turn = np.radians(31.0)
    spin = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    strips = [LINE((base + k * SPACING_M * normal) @ spin) for k in range(count)]
    rows = []
    for k in range(count):
        wander = 0.15 * np.sin(x / rng.uniform(4, 8) + rng.uniform(0, 6)) + rng.normal(0, 0.02)
        rows.append(LINE(((base + (k * SPACING_M + wander)[:, None] * normal) @ spin)[24:-40:8]))
    return Field.of(rows, strips)


def test_grid_holds_the_bounds_in_whole_cells():
    grid = Grid.around((0.25, -0.35, 10.05, 3.0), cell_m=0.1)
    assert (grid.west, grid.north) == pytest.approx((0.2, 3.0))
    assert (grid.columns, grid.lines) == (99, 34)


def test_a_row_along_the_cells():
    # One row of 10 m, 0.1016 - 0.05 m beside its strip at its start and as far beyond the edge at its end;
    # cells of 0.5 m; no error. |offset| passes the edge at 5 m, which is a border of the cells, so the count
    # is exact.
    #   10 cells that hold | 10 cells that miss
    strip = LINE([(-1, 0), (11, 0)])
    row = LINE([(0, HALF_WIDTH_M - 0.05), (10, HALF_WIDTH_M + 0.05)])
    counted, painted = count(Field.of([row], [strip]), tier_without_error(), cell_m=0.5)
    half = np.hypot(10, 0.1) / 2
    np.testing.assert_allclose(counted[0, 0], [0, half, 0, half, 0, 0], atol=1e-6)
    # The row ends on a border of cells, which opens one more column; nothing lies in it.
    assert painted[0, :, :-1].tolist() == [[HOLDS] * 10 + [MISSES] * 10]
    assert not painted[0, :, -1].any()


def test_every_tier_has_its_own_bands_in_one_pass():
    # Offset 0.05 m, h = 0.1016: holds to R = 0.0516, in doubt to R larger than 0.0516; misses need |o| - R >
    # h.
    field = straight(2, shift_m=0.05, length_m=30)
    tiers = [tier(repeatable_m=r) for r in (0.0, 0.05, 0.06, 1.0)]
    counted, painted = count(field, *tiers, cell_m=0.2)
    for k, code in enumerate((HOLDS, HOLDS, DOUBT, DOUBT)):
        np.testing.assert_allclose(counted[k, :, code], 30.0, rtol=1e-9)
        assert set(np.unique(painted[k])) <= {EMPTY, code}


def test_no_strip_and_crossing():
    # The strip ends at 20 m: 20 m hold, 10 m have no strip; a row square to the strip at x = 7.03 crosses it
    # for 2 x 0.381 m, and has no strip over the other 6 - 0.762 m.
    #        |
    #  ======|======-----
    #        |
    field = Field.of([LINE([(0, 0), (30, 0)]), LINE([(7.03, -3), (7.03, 3)])], [LINE([(-1, 0), (20, 0)])])
    counted, _ = count(field, tier_without_error(), cell_m=0.05)
    np.testing.assert_allclose(counted[0, 0], [0, 20, 0, 0, 10, 0], atol=0.05)
    np.testing.assert_allclose(counted[0, 1], [0, 0, 0, 0, 6 - 0.762, 0.762], atol=0.1)


@pytest.mark.parametrize("reach_m", [0.5 * SPACING_M, 4 * SPACING_M])
@pytest.mark.parametrize("step_m", [0.05, 0.15, 2.0, 5.0, 20.0])
def test_a_strip_ends_flat_however_short_its_last_segments(step_m, reach_m):
    # The strip lies from 0 to 20 m, the row from -10 to 30 m: 20 m of it have no strip. A last vertex a nanometre on, as an
    # intersection leaves, is an end as any other; one aside or back is dropped before (test_line_ends.py).
    #   ---|=|=|=|=|=|---
    strip = LINE([(x, 0.0) for x in [*np.linspace(0, 20, round(20 / step_m) + 1), 20 + 1e-9]])
    for way in (LINE([(-10, 0.05), (30, 0.05)]), LINE([(30, 0.05), (-10, 0.05)])):
        counted, _ = count(Field.of([way], [strip]), tier_without_error(), cell_m=0.05, reach_m=reach_m)
        np.testing.assert_allclose(counted[0, 0], [0, 20, 0, 0, 20, 0], atol=0.05)


@pytest.mark.parametrize("aside_m", [-0.3, -0.1, 0.0, 0.2, 0.35])
@pytest.mark.parametrize("step_m", [0.02, 0.1, 0.5])
@pytest.mark.parametrize("bend", [1, -1])
def test_rows_past_the_ends_of_bent_strips_against_flat_buffers(bend, step_m, aside_m):
    # An arc of 8 m radius, bent to either side; the row runs beside it, and straight on for 4 m at both ends. Referee:
    # what GEOS leaves of the row outside the strip's flat buffer.
    radius, angle = 8.0, np.linspace(0.0, 1.2, round(1.2 * 8.0 / step_m) + 1)
    out = np.column_stack([np.sin(angle), -bend * np.cos(angle)])
    strip = LINE(radius * out)
    along = [np.array([1.0, 0.0]), np.array([np.cos(1.2), bend * np.sin(1.2)])]
    beside = (radius + aside_m) * out
    row = LINE(np.vstack([beside[0] - 4.0 * along[0], beside, beside[-1] + 4.0 * along[1]]))
    field = Field.of([row], [strip])
    counted, _ = count(field, tier_without_error(), cell_m=0.02)
    flat = shapely.buffer(strip, 0.5 * SPACING_M, quad_segs=32, cap_style="flat")
    theirs = shapely.length(shapely.difference(row, flat))
    assert theirs == pytest.approx(8.0, abs=0.03)
    assert counted[0, 0, NO_STRIP] == pytest.approx(theirs, abs=0.03)
    assert field.apart()[0] == pytest.approx(theirs, abs=0.03)


def test_the_distance_to_a_wavering_strip_is_the_nearest_one():
    # Vertices every 5 cm that jitter by 3 mm, so that neighbours bend by five degrees and more, to both sides: the row lies
    # now in the wedge of two segments, now in that of others, never where there is no strip. Referee: shapely's distance.
    rng = np.random.default_rng(5)
    x = np.arange(0.0, 30.0, 0.05)
    strip = LINE(np.column_stack([x, rng.normal(0.0, 0.003, len(x))]))
    for aside_m in (HALF_WIDTH_M - 0.02, HALF_WIDTH_M, HALF_WIDTH_M + 0.005, 0.3):
        row = LINE([(1, aside_m), (29, aside_m)])
        counted, _ = count(Field.of([row], [strip]), tier_without_error(), cell_m=0.01)
        middle = shapely.points(1.0 + 0.01 * (np.arange(2800) + 0.5), aside_m)
        holds = 0.01 * (shapely.distance(middle, strip) <= HALF_WIDTH_M).sum()
        np.testing.assert_allclose(counted[0, 0], [0, holds, 0, 28 - holds, 0, 0], atol=0.011)


def test_a_finely_drawn_strip_is_one_strip():
    # Vertices 5 mm apart: 1,200 segments beside a planted segment of 6 m. The row lies on its strip's line.
    field = straight(1, length_m=12.0)
    fine = Field.of(field.rows, shapely.segmentize(field.strips, 0.005))
    counted, _ = count(fine, tier_without_error(), cell_m=0.1)
    assert counted[0, 0, HOLDS] == pytest.approx(12.0, rel=1e-12) and counted.sum() == pytest.approx(12.0, rel=1e-12)


def test_a_closed_ring_has_a_strip_all_the_way_round():
    angle = np.linspace(0, 2 * np.pi, 629)
    ring = np.column_stack([np.cos(angle), np.sin(angle)])
    ring[-1] = ring[0]
    rows = [LINE((10.0 + aside) * np.roll(ring[:-1], 100, axis=0)) for aside in (-0.3, -0.05, 0.05, 0.3)]
    counted, _ = count(Field.of(rows, [LINE(10.0 * ring)]), tier_without_error(), cell_m=0.02)
    assert counted[0, :, NO_STRIP].max() < 0.03


def test_row_length_is_conserved_and_belts_change_nothing():
    field = slanting_field(8)
    whole, painted = count(field, tier(repeatable_m=0.05), tier(repeatable_m=0.2), cell_m=0.13)
    belts, by_belts = count(field, tier(repeatable_m=0.05), tier(repeatable_m=0.2), cell_m=0.13, belts=7)
    np.testing.assert_allclose(whole.sum(axis=2), np.tile(shapely.length(field.rows), (2, 1)), rtol=1e-9)
    np.testing.assert_allclose(belts, whole, rtol=1e-9, atol=1e-9)
    np.testing.assert_array_equal(by_belts, painted)


def test_painted_cells_are_those_the_rows_cross():
    # Referee: shapely's intersection of each painted cell with the rows; and no row outside the painted
    # cells.
    field = slanting_field(2)
    cell = 1.0
    _, painted = count(field, tier(repeatable_m=0.05), cell_m=cell)
    west, _, _, north = shapely.total_bounds(field.rows)
    west, north = np.floor(west), np.ceil(north)
    line, column = np.nonzero(painted[0])
    boxes = shapely.box(
        west + column * cell, north - (line + 1) * cell, west + (column + 1) * cell, north - line * cell
    )
    rows = shapely.union_all(field.rows)
    assert (shapely.distance(boxes, rows) < 1e-9).all()
    outside = shapely.length(shapely.difference(rows, shapely.union_all(boxes)))
    assert outside < 1e-6


@pytest.mark.parametrize("repeatable_m", [0.0, 1 * INCH, 2 * INCH, 8 * INCH, 36 * INCH])
def test_both_routes_agree_within_the_tolerance(repeatable_m):
    field, one = slanting_field(), tier(repeatable_m=repeatable_m)
    spans = field.spans()
    counted, _ = count(field, one, cell_m=0.1)
    (found,) = field.judge(one, half_width_m=HALF_WIDTH_M)
    exact = np.column_stack([found.holds_m, found.doubt_m, found.misses_m])
    stated = route_agreement(
        spans, field.places(spans, HALF_WIDTH_M), {"t": field.error(one)}, counted, cell_m=0.1
    )["t"]  # fmt: skip
    gap = np.abs(counted[0, :, 1:4] - exact)
    assert (gap.max(axis=1) <= stated.tolerance_by_row_m).all()
    assert np.abs((counted[0, :, 1:4] - exact).sum(axis=0)).max() == pytest.approx(stated.gap_m, abs=1e-6)
    assert stated.gap_m <= stated.tolerance_m
    # In practice the signs even out: far inside the tolerance, and under half a per cent of the row length.
    assert stated.gap_m < 0.005 * shapely.length(field.rows).sum()


def test_the_difference_shrinks_with_the_cell():
    # A cell is wrong only where the class changes inside it, by its own size: an error of first order. Root
    # mean square over rows, classes, two tiers and five places of the grid; its logarithm against that of
    # the cell has slope one.
    field = slanting_field()
    tiers = [tier(repeatable_m=r) for r in (1 * INCH, 2 * INCH)]
    judged = field.judge(*tiers, half_width_m=HALF_WIDTH_M)
    exact = np.stack([np.column_stack([one.holds_m, one.doubt_m, one.misses_m]) for one in judged])
    error = []
    for cell_m in CELLS_M:
        gaps = [
            count(field, *tiers, cell_m=cell_m, grid_at=(k * 0.37, k * 0.23))[0][:, :, 1:4] - exact
            for k in range(5)
        ]
        error.append(np.sqrt(np.mean(np.square(gaps))))
    assert (np.diff(error) < 0).all()
    order = np.polyfit(np.log(CELLS_M), np.log(error), 1)[0]
    assert order == pytest.approx(1.0, abs=0.1), error


def test_a_wrong_count_would_be_noticed():
    # One per cent of the row length put into the wrong class exceeds the tolerance on rows that change class
    # twice.
    field, one = straight(6, slope_m=0.3, length_m=400.0), tier(repeatable_m=0.02)
    spans, cell_m = field.spans(), 0.1
    counted, _ = count(field, one, cell_m=cell_m)
    moved = counted.copy()
    shift = 0.01 * counted[0, :, 1:4].sum()
    moved[0, 0, 1] -= shift
    moved[0, 0, 3] += shift
    places, errors = field.places(spans, HALF_WIDTH_M), {"t": field.error(one)}
    right, wrong = (route_agreement(spans, places, errors, c, cell_m=cell_m)["t"] for c in (counted, moved))
    assert right.gap_m <= right.tolerance_m < wrong.gap_m
    assert field.error(one).sd(np.array([0]), np.array([0]))[0] * Z == pytest.approx(0.02)


@pytest.mark.parametrize("belts", [1, 2, 3, 7])
@pytest.mark.parametrize("y", [0.0, -1.2, 3.3, 12.8])
def test_a_row_on_the_border_of_cells_and_windows_is_counted_once(belts, y):
    # Along a border of cells a row lies in one line of them, whichever window that line is in.
    rows = [shapely.LineString([(0.0, y), (20.0, y)]), shapely.LineString([(0.0, 30.0), (20.0, 30.0)])]
    field = Field.of(rows, [shapely.LineString([(-5.0, y), (25.0, y)]), shapely.LineString([(-5.0, 30.0), (25.0, 30.0)])])
    counted, _ = count(field, tier(repeatable_m=0.02), cell_m=0.1, belts=belts)
    np.testing.assert_allclose(counted.sum(axis=(0, 2)), [20.0, 20.0], rtol=1e-12)
