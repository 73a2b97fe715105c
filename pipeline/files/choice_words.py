"""The choice of a farm in two or three sentences, no more precise than the figures are."""

from __future__ import annotations

import csv
import math
from decimal import ROUND_HALF_UP, Decimal
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from pipeline import columns as c
from pipeline.core.choice import LOSS, WAITING, not_exceeded
from pipeline.core.show import amount_text, distance_text, share_text

if TYPE_CHECKING:
    from pipeline.core.choice import Option
    from pipeline.core.choice_flips import Flip
    from pipeline.files.farm_choice import FarmChoice

#: What the sum over the farms is called that has each under its own option.
AS_RECOMMENDED = "as recommended"
#: Of a tier with a range, where nobody gave bases.
UNKNOWN_REACH = "nobody knows whether its base is near enough, as no bases are given"
# A price that has to move by less than this would be told as 100.0 %.
_AT_ONCE = 0.0005
# Rows are told as one in so many, or so many in so few: nobody knows an expected share to more digits.
_ONE_IN = (2, 3, 4, 5, 6, 8, 10, 15, 20, 30, 50, 100, 200)
_NEARLY_ALL = "nearly every row"
_MANY = ((2, 3), (3, 4), (4, 5), (9, 10))


def rows_text(share: float) -> str:
    """A share of row length as rows: ``about 1 row in 3``, ``nearly every row``."""
    if not math.isfinite(share) or share < 0.004:
        return "hardly a row"
    if share > 0.95:
        return _NEARLY_ALL
    if share > 0.58:
        a, b = min(_MANY, key=lambda pair: abs(pair[0] / pair[1] - share))
        return f"about {a} rows in {b}"
    # By ratio: 1 in 20 and 1 in 30 are as far apart as 1 in 2 and 1 in 3.
    return f"about 1 row in {min(_ONE_IN, key=lambda n: abs(math.log(n * share)))}"


def money_words(cents: float, currency: str) -> str:
    """An amount to two digits: ``about 2,100 USD``; ``nothing`` below one."""
    amount = Decimal(repr(float(cents))) / 100
    if abs(amount) < Decimal("0.5"):
        return f"nothing ({currency})"
    return f"about {amount_text(amount, digits=2)} {currency}"


def factor_text(factor: float) -> str:
    """A factor in words: ``85 % of``, ``2.6 times``; no more than two digits, but near one, where a third tells the side."""
    if factor < 0.005:
        return "less than 1 % of"
    if factor < 2:
        last = Decimal("0.1") if abs(factor - 1.0) < 0.005 else Decimal(1)
        return f"{(100 * Decimal(repr(factor))).quantize(last, ROUND_HALF_UP)} % of"
    return f"{factor:.2g} times" if factor < 99.5 else f"{float(f'{factor:.2g}'):,.0f} times"


def sentences(choice: FarmChoice, *, units: str) -> str:
    """What to tell a grower of a farm.

    Parameters
    ----------
    choice : FarmChoice
    units : {"us", "metric"}
        Of distances.
    """
    if not choice.farm.stake.has_rows:
        return f"{choice.farm.place}: no planted row has a strip beside it, so there is nothing to choose by."
    if not choice.best:
        return " ".join([_none(choice), *_nearest(choice)])
    return " ".join([_best(choice, units), *_cheaper(choice), *_hangs_on(choice)])


def _best(choice: FarmChoice, units: str) -> str:
    option, currency = choice.options[choice.best[0]], choice.costs["currency"]
    names = [_equipped(choice, k, units) for k in choice.best]
    total = money_words(option.total_cents, currency)
    if len(names) > 1:
        what = f"{_listed(names)} come to the same, {total} a year"
        costs = f"Of the row length {_listed([_holds(choice, k) for k in choice.best])}."
    else:
        what = f"{names[0]} is the cheapest that will do"
        held, lost = _held(choice, option), _lost(choice, option)
        costs = f"It is expected to hold {held} of the row length and costs {total} a year{lost}."
    return f"{choice.farm.place}: {what}{_asked(choice)}. {costs}{_unsure(option, choice)}"


def _listed(words: list[str]) -> str:
    return f"{', '.join(words[:-1])} and {words[-1]}"


def _held(choice: FarmChoice, option: Option) -> str:
    return share_text(1.0 - choice.missed_share(option)).replace("\u00a0", " ")


def _holds(choice: FarmChoice, k: int) -> str:
    """What one of several that come to the same is expected to hold."""
    return f"{choice.name(k)} is expected to hold {_held(choice, choice.options[k])}"


def _lost(choice: FarmChoice, option: Option) -> str:
    """How much of the total is lost beside the strips."""
    if not choice.costs["curve"]:
        return "; rows are counted, not priced"
    loss = money_words(option.parts_cents[LOSS], choice.costs["currency"])
    return f", {'next to nothing' if loss.startswith('nothing') else loss} of it for rows beside their strips"


def _asked(choice: FarmChoice) -> str:
    """The standard, which a cheaper option may have failed."""
    asked = choice.costs["standard"]
    if not asked:
        return ""
    share, springs = (share_text(asked[name]).replace("\u00a0", " ") for name in ("on_strip", "springs"))
    return f" (asked for: {share} of the row length on the strips in {springs} of springs)"


def _unsure(option: Option, choice: FarmChoice) -> str:
    """What is to be said where no bases are given and the tier has a range."""
    return f" {UNKNOWN_REACH[0].upper()}{UNKNOWN_REACH[1:]}." if choice.reach(option) == c.REACH_UNKNOWN else ""


def _equipped(choice: FarmChoice, k: int, units: str) -> str:
    """An option by name; of two tiers, where each of them is to be used."""
    option, farm = choice.options[k], choice.farm
    if len(option.tiers) == 1:
        return choice.name(k)
    baseline = farm.figure(c.BASELINE_M)[:, 0]
    parts = []
    for tier in option.tiers:
        mine = option.used == tier
        far = np.nanmax(baseline[mine]) if np.isfinite(baseline[mine]).any() else float("nan")
        upto = f" up to {distance_text(far, units=units)} from the base".replace("\u00a0", " ") if math.isfinite(far) else ""
        parts.append(f"{farm.stake.tiers[tier]} in {mine.sum()} field{'s' if mine.sum() > 1 else ''}{upto}")
    several = any(choice.costs["tiers"][farm.stake.tiers[tier]]["count"] > 1 for tier in option.tiers)
    return f"{' with '.join(parts)} (both paid for{', by every machine' if several else ''})"


def _cheaper(choice: FarmChoice) -> list[str]:
    """What the next option would do that costs less to have."""
    chosen = choice.options[choice.best[0]]
    less = [
        k for k, one in enumerate(choice.options)
        if len(one.tiers) == 1 and one.reaches and one.paid_cents < chosen.paid_cents
    ]  # fmt: skip
    if not less:
        return []
    k = max(less, key=lambda one: choice.options[one].paid_cents)
    option, stake = choice.options[k], choice.farm.stake
    bad = not_exceeded(option.missed_springs, 0.9) / stake.judged_m.sum()
    mean = choice.missed_share(option)
    usual, worst = rows_text(mean), rows_text(bad)
    also = "" if usual == worst else f", and {worst}{'' if worst == _NEARLY_ALL else ' or more'} in one spring of ten"
    if also and bad < mean:  # what is rare and large is in the mean alone
        also = f", but {worst}{' or fewer' if worst != rows_text(0.0) else ''} in nine springs of ten"
    return [f"The next cheaper tier to have, {choice.name(k)}, would put {usual} off its strip on average{also}."]


def _hangs_on(choice: FarmChoice) -> list[str]:
    """The price that has to move least before the choice flips, if one is near enough to be told."""
    if sum(one.eligible for one in choice.options) == 1:
        return ["Of what is compared, nothing else will do."]
    found = [
        (abs(math.log(x)), one, x, side, to)
        for one in choice.flips()
        for x, side, to in ((one.below, "below", one.below_option), (one.above, "above", one.above_option))
        if x and to is not None
    ]
    near = min((one for one in found if one[0] < math.log(4.0)), key=lambda one: one[0], default=None)
    if near is None:
        return ["No single price moved by up to four times would change that."] if len(choice.best) == 1 else []
    far, flip, factor, side, to = near
    if far < _AT_ONCE:
        moved = f"any {'lower' if side == 'below' else 'higher'} than what was given"
    else:
        moved = f"{side} {factor_text(factor)} what was given"
    return [f"{choice.name(to)} would be cheaper if {_driver(choice, flip)} were {moved}."]


def _driver(choice: FarmChoice, flip: Flip) -> str:
    tier = "" if flip.tier is None else choice.farm.stake.tiers[flip.tier]
    return f"the {driver_text(flip.driver, tier)}"


def driver_text(driver: str, tier: str) -> str:
    """What people call a price: the tables have it by the part of the total that it moves, and by its tier if it has one."""
    name = {LOSS: "price of what is lost", WAITING: "cost of a waiting machine"}.get(driver, driver)
    return f"{name} of {tier}" if tier else name


def _none(choice: FarmChoice) -> str:
    reached = [one for one in choice.options if one.reaches]
    if not reached:
        return f"{choice.farm.place}: no tier compared is in reach of all fields, so none is recommended."
    asked = choice.costs["standard"]
    share = share_text(asked["on_strip"]).replace("\u00a0", " ")
    return (
        f"{choice.farm.place}: no tier compared keeps {share} of the row length on the strips in "
        f"{share_text(asked['springs'])} of springs, so none is recommended.".replace("\u00a0", " ")
    )


def _nearest(choice: FarmChoice) -> list[str]:
    reached = [k for k, one in enumerate(choice.options) if one.reaches]
    if not reached:
        return []
    k = min(reached, key=lambda one: choice.options[one].missed_share)
    return [f"{choice.name(k)} comes nearest: {rows_text(choice.missed_share(choice.options[k]))} off its strip on average."]


def said_of(table: Path) -> list[str]:
    """The sentences of every farm, from choice.csv.

    Parameters
    ----------
    table : Path
        choice.csv.
    """
    with table.open(encoding="utf-8", newline="") as stream:
        return [line[c.SAID] for line in csv.DictReader(stream) if line[c.SAID]]
