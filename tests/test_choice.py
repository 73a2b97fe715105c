"""Costs from the configuration to the tables of the choice, on a small invented co-op: sums to the cent, words, errors."""

import csv
import re
from collections import defaultdict
from decimal import ROUND_HALF_UP, Decimal
from pathlib import Path
from xml.etree import ElementTree

import pandas as pd
import pytest
from invented_farms import line_key
from workflow import PROJECT, config, passes_of, run_steps, write_coop

from pipeline.errors import ConfigError
from pipeline.files.choice_words import money_words, rows_text, said_of
from pipeline.files.config import config_from_dict, resolve_tiers
from pipeline.files.money import money, percent, springs
from pipeline.files.tornado import tornado
from pipeline.steps import choice

TABLES = ("choice", "choice_parts", "choice_sensitivity")
COSTS = {
    "currency": "USD", "crop": {"price": "4.37 USD/bu"}, "response": {"curve": "yuma_2007"},
    "tiers": {"sbas": {"fee": "0 USD"}, "rtk_base": {"fee": "3.33 USD", "once": "100 USD", "years": 7, "per": "farm"}},
    "machine_hour": "187.50 USD/h", "field_capacity": {"width": "30 ft", "speed": "6 mph", "efficiency": "70 %"},
}  # fmt: skip


def choose(folder: Path, **costs) -> dict[str, list[dict]]:
    """The small co-op's tables of the choice, cells as text; without costs where none are given."""
    folder.mkdir(exist_ok=True)
    write_coop(folder, rows=passes_of(shift_m=0.02))
    run_steps(config(folder) | ({"costs": costs} if costs else {}), folder)
    out = {name: folder / f"{name}.csv" for name in TABLES}
    choice.run(
        odds=sorted((folder / "work/odds").iterdir()), settings=folder / "work/settings/choice.json",
        choice=out["choice"], parts=out["choice_parts"], sensitivity=out["choice_sensitivity"],
    )  # fmt: skip
    return {name: list(csv.DictReader(path.open(newline=""))) for name, path in out.items()} | {"folder": folder}


@pytest.fixture(scope="module")
def found(tmp_path_factory) -> dict:
    return choose(tmp_path_factory.mktemp("costs"), **COSTS)


def test_every_total_is_the_sum_of_its_parts(found):
    sums: dict = defaultdict(Decimal)
    for part in found["choice_parts"]:
        sums[line_key(part)] += Decimal(part["amount_money"])
    assert {line_key(line): Decimal(line["total_money"]) for line in found["choice"]} == dict(sums)
    columns = ("loss_money", "fee_money", "once_money", "waiting_money")
    for line in found["choice"]:
        assert sum(Decimal(line[name]) for name in columns) == Decimal(line["total_money"])


def test_farms_are_sums_of_their_fields_and_the_coop_of_its_farms(found):
    totals: dict = defaultdict(Decimal)
    for line in found["choice"]:
        totals[line["level"], line["option"]] += Decimal(line["total_money"])
    for tier in ("sbas", "rtk_base"):
        assert totals["field", tier] == totals["farm", tier] == totals["co-op", tier] > 0


def test_every_amount_of_a_field_is_quantity_times_price_rounded_once(found):
    priced = [part for part in found["choice_parts"] if part["level"] == "field" and part["unit_price_money"]]
    assert len(priced) == 2 * 2 * 2  # fields, tiers, and loss and waiting
    for part in priced:
        exact = Decimal(part["quantity"]) * Decimal(part["unit_price_money"])
        assert Decimal(part["amount_money"]) == exact.quantize(Decimal("0.01"), ROUND_HALF_UP)


def test_waits_by_hand(found):
    # 120 x 50 m at 30 ft x 6 mph x 70 %: hours of a working day of 10 h, two seasons, two starts a day, sbas's convergence.
    minutes = float(re.search(r"id: sbas.*?convergence: ([\d.]+) min", (PROJECT / "shared/tiers.yaml").read_text(), re.S)[1])
    days = 120 * 50 / (30 * 0.3048 * 6 * 0.44704 * 0.7) / 36000
    waits = [float(one["quantity"]) for one in found["choice_parts"]
             if (one["level"], one["option"], one["part"]) == ("field", "sbas", "waiting")]  # fmt: skip
    assert waits == [pytest.approx(2 * 2 * days * minutes / 60, rel=1e-3)] * 2


def test_what_is_lost_where_nothing_was_measured(found, tmp_path):
    """Beyond Yuma's last point every row loses 28.5 bu/ac; Goodwell's curve loses where none is known to be measured."""
    yuma, goodwell = (
        [one for one in said["choice"] if (one["level"], one["option"]) == ("field", "sbas")]
        for said in (found, choose(tmp_path / "goodwell", **COSTS | {"response": {"curve": "goodwell_2007"}}))
    )
    for line in yuma:
        rows_m2 = float(line["judged_m"]) * float(line["beyond_measured_share"]) * 30 * 0.0254
        lost = rows_m2 / 4046.8564224 * 28.5 * 4.37
        share = float(line["loss_beyond_measured_share"])
        assert 0.01 < share < 0.99 and share * float(line["loss_money"]) == pytest.approx(lost, rel=1e-3)
    assert [float(one["loss_beyond_measured_share"]) for one in goodwell] == pytest.approx([1.0, 1.0], abs=1e-5)
    # 4.5 in are nearer than 8 in, so more of the rows lie beyond.
    for one, other in zip(goodwell, yuma, strict=True):
        assert float(one["beyond_measured_share"]) > float(other["beyond_measured_share"])


def test_no_costs_give_headers_only(tmp_path):
    found = choose(tmp_path / "none")
    assert not any(found[name] for name in TABLES)
    assert (tmp_path / "none/choice.csv").read_text().startswith("level,farm,field_id,option,currency")


def test_without_a_yield_effect_the_free_tier_wins(tmp_path):
    free = COSTS | {"response": {"curve": "none"}, "machine_hour": "0 USD/h"}
    del free["crop"]
    lines = {line["option"]: line for line in choose(tmp_path / "free", **free)["choice"] if line["level"] == "farm"}
    assert lines["sbas"]["recommended"] == "yes" and lines["sbas"]["total_money"] == "0.00"
    # 3.33 and 100 over 7 years, 14.29.
    assert lines["rtk_base"]["recommended"] == "no" and lines["rtk_base"]["total_money"] == "17.62"


def test_of_two_free_tiers_the_one_that_misses_less(tmp_path):
    free = COSTS | {"tiers": dict.fromkeys(("sbas", "rtk_base"), {"fee": "0 USD"}), "response": {"curve": "none"}}
    del free["machine_hour"], free["crop"]
    lines = [line for line in choose(tmp_path / "tie", **free)["choice"] if line["level"] == "farm"]
    assert float(lines[0]["expected_miss_m"]) > float(lines[1]["expected_miss_m"])
    assert [(line["recommended"], line["dominated_by"]) for line in lines] == [("no", "rtk_base"), ("yes", "")]
    assert lines[0]["reason"] == "rtk_base costs no more to have and loses and misses no more"
    assert "rtk_base is the cheapest that will do" in lines[1]["said"]


def test_the_same_bytes_again(found, tmp_path):
    choose(tmp_path / "again", **COSTS)
    for name in TABLES:
        assert (tmp_path / f"again/{name}.csv").read_bytes() == (found["folder"] / f"{name}.csv").read_bytes()


# --- words and picture ---


def test_sentences_come_with_the_table(found):
    (said,) = said_of(found["folder"] / "choice.csv")
    assert said.startswith("Invented: ") and said.count(". ") <= 4


@pytest.mark.parametrize(
    ("share", "text"),
    [(0.0, "hardly a row"), (0.34, "about 1 row in 3"), (0.05, "about 1 row in 20"), (0.67, "about 2 rows in 3"),
     (0.99, "nearly every row")],
)  # fmt: skip
def test_shares_as_rows(share, text):
    assert rows_text(share) == text


def test_money_has_two_digits():
    assert money_words(212_072, "USD") == "about 2,100 USD"
    assert money_words(8_412, "EUR") == "about 84 EUR"


def test_the_picture_is_svg_and_names_are_text(found):
    lines = found["choice_sensitivity"]
    assert lines
    root = ElementTree.fromstring(tornado([one | {"option": "<script>"} for one in lines]))
    assert root.tag.endswith("svg") and not list(root.iter("{http://www.w3.org/2000/svg}script"))
    assert tornado([]) == ""


# --- what is refused ---


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"crop": {"price": 4.2}}, "has no currency; write for example '4.2 USD/bu'"),
        ({"crop": {"price": "4.20 EUR/bu"}}, "is in EUR, expected USD"),
        ({"crop": {"price": "4.20 USD/ac"}}, "no unit of volume or mass"),
        ({"machine_hour": "180 USD"}, "money for a unit"),
        ({"tiers": {"sbas": {"fee": "0 USD"}}}, "'rtk_base' is compared and has no costs"),
        ({"tiers": COSTS["tiers"] | {"rtk": {"fee": "0 USD"}}}, "no tier 'rtk' in the catalogue"),
        ({"standard": {"on_strip": 0.95, "springs": "9 of 10"}}, "'0.95 %'"),
        ({"standard": {"on_strip": "95 %", "springs": "10 of 10"}}, "fewer than all"),
        ({"response": {"curve": "yuma"}}, "did you mean 'yuma_2007'"),
        ({"wated_share": "50 %"}, "did you mean 'waited_share'"),
        ({"field_capacity": {"width": "30 ft", "speed": 6, "efficiency": "70 %"}}, "has no unit"),
        ({"field_capacity": {"width": "30 ft", "speed": "6 mph", "efficiency": "0 %"}}, "expected 1 to 100 %"),
        ({"machine_hour": 180}, "write for example '180 USD/h'"),
        ({"machine_hour": "1500 USD/day"}, "'1500 USD/day': expected money for an hour or less, as in '180 USD/h'"),
        ({"machine_hour": "9 USD/ha"},
         "'9 USD/ha': 'ha' is no unit of time; expected money for an hour or less, as in '180 USD/h'"),
        ({"crop": {"price": "4.20 USD/bu", "expected_yield": "-200 bu/ac"}}, "a yield is not negative"),
        ({"tiers": {"sbas": {"fee": "1,800 USD"}}}, "may be either of two amounts; write 1800, or 1.800"),
        ({"standard": {"on_strip": "95 %", "springs": "998 of 999"}}, "49 of 50 at most"),
        ({"currency": "\u20ac"}, "expected three capitals, as in 'USD'"),
        ({"tiers": COSTS["tiers"] | {"sbas": {"fee": "0 USD", "per": "field"}}}, "expected 'machine' or 'farm'"),
    ],
)
def test_costs_that_cannot_be(change, said, tmp_path):
    def read() -> None:
        one = config_from_dict(config(tmp_path) | {"costs": COSTS | change}, source="mine.yaml")
        resolve_tiers(one, project_root=PROJECT, working_dir=tmp_path)

    with pytest.raises(ConfigError, match=re.escape(said)):
        read()


@pytest.mark.parametrize(
    "value", ["-4 USD", "4", "USD", "4 usd", "4 USD/bu", None, True, "nan USD", "1e40 USD", "16,000 USD"]
)
def test_no_money(value):
    with pytest.raises(ValueError, match="expected|write"):
        money(value)


def test_shares_and_springs():
    assert percent("95 %") == pytest.approx(0.95) and springs("9 of 10") == pytest.approx(0.9)
    for bad in (95, "120 %", "95", "-1 %"):
        with pytest.raises(ValueError, match="expected|write"):
            percent(bad)


def test_levels_travel_through_files(found):
    parts = [pd.read_parquet(one / "losses.parquet") for one in sorted((found["folder"] / "work/odds").iterdir())]
    table = pd.concat(parts)
    assert set(table["tier"]) == {"sbas", "rtk_base"}
    for line in table.to_dict("records"):
        # The mean of the draws and the expectation in closed form are two ways to one figure.
        assert line["loss_levels_m2"].mean() == pytest.approx(line["loss_m2"], rel=0.02, abs=1.0)
        assert line["missed_levels_m"].mean() == pytest.approx(line["expected_miss_m"], rel=0.02, abs=1.0)
