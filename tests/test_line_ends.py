"""Ends of lines that turn away or back: what is dropped by arithmetic, and rows past such ends on both routes."""

import numpy as np
import pytest
import shapely
from helpers import SPACING_M, Field, tier_without_error
from test_overlap_core import count
from workflow import LENGTH_M, ROWS, boundaries, config, first_field, pass_lines, passes_of, run_steps, write_coop

from pipeline import columns as c
from pipeline.core.line_ends import TURNS, without_turned_ends
from pipeline.core.overlap import NO_STRIP
from pipeline.core.passes import clip_lines
from pipeline.files.store import read_geo

LINE = shapely.LineString
STUB_M, STOP_M, ROLL_BACK_M = (short_m for short_m, _ in TURNS)
TURNED = {
    "a nanometre back": [(20 - 1e-9, 0)],
    "a millimetre back": [(19.999, 0)],
    "a nanometre aside": [(20, 1e-9)],
    "4 cm aside": [(20, -0.04)],
    "jitter": [(20.01, 0.01), (19.995, -0.008)],
    "long jitter": [(20 + 0.01 * np.cos(2.4 * k), 0.01 * np.sin(2.4 * k)) for k in range(1, 100)],
    "0.2 m back": [(19.8, 0.01)],
    "0.2 m back on itself": [(19.8, 0)],
    "back in steps": [(19.9, 0.01), (19.85, 0.01), (19.6, -0.01)],
    "back by a rounded corner": [(20.005, 0.004), (20.002, 0.01), (19.7, 0.012)],
    "4 m back beside itself": [(16, 0.5)],
    "0.8 m back in steps": [(19.6, 0.02), (19.2, 0)],
    "to the vertex before": [(20.02, 0), (20, 0)],
}  # fmt: skip


def both_ends(end: list, *, far: bool = True, near: bool = True) -> shapely.LineString:
    """A line from 0 to 20 m with that end on it, and, in the mirror, at its start."""
    start = [(20 - x, y) for x, y in end[::-1]] if near else []
    return LINE([*start, (0, 0), (20, 0), *(end if far else [])])


def ends_at(line: shapely.LineString) -> list:
    return [tuple(xy) for xy in shapely.get_coordinates(without_turned_ends(np.array([line], object))[0])]


@pytest.mark.parametrize("end", TURNED)
@pytest.mark.parametrize(("far", "near"), [(True, False), (False, True), (True, True)])
def test_turned_ends_are_dropped_at_both_ends(end, far, near):
    #   0 ------------------------ 20
    #                        `------'   back, aside, or to and fro
    line = both_ends(TURNED[end], far=far, near=near)
    found = np.array(ends_at(line))
    # Nothing but a few centimetres onward is left beyond the stop, and that within the turn which is let pass.
    np.testing.assert_allclose(found[[0, -1]], [(0, 0), (20, 0)], atol=0.021)
    assert (np.diff(found[:, 0]) > 0).all()
    assert ends_at(line.reverse()) == ends_at(line)[::-1]


@pytest.mark.parametrize(
    "end",
    [[(20 + 1e-9, 0)], [(20.04, 0.02)],  # onward, aside by 27 degrees
     [(20 + STUB_M, STUB_M)],  # aside by 45 degrees, 7 cm
     [(20, STOP_M + 0.1)], [(18, 3)],  # square aside, and aside by 124 degrees
     [(20 - ROLL_BACK_M - 0.01, 0.01)], [(30, 0), (30, 10)], [(30, 0), (30, 4), (20, 4)]],
)  # fmt: skip
def test_other_lines_stay_the_same_objects(end):
    lines = np.array([both_ends(end), LINE([(0, 0), (0.01, 0)]), both_ends(end).reverse()], object)
    assert [one is other for one, other in zip(without_turned_ends(lines), lines, strict=True)] == [True] * 3


def test_a_way_out_and_back_keeps_its_half():
    # Half of the way is at the turn but for rounding, from whichever end it is added up.
    out = [(-284.3722134815809, 139.37536194328956), (-284.06937675013967, 139.3984939098879)]
    turn = (-283.51108839190965, 139.28775563206074)
    back = LINE([*out, turn, out[1], (out[0][0], out[0][1] + 1e-6)])
    for line in (back, back.reverse(), LINE([*out, turn, out[1], out[0]])):
        assert without_turned_ends(np.array([line], object))[0].length > 0.5


def test_a_closed_lap_has_no_ends():
    lap = LINE([(0, 0.3), (0, 0), (50, 0), (50, 50), (0, 50), (0, 0.3)])
    assert without_turned_ends(np.array([lap], object))[0] is lap


def test_ends_that_no_boundary_cut_stay_when_a_line_is_cut():
    # It begins outside, turns aside by 2 cm at its other end, in the field, and before that crosses its own way.
    line = LINE([(-5, 5), (8, 5), (8, 7), (4, 7), (4, 2), (4.02, 1.97)])
    parts, _, outside = clip_lines(np.array([line]), shapely.box(0, 0, 10, 10))
    assert outside[0] == pytest.approx(5.0, abs=1e-9)
    assert shapely.length(parts).sum() == pytest.approx(line.length - 5.0, abs=1e-9)


def test_no_line_vanishes_nor_is_eaten_up():
    # A spike of two equal legs: neither is the end of the other. A line of zigzags of 1 cm at right angles: half a metre of
    # either end at most.
    spike = LINE([(0, 0), (0.2, 0), (0, 0.001), (0.2, 0.002)])
    zigzag = LINE([(0.01 * k, 0.01 * (k % 2)) for k in range(3001)])
    kept = without_turned_ends(np.array([spike, zigzag], object))
    assert shapely.length(kept[0]) > 0.0
    assert kept[1].bounds[0] <= STOP_M and kept[1].bounds[2] >= 30.0 - STOP_M
    assert len(without_turned_ends(np.zeros(0, object))) == 0


@pytest.mark.parametrize("end", TURNED)
@pytest.mark.parametrize("reach_m", [0.5 * SPACING_M, 4 * SPACING_M])
def test_both_routes_end_a_strip_where_the_machine_stopped(end, reach_m):
    # The row goes on for 10 m past both ends: 20 m have no strip. At 0.05 m aside a turn of 30 degrees that is let pass
    # moves the end by 0.03 m at most, beside the 0.01 m that jitter is off.
    strips = without_turned_ends(np.array([both_ends(TURNED[end])], object))
    field = Field.of([LINE([(-10, 0.05), (30, 0.05)])], list(strips))
    counted, _ = count(field, tier_without_error(), cell_m=0.05, reach_m=reach_m)
    assert counted[0, 0, NO_STRIP] == pytest.approx(20.0, abs=0.1)
    assert field.apart()[0] == pytest.approx(20.0, abs=0.06)


def test_what_a_cut_leaves_at_its_ends_counts_as_outside():
    # The line goes over the boundary 2 cm after a corner: what is left of that piece is no row.
    #        | |
    #   -----|-'
    area = shapely.box(0, 0, 10, 10)
    parts, _, outside = clip_lines(np.array([LINE([(0, 5), (9, 9.98), (9, 12)])]), area)
    assert [tuple(xy) for xy in shapely.get_coordinates(parts)] == [(0, 5), (9, 9.98)]
    assert outside[0] == pytest.approx(2.02)


SHORT_M = 10.0


def rolled_back(line: shapely.LineString, back_m: float) -> shapely.LineString:
    """`SHORT_M` shorter at both ends, each with some way back from it."""
    at = np.array([SHORT_M + back_m, SHORT_M, LENGTH_M - SHORT_M, LENGTH_M - SHORT_M - back_m])
    return LINE(shapely.get_coordinates(shapely.line_interpolate_point(line, at)) + [[0, 0.01], [0, 0], [0, 0], [0, 0.01]])


@pytest.mark.parametrize("back_m", [0.2, 4.0])
@pytest.mark.parametrize("own", ["nearest", "pass_id"])
def test_rows_past_strips_with_the_stop_in_them(tmp_path, own, back_m):
    strips = passes_of(1).set_geometry([rolled_back(line, back_m) for line in pass_lines(0)], crs=passes_of(1).crs)
    write_coop(tmp_path, fields=boundaries(1), strips=strips, rows=passes_of(1))
    settings = config(tmp_path) | {"judging": {"own_strip": own}}
    settings["tiers"]["compare"] = ["rtk_base"]
    one = first_field(run_steps(settings, tmp_path))
    assert one[c.NO_STRIP_M] == pytest.approx(4 * ROWS * 2 * SHORT_M, rel=2e-3)
    assert one[c.RASTER_GAP_SHARE] <= one[c.RASTER_TOLERANCE_SHARE]
    # Every unit's line is whole and straight: the implement did not swing over to the other side of its stop.
    (laid,) = (tmp_path / "work/passes").glob("*/*/strip_lines.parquet")
    np.testing.assert_allclose(shapely.length(read_geo(laid).geometry.values), LENGTH_M - 2 * SHORT_M, rtol=1e-3)
