"""Samples of logged offsets: where they lie, which row speaks for its pass, and the audit of drawn fields."""

import time

import numpy as np
import pytest
import shapely
from helpers import SPACING_M, Field, straight

from pipeline.core.audit import audit
from pipeline.core.audit_samples import PIECE_GAP_M, Samples, samples_of
from pipeline.core.offsets import CROSSING, NO_STRIP, ON_STRIP, Spans
from pipeline.core.pairs import Places


def taken(field: Field, **how) -> Samples:
    spans = field.spans()
    return samples_of(spans, field.places(spans, 0.1), day=np.zeros(len(spans.row), int), **how)


def spans_of(row, start_m, end_m, offset0_m, offset1_m, kind) -> Spans:
    """Spans on strips along x, planter and strip going the same way."""
    n, one = len(row), np.ones(len(row))
    return Spans(
        np.asarray(row, np.int32), np.zeros(n, np.int32), np.asarray(kind, np.uint8), np.asarray(start_m, float),
        np.asarray(end_m, float), np.asarray(offset0_m, float), np.asarray(offset1_m, float), 0 * one, one,
        one.astype(np.int8),
    )  # fmt: skip


def places_of(row, planter_pass) -> Places:
    return Places(np.asarray(row), np.asarray(planter_pass), np.zeros(len(row), int), np.full(len(row), 0.1))


def test_samples_lie_at_the_middles_of_steps_on_the_line():
    # Three rows of 100 m that go from -5 to +7 cm beside their strips: 1 cm + 6 cm (x / 50 m - 1). Such a row is
    # 100 m (1 + 0.0012^2 / 2) long, which moves its last offset by 0.1 micrometre.
    got = taken(straight(3, shift_m=0.01, slope_m=0.06), step_m=4.0)
    np.testing.assert_allclose(got.along_m.reshape(3, 25), np.tile(np.arange(2.0, 100.0, 4.0), (3, 1)))
    np.testing.assert_allclose(got.offset_m, 0.01 + 0.06 * (got.along_m / 50.0 - 1.0), atol=1e-7)
    np.testing.assert_allclose(got.normal, np.tile([0.0, 1.0], (75, 1)), atol=1e-12)
    assert (got.heading == 1).all() and list(np.unique(got.planter_pass)) == [0, 1, 2]


def test_the_row_with_most_strip_speaks_for_its_pass():
    # Pass 0: row 0 has 10 m on strips, row 1 has 20 m and 5 m without; pass 1: its only row.
    kinds = [ON_STRIP, NO_STRIP, ON_STRIP, CROSSING, ON_STRIP]
    spans = spans_of([0, 0, 1, 1, 2], [0, 10, 0, 20, 0], [10, 40, 20, 25, 10], [1, 0, 2, 0, 3], [1, 0, 2, 0, 3], kinds)
    got = samples_of(spans, places_of([0, 0, 1, 1, 2], [0, 0, 0, 0, 1]), day=np.array([5, 5, 6, 6, 7]), step_m=10.0)
    assert list(got.offset_m) == [2.0, 2.0, 3.0] and list(got.along_m) == [5.0, 15.0, 5.0]
    assert list(got.planter_pass) == [0, 0, 1] and list(got.day) == [6, 6, 7]


def test_pieces_of_a_row_lie_one_after_the_other_far_apart():
    # A row cut in two by a pond, 20 m and 10 m, then the row of another pass that begins at zero again.
    spans = spans_of([0, 1, 2], [0, 0, 0], [20, 10, 10], [0, 0, 0], [0, 0, 0], [ON_STRIP] * 3)
    got = samples_of(spans, places_of([0, 0, 1], [0, 0, 1]), day=np.zeros(3, int), step_m=10.0)
    assert list(got.along_m) == [5.0, 15.0, 20.0 + PIECE_GAP_M + 5.0, 5.0]


def test_no_place_is_taken_twice_where_spans_join_inexactly():
    # The second begins a rounding before the first ends, and a sample lies just there.
    spans = spans_of([0, 0], [0, 15 - 2e-15], [15 + 2e-15, 30], [0, 0], [0, 0], [ON_STRIP] * 2)
    got = samples_of(spans, places_of([0, 0], [0, 0]), day=np.zeros(2, int), step_m=10.0)
    assert list(got.along_m) == [5.0, 15.0, 25.0]


def test_a_field_without_strips_has_no_samples():
    spans = spans_of([0], [0], [20], [0], [0], [NO_STRIP])
    assert len(samples_of(spans, places_of([0], [0]), day=np.zeros(1, int))) == 0


def test_a_drawn_field_gives_back_its_shift_and_its_bias():
    # Two blocks of six passes of four rows, one along x, one along y; the planter goes there and back, 2 cm left of
    # where it thinks, and its log lies 7 cm east and 4 cm south of the autumn's. Referee: shapely moves the lines.
    rows, strips, owner = [], [], []
    for k in range(48):
        along_x, back = k < 24, (k // 4) % 2 == 1
        across = SPACING_M * (k % 24)
        ends = [(0.0, across), (150.0, across)] if along_x else [(across + 300.0, 0.0), (across + 300.0, 150.0)]
        line = shapely.LineString(ends)
        strips.append(line)
        turned = shapely.reverse(line) if back else line
        aside = shapely.offset_curve(turned, 0.02)
        rows.append(shapely.transform(aside, lambda xy: xy + np.array([0.07, -0.04])))
        owner.append(k // 4)
    found = audit(taken(Field.of(rows, strips, row_pass=owner, strip_pass=owner)))
    day = found.days[0]
    assert day.rank == 2 and found.machine_separable and day.passes == 12
    got = (day.east.value_m, day.north.value_m, found.machine.value_m)
    np.testing.assert_allclose(got, (0.07, -0.04, 0.02), atol=1e-7)


@pytest.mark.parametrize("slant_m", [0.0, 40.0])
def test_rows_of_a_pass_are_not_averaged(slant_m):
    # Four rows whose ends slant: each begins elsewhere along the pass, the wave beside the strip is the same for all.
    x = np.linspace(0.0, 200.0, 401)
    waves, strips = [], []
    for k in range(4):
        inside = x[x >= slant_m * k / 4]
        y = SPACING_M * k
        strips.append(shapely.LineString([(0, y), (200, y)]))
        waves.append(shapely.LineString(np.column_stack([inside, y + 0.05 * np.sin(2 * np.pi * inside / 40.0)])))
    got = taken(Field.of(waves, strips, row_pass=[0] * 4, strip_pass=[0] * 4), step_m=2.5)
    # The full height of the wave, to what chords of half a metre cut off it.
    assert np.abs(got.offset_m).max() == pytest.approx(0.05, abs=0.001)
    assert got.offset_m.std() == pytest.approx(0.05 / np.sqrt(2), rel=0.02)


def test_the_spans_of_a_large_field_take_less_than_a_second():
    # 65 ha: 90 passes of 12 rows of 784 m, 770,040 spans.
    passes, rows, spans = 90, 12, 713
    row = np.repeat(np.arange(passes * rows), spans)
    start = np.tile(1.1 * np.arange(spans), passes * rows)
    wander = np.random.default_rng(1).normal(0.0, 0.02, (passes, spans + 1))
    offsets = [np.repeat(part[:, None], rows, axis=1).ravel() for part in (wander[:, :-1], wander[:, 1:])]
    large = spans_of(row, start, start + 1.1, *offsets, np.zeros(len(row)))
    places = places_of(row, row // rows)
    day = np.zeros(len(row), int)
    begin = time.perf_counter()
    got = samples_of(large, places, day=day)
    assert time.perf_counter() - begin < 1.0
    assert len(got) == passes * 156  # 784.3 m: the last middle of a step is at 777.5 m
