"""Lines of choice.csv: a farm's options, then its fields under each tier."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from pipeline import columns as c
from pipeline.core.choice import LOSS, Option, dominated_by
from pipeline.core.choice_flips import BreakEven, break_even
from pipeline.core.show import HECTARE_M2, so_many
from pipeline.files.choice_words import UNKNOWN_REACH, sentences
from pipeline.files.farm_choice import SUMS, FarmChoice, figures_of, meets, money_of, share_missed_in, springs_money, yes


def choice_lines(choice: FarmChoice, units: str) -> Iterator[dict]:
    """All lines of a farm.

    Parameters
    ----------
    choice : FarmChoice
    units : {"us", "metric"}
        Of what is said in words.
    """
    beaten, area_m2 = dominated_by(choice.options), float(choice.farm.stake.area_m2.sum())
    even = break_even(choice.options, area_m2, waiting_by_area=choice.costs["wait"]["days"] is None)
    if not choice.farm.stake.has_rows:  # no area of such a farm would pay for anything
        even = [None] * len(even)
    said = choice.best[0] if choice.best else 0
    for k, option in enumerate(choice.options):
        yield _of_farm(choice, k, option, even[k]) | {
            c.DOMINATED: choice.name(beaten[k]), c.REASON: _reason(choice, k, beaten[k], even[k]),
            c.SAID: sentences(choice, units=units) if k == said else "",
        }  # fmt: skip
    for field in range(len(choice.farm.field_ids)):
        yield from _of_field(choice, field)


def _of_farm(choice: FarmChoice, k: int, option: Option, even: BreakEven | None) -> dict:
    stake = choice.farm.stake
    return figures_of(choice.sums(option), float(stake.judged_m.sum()), choice.costs) | choice.ids | {
        c.LEVEL: "farm", c.OPTION: choice.name(k), c.AREA_M2: float(stake.area_m2.sum()),
        c.STANDARD_SHARE: option.missed_share, **money_of(option.parts_cents), **springs_money(option.loss_springs),
        c.REACH: choice.reach(option), c.MEETS: meets(option.missed_share, choice.costs),
        c.RECOMMENDED: "tie" if k in choice.best and len(choice.best) > 1 else yes(k in choice.best),
        c.BREAK_EVEN_HA: even.area_m2 / HECTARE_M2 if even and np.isfinite(even.area_m2) else float("nan"),
        c.BREAK_EVEN_AGAINST: choice.name(even.against) if even else "",
    }  # fmt: skip


def _reason(choice: FarmChoice, k: int, beaten: int | None, even: BreakEven | None) -> str:
    """Why an option is recommended, or is not."""
    option, stake = choice.options[k], choice.farm.stake
    if not stake.has_rows:
        return "no planted row has a strip beside it"
    if not option.reaches:
        count = int((~stake.reached[np.arange(len(option.used)), option.used]).sum())
        return f"out of reach of its base in {count} of {so_many(len(option.used), 'field')}"
    if not option.meets:
        return "does not meet the standard"
    if k in choice.best:
        return _why_best(choice, k)
    if beaten is not None:
        return f"{choice.name(beaten)} costs no more to have and loses and misses no more"
    if even and not np.isfinite(even.area_m2):
        other = choice.options[even.against]
        saves = option.parts_cents[LOSS] < other.parts_cents[LOSS]
        so = "saves less of losses than it costs in waiting" if saves else "loses no less"
        return f"dearer to have than {choice.name(even.against)}, and {so}"
    return "in reach, and its total is higher"


def _why_best(choice: FarmChoice, k: int) -> str:
    """Why an option is recommended, by itself or with others."""
    others = ", ".join(choice.name(one) for one in choice.best if one != k)
    if others:
        return f"recommended as well as {others}, which costs the same"
    also = " and meets the standard" if choice.costs["standard"] else ""
    if choice.reach(choice.options[k]) == c.IN_REACH:
        return f"cheapest that is in reach{also}"
    return f"cheapest{also.replace(' and', ' that')}, if it is in reach: {UNKNOWN_REACH}"


def _of_field(choice: FarmChoice, field: int) -> Iterator[dict]:
    stake = choice.farm.stake
    figures = {name: choice.farm.figure(name)[field] for name in SUMS}
    for k, tier in enumerate(stake.tiers):
        share = share_missed_in(stake.missed_levels_m[field, k], stake.judged_m[field], choice.costs)
        used = any(choice.options[one].used[field] == k for one in choice.best)
        sums = {name: float(values[k]) for name, values in figures.items()}
        yield figures_of(sums, float(stake.judged_m[field]), choice.costs) | {
            c.LEVEL: "field", c.FARM: choice.farm.name, c.FIELD_ID: choice.farm.field_ids[field], c.OPTION: tier,
            c.AREA_M2: float(stake.area_m2[field]), c.STANDARD_SHARE: share,
            **money_of({part: int(cents[field]) for part, cents in choice.shares(choice.options[k]).items()}),
            **springs_money(stake.loss_levels_cents[field, k]),
            c.REACH: choice.farm.lines[c.REACH].iloc[field * len(stake.tiers) + k],
            c.MEETS: meets(share, choice.costs), c.RECOMMENDED: yes(used),
            c.REASON: "as chosen for the farm" if used else "",
        }  # fmt: skip
