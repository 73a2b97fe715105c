"""The reduced form that a page carries: lengths and means kept, and numbers that come back out of the text."""

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from scipy.sparse import csr_matrix

from pipeline.core.page_model import COARSE_MM, coarser
from pipeline.files.page_code import coordinates, packed, rings, sparse, steps, unpacked


@given(st.integers(0, 2**32 - 1), st.integers(1, 60), st.integers(-40, 40))
def test_coarser_bins_keep_length_and_mean(seed, bins, first):
    length = np.random.default_rng(seed).uniform(0.0, 9.0, (3, bins))
    out, begins = coarser(length, first)
    fine, wide = first + np.arange(bins), begins + COARSE_MM * np.arange(out.shape[1])
    assert begins % COARSE_MM == 0
    np.testing.assert_allclose(out.sum(axis=1), length.sum(axis=1))
    np.testing.assert_allclose(out @ wide, length @ fine, atol=1e-9)
    # Sharing a bin between two that lie a and 5 - a aside adds a (5 - a) to the mean square, 6 mm2 at most.
    more = (out @ wide**2 - length @ fine**2) / length.sum(axis=1)
    assert (more >= -1e-6).all() and (more <= 6.0 + 1e-6).all()


def test_an_offset_in_the_middle_of_a_coarse_bin_stays_there():
    out, first = coarser(np.array([[7.0]]), 10)
    assert out[0, (10 - first) // COARSE_MM] == 7.0 and out.sum() == 7.0


def test_steps_add_up_without_growing_error():
    values = np.random.default_rng(3).uniform(-1000.0, 1000.0, 500)
    np.testing.assert_allclose(0.1 * np.cumsum(steps(values, unit=0.1)), values, atol=0.05 + 1e-9)


def test_lines_come_back_to_half_a_unit():
    lines = np.array([shapely.LineString([(5, 7), (9.33, 8.21)]), shapely.LineString([(-4, 2), (0, 0), (3, 3.3)])], object)
    said = coordinates(lines, origin=(1.0, 2.0), unit=0.02)
    x, y = (0.02 * np.cumsum(said[axis]) for axis in "xy")
    assert said["n"] == [2, 3]
    np.testing.assert_allclose(np.c_[x, y] + (1.0, 2.0), shapely.get_coordinates(lines), atol=0.01 + 1e-9)


def test_rings_are_those_of_all_parts_and_holes():
    square = shapely.box(0, 0, 10, 10).difference(shapely.box(2, 2, 4, 4))
    found = rings(shapely.MultiPolygon([square, shapely.box(20, 0, 30, 10)]))
    assert sorted(shapely.length(found)) == [8.0, 40.0, 40.0]


def test_sparse_lengths_are_a_matrix_again():
    table = np.zeros((4, 50))
    table[0, 3:7], table[1, 49], table[3, 0] = [4.0, 0.0, 2.0, 1.0], 5.0, 3.0
    said = sparse(table, first=-25)
    ends = np.cumsum([0, *said["n"]])
    column = np.concatenate([np.arange(a, a + n) for a, n in zip(said["from"], said["n"], strict=True)])
    back = csr_matrix((np.array(said["v"]) * said["unit"], column, ends), shape=table.shape).toarray()
    np.testing.assert_allclose(back, table, atol=table.sum() / 1e6)


@pytest.mark.parametrize("value", [{"a": [1, 2, -3], "b": "\u20ac </script>"}, [], {"x": 0.125}])
def test_packed_text_holds_its_value_and_no_markup(value):
    text = packed(value)
    assert unpacked(text) == value and text == packed(value)
    assert set(text) <= set("ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/=")


def test_numbers_that_are_none_are_refused():
    with pytest.raises(ValueError, match="not JSON compliant"):
        packed({"x": float("nan")})
