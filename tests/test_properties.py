"""Properties of any field: what must change nothing, what must not get better, what is conserved."""

import numpy as np
import pytest
import shapely
from helpers import INCH, SPACING_M, Field, tier, tier_without_error
from hypothesis import given
from hypothesis import strategies as st

from pipeline.core.order import clock_of, working_order
from pipeline.core.passes import beside
from pipeline.core.tier import Tier

HALF_WIDTH_M = 4 * INCH

# Float rounding: coordinates of up to 1e4 m carry 2e-12 m, and a length where a class changes is that over
# the slope of the offset (1e-3 and less), so 1e-6 of the row length is far above rounding and far below any
# change. Expected lengths are binned by offset at 1 mm; the bin of a piece may change with the last bit, but
# its mean is kept and only the curvature of the odds counts, so they agree as well as the rounding of the
# offsets.
LENGTHS = {"rtol": 1e-6, "atol": 1e-6}

metres = st.floats(-0.35, 0.35, allow_nan=False)
repeatables = st.floats(0.005, 1.0)


@st.composite
def fields(draw, *, most=5):
    """Wavy strips with wavering rows, some rows longer than their strip, one crossing the lot."""
    count = draw(st.integers(1, most))
    height, length = draw(st.floats(0.0, 2.0)), draw(st.floats(20.0, 80.0))
    x = np.linspace(0, length, 41)
    base = np.column_stack([x, height * np.sin(x / 15)])
    centre = shapely.LineString(base)
    strips = beside(centre, SPACING_M * np.arange(count))[0]
    rows = []
    for strip in strips:
        xy = shapely.get_coordinates(strip).copy()
        xy[:, 1] += np.linspace(draw(metres), draw(metres), len(xy))
        xy[-1, 0] += draw(st.floats(0.0, 5.0))
        rows.append(shapely.LineString(xy))
    if draw(st.booleans()):
        rows.append(shapely.LineString([(length / 2, -10.0), (length / 2 + 0.3, 10.0)]))
    return Field.of(rows, strips)


def figures(field: Field, one: Tier) -> dict[str, np.ndarray]:
    """Class lengths and expected lengths, row by row [m]."""
    (found,) = field.judge(one, half_width_m=HALF_WIDTH_M)
    names = ("holds_m", "doubt_m", "misses_m", "expected_miss_m", "longest_miss_run_m")
    return {name: getattr(found, name) for name in names} | {"share": found.field_share}


def same(one: dict, other: dict, *, order=slice(None), share: bool = True):
    """Both have the same figures (not the longest run: where odds are even it hangs on one bit)."""
    for name in ("holds_m", "doubt_m", "misses_m", "expected_miss_m"):
        np.testing.assert_allclose(other[name], one[name][order], err_msg=name, **LENGTHS)
    if share:
        np.testing.assert_allclose(other["share"], one["share"], atol=1e-6)


@given(fields(), repeatables)
def test_lengths_are_conserved(field, repeatable_m):
    found = figures(field, tier(repeatable_m=repeatable_m))
    classes = sum(found[name].sum() for name in ("holds_m", "doubt_m", "misses_m"))
    assert classes + sum(field.apart()) == pytest.approx(shapely.length(field.rows).sum(), rel=1e-9)
    assert min(found[name].min() for name in found) >= -1e-9
    on_strips = found["holds_m"] + found["doubt_m"] + found["misses_m"]
    assert (found["expected_miss_m"] <= on_strips + 1e-6).all()
    # What misses even with the whole 95 % interval misses with at least 97.5 % (one side of the bound) ...
    assert (found["expected_miss_m"] >= 0.975 * found["misses_m"] - 1e-4).all()
    # ... and what holds misses with 5 % at most.
    assert (found["expected_miss_m"] <= on_strips - 0.95 * found["holds_m"] + 1e-4).all()


@given(st.lists(st.floats(-HALF_WIDTH_M, HALF_WIDTH_M), min_size=1, max_size=3), repeatables, repeatables)
def test_more_error_never_expects_fewer_missing_metres(shifts, one_m, other_m):
    # For a plan that lies on its strips: P(|o + e| <= h) falls with the error for every |o| <= h.
    strips = [shapely.LineString([(0, k * SPACING_M), (50, k * SPACING_M)]) for k in range(len(shifts))]
    rows = [shapely.LineString([(0, k * SPACING_M), (50, k * SPACING_M)]) for k in range(len(shifts))]
    rows = [shapely.transform(row, lambda xy, s=s: xy + [0, s]) for row, s in zip(rows, shifts, strict=True)]
    small, large = sorted((one_m, other_m))
    low, high = Field.of(rows, strips).judge(
        tier(repeatable_m=small), tier(repeatable_m=large), half_width_m=HALF_WIDTH_M
    )
    # An offset at the very edge is shared between two bins of 1 mm, one of them outside: half a bin of
    # density.
    room = 50 * 0.0005 * 1.96 / small * 0.4 + 1e-9 if max(map(abs, shifts)) > HALF_WIDTH_M - 0.002 else 1e-9
    assert (high.expected_miss_m >= low.expected_miss_m - room).all()
    assert (high.holds_m <= low.holds_m + 1e-9).all()


@given(fields(), repeatables)
def test_more_error_never_makes_more_rows_hold_or_surely_miss(field, repeatable_m):
    low, high = field.judge(
        tier(repeatable_m=repeatable_m), tier(repeatable_m=1.5 * repeatable_m), half_width_m=HALF_WIDTH_M
    )
    assert (high.holds_m <= low.holds_m + 1e-9).all()
    assert (high.misses_m <= low.misses_m + 1e-9).all()


@given(fields(), repeatables, st.data())
def test_reversing_passes_changes_nothing(field, repeatable_m, data):
    one = tier(repeatable_m=repeatable_m, pass_to_pass_m=repeatable_m / 2)
    turned = {}
    for name in ("rows", "strips"):
        lines = getattr(field, name).copy()
        which = np.array(data.draw(st.lists(st.booleans(), min_size=len(lines), max_size=len(lines))))
        lines[which] = shapely.reverse(lines[which])
        turned[name] = lines
    other = Field.of(turned["rows"], turned["strips"])
    same(figures(field, one), figures(other, one))


@given(fields(), repeatables, st.randoms(use_true_random=False))
def test_reordering_features_changes_nothing(field, repeatable_m, random):
    # The passes keep their times; only their place in the layer changes. The standard normals go by that
    # place, so the percentiles move by the noise of the draws, and are held against the Monte Carlo in
    # test_odds instead.
    one = tier(repeatable_m=repeatable_m, pass_to_pass_m=repeatable_m / 2)
    rows, strips = list(range(len(field.rows))), list(range(len(field.strips)))
    random.shuffle(rows), random.shuffle(strips)
    other = Field(
        field.rows[rows], field.strips[strips], np.arange(len(rows)), np.arange(len(strips)),
        field.row_time_s[rows], field.strip_time_s[strips],
    )  # fmt: skip
    before, after = figures(field, one), figures(other, one)
    same(before, after, order=rows, share=False)


@given(fields(), repeatables, st.floats(-5000, 5000), st.floats(-5000, 5000))
def test_moving_the_field_changes_nothing(field, repeatable_m, east_m, north_m):
    one = tier(repeatable_m=repeatable_m, pass_to_pass_m=repeatable_m / 2)
    same(figures(field, one), figures(field.moved(lambda xy: xy + [east_m, north_m]), one))


@given(fields(), repeatables, st.floats(0.0, 360.0))
def test_rotating_the_field_changes_nothing(field, repeatable_m, turn_deg):
    # Class lengths and expected lengths to rounding. (The draws are of east and north, so the percentiles of
    # a turned field are of other draws; those are held against the plain Monte Carlo in test_odds.)
    one = tier(repeatable_m=repeatable_m, pass_to_pass_m=repeatable_m / 2)
    turn = np.radians(turn_deg)
    spin = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    same(figures(field, one), figures(field.moved(lambda xy: xy @ spin), one), share=False)


@given(fields())
def test_no_error_is_the_bare_geometry(field):
    (found,) = field.judge(tier_without_error(), half_width_m=HALF_WIDTH_M)
    np.testing.assert_allclose(found.doubt_m, 0.0, atol=1e-9)
    np.testing.assert_allclose(found.expected_miss_m, found.misses_m, atol=1e-9)


@given(st.integers(2, 9), st.randoms(use_true_random=False), st.floats(0, 360))
def test_the_working_order_is_blind_to_features_and_travel(count, random, turn_deg):
    # Parallel passes in any order, driven any way: taken from one side of the field to the other.
    lines = np.array([shapely.LineString([(0, 9.0 * k), (300 + 5 * k, 9.0 * k)]) for k in range(count)])
    mixed = list(range(count))
    random.shuffle(mixed)
    driven = np.array([shapely.reverse(lines[k]) if random.random() < 0.5 else lines[k] for k in mixed])
    turn = np.radians(turn_deg)
    spin = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    driven = shapely.transform(driven, lambda xy: xy @ spin)
    taken = np.array(mixed)[working_order(driven)]
    assert taken.tolist() in (list(range(count)), list(range(count))[::-1])


@pytest.mark.parametrize("lean_m", [0.0, 0.001, -0.001])
@pytest.mark.parametrize("against", [(), (0, 1, 2, 3), (0, 2), (1, 2, 3)])
def test_passes_due_north_are_worked_from_one_side_whatever_their_travel(against, lean_m):
    # North is south driven back, and a millimetre in 400 m is rounding: the field is worked from its east edge each time.
    lines = [shapely.LineString([(9.0 * k, 0), (9.0 * k + lean_m, 400)]) for k in range(4)]
    driven = [shapely.reverse(line) if k in against else line for k, line in enumerate(lines)]
    assert working_order(np.array(driven)).tolist() == [3, 2, 1, 0]


@pytest.mark.parametrize("dense", range(4))
def test_rings_are_worked_outward_wherever_their_vertices_lie(dense):
    # Square rings 9 m apart, one with 200 more vertices in one corner: the way from the centre goes by length, and a
    # vertex more moves no line.
    rings = []
    for k in range(4):
        half = 60.0 + 9.0 * k
        more = [(half, y) for y in np.linspace(half - 5.0, half, 200, endpoint=False)] if k == dense else []
        rings.append([(half, -half), *more, (half, half), (-half, half), (-half, -half), (half, -half)])
    assert working_order(np.array([shapely.LineString(ring) for ring in rings])).tolist() == [0, 1, 2, 3]


def test_the_clock_without_times_goes_by_the_field_capacity():
    # Passes of 300 m and 9.144 m width at 2 m2/s: 1371.6 s each, middles at half of that and so on.
    lines = np.array([shapely.LineString([(0, 9.144 * k), (300, 9.144 * k)]) for k in range(3)])
    clock = clock_of(lines, np.full(3, np.nan), width_m=np.full(3, 9.144), capacity_m2_s=2.0)
    np.testing.assert_allclose(np.sort(clock.time_s), 1371.6 * np.array([0.5, 1.5, 2.5]))
    assert clock.visit_count == 1
