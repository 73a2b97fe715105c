"""Length over ground against pyproj's geodesics."""

import numpy as np
import pytest
from pyproj import Geod

from pipeline.core.ground import MOST_LATITUDE, SHORT_DEGREES, lengths_over_ground

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
