"""Cells of the report's tables of a choice: what each option comes to, and what the choice hangs on."""

from collections.abc import Mapping
from decimal import Decimal

import pandas as pd

from pipeline import columns as c
from pipeline.core.choice import ONCE
from pipeline.core.show import HECTARE_M2, NOTHING, amount_text, area_text, plain_text, share_text
from pipeline.files.choice_words import driver_text, factor_text

_AMOUNTS = [
    "Rows off the strip", "Lost a year", "10th to 90th percentile", "Fee", "One-off a year", "Waiting", "Total",
]  # fmt: skip
COST_HEAD = ["Farm", "Tier", *_AMOUNTS, "Pays from an area of (against)", "Choice"]
FIELD_HEAD = ["Tier", *_AMOUNTS, "Choice"]
#: Of what is expected, and not paid by a price list.
DIGITS = 3
# Less of a loss than this share, where nothing was measured, is not worth a remark.
_MUCH = 0.1
FLIP_HEAD = ["Farm", "What", "As given", "Cheaper would be", "if it were"]


def farm_cell(one: pd.Series) -> str:
    """Whose money it is: a farm's, or that of a field of none."""
    return plain_text(one[c.FARM]) or f"Field {plain_text(one[c.FIELD_ID])}"


def cost_cells(one: pd.Series, *, units: str) -> list[str]:
    """An option of a farm, as `COST_HEAD` has it.

    Parameters
    ----------
    one : Series
        A line of choice.csv, cells as text.
    units : {"us", "metric"}
    """
    return [farm_cell(one), plain_text(one[c.OPTION]), *_amounts(one), _pays_from(one, units), _remark(one)]


def field_cells(one: Mapping[str, str], *, names: Mapping[str, str]) -> list[str]:
    """A tier in a field, as `FIELD_HEAD` has it.

    Parameters
    ----------
    one : mapping
        A line of choice.csv, cells as text.
    names : mapping of tier id to name
    """
    far = "out of reach of its base" if one[c.REACH] == c.OUT_OF_REACH else ""
    return [called(one[c.OPTION], names), *_amounts(one), "; ".join(filter(None, [far, _remark(one)]))]


def called(option: str, names: Mapping[str, str]) -> str:
    """An option by the names of its tiers."""
    return " with ".join(plain_text(names.get(tier, tier)) for tier in option.split(" + "))


def _amounts(one: Mapping[str, str]) -> list[str]:
    """What an option comes to in a year."""
    low, high = (money_cell(one[name]) for name in (c.LOSS_P10_MONEY, c.LOSS_P90_MONEY))
    share = float(one[c.EXPECTED_MISS_SHARE]) if one[c.EXPECTED_MISS_SHARE] else float("nan")
    return [
        share_text(share), money_cell(one[c.LOSS_MONEY]), f"{low} to {high}",
        *(money_cell(one[name], digits=None) for name in (c.FEE_MONEY, c.ONCE_MONEY)),
        *(money_cell(one[name]) for name in (c.WAITING_MONEY, c.TOTAL_MONEY)),
    ]  # fmt: skip


def _remark(one: Mapping[str, str]) -> str:
    """What is recommended or why not, and whether much of the loss is counted where nothing was measured."""
    # A field's line says whose choice it is.
    said = "recommended" if one[c.RECOMMENDED] == "yes" and one[c.LEVEL] != "field" else plain_text(one[c.REASON])
    share = float(one[c.LOSS_BEYOND_SHARE] or 0.0)
    far = [f"{share_text(share)} of its loss where nothing was surely measured"] if share >= _MUCH else []
    return "; ".join(filter(None, [said, *far]))


def _pays_from(one: pd.Series, units: str) -> str:
    """From what area the option is cheaper than all that cost less to have, and which of them it passes last."""
    against = plain_text(one[c.BREAK_EVEN_AGAINST])
    if not against:
        return ""
    area = area_text(float(one[c.BREAK_EVEN_HA]) * HECTARE_M2, units=units) if one[c.BREAK_EVEN_HA] else "never"
    return f"{area} ({against})"


def flip_cells(one: pd.Series, *, costs: Mapping) -> list[list[str]]:
    """Where a price makes another tier the cheaper one, if it goes down or up; lines as `FLIP_HEAD` has them.

    Parameters
    ----------
    one : Series
        A line of choice_sensitivity.csv, cells as text.
    costs : mapping
        Of choice.json.
    """
    what = driver_text(one[c.DRIVER], one[c.TIER])
    out = []
    for side, (factor, _, to) in c.FLIPS.items():
        if one[factor]:
            out.append([
                farm_cell(one), plain_text(what), _as_given(one, costs), plain_text(one[to]),
                f"{side} {factor_text(float(one[factor]))} that",
            ])  # fmt: skip
    return out


def _as_given(one: pd.Series, costs: Mapping) -> str:
    """A price with what it is for; of a one-off also what it was as a whole."""
    currency = one[c.CURRENCY]
    price = f"{Decimal(one[c.PRICE_MONEY]):,} {currency}"
    if not one[c.TIER]:
        return f"{price}/{plain_text(one[c.PRICE_UNIT])}"
    payer = "for each machine" if one[c.PRICE_UNIT] == "year, machine" else "for the farm"
    said = costs["tiers"][one[c.TIER]]
    whole = ""
    if one[c.DRIVER] == ONCE and said["once"] is not None:
        whole = f" ({Decimal(said['once']):,} {currency} over {said['years']} year{'' if said['years'] == 1 else 's'})"
    return f"{price} a year {payer}{whole}"


def money_cell(cell: str, *, digits: int | None = DIGITS) -> str:
    """An amount to a few digits, or to whole units; the table has its cents."""
    return amount_text(Decimal(cell), digits=digits) if cell else NOTHING
