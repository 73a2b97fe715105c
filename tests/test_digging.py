"""Where to dig next: against exhaustive search, nested bins, and checks dug in simulated seasons.

How much is left after it is told, and tested, apart from this (`test_dig_left`).
"""

import itertools

import numpy as np
import pytest
from dug import checks_at, error_of, shift_at
from helpers import INCH, drawn_errors, tier
from scipy.special import ndtr

from pipeline.core.conditioning import Posterior
from pipeline.core.digging import next_places

HALF_WIDTH_M = 4 * INCH
TAPE_M = 0.25 * INCH
WANDER_M = 0.01


def share(shift, length):
    """Missed share of pairs of these lengths; half of a strip is 4 in, the wander smooths."""
    missed = ndtr((shift - HALF_WIDTH_M) / WANDER_M) + ndtr((-shift - HALF_WIDTH_M) / WANDER_M)
    return np.average(missed, axis=0, weights=length)


def field(*, passes=12, one=None):
    """Pairs of passes, two thirds across and one third along, in one day each."""
    error = error_of(one or tier(repeatable_m=0.3, pass_to_pass_m=0.12), passes=passes, wander_sd_m=WANDER_M)
    pair = np.arange(passes)
    angle = np.where(pair % 3 == 0, 0.0, np.pi / 2)
    heading = np.where(pair % 2, 1.0, -1.0)
    where = (pair, pair, heading[:, None] * np.column_stack([np.cos(angle), np.sin(angle)]), heading)
    return error, where


def offsets(season, where, seed=2):
    shift = shift_at(season, where)
    return shift + WANDER_M * np.random.default_rng(seed).standard_normal(shift.shape)


def binned_left(missed, measured, classes=14):
    """Standard deviation of the missed share within classes of two measured offsets: plain nested bins."""
    rank = [np.argsort(np.argsort(one)) * classes // len(one) for one in measured]
    box = rank[0]
    for one in range(classes):
        inside = rank[0] == one
        order = np.argsort(np.argsort(measured[1][inside])) * classes // inside.sum()
        box = np.where(inside, one * classes, box) if one == 0 else box
        box[inside] = one * classes + order
    count = np.bincount(box)
    mean = np.bincount(box, missed) / count
    # Unbiased within each class: few draws share one.
    return np.sqrt((np.bincount(box, missed**2) - count * mean**2).sum() / (len(missed) - len(count)))


def left_by_conditioning(error, where, chosen, length, *, truths=200, draws=512, seed=5):
    """Standard deviation of the missed share after digging, over seasons: conditions the model on each."""
    rng = np.random.default_rng(seed)
    truth = offsets(drawn_errors(error, draws=1024, seed=seed), where)
    prior = drawn_errors(error, draws=draws, seed=seed + 1)
    at = tuple(one[chosen] for one in where)
    left = []
    for k in range(truths):
        found = truth[chosen, k] + TAPE_M * rng.standard_normal(len(chosen))
        posterior = Posterior.of(error, checks_at(at, found, tape_sd_m=TAPE_M))
        after = posterior.conditioned(prior, np.zeros(draws), rng.standard_normal((len(chosen), draws)))
        left.append(share(shift_at(after, where), length).var())
    return np.sqrt(np.mean(left))


@pytest.mark.parametrize("repeatable_m", [0.15, 0.3, 0.9])
def test_two_places_are_nearly_the_best_pair(repeatable_m):
    # Referee: every pair of candidates, what is left computed by nested bins over many draws, no regression.
    error, where = field(one=tier(repeatable_m=repeatable_m, pass_to_pass_m=0.1))
    length = np.linspace(1.0, 3.0, 12)
    many = drawn_errors(error, draws=2**15, seed=1001)
    missed, measured = share(shift_at(many, where), length), offsets(many, where)
    measured = measured + TAPE_M * np.random.default_rng(3).standard_normal(measured.shape)
    every = {pair: binned_left(missed, measured[list(pair)]) for pair in itertools.combinations(range(12), 2)}
    told = {pair: missed.std() - left for pair, left in every.items()}
    for seed in range(1, 5):
        few = drawn_errors(error, draws=2048, seed=seed)
        greedy = next_places(
            share(shift_at(few, where), length), offsets(few, where), tape_sd_m=TAPE_M, count=2, seed=seed
        )
        chosen = tuple(sorted(greedy))
        # Greedy is not exhaustive, and 2,048 draws are not 32,768: nine tenths of what the best pair tells. A pair at
        # random would not do; which rank the chosen one has says nothing, for many differ by less than their noise.
        assert told[chosen] > 0.9 * max(told.values())
        assert np.mean(list(told.values())) < 0.8 * max(told.values())


def test_the_first_dig_beats_a_random_one():
    # Most of the length lies in passes that go one way; a check in the others says little of it.
    error, where = field()
    length = np.where(np.arange(12) % 3 == 0, 0.1, 1.0)
    season = drawn_errors(error, draws=2048, seed=1)
    found = next_places(share(shift_at(season, where), length), offsets(season, where), tape_sd_m=TAPE_M, count=1, seed=1)
    left = [left_by_conditioning(error, where, np.array([k]), length, truths=150) for k in range(12)]
    assert left[found[0]] < np.mean(left) - 0.005
    assert left[found[0]] < 1.05 * min(left)


@pytest.mark.parametrize("tells", [lambda y: y**2, np.abs, lambda y: np.abs(y) > 0.3])
def test_what_one_place_tells_wholly_is_found_at_once(tells):
    # The share is an even function of the third candidate alone: a parabola, a wedge, a step.
    y = np.random.default_rng(1).standard_normal((6, 2048))
    assert next_places(1.0 * tells(y[2]), y, tape_sd_m=1e-6, count=1, seed=1)[0] == 2


def test_a_product_of_two_places_is_found():
    # The fourth tells a little; of what is left y0 y3 is all, and y0 says nothing of that without y3.
    y = np.random.default_rng(1).standard_normal((6, 2048))
    found = next_places(y[0] * y[3] + 0.5 * y[3], y, tape_sd_m=1e-6, count=2, seed=1)
    assert found.tolist() == [3, 0]


def test_chance_chooses_no_place():
    # The third explains 1 % of the share's variance: more than four features explain of noise by chance (4 / 4,096),
    # less than the means of 32 classes would if they were taken from the very draws that they explain (32 / 4,096 more).
    for seed in range(8):
        rng = np.random.default_rng(seed)
        y = rng.standard_normal((6, 4096))
        missed = 0.1 * y[2] + np.sqrt(0.99) * rng.standard_normal(4096)
        assert next_places(missed, y, tape_sd_m=0.01, count=1, seed=seed)[0] == 2


def test_which_way_a_strip_was_drawn_changes_nothing():
    # A shift that all share and a little of their own; drawn the other way an offset changes its sign.
    rng = np.random.default_rng(1)
    shift = rng.standard_normal(2048)
    y = shift + 0.3 * rng.standard_normal((6, 2048))
    missed = (np.abs(shift) > 0.3) * 1.0
    flip = np.array([1.0, -1.0, 1.0, -1.0, -1.0, 1.0])[:, None]
    one, other = (next_places(missed, measured, tape_sd_m=0.0, count=4, seed=1) for measured in (y, flip * y))
    np.testing.assert_array_equal(other, one)


def test_no_place_twice():
    error, where = field()
    twice = tuple(np.concatenate([one, one]) for one in where)  # every pair has two candidates
    season = drawn_errors(error, draws=1024, seed=1)
    missed = share(shift_at(season, where), np.ones(12))
    found = next_places(missed, offsets(season, twice), tape_sd_m=TAPE_M, count=30, seed=1)
    assert sorted(found) == list(range(24))


def test_the_same_candidate_many_times_is_no_trouble():
    y = np.tile(np.random.default_rng(1).standard_normal(512), (5, 1))
    found = next_places(y[0] ** 2, y, tape_sd_m=0.0, count=5, seed=1)
    assert sorted(found) == [0, 1, 2, 3, 4]


@pytest.mark.parametrize("level", [0.0, 0.3, 1.0])
def test_nothing_to_learn(level):
    y = np.random.default_rng(1).standard_normal((4, 256))
    found = next_places(np.full(256, level, np.float32), y, tape_sd_m=0.01, count=2, seed=1)
    assert len(set(found.tolist())) == 2


def test_no_candidates():
    found = next_places(np.linspace(0, 1, 64), np.zeros((0, 64)), tape_sd_m=0.01, count=3, seed=1)
    assert found.shape == (0,)


def test_the_same_seed_gives_the_same_places():
    error, where = field()
    season = drawn_errors(error, draws=1024, seed=1)
    missed, measured = share(shift_at(season, where), np.ones(12)), offsets(season, where)
    one, other = (next_places(missed, measured, tape_sd_m=TAPE_M, count=4, seed=9) for _ in range(2))
    np.testing.assert_array_equal(one, other)
