"""The choice on invented farms: by arithmetic, and by totals recomputed on either side of what is said."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from invented_farms import judged, named, stake

from pipeline.core.choice import FEE, LOSS, ONCE, WAITING, Standard, dominated_by, not_exceeded, shared_cents
from pipeline.core.choice_flips import break_even, flips
from pipeline.core.field_loss import LEVELS


def test_a_field_of_a_pair_is_worked_under_the_one_that_loses_and_waits_less():
    # Free: 500 + 100 lost. Cheap: 0 + 99 lost, and 50 of waiting in each. Both, for nothing: cheap on the first field
    # (50 against 500), free on the second (100 against 149): 150.
    one = stake([[50_000, 0, 90_000], [10_000, 9_900, 90_000]], fee=(0, 0, 90_000), waiting=[[0, 5_000, 0]] * 2)
    options, best = judged(one)
    assert named(options, best) == ["free + cheap"]
    assert options[best[0]].total_cents == 15_000


def test_a_price_of_nothing_flips_nothing():
    # Equal fees: cheap loses half as much at any price above nothing, and at nothing both are the same.
    one = stake([[10_000, 5_000, 90_000]], fee=(100, 100, 90_000))
    options, best = judged(one)
    (loss,) = [flip for flip in flips(options, one, best[0]) if flip.driver == LOSS]
    assert (loss.below, loss.below_option) == (None, None)


def test_totals_by_hand():
    options, best = judged(stake([[60_000, 30_000, 5_000], [60_000, 30_000, 5_000]], waiting=[[0, 100, 200]] * 2))
    # Free: 1,200.00; cheap: 600 + 200 + 2; dear: 100 + 900 + 100 + 4.
    assert [one.total_cents for one in options] == [120_000, 80_200, 110_400]
    assert options[2].parts_cents == {LOSS: 10_000, WAITING: 400, FEE: 90_000, ONCE: 10_000}
    assert named(options, best) == ["cheap"]


def test_a_free_tier_wins_where_nothing_is_lost():
    options, best = judged(stake([[0, 0, 0]]))
    assert named(options, best) == ["free"] and options[0].total_cents == 0


def test_no_area_and_no_rows():
    none = stake([[0, 0, 0]])
    none = replace(none, area_m2=np.zeros(1), judged_m=np.zeros(1))
    options, best = judged(none, Standard(0.95, 0.9))
    assert best == [] and np.isnan([option.missed_share for option in options]).all()  # nothing to choose by
    assert judged(none)[1] == []
    assert break_even(options, 0.0, waiting_by_area=True) == [None] * len(options)


def test_a_tier_out_of_reach_is_never_recommended_however_cheap():
    one = stake([[90_000, 1_000, 90_000], [90_000, 1_000, 90_000]], reached=[[True, False, True], [True, True, True]])
    options, best = judged(one)
    assert not options[1].reaches and "cheap" not in named(options, best)
    # But where both are paid for it is used where it reaches.
    mixed = next(k for k, option in enumerate(options) if option.tiers == (0, 1))
    assert options[mixed].used.tolist() == [0, 1] and options[mixed].reaches
    assert named(options, best) == ["free + cheap"]  # 900 + 10 + 200 against 1,800 and 1,800 + 1,000


def test_ties_are_ties():
    options, best = judged(stake([[30_000, 10_000, 5_000]], fee=(0, 20_000, 90_000)))
    assert named(options, best) == ["cheap", "free"]  # cheap loses, and so misses, less


def test_of_two_that_cost_the_same_the_one_that_is_dominated_is_not_recommended():
    # Nothing is lost by the rows that are off; free and cheap cost nothing, and cheap has fewer off.
    one = stake([[0, 0, 0]], fee=(0, 0, 90_000), once=(0, 0, 0), missed=[[9_000, 2_000, 1_000]])
    options, best = judged(one)
    assert named(options, best) == ["cheap"] and dominated_by(options)[0] == 1
    alike = stake([[0, 0, 0]], fee=(0, 0, 90_000), once=(0, 0, 0), missed=[[2_000, 2_000, 1_000]])
    assert named(*judged(alike)) == ["free", "cheap"]


def test_the_standard_goes_before_the_price():
    one = stake([[1_000, 500, 0]], missed=[[30_000, 6_000, 1_000]])
    assert named(*judged(one)) == ["free"]
    options, best = judged(one, Standard(on_strip=0.95, springs=0.9))  # 5,000 m of 100,000 may be off
    assert [option.meets for option in options[:3]] == [False, False, True] and named(options, best) == ["dear"]
    assert judged(one, Standard(on_strip=0.999, springs=0.9))[1] == []


def test_nine_of_ten_springs_is_the_ninetieth_percentile():
    one = stake([[0, 0, 0]])
    # In 8 % of springs all is lost, in the others nothing: nine of ten are kept, 19 of 20 are not.
    missed = np.where(np.arange(LEVELS) >= 0.92 * LEVELS, 1e5, 0.0)
    one = replace(one, missed_levels_m=np.broadcast_to(missed, (1, 3, LEVELS)))
    assert all(option.meets for option in judged(one, Standard(0.95, 0.9))[0])
    assert not any(option.meets for option in judged(one, Standard(0.95, 0.95))[0])


def test_independent_fields_of_a_farm():
    # The sum of n independent uniform losses has n/2 and n/12 of mean and variance, and is nearly normal (central limit).
    fields = 20
    one = stake([[50, 50, 50]] * fields)
    uniform = (np.arange(LEVELS) + 0.5) / LEVELS
    one = replace(one, loss_levels_cents=np.broadcast_to(uniform, (fields, 3, LEVELS)))
    springs = judged(one)[0][0].loss_springs
    p10, p90 = np.quantile(springs, [0.1, 0.9])
    assert springs.mean() == pytest.approx(fields / 2, rel=1e-6)
    assert (p90 - p10) == pytest.approx(2 * 1.2816 * np.sqrt(fields / 12), rel=0.05)


@given(st.lists(st.integers(0, 10**6), min_size=LEVELS, max_size=LEVELS), st.sampled_from([0.1, 0.5, 0.8, 0.9, 0.95]))
def test_a_farm_of_one_field_has_the_percentiles_of_its_field(levels, share):
    levels = np.sort(np.array(levels, float))
    one = stake([[50, 50, 50]])
    one = replace(one, loss_levels_cents=np.broadcast_to(levels, (1, 3, LEVELS)))
    springs = judged(one)[0][0].loss_springs
    found = not_exceeded(springs, share)
    assert found == not_exceeded(levels, share)
    # The definition: no spring of so large a share is worse, and of any smaller figure that cannot be said.
    assert np.mean(springs <= found) >= share > np.mean(springs < found)


def test_dominated():
    # Dear costs more for certain and loses as much as cheap: dominated; cheap loses less than free: it is not.
    options, _ = judged(stake([[60_000, 30_000, 30_000]]))
    assert dominated_by(options[:3]) == [None, None, 1]


@given(st.integers(0, 10**9), st.lists(st.floats(0, 1e7), min_size=1, max_size=30))
def test_shared_cents_add_up(whole, weight):
    shares = shared_cents(whole, np.array(weight))
    assert shares.sum() == whole and (shares >= 0).all()
    if sum(weight) > 0:
        # None is more than a cent off its exact share.
        assert np.abs(shares - whole * np.array(weight) / sum(weight)).max() <= 1.0 + 1e-6 * whole
