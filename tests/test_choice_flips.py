"""Where a price flips the choice, and from which area a tier pays: totals added up anew on either side, exactly."""

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from invented_farms import AREA_M2, TIERS, judged, named, stake, total, will_do

from pipeline.core.choice import FEE, LOSS, ONCE, WAITING, Standard, dominated_by
from pipeline.core.choice_flips import Flip, break_even, flips

DRIVERS = [(LOSS, None), (WAITING, None), *((part, tier) for part in (FEE, ONCE) for tier in range(3))]
# A hundredth of a cent in a hundred dollars.
NEARLY = Fraction(1, 10**6)


def only(found: list[Flip], driver: str, tier: int | None = None) -> Flip:
    (one,) = [flip for flip in found if (flip.driver, flip.tier) == (driver, tier)]
    return one


def cheapest(one, options, on_strip, driver, tier, x) -> list[int]:
    """Options that will do and cost least, with a driver at x times itself."""
    totals = {k: total(one, o, driver=driver, tier=tier, x=x) for k, o in enumerate(options) if will_do(one, o, on_strip)}
    return [k for k, cents in totals.items() if cents == min(totals.values())]


# --- by hand ---


def test_a_dearer_hour_of_waiting_flips_to_the_tier_that_waits_less():
    # Free loses 500.00 and never waits. Cheap loses 100.00 and waits for 200.00: 300.00 in all, and 500.00 at twice the
    # price of an hour. Dear stays behind both.
    one = stake([[50_000, 10_000, 90_000]], fee=(0, 0, 90_000), waiting=[[0, 20_000, 0]])
    options, best = judged(one)
    assert named(options, best) == ["cheap"]
    found = only(flips(options, one, best[0]), WAITING)
    assert (found.below, found.above, named(options, [found.above_option])) == (None, 2.0, ["free"])
    assert found.margin_cents == (30_000, 20_000, 10_000)  # 500 less 200, 300 and 400
    assert named(options, cheapest(one, options, None, WAITING, None, Fraction(199, 100))) == ["cheap"]
    assert named(options, cheapest(one, options, None, WAITING, None, Fraction(201, 100))) == ["free"]


def test_a_cheaper_hour_of_waiting_flips_to_the_tier_that_waits_more():
    # Free loses 300.00. Cheap loses 100.00 and waits for 400.00: it wins below half of the price of an hour.
    one = stake([[30_000, 10_000, 90_000]], fee=(0, 0, 90_000), waiting=[[0, 40_000, 0]])
    options, best = judged(one)
    assert named(options, best) == ["free"]
    found = only(flips(options, one, best[0]), WAITING)
    assert (found.below, named(options, [found.below_option]), found.above) == (0.5, ["cheap"], None)
    assert named(options, cheapest(one, options, None, WAITING, None, Fraction(49, 100))) == ["cheap"]
    assert named(options, cheapest(one, options, None, WAITING, None, Fraction(51, 100))) == ["free"]


def test_no_price_makes_a_tier_that_fails_the_choice():
    # Free would be the cheaper one if losses had less than half of their price, 600 x against 200 x + 200; but it leaves
    # 30,000 m of 100,000 off the strips. Dear keeps the standard too, and wins where a loss is dearer: 50 x + 1,000.
    one = stake([[60_000, 20_000, 5_000]], missed=[[30_000, 4_000, 1_000]])
    options, best = judged(one)
    free = only(flips(options, one, best[0]), LOSS)
    assert (free.below, named(options, [free.below_option])) == (0.5, ["free"])
    options, best = judged(one, Standard(0.95, 0.9))
    assert named(options, best) == ["cheap"]
    asked = only(flips(options, one, best[0]), LOSS)
    assert (asked.below, asked.below_option) == (None, None)
    # 150 x is 800 at 16 / 3.
    assert asked.above == pytest.approx(16 / 3) and named(options, [asked.above_option]) == ["dear"]


def test_no_price_makes_a_tier_out_of_reach_the_choice():
    # The same, free out of reach instead, where both fields are: no price of its own brings it in, nor any other.
    one = stake([[60_000, 20_000, 5_000]] * 2, reached=[[False, True, True]] * 2)
    options, best = judged(one)
    assert named(options, best) == ["cheap"]
    found = flips(options, one, best[0])
    assert found and {to for flip in found for to in (flip.below_option, flip.above_option)} <= {None, 2}
    assert only(found, LOSS).below is None


# --- any farm ---

cents = st.integers(0, 200_000)
by_tier = st.tuples(cents, cents, cents)
field = st.tuples(by_tier, by_tier, st.tuples(*[st.integers(0, 20_000)] * 3), st.tuples(*[st.booleans()] * 3))


@settings(max_examples=60)
@given(st.lists(field, min_size=1, max_size=3), by_tier, by_tier, st.sampled_from([None, 0.9]))
def test_flips_on_either_side(fields, fee, once, on_strip):
    loss, waiting, missed, reached = (list(one) for one in zip(*fields, strict=True))
    one = stake(loss, fee=fee, once=once, waiting=waiting, missed=missed, reached=reached)
    options, best = judged(one, Standard(on_strip, 0.9) if on_strip else None)
    least = cheapest(one, options, on_strip, "", None, 1)
    assert set(best) <= set(least) and bool(best) == bool(least)
    assert all(dominated_by(options)[k] in least for k in set(least) - set(best))  # the same total, and no reason to take it
    if not best:
        assert not any(will_do(one, option, on_strip) for option in options)
        return
    choice = best[0]
    found = flips(options, one, choice)
    others = [k for k, option in enumerate(options) if k != choice and will_do(one, option, on_strip)]
    for driver, tier in DRIVERS:
        at = {x: [total(one, o, driver=driver, tier=tier, x=Fraction(x)) for o in options] for x in ("0", "1/2", "1", "3/2")}
        if not others or all(at["0"][k] == at["1"][k] for k in (choice, *others)):
            assert not [flip for flip in found if (flip.driver, flip.tier) == (driver, tier)]
            continue
        flip = only(found, driver, tier)
        ahead = [min(at[x][k] for k in others) - at[x][choice] for x in ("1/2", "1", "3/2")]
        assert flip.margin_cents == pytest.approx([float(one) for one in ahead])
        for factor, to, beyond in ((flip.below, flip.below_option, 1 - NEARLY), (flip.above, flip.above_option, 1 + NEARLY)):
            if factor is None:
                far = Fraction(0) if beyond < 1 else Fraction(10**7)
                assert choice in cheapest(one, options, on_strip, driver, tier, far)
                continue
            x = Fraction(factor)
            assert (0 < x <= 1) if beyond < 1 else (x >= 1)
            for between in (1 + share * (x / beyond - 1) for share in (Fraction(1, 3), Fraction(1))):
                if (between - 1) * (beyond - 1) >= 0:
                    assert choice in cheapest(one, options, on_strip, driver, tier, between)
            assert to in others
            now = [total(one, o, driver=driver, tier=tier, x=x * beyond) for o in options]
            assert now[to] < now[choice]


@settings(max_examples=60)
@given(st.lists(field, min_size=1, max_size=3), by_tier, by_tier, st.booleans())
def test_break_even_on_either_side(fields, fee, once, by_area):
    loss, waiting, _, reached = (list(one) for one in zip(*fields, strict=True))
    one = stake(loss, fee=fee, once=once, waiting=waiting, reached=reached)
    options, _ = judged(one)
    whole = len(fields) * AREA_M2

    def fixed(k: int) -> int:
        return fee[k] + once[k] + (0 if by_area else sum(line[k] for line in waiting))

    def at(k: int, area_m2: float) -> Fraction:
        grows = sum(line[k] for line in loss) + (sum(line[k] for line in waiting) if by_area else 0)
        return fixed(k) + grows * Fraction(area_m2) / Fraction(whole)

    everywhere = [all(line[k] for line in reached) for k in range(3)]
    found = break_even(options, whole, waiting_by_area=by_area)
    assert found[3:] == [None] * (len(options) - 3)
    for k, even in enumerate(found[:3]):
        cheaper = [j for j in range(3) if everywhere[j] and fixed(j) < fixed(k)]
        assert (even is None) == (not everywhere[k] or not cheaper)
        if even is None:
            continue
        assert even.against in cheaper
        if np.isinf(even.area_m2):
            assert at(k, 1e15) >= at(even.against, 1e15)
            continue
        more, less = even.area_m2 * (1 + 1e-6), even.area_m2 * (1 - 1e-6)
        assert all(at(k, more) < at(j, more) for j in cheaper)
        assert at(k, less) > at(even.against, less)


def test_break_even_with_a_one_off_and_waiting_by_hand():
    # 40 ha. Free: 600 lost. Cheap: 200 fee, 100 a year of the one-off, 100 lost and 100 waited: 300 + 200 against 600 at
    # 40 ha. By area the gain is 600 - 200 = 400 in 40 ha, so 300 is earned by 30 ha; with waiting fixed 400 to be earned
    # at 500 in 40 ha, by 32 ha.
    one = stake([[60_000, 10_000, 90_000]], once=(0, 10_000, 0), waiting=[[0, 10_000, 0]])
    options, _ = judged(one)
    for by_area, hectares in ((True, 30.0), (False, 32.0)):
        even = break_even(options, AREA_M2, waiting_by_area=by_area)[1]
        assert (even.area_m2 / 1e4, TIERS[even.against]) == (pytest.approx(hectares), "free")
