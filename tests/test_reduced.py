"""Row length by pair and offset, made of all spans at once or of parts of them."""

import numpy as np
import pytest
from dug import error_of
from hypothesis import given
from hypothesis import strategies as st

from pipeline.core import pieces, reduced
from pipeline.core.offsets import NO_STRIP, ON_STRIP, Spans
from pipeline.core.pairs import Places
from pipeline.core.reduced import Reduced, Scale

MOST_M = 0.3


def some_spans(rng: np.random.Generator, count: int) -> tuple[Spans, np.ndarray]:
    """Invented spans of a few rows beside strips that bend, some without a strip, and the pair of each."""
    ends = np.sort(rng.uniform(0.0, 100.0, count + 1))
    turn = rng.normal(0.0, 0.2, count)
    offset = rng.uniform(-MOST_M, MOST_M, (2, count))
    spans = Spans(
        np.sort(rng.integers(0, 4, count)).astype(np.int32), np.zeros(count, np.int32),
        np.where(rng.random(count) < 0.2, NO_STRIP, ON_STRIP).astype(np.uint8), ends[:-1], ends[1:], *offset,
        np.cos(turn), np.sin(turn), rng.choice([-1, 1], count).astype(np.int8),
    )  # fmt: skip
    return spans, rng.integers(0, 3, count)


@given(st.integers(0, 2**32 - 1), st.integers(0, 60), st.integers(1, 9))
def test_parts_have_the_length_and_the_offsets_of_the_whole(seed, count, at_once):
    spans, pair = some_spans(np.random.default_rng(seed), count)
    on = np.flatnonzero(spans.kind == ON_STRIP)
    scale = Scale.over(spans, half_width_m=np.array([0.1]), wander_sd_m=0.01)
    mean = np.tile([1.0, 0.0], (3, 1))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(reduced, "_SPANS_AT_ONCE", at_once)
        made = Reduced.by_parts(spans, which=on, owner=spans.row[on], pair=pair[on], scale=scale, mean=mean)
    key, of_group = 3 * spans.row[on] + pair[on], 3 * made.groups.owner + made.groups.pair
    length, middle = spans.length_m[on], 0.5 * (spans.offset0_m + spans.offset1_m)[on]
    # By numpy: length of every row and pair, and its first moment, which a bin of 1 mm keeps to half its width.
    np.testing.assert_allclose(
        np.bincount(of_group, made.length_m.sum(axis=1), 12), np.bincount(key, length, 12), rtol=0, atol=1e-9
    )
    moment = np.bincount(of_group, made.length_m @ scale.offset_m, 12)
    np.testing.assert_allclose(moment, np.bincount(key, length * middle, 12), rtol=0, atol=1e-9)
    whole = Reduced.of(spans.take(on), spans.row[on], pair[on], scale, mean=mean)
    np.testing.assert_allclose(made.length_m.sum(axis=0), whole.length_m.sum(axis=0), rtol=0, atol=1e-9)
    # Directions: with the mean normals' length by owner, pair and heading as a sum of vectors.
    way = 2 * key + (spans.heading[on] > 0)
    of_way = 2 * of_group + (made.groups.heading > 0)
    for name in ("normal_x", "normal_y"):
        ours = np.bincount(of_way, made.groups.length_m * getattr(made.groups, name), 24)
        theirs = np.bincount(way, length * getattr(spans, name)[on], 24)
        # A mean of normals within half a bin of 8 degrees of it is made a unit one: longer by 1 - cos(4 deg) at most.
        np.testing.assert_allclose(ours, theirs, rtol=0, atol=0.0025 * 100.0)


@pytest.mark.parametrize("at_once", [1, 5, 17])
def test_odds_of_pieces_do_not_depend_on_how_many_spans_are_looked_at_at_once(monkeypatch, at_once):
    spans, strip = some_spans(np.random.default_rng(5), 40)
    places = Places(spans.row.astype(np.int64), np.zeros(40, np.int64), strip, np.full(40, 0.1))
    errors = {"one": error_of(passes=3)}
    cut = pieces.row_pieces(spans, places, errors)
    whole = pieces.miss_shares(cut, spans, places, errors)
    monkeypatch.setattr(pieces, "_SPANS_AT_ONCE", at_once)
    np.testing.assert_array_equal(pieces.miss_shares(cut, spans, places, errors), whole)
    assert np.isfinite(whole).any()
    assert np.isnan(whole).any()
