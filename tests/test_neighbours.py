"""Distance between neighbouring passes, by arithmetic on lines laid out here."""

import numpy as np
import pytest
import shapely

from pipeline.core.neighbours import abreast_distances


def parallel(norths, *, length_m: float = 300.0) -> np.ndarray:
    x = np.linspace(0.0, length_m, 31)
    return np.array([shapely.LineString(np.column_stack([x, np.full(31, y)])) for y in norths], object)


def test_nearest_neighbour_of_each_line():
    # 0 - 9 - 18 . . 30: the last one's nearest is 12 m away.
    assert abreast_distances(parallel([0.0, 9.0, 18.0, 30.0])) == pytest.approx([9.0, 9.0, 9.0, 12.0])


def test_direction_of_travel_has_no_part():
    lines = parallel([0.0, 9.144, 18.288])
    lines[1] = shapely.reverse(lines[1])
    assert abreast_distances(lines) == pytest.approx(9.144)


def test_single_rows():
    assert abreast_distances(parallel(0.762 * np.arange(6))) == pytest.approx(0.762)


def test_a_pass_driven_again_is_no_neighbour():
    lines = parallel([0.0, 0.02, 9.0])
    assert abreast_distances(lines) == pytest.approx([9.0, 8.98, 8.98])


def test_rings_about_a_pivot():
    angle = np.linspace(0.1, 6.2, 400)
    rings = [shapely.LineString(r * np.column_stack([np.cos(angle), np.sin(angle)])) for r in (40.0, 46.0, 52.0)]
    # A chord of 400 in a circle lies at most r (1 - cos(step / 2)) = 0.0015 m inside it.
    assert abreast_distances(np.array(rings, object)) == pytest.approx(6.0, abs=0.002)


@pytest.mark.parametrize("norths", [[], [0.0], [0.0, 50.0]])
def test_nothing_is_found_where_no_line_is_near(norths):
    found = abreast_distances(parallel(norths))
    assert len(found) == len(norths) and np.isnan(found).all()


def test_passes_end_to_end_are_no_neighbours():
    left, right = parallel([0.0])[0], shapely.transform(parallel([0.0])[0], lambda xy: xy + [300.0, 0.0])
    assert np.isnan(abreast_distances(np.array([left, right], object))).all()
