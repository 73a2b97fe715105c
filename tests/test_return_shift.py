"""Headings that the shift to give is told along: by arithmetic on directions made up."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.core.groups import Groups
from pipeline.core.return_shift import _by_heading


def groups_along(bearing_deg, length_m) -> Groups:
    """Groups of rows planted along compass bearings, each as its strip; left of (sin, cos) is (-cos, sin)."""
    compass, none = np.radians(np.asarray(bearing_deg, float)), np.zeros(len(bearing_deg), int)
    return Groups(none, none, none + 1, -np.cos(compass), np.sin(compass), np.asarray(length_m, float))


@pytest.mark.parametrize("about_deg", [0.0, 5.0, 45.0, 94.9, 355.0])
def test_one_heading_is_one_wherever_it_lies(about_deg):
    # Two strips 0.4 degrees apart and two that run back: two directions, each at the mean of its strips by their length.
    about = np.array([about_deg - 0.2, about_deg + 0.2, about_deg + 179.8, about_deg + 180.2])
    bearing, along, across = _by_heading(groups_along(about, [100.0, 100.0, 80.0, 80.0]), np.array([0.1, 0.0]))
    there = np.radians([about_deg, about_deg + 180.0])
    np.testing.assert_allclose(np.exp(1j * np.radians(bearing)), np.exp(1j * there), atol=1e-12)
    # 0.1 m east: along is its part forwards, across its part to the left.
    np.testing.assert_allclose(along, 0.1 * np.sin(there), atol=1e-12)
    np.testing.assert_allclose(across, -0.1 * np.cos(there), atol=1e-12)


@given(st.floats(0.0, 360.0), st.lists(st.floats(-4.0, 4.0), min_size=1, max_size=20))
def test_headings_that_waver_stay_apart_from_others(turn, waver):
    """Rows within 8 degrees of one another, and as many across them with half the length."""
    waver = np.array(waver)
    bearing = np.concatenate([turn + waver, turn + 90.0 + waver])
    length = np.repeat([100.0, 50.0], len(waver))
    found = _by_heading(groups_along(bearing, length), np.zeros(2))[0]
    mean = np.angle(np.exp(1j * np.radians(waver)).mean(), deg=True)
    expected = np.radians(turn + mean + np.array([0.0, 90.0]))
    np.testing.assert_allclose(np.exp(1j * np.radians(found)), np.exp(1j * expected), atol=1e-9)


def test_a_twentieth_of_the_length_is_too_little_for_a_name():
    found = _by_heading(groups_along([30.0, 100.0, 200.0], [90.0, 6.0, 4.0]), np.zeros(2))[0]
    np.testing.assert_allclose(found, [30.0, 100.0], atol=1e-9)
