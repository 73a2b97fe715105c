"""Offsets with places left out: numpy's interpolation as referee, on rows made up at random."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.core.offsets import CROSSING, NO_STRIP, ON_STRIP, Spans
from pipeline.core.thin import thin_offsets


def spans_of(line, start, end, offset0, offset1, kind=None) -> Spans:
    n = len(line)
    kind = np.zeros(n, np.uint8) if kind is None else np.asarray(kind, np.uint8)
    flat = np.zeros(n)
    return Spans(
        np.asarray(line, np.int32), np.zeros(n, np.int32), kind,
        *(np.asarray(v, float) for v in (start, end, offset0, offset1)), flat, flat + 1.0, np.ones(n, np.int8),
    )  # fmt: skip


@given(st.integers(0, 2**32 - 1), st.integers(2, 300), st.floats(0.001, 0.05))
def test_no_place_is_farther_off_than_told(seed, count, tolerance):
    rng = np.random.default_rng(seed)
    along = np.cumsum(rng.uniform(0.1, 10.0, count))
    offset = np.cumsum(rng.normal(0.0, 0.01, count))
    runs = thin_offsets(
        spans_of(np.zeros(count - 1), along[:-1], along[1:], offset[:-1], offset[1:]), np.zeros(count - 1, np.int64),
        tolerance_m=tolerance,
    )  # fmt: skip
    assert runs.count.tolist() == [len(runs.along_m)]
    assert (runs.along_m[[0, -1]] == along[[0, -1]]).all()
    # Between vertices of the one nothing bends in the other, so the vertices are the worst places.
    found = np.interp(along, runs.along_m, runs.offset_m)
    assert np.abs(found - offset).max() <= tolerance + 1e-12
    assert np.isin(runs.along_m, along).all()


@given(st.integers(0, 2**32 - 1), st.integers(2, 200), st.floats(0.001, 0.05), st.floats(0.0, 1.0))
def test_no_side_of_a_jump_is_farther_off_than_told(seed, count, tolerance, share):
    """Spans that begin up to the tolerance aside of where the one before ended; the line there is numpy's."""
    rng = np.random.default_rng(seed)
    along = np.cumsum(rng.uniform(0.1, 10.0, count + 1))
    offset0 = np.cumsum(rng.normal(0.0, 0.01, count))
    offset1 = np.append(offset0[1:] + share * tolerance * rng.uniform(-1.0, 1.0, count - 1), 0.0)
    runs = thin_offsets(
        spans_of(np.zeros(count), along[:-1], along[1:], offset0, offset1), np.zeros(count, np.int64), tolerance_m=tolerance
    )
    assert runs.count.tolist() == [len(runs.along_m)]
    for at, offset in ((along[:-1], offset0), (along[1:], offset1)):
        assert np.abs(np.interp(at, runs.along_m, runs.offset_m) - offset).max() <= tolerance + 1e-12


def test_the_far_side_of_a_jump_is_held_too():
    # Straight from 0 to -0.02 would pass the middle at -0.01, 0.0199 from where the second span begins.
    spans = spans_of([0, 0], [0.0, 1.0], [1.0, 2.0], [0.0, 0.0099], [0.0, -0.02])
    runs = thin_offsets(spans, np.zeros(2, np.int64), tolerance_m=0.01)
    assert runs.along_m.tolist() == [0.0, 1.0, 2.0] and runs.offset_m.tolist() == [0.0, 0.0, -0.02]


def test_a_straight_run_keeps_its_ends_alone():
    along = np.linspace(0.0, 500.0, 101)
    runs = thin_offsets(
        spans_of(np.zeros(100), along[:-1], along[1:], 0.001 * along[:-1], 0.001 * along[1:]), np.zeros(100, np.int64),
        tolerance_m=1e-6,
    )  # fmt: skip
    assert runs.along_m.tolist() == [0.0, 500.0] and runs.offset_m.tolist() == [0.0, 0.5]


def test_runs_end_where_line_key_or_row_end_and_where_the_offset_jumps():
    r"""Line 0: on a strip, over a gap, on another strip; line 1: without a strip, crossing, a jump of 0.2 m on one strip.

    ::

        line 0  [0--10] [12--20][20==30]      line 1  ..0-5..  xx5-9xx [9--12]|[12--15]
    """
    line = [0, 0, 0, 1, 1, 1, 1]
    start, end = [0, 12, 20, 0, 5, 9, 12], [10, 20, 30, 5, 9, 12, 15]
    offset0, offset1 = [0.0, 0.0, 0.1, np.nan, np.nan, 0.0, 0.2], [0.0, 0.0, 0.1, np.nan, np.nan, 0.0, 0.2]
    kind = [ON_STRIP] * 3 + [NO_STRIP, CROSSING] + [ON_STRIP] * 2
    key = np.array([4, 4, 6, -NO_STRIP, -CROSSING, 2, 2])
    runs = thin_offsets(spans_of(line, start, end, offset0, offset1, kind), key, tolerance_m=0.005)
    assert runs.line.tolist() == [0, 0, 0, 1, 1, 1, 1]
    assert runs.key.tolist() == key.tolist() and (runs.count == 2).all()
    np.testing.assert_array_equal(runs.along_m.reshape(-1, 2), np.column_stack([start, end]))
    assert runs.offset_m.reshape(-1, 2)[[0, 1, 2, 5, 6], 0].tolist() == [0.0, 0.0, 0.1, 0.0, 0.2]


def test_nothing_is_no_run():
    empty = spans_of(*[np.zeros(0)] * 5)
    runs = thin_offsets(empty, np.zeros(0, np.int64), tolerance_m=0.01)
    assert len(runs.line) == len(runs.along_m) == 0


@pytest.mark.parametrize("tolerance", [0.002, 0.02])
def test_a_wave_needs_few_places(tolerance):
    """A parabola of curvature k over a chord l departs from it by k l^2 / 8; places may lie no closer than half that l."""
    along = np.arange(0.0, 1000.0, 1.0)
    offset = 0.05 * np.sin(2 * np.pi * along / 100.0)
    runs = thin_offsets(
        spans_of(np.zeros(999), along[:-1], along[1:], offset[:-1], offset[1:]), np.zeros(999, np.int64),
        tolerance_m=tolerance,
    )  # fmt: skip
    chord = np.sqrt(8 * tolerance / (0.05 * (2 * np.pi / 100) ** 2))
    assert len(runs.along_m) < 2 * 1000 / chord + 2
