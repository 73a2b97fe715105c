"""Money adds up to the cent on every level: farms, fields of no farm, pairs of tiers, several machines, any prices."""

import csv
from collections import defaultdict
from decimal import ROUND_HALF_UP, Decimal
from fractions import Fraction
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from invented_farms import line_key
from workflow import PROJECT, TIERS, config

from pipeline import columns as c
from pipeline.core.field_loss import LEVELS
from pipeline.files.config import config_from_dict, resolve_tiers
from pipeline.files.cost_settings import choice_settings
from pipeline.files.store import read_json, to_json, write_bytes, write_frame
from pipeline.steps import choice

CENT = Decimal("0.01")
NO_ROWS = ((0.0, 0.0, True), (0.0, 0.0, True))


def losses_of(fields: list[tuple[str, float, list[tuple[float, float, bool]]]]) -> pd.DataFrame:
    """Lines as `odds` leaves them: farm and area [ha] of each field, then loss, missed length and reach by tier."""
    lines = []
    for number, (farm, hectares, by_tier) in enumerate(fields):
        for tier, (loss, missed, reached) in zip(TIERS, by_tier, strict=True):
            spread = np.linspace(0.0, 2.0, LEVELS, dtype=np.float32)
            lines.append({
                c.FIELD_ID: f"F{number}", c.FARM: farm or None, c.TIER: tier, c.AREA_M2: 1e4 * hectares,
                c.REACH: "in reach" if reached else c.OUT_OF_REACH, c.BASELINE_M: 1000.0 * number,
                c.JUDGED_M: 0.0 if by_tier is NO_ROWS else 1e5,
                c.EXPECTED_MISS_M: missed, c.LOSS: loss, c.LOSS_OWN: 1.5 * loss, c.BEYOND_M: 0.1 * missed,
                c.LOSS_BEYOND: 0.1 * loss, c.LOSS_LEVELS: loss * spread, c.MISSED_LEVELS: missed * spread,
            })  # fmt: skip
    return pd.DataFrame(lines, columns=c.LOSSES)


def tables_of(folder: Path, fields: list, **costs) -> dict[str, list[dict]]:
    """The tables of the choice, cells as text."""
    one = config_from_dict(config(folder) | {"costs": costs}, source="mine.yaml")
    tiers, compare = resolve_tiers(one, project_root=PROJECT, working_dir=folder)
    said = choice_settings(one, tiers, compare, project=PROJECT)
    (folder / "odds").mkdir(exist_ok=True)
    write_frame(folder / "odds/losses.parquet", losses_of(fields))
    write_bytes(folder / "choice.json", to_json(said))
    out = {name: folder / f"{name}.csv" for name in ("choice", "choice_parts", "choice_sensitivity")}
    choice.run(
        odds=[folder / "odds"], settings=folder / "choice.json", choice=out["choice"], parts=out["choice_parts"],
        sensitivity=out["choice_sensitivity"],
    )  # fmt: skip
    return {name: list(csv.DictReader(path.open(newline=""))) for name, path in out.items()}


def costs_of(fee, once, years: int, *, machines: int = 1, per: str = "machine", hour: str = "187.53 USD/h", **more) -> dict:
    """Costs of both tiers, the first of them without a one-off."""
    one, other = ({"fee": f"{cents} USD", "per": per} for cents in fee)
    return {
        "currency": "USD", "crop": {"price": "4.37 USD/bu"}, "response": {"curve": "yuma_2007"},
        "tiers": {"sbas": one, "rtk_base": other | {"once": f"{once} USD", "years": years}},
        "machine_hour": hour, "machines_per_farm": machines,
        "field_capacity": {"width": "30 ft", "speed": "6 mph", "efficiency": "70 %"},
    } | more  # fmt: skip


def whole(amount: Decimal | Fraction) -> Decimal:
    """An amount to the cent, half of one up, in whole numbers alone."""
    cents = Fraction(amount) * 100
    return Decimal((2 * cents.numerator + cents.denominator) // (2 * cents.denominator)) / 100


losses = st.floats(0.0, 5e5, allow_subnormal=False)
missed = st.floats(0.0, 1e5, allow_subnormal=False)
tier = st.tuples(losses, missed, st.booleans())
field = st.tuples(st.sampled_from(["North", "South", ""]), st.floats(0.01, 300.0), st.tuples(tier, tier))
price = st.decimals(0, 20_000, places=2)


# Losses of the first tier and of the second [bu/ac times m2]; both are paid for where each is the better one somewhere.
NEAR, FAR = ((4e5, 5e4, True), (1e4, 1e3, True)), ((4e5, 5e4, True), (5e5, 6e4, False))


def check_sums(found: dict[str, list[dict]]) -> None:
    """Totals are the sums of their parts; farms of their fields, the co-op of its farms: exactly."""
    sums: dict = defaultdict(Decimal)
    for part in found["choice_parts"]:
        sums[line_key(part)] += Decimal(part["amount_money"])
    assert {line_key(line): Decimal(line["total_money"]) for line in found["choice"]} == dict(sums)
    levels: dict = defaultdict(lambda: defaultdict(Decimal))
    for part in found["choice_parts"]:
        for tier in TIERS:
            if part["option"] == tier:
                owner = part["farm"] or part["field_id"]
                levels[part["level"]][("" if part["level"] == "co-op" else owner), tier, part["part"]] += Decimal(
                    part["amount_money"]
                )
    assert levels["field"] == levels["farm"]
    for tier in TIERS:
        for part in ("yield loss", "waiting", "fee", "one-off"):
            mine = [cents for (_, one, what), cents in levels["farm"].items() if (one, what) == (tier, part)]
            assert levels["co-op"]["", tier, part] == sum(mine)


@settings(max_examples=25)
@given(st.lists(field, min_size=1, max_size=5), st.tuples(price, price), price, st.integers(1, 50), st.integers(1, 12),
       st.sampled_from(["machine", "farm"]))  # fmt: skip
def test_parts_are_the_total_on_every_level(tmp_path_factory, fields, fee, once, years, machines, per):
    found = tables_of(tmp_path_factory.mktemp("any"), fields, **costs_of(fee, once, years, machines=machines, per=per))
    check_sums(found)
    counted = [part for part in found["choice_parts"] if part["unit_price_money"] and part["level"] != "co-op"]
    for part in counted:
        if part["level"] == "field" or part["part"] in ("fee", "one-off"):
            exact = Decimal(part["quantity"]) * Decimal(part["unit_price_money"])
            assert Decimal(part["amount_money"]) == exact.quantize(CENT, ROUND_HALF_UP)


@settings(max_examples=60)
@given(st.tuples(price, price), price, st.integers(1, 50), st.integers(1, 100))
def test_fee_and_one_off_of_all_machines_are_rounded_once(tmp_path_factory, fee, once, years, machines):
    fields = [("North", 31.7, NEAR)]
    found = tables_of(tmp_path_factory.mktemp("once"), fields, **costs_of(fee, once, years, machines=machines))
    (line,) = [one for one in found["choice"] if line_key(one) == ("farm", "North", "", "rtk_base")]
    assert Decimal(line["once_money"]) == whole(Fraction(once) * machines / years)
    assert Decimal(line["fee_money"]) == whole(Fraction(fee[1]) * machines)


@pytest.mark.parametrize(
    ("once", "years", "machines", "cents"),
    [
        ("100", 7, 1, "14.29"),
        ("100", 7, 30, "428.57"),  # 3,000 / 7 = 428.571; thirty times 14.29 would be 428.70
        ("1000.03", 30, 15, "500.02"),  # 500.015, half a cent, though a thirtieth of it has no end
        ("0.01", 30, 15, "0.01"),
        ("0.01", 50, 1, "0.00"),
    ],
)
def test_one_offs_by_hand(once, years, machines, cents, tmp_path):
    found = tables_of(tmp_path, [("North", 31.7, NEAR)], **costs_of((0, 0), once, years, machines=machines))
    (part,) = [
        one for one in found["choice_parts"] if (*line_key(one), one["part"]) == ("farm", "North", "", "rtk_base", "one-off")
    ]
    assert part["amount_money"] == cents
    assert whole(Decimal(part["quantity"]) * Decimal(part["unit_price_money"])) == Decimal(cents)


@pytest.mark.parametrize(
    ("once", "years", "shown"), [("100", 7, "14.29"), ("1", 8, "0.13"), ("3", 8, "0.38"), ("5", 8, "0.63")]
)
def test_a_yearly_price_is_shown_to_the_cent_half_up(once, years, shown, tmp_path):
    """Eighths of a unit end in half a cent: rounded to the even one, 1 and 5 of them would be 0.12 and 0.62."""
    found = tables_of(tmp_path, [("North", 31.7, NEAR)], **costs_of((0, 0), once, years))
    (line,) = [one for one in found["choice_sensitivity"] if (one["driver"], one["tier"]) == ("one-off", "rtk_base")]
    assert (line["price_money"], line["price_unit"]) == (shown, "year, machine")


def test_a_price_says_what_it_is_of(tmp_path):
    found = tables_of(tmp_path, [("North", 31.7, NEAR)], **costs_of((10, 20), "16000", 8, per="farm"))
    units = {one["driver"]: one["price_unit"] for one in found["choice_sensitivity"]}
    assert units == {"yield loss": "bu", "waiting": "h", "fee": "year, farm", "one-off": "year, farm"}
    # Of a one-off what falls on a year; the settings have it as it was given.
    yearly = [one["price_money"] for one in found["choice_sensitivity"] if one["driver"] == "one-off"]
    said = read_json(tmp_path / "choice.json")["costs"]["tiers"]
    assert "2000.00" in yearly and (said["rtk_base"]["once"], said["rtk_base"]["years"]) == ("16000.00", 8)
    assert (said["sbas"]["once"], said["sbas"]["years"]) == (None, None)


def test_ties_and_farms_without_rows_on_strips_in_the_tables(tmp_path):
    """Two tiers that are alike tie; a farm that none of them is needed on has no part in what is recommended to all."""
    fields = [("North", 31.7, ((4e5, 5e4, True),) * 2), ("South", 12.9, NO_ROWS)]
    found = tables_of(tmp_path, fields, **costs_of((700, 700), "0.00", 1, hour="0 USD/h"))
    check_sums(found)
    north, south = (
        {one["option"]: one for one in found["choice"] if line_key(one)[:2] == ("farm", farm)} for farm in ("North", "South")
    )
    assert [one["recommended"] for one in north.values()] == ["tie", "tie"]
    assert "come to the same" in north["sbas"]["said"] and not north["rtk_base"]["said"]
    assert [(one["recommended"], one["expected_miss_share"], one["miss_share_at_standard"]) for one in south.values()] == [
        ("no", "", ""), ("no", "", "")
    ]  # fmt: skip
    whole = {one["option"]: one for one in found["choice"] if one["level"] == "co-op"}
    assert whole["as recommended"]["total_money"] == north["sbas"]["total_money"]
    assert whole["as recommended"]["reason"] == "no row on strips on 1 of 2 farms"
    assert Decimal(whole["sbas"]["fee_money"]) == 2 * Decimal(north["sbas"]["fee_money"])


def test_a_pair_of_tiers_on_a_farm_of_three_machines_to_the_cent(tmp_path):
    fields = [("North", 31.7, NEAR), ("North", 12.9, FAR), ("", 7.3, NEAR)]
    found = tables_of(tmp_path, fields, **costs_of(("11.11", "33.33"), "100", 7, machines=3))
    check_sums(found)
    parts = defaultdict(list)
    for part in found["choice_parts"]:
        parts[part["level"], part["farm"], part["option"]].append(part)
    pair = parts["farm", "North", "sbas + rtk_base"]
    # Both fees, each of three machines, and one one-off; loss and waiting of each field under its own tier.
    fees = [Decimal(one["amount_money"]) for one in pair if one["part"] == "fee"]
    assert sorted(fees) == [3 * Decimal("11.11"), 3 * Decimal("33.33")]
    lost = {
        (one["field_id"], one["option"], one["part"]): Decimal(one["amount_money"])
        for one in found["choice_parts"] if one["level"] == "field"
    }  # fmt: skip
    for what in ("yield loss", "waiting"):
        (amount,) = [Decimal(one["amount_money"]) for one in pair if one["part"] == what]
        assert amount == lost["F0", "rtk_base", what] + lost["F1", "sbas", what]
    # A field of no farm pays for machines of its own.
    (line,) = [one for one in found["choice"] if line_key(one) == ("farm", "", "F2", "rtk_base")]
    assert Decimal(line["fee_money"]) == 3 * Decimal("33.33")
    assert {one["option"] for one in found["choice"] if one["field_id"] == "F2" and one["level"] == "farm"} == set(TIERS)


def test_losses_are_priced_by_hand(tmp_path):
    # 10,000 m2 of a loss of 28.5 bu/ac on an acre of 4,046.8564224 m2 at 4.37 USD/bu.
    loss = 28.5 * 1e4
    found = tables_of(tmp_path, [("North", 1.0, ((loss, 1e5, True), (0.0, 0.0, True)))], **costs_of((0, 0), 0, 1))
    bushels = (Decimal("28.5") * 10_000 / Decimal("4046.8564224")).quantize(Decimal("0.000001"))
    wanted = ("field", "North", "F0", "sbas", "yield loss")
    (part,) = [one for one in found["choice_parts"] if (*line_key(one), one["part"]) == wanted]
    # The survey's acre and the international one differ by 4 millionths.
    assert Decimal(part["quantity"]) == pytest.approx(bushels, rel=Decimal("5e-6")) and part["quantity_unit"] == "bu"
    assert Decimal(part["amount_money"]) == whole(Decimal(part["quantity"]) * Decimal("4.37")) == Decimal("307.76")
