"""Every sentence about a choice: each is reached, and what stands in it is computed here from the farm's own figures."""

import re
from dataclasses import replace
from decimal import ROUND_HALF_UP, Context, Decimal

import numpy as np
import pytest
from invented_farms import ROWS_M, chosen, stake, total

from pipeline.core.choice import Standard
from pipeline.core.field_loss import LEVELS
from pipeline.files.choice_lines import choice_lines
from pipeline.files.choice_words import UNKNOWN_REACH, factor_text, money_words, rows_text, sentences

ASKED = {"on_strip": 0.95, "springs": 0.9}
MILE_M = 1609.344
LOSSES = [[60_000, 30_000, 5_000], [60_000, 30_000, 5_000]]


def dollars(cents: int) -> str:
    """To two digits, as Decimal rounds."""
    return f"about {Decimal(cents).scaleb(-2).normalize(Context(prec=2, rounding=ROUND_HALF_UP)):,f} USD"


def said(one, **how) -> str:
    return sentences(chosen(one, **how), units="us")


def reasons(one, **how) -> dict[str, str]:
    """Of a farm's options."""
    lines = choice_lines(chosen(one, **how), "us")
    return {line["option"]: line["reason"] for line in lines if line["level"] == "farm"}


# --- what is recommended ---


def test_the_cheapest_and_its_figures():
    # Each field has 100,000 m of rows, of which 25,000 are off under cheap, half of what is off under free.
    one = stake(LOSSES)
    cheap = chosen(one).options[1]
    assert total(one, cheap) == 2 * 30_000 + 20_000
    text = said(one)
    assert text.startswith("Invented: cheap is the cheapest that will do. ")
    held = 100 - 100 * 2 * 25_000 // int(2 * ROWS_M)
    assert (
        f"It is expected to hold {held} % of the row length and costs {dollars(80_000)} a year, {dollars(60_000)} of it for "
        "rows beside their strips." in text
    )


def test_the_next_cheaper_tier_and_its_worst_spring_in_ten():
    # Free is off on 100,000 of 200,000 m; in a fifth of the springs on 80 % more and in the others on a fifth less.
    one = stake(LOSSES, missed=[[50_000, 25_000, 5_000]] * 2)
    levels = one.missed_levels_m.copy()
    levels[:, 0] = np.where(np.arange(LEVELS) < 0.8 * LEVELS, 40_000.0, 90_000.0)
    always = said(one)
    assert always.count("The next cheaper tier to have") == 1
    assert "The next cheaper tier to have, free, would put about 1 row in 2 off its strip on average." in always
    text = said(replace(one, missed_levels_m=levels))
    # Two fields that are bad one spring in five each are both bad in one of 25, and one at least is in nine of 25: in one
    # spring of ten 40,000 + 90,000 m or more of 200,000 are off.
    assert (
        "free, would put about 1 row in 2 off its strip on average, and about 2 rows in 3 or more in one spring of ten."
        in text
    )


def test_what_is_rare_and_large_is_told_by_the_springs_without_it():
    # Of 100,000 m nothing is off in 95 springs of 100 and all in five: a mean of 1 row in 20.
    one = stake([[9_000_000, 0, 0]], missed=[[5_000, 0, 0]])
    levels = one.missed_levels_m.copy()
    levels[:, 0] = np.where(np.arange(LEVELS) < 0.95 * LEVELS, 0.0, ROWS_M)
    assert "free, would put about 1 row in 20 off its strip on average, but hardly a row in nine springs of ten." in said(
        replace(one, missed_levels_m=levels)
    )


def test_nothing_is_cheaper_to_have_than_what_costs_least():
    text = said(stake([[100, 0, 0]]))
    assert text.startswith("Invented: free is the cheapest") and "next cheaper" not in text


def test_what_comes_to_the_same():
    one = stake([[30_000, 10_000, 5_000]], fee=(0, 20_000, 90_000))
    # 300 lost, or 100 and a fee of 200; free is off on half the length, cheap on a third of that.
    assert said(one).startswith(
        "Invented: cheap and free come to the same, about 300 USD a year. Of the row length cheap is expected to hold "
        "83 % and free is expected to hold 50 %. "
    )
    assert " would be cheaper if " in said(one) and "any lower than what was given." in said(one)
    found = reasons(one)
    assert found["free"] == "recommended as well as cheap, which costs the same"
    assert found["cheap"] == "recommended as well as free, which costs the same"
    assert found["dear"] == "in reach, and its total is higher"


def test_rows_that_are_counted_and_not_priced():
    text = said(stake([[0, 0, 0]], missed=[[12_000, 1_000, 0]]), curve=False)
    assert "hold 88 % of the row length and costs nothing (USD) a year; rows are counted, not priced." in text


def test_what_was_asked_for():
    one = stake([[1_000, 500, 0]], missed=[[30_000, 6_000, 1_000]])
    text = said(one, standard=ASKED)
    assert text.startswith(
        "Invented: dear is the cheapest that will do (asked for: 95 % of the row length on the strips in 90 % of springs). "
    )
    assert "hold 99 % of the row length" in text
    found = reasons(one, standard=ASKED)
    assert found["dear"] == "cheapest that is in reach and meets the standard"
    assert found["free"] == found["cheap"] == "does not meet the standard"


def test_nobody_knows_where_the_base_is():
    reach = [["in reach", "in reach", "unknown"]] * 2
    assert UNKNOWN_REACH not in said(stake(LOSSES), reach=reach).lower()  # cheap has no range
    dear = stake([[600_000, 300_000, 5_000]] * 2)
    text = said(dear, reach=reach)
    assert f" {UNKNOWN_REACH[0].upper()}{UNKNOWN_REACH[1:]}." in text
    assert reasons(dear, reach=reach)["dear"] == f"cheapest, if it is in reach: {UNKNOWN_REACH}"


# --- two tiers for a farm ---

# Cheap saves 1,000 in the first two fields, dear 2,000 in the third: 100 + 200 + 1,000 for both, any one alone is dearer.
MIXED = {
    "loss_cents": [[200_000, 5_000, 190_000], [200_000, 5_000, 190_000], [400_000, 390_000, 0]],
    "reached": [[True, True, True], [True, True, True], [True, False, True]],
}  # fmt: skip


def test_two_tiers_and_how_far_from_the_base_each_is_used():
    one = stake(**MIXED)
    far = np.array([8.2, 12.4, 3.1]) * MILE_M
    text = said(one, baseline_m=far)
    assert text.startswith(
        "Invented: cheap in 2 fields up to 12 mi from the base with dear in 1 field up to 3.1 mi from the base (both paid "
        "for) is the cheapest that will do. "
    )
    paid = 20_000 + 90_000 + 10_000
    assert f"costs {dollars(paid + 10_000)} a year, {dollars(10_000)} of it" in text
    assert said(one).startswith("Invented: cheap in 2 fields with dear in 1 field (both paid for) is")
    assert "(both paid for, by every machine)" in said(one, machines=2)
    metric = sentences(chosen(one, baseline_m=far), units="metric")
    assert f"up to {12.4 * MILE_M / 1000:.0f} km from the base" in metric
    # Dear alone costs less to have, 1,000 against 1,200; cheap, which is out of reach of a field, is not told of.
    off = [int(cents / 400_000 * 50_000) for cents in (190_000, 190_000, 0)]
    assert 3 * ROWS_M / sum(off) == pytest.approx(6, abs=0.5)
    assert "The next cheaper tier to have, dear, would put about 1 row in 6 off its strip on average." in text


# --- what it hangs on ---


@pytest.mark.parametrize(
    ("one", "sentence"),
    [
        # 300 x + 200 against 600 x: two thirds of the price, and above 250 x = 800 at 3.2 only.
        (stake([[60_000, 30_000, 5_000]]),
         "free would be cheaper if the price of what is lost were below 67 % of what was given."),
        # Free: 300 lost and 100 paid. Cheap: 100 lost and 400 waited, 100 dearer: a quarter less of the waiting will do,
        # or half more of the losses, or twice the fee.
        (stake([[30_000, 10_000, 90_000]], fee=(10_000, 0, 90_000), waiting=[[0, 40_000, 0]]),
         "cheap would be cheaper if the cost of a waiting machine were below 75 % of what was given."),
        # 420 lost against a fee of 400: 20 of the fee, 1.05 times; of losses a little less than that the other way.
        (stake([[42_000, 0, 90_000]], fee=(0, 40_000, 90_000)),
         "free would be cheaper if the fee of cheap were above 105 % of what was given."),
        # A one-off of 300 against 700 lost and 200 paid: three times; losses would have to fall to a seventh.
        (stake([[0, 70_000, 90_000]], fee=(0, 20_000, 90_000), once=(30_000, 0, 0)),
         "cheap would be cheaper if the one-off of free were above 3 times what was given."),
        # 1,003 lost, or 1,000 paid, half of it as a fee: 3 in 1,003, less than half of a hundredth.
        (stake([[100_300, 0, 900_000]], fee=(0, 50_000, 90_000), once=(0, 50_000, 0)),
         "free would be cheaper if the price of what is lost were below 99.7 % of what was given."),
    ],
)  # fmt: skip
def test_the_price_that_the_choice_hangs_on(one, sentence):
    text = said(one)
    assert sentence in text and text.count("would be cheaper if") == 1
    # Past the price named the total of the other one is the lower one.
    assert named_total_falls(one, chosen(one).best[0], sentence)


def named_total_falls(one, best: int, sentence: str) -> bool:
    """Whether the option named is dearer now, and cheaper a fiftieth beyond the factor that is named."""
    to, what, way, number, unit = re.match(
        r"(\w+) would be cheaper if the (.+?) were (below|above) ([\d.]+) (%|times)", sentence
    ).groups()
    driver, tier = {
        "price of what is lost": ("yield loss", None), "cost of a waiting machine": ("waiting", None),
        "fee of cheap": ("fee", 1), "one-off of free": ("one-off", 0),
    }[what]  # fmt: skip
    factor = float(number) / (100.0 if unit == "%" else 1.0)
    beyond = factor * (0.98 if way == "below" else 1.02)
    choice = chosen(one)
    (other,) = [option for k, option in enumerate(choice.options) if choice.name(k) == to]

    def gap(x: float) -> float:
        now, then = (total(one, option, driver=driver, tier=tier, x=x) for option in (choice.options[best], other))
        return float(then - now)

    return gap(1.0) >= 0.0 > gap(beyond)


def test_no_single_price_is_near():
    # Cheap is better by 5,000 less 200: no price moved by four times brings another in.
    text = said(stake([[500_000, 0, 500_000]], once=(0, 0, 0)))
    assert text.endswith("No single price moved by up to four times would change that.")


def test_where_two_tie_nothing_is_said_of_prices_that_are_far():
    one = stake([[0, 0, 0]], fee=(0, 0, 0), once=(0, 0, 0))
    assert "come to the same" in said(one) and "No single price" not in said(one) and "would be cheaper" not in said(one)


@pytest.mark.parametrize(
    ("factor", "text"),
    [(0.003, "less than 1 % of"), (0.005, "1 % of"), (0.4, "40 % of"),
      (0.9963, "99.6 % of"), (1.0037, "100.4 % of"), (1.64, "164 % of"), (1.125, "113 % of"),
     (1.5, "150 % of"), (2.0, "2 times"), (3.26, "3.3 times")],
)  # fmt: skip
def test_factors_have_no_more_than_their_digits(factor, text):
    assert factor_text(factor) == text


# --- where nothing is recommended ---


def test_no_row_on_strips():
    one = replace(stake([[0, 0, 0]]), judged_m=np.zeros(1))
    assert said(one, name="") == "field F0: no planted row has a strip beside it, so there is nothing to choose by."
    for asked in (None, ASKED):
        lines = [line for line in choice_lines(chosen(one, standard=asked), "us") if line["level"] == "farm"]
        assert {line["reason"] for line in lines} == {"no planted row has a strip beside it"}
        assert {(line["recommended"], line["meets_standard"]) for line in lines} == {("no", "")}
        assert all(np.isnan([line[name] for name in ("miss_share_at_standard", "break_even_ha")]).all() for line in lines)


def test_no_tier_in_reach():
    one = stake(LOSSES, reached=[[True, False, False], [False, True, False]])
    # Free and cheap together reach both fields; without cheap in the second no option does.
    assert "so none is recommended" not in said(one)
    one = stake(LOSSES, reached=[[True, False, False], [False, False, False]])
    assert said(one) == "Invented: no tier compared is in reach of all fields, so none is recommended."
    found = reasons(one)
    assert found["free"] == "out of reach of its base in 1 of 2 fields"
    assert found["dear"] == "out of reach of its base in 2 of 2 fields"


def test_no_tier_keeps_the_standard():
    # 6,000 and 5,500 m of 100,000 off; free, with less, is out of reach and not the nearest.
    one = stake([[1_000, 900, 800]], missed=[[5_200, 6_000, 5_500]], reached=[[False, True, True]])
    share = 5_500 / ROWS_M
    assert said(one, standard=ASKED) == (
        "Invented: no tier compared keeps 95 % of the row length on the strips in 90 % of springs, so none is recommended. "
        f"dear comes nearest: {rows_text(share)} off its strip on average."
    )
    assert rows_text(share) == f"about 1 row in {round(1 / share / 5) * 5}"
    assert not chosen(one, standard=ASKED).best and Standard(**ASKED).on_strip > 1 - share


# --- why not ---


def test_why_an_option_is_not_the_one():
    # Dear loses as much as cheap: dominated. Free: in reach, dearer.
    found = reasons(stake([[60_000, 30_000, 30_000]]))
    assert found == {
        "free": "in reach, and its total is higher",
        "cheap": "cheapest that is in reach",
        "dear": "cheap costs no more to have and loses and misses no more",
    }


def test_what_never_pays():
    # Cheap saves 10.00 and waits for 20.00, in proportion to the area: no area makes up for it. It misses less, so that
    # nothing dominates it.
    one = stake([[3_000, 2_000, 2_000]], waiting=[[0, 2_000, 90_000]], missed=[[9_000, 8_000, 8_000]])
    assert reasons(one)["cheap"] == "dearer to have than free, and saves less of losses than it costs in waiting"
    # Without waiting, and a loss that is larger by 5.00.
    one = stake([[3_000, 3_500, 2_000]], missed=[[9_000, 8_000, 8_000]])
    assert reasons(one)["cheap"] == "dearer to have than free, and loses no less"


@pytest.mark.parametrize(
    ("cents", "text"),
    [(105_000, "about 1,100 USD"), (104_999, "about 1,000 USD"), (1_050, "about 11 USD"), (949, "about 9 USD"),
     (50, "about 1 USD"), (49, "nothing (USD)"), (999_950_000, "about 10,000,000 USD")],
)  # fmt: skip
def test_money_has_two_digits_half_up(cents, text):
    assert money_words(cents, "USD") == text
