"""Length over ground against pyproj's geodesics."""

import numpy as np
import pytest
from pyproj import Geod

from pipeline.core.ground import MOST_LATITUDE, SHORT_DEGREES, lengths_over_ground, with_vertices_between

GEOD = Geod(ellps="GRS80")


def lengths_of(*lines: list) -> np.ndarray:
    owner = np.repeat(np.arange(len(lines)), list(map(len, lines)))
    return lengths_over_ground(np.concatenate([np.array(line) for line in lines]), owner, len(lines), GEOD)


@pytest.mark.parametrize("latitude", [0.0, 41.5, -37.0, 62.0, MOST_LATITUDE - SHORT_DEGREES, 85.0])
@pytest.mark.parametrize("step", [1e-5, 1e-3, SHORT_DEGREES, 0.1])
def test_length_is_that_of_the_geodesics(latitude, step):
    turn = np.radians(np.arange(0, 360, 15))
    lines = [[(10.0, latitude), (10.0 + step * np.cos(a), latitude + step * np.sin(a))] for a in turn]
    geodesics = [GEOD.line_length(*zip(*line, strict=True)) for line in lines]
    assert lengths_of(*lines) == pytest.approx(geodesics, rel=3e-8)


def test_line_over_the_date_line():
    line = [(179.999, -17.0), (-179.999, -17.0)]
    assert lengths_of(line)[0] == pytest.approx(GEOD.inv(179.999, -17.0, -179.999, -17.0)[2])


@pytest.mark.parametrize("place", [(np.nan, 1.0), (np.inf, np.inf), (0.0, 91.0), (1e300, 1e300)])
def test_what_is_no_place_counts_as_nothing(place):
    line = [(10.0, 41.0), (10.001, 41.0), place]
    here = GEOD.inv(10.0, 41.0, 10.001, 41.0)[2]
    other = [(10.0, 41.0), (10.001, 41.0)]
    assert lengths_of(line, other, line) == pytest.approx([here] * 3, rel=3e-8)


def test_no_lines():
    assert lengths_over_ground(np.zeros((0, 2)), np.zeros(0, np.int64), 2, GEOD).tolist() == [0.0, 0.0]


def test_far_vertices_get_others_between_them_and_a_line_has_one_length_cut_or_not():
    xy = np.array([(10.0, 41.0), (10.7, 41.3), (10.7001, 41.3), (12.0, 0.0)])
    owner = np.array([0, 0, 0, 1])
    more, whose = with_vertices_between(xy, owner, longest=0.009)
    assert whose.tolist() == [0] * (len(more) - 1) + [1] and len(more) == 78 + 3  # 0.7 / 0.009 parts of the one long step
    assert np.diff(more[:78], axis=0) == pytest.approx(np.tile((xy[1] - xy[0]) / 78, (77, 1)))
    assert more[[0, 78, 79, 80]].tolist() == xy.tolist()
    middle = 0.37 * xy[0] + 0.63 * xy[1]
    whole, first, last = (
        lengths_over_ground(*with_vertices_between(np.array(line), np.zeros(2, np.int64), longest=0.009), 1, GEOD)[0]
        for line in ([xy[0], xy[1]], [xy[0], middle], [middle, xy[1]])
    )
    assert whole == pytest.approx(first + last, rel=1e-9)
    straight, bent = GEOD.line_length(*xy[:2].T), GEOD.line_length(*np.array([xy[0], middle, xy[1]]).T)
    assert bent > straight * (1 + 1e-6)  # so much a vertex more would make


@pytest.mark.parametrize("far", [359.998, 1e12, np.inf, np.nan])
def test_what_is_no_way_on_the_earth_gets_no_vertices(far):
    xy, owner = np.array([(0.0, 0.0), (far, 0.0)]), np.zeros(2, np.int64)
    assert len(with_vertices_between(xy, owner, longest=0.009)[0]) == 2
