"""Lines of choice_parts.csv, which add up to the totals, and of choice_sensitivity.csv, what the choice hangs on."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from decimal import ROUND_HALF_UP, Decimal

import numpy as np

from pipeline import columns as c
from pipeline.core.choice import FEE, LOSS, ONCE, PARTS, WAITING, Option
from pipeline.files.farm_choice import FarmChoice
from pipeline.files.farm_stakes import money_text

#: Parts that a farm pays as a whole, and where their price stands in the settings.
_WHOLE = {FEE: "fee", ONCE: "once_a_year"}


def counted_in(costs: Mapping) -> dict[str, tuple[str, str]]:
    """Unit and price of the parts that are counted by field."""
    return {LOSS: (costs["loss"]["unit"], costs["loss"]["price"]), WAITING: ("h", costs["wait"]["price"])}


def part_lines(choice: FarmChoice) -> Iterator[dict]:
    """Lines of choice_parts.csv: a farm's options, then its fields under each tier."""
    for k, option in enumerate(choice.options):
        yield from (choice.ids | {c.LEVEL: "farm", c.OPTION: choice.name(k)} | one for one in _of_farm(choice, option))
    for field, field_id in enumerate(choice.farm.field_ids):
        for k, tier in enumerate(choice.farm.stake.tiers):
            ids = {c.LEVEL: "field", c.FARM: choice.farm.name, c.FIELD_ID: field_id, c.OPTION: tier}
            yield from (ids | one for one in _of_field(choice, field, k))


def _of_farm(choice: FarmChoice, option: Option) -> Iterator[dict]:
    fields, stake = np.arange(len(option.used)), choice.farm.stake
    for part, (unit, price) in counted_in(choice.costs).items():
        each = choice.farm.loss_quantity if part == LOSS else choice.farm.waiting_h
        yield amount(part, sum(each[fields, option.used], Decimal(0)), unit, price, option.parts_cents[part])
    for part, key in _WHOLE.items():
        cents = stake.fee_cents if part == FEE else stake.once_cents
        for k in option.tiers:
            one = choice.costs["tiers"][stake.tiers[k]]
            yield amount(part, Decimal(one["count"]), f"{one['per']}, {stake.tiers[k]}", one[key], int(cents[k]))


def _of_field(choice: FarmChoice, field: int, tier: int) -> Iterator[dict]:
    shares, counted = choice.shares(choice.options[tier]), counted_in(choice.costs)
    for part in PARTS:
        if part in counted:
            quantity = (choice.farm.loss_quantity if part == LOSS else choice.farm.waiting_h)[field, tier]
            yield amount(part, quantity, *counted[part], int(shares[part][field]))
        else:
            area = Decimal(repr(float(choice.farm.stake.area_m2[field])))
            yield amount(part, area, "m2, by which the farm's is shared", "", int(shares[part][field]))


def amount(part: str, quantity: Decimal | None, unit: str, price: str, cents: int) -> dict:
    """What a part is: quantity times price, and the amount."""
    return {
        c.PART: part, c.QUANTITY: "" if quantity is None else f"{quantity:.6f}", c.QUANTITY_UNIT: unit,
        c.UNIT_PRICE_MONEY: price, c.AMOUNT_MONEY: money_text(cents),
    }  # fmt: skip


def flip_lines(choice: FarmChoice) -> Iterator[dict]:
    """Lines of choice_sensitivity.csv; none where nothing is recommended, or nothing else may be."""
    for one in choice.flips():
        price = _price(choice, one.driver, one.tier)
        margins = (money_text(cents) for cents in one.margin_cents)
        yield choice.ids | dict(zip(c.MARGINS_MONEY, margins, strict=True)) | {
            c.OPTION: choice.name(choice.best[0]), c.DRIVER: one.driver,
            c.TIER: "" if one.tier is None else choice.farm.stake.tiers[one.tier],
            c.PRICE_MONEY: price if one.tier is None else str(Decimal(price).quantize(Decimal("0.01"), ROUND_HALF_UP)),
            c.PRICE_UNIT: _price_unit(choice, one.driver, one.tier),
            **_side("below", price, one.below, choice.name(one.below_option)),
            **_side("above", price, one.above, choice.name(one.above_option)),
        }  # fmt: skip


def _side(side: str, price: str, factor: float | None, option: str) -> dict[str, str]:
    flips = (f"{factor:.6f}", f"{float(price) * factor:.4f}") if factor is not None else ("", "")
    return dict(zip(c.FLIPS[side], (*flips, option), strict=True))


def _price_unit(choice: FarmChoice, driver: str, tier: int | None) -> str:
    """What a driver is paid for."""
    if tier is None:
        return counted_in(choice.costs)[driver][0]
    return f"year, {choice.costs['tiers'][choice.farm.stake.tiers[tier]]['per']}"


def _price(choice: FarmChoice, driver: str, tier: int | None) -> str:
    """What a driver is now."""
    if tier is None:
        return counted_in(choice.costs)[driver][1]
    return choice.costs["tiers"][choice.farm.stake.tiers[tier]][_WHOLE[driver]]
