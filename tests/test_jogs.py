"""Jogs within lines: what is left by geometry, and rows of a pass with a jog against those of a straight one."""

import numpy as np
import pytest
import shapely
from workflow import LENGTH_M, ROWS, boundaries, config, first_field, passes_of, run_steps, write_coop

from pipeline import columns as c
from pipeline.core.jogs import without_jogs
from pipeline.core.passes import beside

LINE = shapely.LineString
JOGS = {
    "a nanometre aside": [(60, 0), (60, 1e-9)],
    "a millimetre aside": [(60, 0), (60, 1e-3)],
    "a micrometre back": [(60, 0), (60 - 1e-6, 1e-6)],
    "a millimetre back": [(60, 0), (60 - 1e-3, 0)],
    "4 cm aside": [(60, 0), (60, 0.04)],
    "0.3 m back": [(60, 0), (59.7, 0.01)],
    "3 m back": [(60, 0), (57, 0.05)],
    "3 m back in steps": [*((60 - 0.1 * k, 0.01) for k in range(31)), *((57.13 + 0.13 * k, 0.02) for k in range(30))],
    "3 m back among vertices": [*((k, 0) for k in range(50, 61)), (57, 0.05), *((k + 0.5, 0.05) for k in range(57, 70))],
    "back by a rounded corner": [(60, 0), (60.005, 0.004), (60.002, 0.01), (59.7, 0.012)],
    "a spike of 0.3 m": [(60, 0), (60, 0.3), (60, 0)],
    "a spike of 3 m": [(60, 0), (59, 3), (60.05, 0)],
    "jitter": [(60 + 0.02 * np.cos(2.4 * k), 0.02 * np.sin(2.4 * k)) for k in range(20)],
    "two": [(40, 0), (40, 0.3), (40, 0), (80, 0), (78, 0.05)],
}  # fmt: skip


def jogged(name: str) -> shapely.LineString:
    """A straight pass of 120 m, and what happened on its way."""
    return LINE([(0, 0), *JOGS[name], (120, 0)])


def without(line: shapely.LineString) -> np.ndarray:
    return shapely.get_coordinates(without_jogs(np.array([line], object))[0])


@pytest.mark.parametrize("name", JOGS)
def test_jogs_within_a_straight_line_leave_it_straight(name):
    #   0 ------------------------ 60
    #                        57 `--------------------- 120
    found = without(jogged(name))
    assert tuple(found[0]) == (0, 0) and tuple(found[-1]) == (120, 0)
    assert (np.diff(found[:, 0]) > 0).all()
    np.testing.assert_allclose(found[:, 1], 0.0, atol=0.06)
    for line in without_jogs(np.array([jogged(name), jogged(name).reverse()], object)):
        # Units half an implement beside it are as long as it is, to the centimetre a bend of some degrees makes.
        np.testing.assert_allclose(shapely.length(beside(line, np.array([4.2, 0.0, -4.2]))[0]), 120.0, atol=0.3)


BENDS = {
    "a corner": [(0, 0), (50, 0), (50, 30)],
    "a chamfered corner": [(0, 0), (50, 0), (50.03, 0.03), (50.03, 30)],
    "a corner with a vertex before": [(0, 0), (49.97, 0), (50, 0), (50, 30)],
    "a sharp corner": [(0, 0), (50, 0), (0, 2)],
    "a sharp corner with a vertex before": [(0, 0), (48, 0), (50, 0), (0, 2)],
    "a way back beside itself": [*((k, 0) for k in range(50)), *((49 - k, 0.05) for k in range(45))],
    "a step that could be driven": [(0, 0), (50, 0), (50, 0.3), (100, 0.3)],
    "a step of 4 m": [(0, 0), (50, 0), (50, 4), (100, 4)],
    "two steps": [(0, 0), (50, 0), (50, 4), (54, 4), (54, 0), (100, 0)],
    "a turn of 3 m": [(0, 0), (50, 0), (50, 3), (0, 3)],
    "back by 6 m": [(0, 0), (50, 0), (44, 0.5), (100, 0)],
    "a contour": [(0.2 * k, 2 * np.sin(0.05 * k)) for k in range(500)],
    "a small circle": [(3 * np.cos(0.2 * k), 3 * np.sin(0.2 * k)) for k in range(60)],
    "a closed lap": [(0, 0), (50, 0), (50, 40), (0, 40), (0, 0)],
    "out and back": [(0, 0), (0.3, 0), (0, 0)],
}  # fmt: skip


@pytest.mark.parametrize("name", BENDS)
def test_true_bends_stay_the_same_objects(name):
    lines = np.array([LINE(BENDS[name]), LINE(BENDS[name]).reverse()], object)
    assert [one is other for one, other in zip(without_jogs(lines), lines, strict=True)] == [True] * 2


def test_vertices_nearer_than_a_centimetre_are_one():
    corner = without(LINE([(0, 0), (49.995, 0), (50, 0), (50, 0.005), (50, 30), (50, 30.004)]))
    np.testing.assert_allclose(corner, [(0, 0), (50, 0), (50, 30)], atol=0.006)
    tiny = LINE([(0, 0), (0.003, 0.001), (0.006, 0)])
    assert without_jogs(np.array([tiny], object))[0].length > 0.0


def test_a_jog_in_a_corner_leaves_the_corner():
    for jog in ([(50, 0), (50, 1e-9)], [(50, 0), (49.999, 0.001)], [(50, 0), (50, 0), (50 - 1e-9, 0)]):
        np.testing.assert_allclose(without(LINE([(0, 0), *jog, (50, 30)])), [(0, 0), (50, 0), (50, 30)], atol=2e-3)


def test_many_lines_at_once():
    lines = np.array([jogged(name) for name in JOGS] + [LINE(BENDS[name]) for name in BENDS], object)
    alone = [without_jogs(lines[k : k + 1])[0] for k in range(len(lines))]
    assert shapely.equals_exact(without_jogs(lines), alone).all()
    assert len(without_jogs(np.zeros(0, object))) == 0


def jog_on(line: shapely.LineString, name: str) -> shapely.LineString:
    """That jog on a pass from west to east."""
    (west, north), (east, _) = shapely.get_coordinates(line)
    return LINE([(west, north), *((west + x, north + y) for x, y in JOGS[name]), (east, north)])


@pytest.mark.parametrize("name", ["a nanometre aside", "a millimetre back", "a spike of 0.3 m", "3 m back"])
@pytest.mark.parametrize("sides", ["strips", "rows", "both"])
def test_a_pass_with_a_jog_has_the_rows_of_a_straight_one(tmp_path, name, sides):
    bare = passes_of(1)
    with_jog = bare.set_geometry([jog_on(bare.geometry[0], name), *bare.geometry[1:]], crs=bare.crs)
    strips, rows = bare if sides == "rows" else with_jog, bare if sides == "strips" else with_jog
    write_coop(tmp_path, fields=boundaries(1), strips=strips, rows=rows)
    settings = config(tmp_path) | {"raster": {"cell": "0.5 m"}}
    settings["tiers"]["compare"] = ["rtk_base"]
    one = first_field(run_steps(settings, tmp_path))
    # The layers' grid is UTM, 100 km from its meridian, and the field's own plane true to scale.
    grid_m = 0.9996 * (1.0 + 0.5 * (100.0 / 6380.0) ** 2)
    assert one.row_length_m == pytest.approx(4 * ROWS * LENGTH_M / grid_m, abs=0.1)
    assert one[c.CROSSING_M] == 0.0 and one[c.NO_STRIP_M] == pytest.approx(0.0, abs=0.05)
    assert one[c.RASTER_GAP_SHARE] <= one[c.RASTER_TOLERANCE_SHARE]
