"""The report without a browser: what it says in words, how it is cut into pages, and that it is the same each time."""

import json
import re
from decimal import Decimal
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from helpers import INCH
from pages import COSTS, join, write_report
from summaries import NAMES, report_of, summary
from workflow import boundaries, config, hashes, layer_of, pass_lines, passes_of, write_coop

from pipeline import columns as c
from pipeline.core.show import amount_text
from pipeline.files import cautions
from pipeline.files.choice_cells import COST_HEAD, cost_cells, flip_cells
from pipeline.files.lost import lost_files
from pipeline.files.page_code import unpacked
from pipeline.files.report_choice import ToldChoice, place_of
from pipeline.files.report_words import attention, farm_answer, remarks
from pipeline.files.store import read_json, to_json
from pipeline.files.texts import safe_text
from pipeline.steps import report, sheets


def words(fields: list[dict]) -> list[str]:
    return farm_answer("Invented", fields, names=NAMES, enough_share=0.95, units="us")["lines"]


def test_answer_names_tiers_good_enough_everywhere_in_some_and_in_no_field():
    other = summary("F2", shares={"middling": (0.06, 0.01, 0.2)})
    everywhere, some, nowhere = words([summary("F1"), other])
    most = "Good (at most 1\u00a0% off, 0\u20133\u00a0% in eight springs of ten"
    assert everywhere.startswith(f"Good enough in every field: {most}")
    assert some == "In some fields: Middling (in 1 of 2; not in F2)."
    assert nowhere == "In none: Bad."


def test_a_tier_out_of_reach_is_never_good_enough():
    assert "Good (" not in words([summary("F1", reach="out of reach")])[0]


def test_where_somebody_dug_the_share_after_the_checks_decides():
    bad, good = summary("F1"), summary("F2")
    bad["tiers"]["good"]["checked"], good["tiers"]["bad"]["checked"] = [0.6, 0.5, 0.7], [0.02, 0.0, 0.04]
    everywhere, some = words([bad, good])
    assert everywhere.startswith("Good enough in every field: Middling (at most 4")
    assert some == "In some fields: Good (in 1 of 2; not in F1); Bad (in 1 of 2; not in F1)."
    assert "Bad (2\u00a0% off, 0\u20134\u00a0% in eight springs of ten)" in words([good])[0]


def test_a_tier_that_ground_checks_contradict_is_never_good_enough():
    denied = summary("F1")
    denied["tiers"]["good"] |= {"checked": [0.0, 0.0, 0.0], "fits": 1e-5}
    everywhere, nowhere = words([denied])
    assert everywhere.startswith("Good enough in its field: Middling (")
    assert nowhere == "In none: Good; Bad."


def test_answer_where_no_tier_does_and_where_nothing_is_judged():
    worst = dict.fromkeys(NAMES, (0.5, 0.1, 0.9))
    assert words([summary("F1", shares=worst)]) == ["No tier is good enough in its field."]
    assert words([summary("F1", judged_m=0.0)]) == ["No row stands by a strip here."]
    assert words([summary(name, shares=worst) for name in ("F1", "F2")]) == ["No tier is good enough in any field."]
    other = {"good": (0.5, 0.1, 0.9), "middling": (0.06, 0.01, 0.2)}
    assert words([summary("F1"), summary("F2", shares=other)])[0] == "No tier is good enough in every field."


def test_a_share_that_is_just_the_standard_is_good_enough():
    # 1 - 0.9 is a little less than 0.1 in binary.
    one = summary("F1", shares=dict.fromkeys(NAMES, (0.1, 0.0, 0.2)))
    (said, *_) = farm_answer("Invented", [one], names=NAMES, enough_share=0.9, units="us")["lines"]
    assert said.startswith("Good enough in its field: ")


def test_the_first_screen_says_what_prices_choose_for_each_farm_and_what_standard_that_keeps(tmp_path):
    pd.DataFrame([
        farm_line("A", "sbas"), farm_line("A", "good", recommended="yes", total_money="1849.99"),
        farm_line("=B", "good", recommended="tie"), farm_line("=B", "bad + <x>", recommended="tie"),
        farm_line("C", "good"), farm_line("", "good", field_id="F7", recommended="yes"),
    ]).map(safe_text).to_csv(tmp_path / "choice.csv", index=False)  # fmt: skip
    pd.DataFrame(columns=c.CHOICE_FLIPS).to_csv(tmp_path / "flips.csv", index=False)
    standard = {"on_strip": 0.95, "springs": 0.9}
    (tmp_path / "choice.json").write_bytes(to_json({"costs": {"standard": standard}}))
    names = {"good": "Good one", "bad": "Bad"}
    files = (tmp_path / name for name in ("choice.csv", "flips.csv", "choice.json"))
    told = ToldChoice.read(*files, names=names, units="us")
    assert told.chosen() == {
        "A": "By the prices given: Good one, about 1,800 XTS a year.",
        safe_text("=B"): "By the prices given: Good one or Bad with \u2039x>, which come to the same, about 42 XTS a year.",
        "C": "By the prices given none is recommended.",
    }
    assert told.asked() == "What prices choose keeps 95\u00a0% of it there in 90\u00a0% of springs."
    page = report_of([], chosen=told.chosen(), asked=told.asked()).page([summary("F1", farm="=B")], packed={}).decode()
    assert page.count("<p><strong>By the prices given: Good one or Bad with") == 1 and told.asked() in page


def test_size_is_that_of_all_fields():
    said = farm_answer("", [summary("F1"), summary("F2")], names=NAMES, enough_share=0.95, units="us")
    assert said["size"] == "2 fields, 20\u00a0ac" and said["name"] == "No farm named"  # 40,468.56 m2 are 10 acres


def test_attention_gathers_fields_by_what_is_the_matter():
    fields = [
        summary("F1", reach="out of reach"), summary("F2", fits=0.001), summary("F3", base_unsure=True),
        summary("F4", no_strip_m=500.0), summary("F5", judged_m=0.0),
    ]  # fmt: skip
    rejects = pd.DataFrame({"layer": ["a", "a", "b"], "reason": ["x", "y", "x"]})
    said = attention(fields, ["the rows are moved", "tiers.autumn is as_logged"], rejects, names=NAMES)
    assert said == [
        "Good: out of reach of the base in 1 field: F1.",
        "Ground checks contradict Good; Middling; Bad in 1 field: F2.",
        "The base is not surveyed in 1 field: F3: it may stand elsewhere than in autumn.",
        "More than 2\u00a0% of the row length has no strip in 1 field: F4.",
        "No row stands by a strip in 1 field: F5.",
        "The rows are moved.",
        "tiers.autumn is as_logged.",
        "3 features not used (2 of a, 1 of b); rejects.csv has the reasons.",
    ]
    assert attention([summary("F1")], [], rejects.iloc[:0], names=NAMES) == []


TIER_COSTS = {"<rtk>": {"once": None, "years": None}, "rtk": {"once": "16000.00", "years": 8}}


def farm_line(farm: str, option: str, **more: str) -> dict:
    amounts = (c.LOSS_MONEY, c.LOSS_P10_MONEY, c.LOSS_P90_MONEY, c.FEE_MONEY, c.ONCE_MONEY, c.WAITING_MONEY)
    money = dict.fromkeys(amounts, "10.40")
    return dict.fromkeys(c.CHOICE, "") | money | {
        c.LEVEL: "farm", c.FARM: farm, c.OPTION: option, c.CURRENCY: "XTS", c.EXPECTED_MISS_SHARE: "0.25",
        c.TOTAL_MONEY: "41.60", c.RECOMMENDED: "no", c.REASON: "too dear",
    } | more  # fmt: skip


def test_a_choice_is_told_in_its_own_words_with_what_it_comes_to_and_hangs_on(tmp_path):
    table, hangs_on = tmp_path / "choice.csv", tmp_path / "choice_sensitivity.csv"
    pd.DataFrame([
        farm_line("A", "sbas"), farm_line("A", "<rtk>", said="A: <rtk> does.", recommended="yes"),
        farm_line("", "rtk", said="None does.", field_id="F7"), farm_line("", "rtk", field_id="F8"),
        farm_line("", "as recommended", level="co-op"),
    ]).to_csv(table, index=False)  # fmt: skip
    curve = {"name": "Some trial", "source": "a <source>", "limits": "one year"}
    curve |= {"measured_to_m": 0.2032, "last_point_m": 0.2032}
    settings = tmp_path / "choice.json"
    settings.write_bytes(to_json({"costs": {"curve": curve, "wait": {"share": 0.5}, "tiers": TIER_COSTS}}))
    flip = dict.fromkeys(c.CHOICE_FLIPS, "") | dict(zip(c.MARGINS_MONEY, ("7", "5", "3"), strict=True)) | {
        c.FARM: "A", c.DRIVER: "fee", c.TIER: "<rtk>", c.PRICE_MONEY: "40.00", c.CURRENCY: "XTS",
        c.PRICE_UNIT: "year, machine",
        "flips_above_factor": "1.5", "flips_above_to": "sbas",
    }  # fmt: skip
    # Bars are of what moves by a whole unit at least.
    idle, some = (
        flip | dict(zip(c.MARGINS_MONEY, ("5", "5", end), strict=True)) | {c.DRIVER: name}
        for name, end in (("waiting", "5.99"), ("unlock", "6.00"))
    )
    pd.DataFrame([flip, idle, some]).to_csv(hangs_on, index=False)
    (said,) = ToldChoice.read(table, hangs_on, settings, units="us").sections()
    assert said["words"] == [
        "A: <rtk> does.", "None does.",
        # 8 in of 25.4 mm are 0.2032 m.
        "Losses go by the curve 'Some trial': a <source>. one year. Beyond 8\u00a0in from the strip's centre nothing was "
        "measured: its last value is held.",
        "Here every machine waits 50\u00a0% of its tier's convergence, and pays for it: where logs tell of starts, fewer "
        "rows are off the strip than elsewhere in this report.",
        "All farms as recommended: about 42 XTS a year, of it about 10 lost beside the strips.", cautions.CHOICE,
    ]
    (metric,) = ToldChoice.read(table, hangs_on, settings, units="metric").sections()
    assert "Beyond 20.3\u00a0cm from the strip's centre" in metric["words"][2]
    settings.write_bytes(to_json({"costs": {
        "curve": curve | {"measured_to_m": 0.1143}, "wait": {"share": 0.0}, "tiers": TIER_COSTS,
    }}))  # fmt: skip
    (assumed,) = ToldChoice.read(table, hangs_on, settings, units="us").sections()
    assert assumed["words"][2].endswith(
        "Beyond 4.5\u00a0in from the strip's centre nothing was measured for certain: to 8\u00a0in the curve is assumed, "
        "and from there its last value is held."
    )
    costs, flips = said["tables"]
    line = ["A", "sbas", "25\u00a0%", "10", "10 to 10", "10", "10", "10", "42", "", "too dear"]
    assert costs["lines"][0] == line
    assert [line[-1] for line in costs["lines"]] == ["too dear", "recommended", "too dear", "too dear"]
    assert [line[0] for line in costs["lines"]] == ["A", "A", "Field F7", "Field F8"]  # fields of no farm, one by one
    assert flips["lines"][0] == ["A", "fee of <rtk>", "40.00 XTS a year for each machine", "sbas", "above 150 % of that"]
    # The picture goes into the page as it is: names in it are text.
    (picture,) = said["pictures"]
    assert picture["svg"].count("<rect") == 4 and "waiting" not in picture["svg"] and "unlock" in picture["svg"]
    assert "<rtk>" not in picture["svg"] and "&lt;rtk&gt;" in picture["svg"]


@pytest.mark.parametrize(("driver", "tier", "price", "unit", "what", "given"), [
    ("yield loss", "", "4.20", "bu", "price of what is lost", "4.20 XTS/bu"),
    ("yield loss", "", "60", "ac", "price of what is lost", "60 XTS/ac"),
    ("waiting", "", "180", "h", "cost of a waiting machine", "180 XTS/h"),
    ("fee", "rtk", "1200.00", "year, machine", "fee of rtk", "1,200.00 XTS a year for each machine"),
    ("one-off", "rtk", "2000.00", "year, farm", "one-off of rtk",
     "2,000.00 XTS a year for the farm (16,000.00 XTS over 8 years)"),
])  # fmt: skip
def test_a_price_is_told_as_it_was_given(driver, tier, price, unit, what, given):
    line = dict.fromkeys(c.CHOICE_FLIPS, "") | {
        c.FARM: "A", c.DRIVER: driver, c.TIER: tier, c.PRICE_MONEY: price, c.PRICE_UNIT: unit, c.CURRENCY: "XTS",
        "flips_below_factor": "0.5", "flips_below_to": "sbas",
    }  # fmt: skip
    assert flip_cells(pd.Series(line), costs={"tiers": TIER_COSTS}) == [["A", what, given, "sbas", "below 50 % of that"]]


@pytest.mark.parametrize(("units", "ha", "against", "said"), [
    # 24.678207 ha / 0.40468564224 = 60.98 ac; 3.218482 ha are 7.953 ac.
    ("us", "24.678207", "sbas", "61\u00a0ac (sbas)"), ("us", "3.218482", "sbas", "8.0\u00a0ac (sbas)"),
    ("metric", "24.678207", "sbas", "24.7\u00a0ha (sbas)"), ("us", "", "sbas", "never (sbas)"), ("us", "", "", ""),
])  # fmt: skip
def test_from_what_area_a_tier_pays(units, ha, against, said):
    line = farm_line("A", "rtk") | {c.BREAK_EVEN_HA: ha, c.BREAK_EVEN_AGAINST: against}
    cells = cost_cells(pd.Series(line), units=units)
    assert dict(zip(COST_HEAD, cells, strict=True))["Pays from an area of (against)"] == said


@pytest.mark.parametrize(("share", "said"), [
    ("0.777605", "too dear; 78\u00a0% of its loss where nothing was surely measured"),
    ("0.099999", "too dear"), ("", "too dear"),
    ("0.100000", "too dear; 10\u00a0% of its loss where nothing was surely measured"),
])  # fmt: skip
def test_much_of_a_loss_where_nothing_was_measured_is_said(share, said):
    assert cost_cells(pd.Series(farm_line("A", "rtk", loss_beyond_measured_share=share)), units="us")[-1] == said


def test_money_on_the_page_is_as_exact_as_it_is_known():
    """What is expected has three digits; a fee is what it is."""
    names = {"27808.54": "27,800", "10.50": "11", "11.50": "12", "0.49": "0", "999.50": "1,000", "1005.00": "1,010"}
    for cell, said in names.items():
        line = farm_line("A", "rtk") | {c.LOSS_MONEY: cell, c.LOSS_P10_MONEY: cell, c.LOSS_P90_MONEY: cell}
        line |= {c.TOTAL_MONEY: cell, c.WAITING_MONEY: cell, c.FEE_MONEY: "1234.50"}
        cells = cost_cells(pd.Series(line), units="us")
        assert cells[3:] == [said, f"{said} to {said}", "1,235", "10", said, said, "", "too dear"]


@pytest.mark.parametrize(("amount", "digits", "said"), [
    ("0.5", None, "1"), ("1.5", None, "2"), ("2.49", None, "2"), ("-0.4", None, "0"), ("-12.5", None, "\u221213"),
    ("9995", 3, "10,000"), ("9994.50", 3, "9,990"), ("1234567.89", 3, "1,230,000"), ("0", 3, "0"), ("2.50", 3, "3"),
])  # fmt: skip
def test_money_is_rounded_half_up_and_once(amount, digits, said):
    assert amount_text(Decimal(amount), digits=digits) == said


def test_without_costs_nothing_is_told_of_them(tmp_path):
    for name, columns in (("choice.csv", c.CHOICE), ("choice_sensitivity.csv", c.CHOICE_FLIPS)):
        (tmp_path / name).write_text(",".join(columns) + "\n")
    names = ("choice.csv", "choice_sensitivity.csv", "choice.json")
    told = ToldChoice.read(*(tmp_path / name for name in names), units="us")
    assert told.sections() == told.index({}) == [] and told.sizes() == {}


def test_each_farm_has_its_own_choice_and_the_index_a_line_for_each(tmp_path):
    """Thirteen farms with a name that would be a formula and one of two fields, and two fields of none."""
    table, hangs_on, settings = (tmp_path / name for name in ("choice.csv", "choice_sensitivity.csv", "choice.json"))
    names = [f"Farm {k}" for k in range(11)] + ["=1+1", "None does"]
    lines, flips = [], []
    for name, field_id in [*((name, "") for name in names), ("", "A0"), ("", "A1")]:
        farm, told = safe_text(name), {c.FIELD_ID: field_id}
        yes = {c.RECOMMENDED: "no" if name == "None does" else "yes", c.SAID: f"{name or field_id} is told of."}
        lines += [farm_line(farm, "sbas", **told), farm_line(farm, "rtk", **told, **yes)]
        margins = dict(zip(c.MARGINS_MONEY, ("1", "50", "99"), strict=True))
        flips.append(dict.fromkeys(c.CHOICE_FLIPS, "") | margins | told | {
            c.FARM: farm, c.OPTION: "rtk", c.DRIVER: "fee", c.TIER: "rtk", c.PRICE_MONEY: "40.00", c.CURRENCY: "XTS",
            c.PRICE_UNIT: "year, farm",
            "flips_above_factor": "1.5", "flips_above_to": "sbas",
        })  # fmt: skip
    lines.append(farm_line("", "as recommended", level="co-op"))
    pd.DataFrame(lines).to_csv(table, index=False)
    pd.DataFrame(flips).to_csv(hangs_on, index=False)
    settings.write_bytes(to_json({"costs": {"curve": None, "wait": {"share": 0.0}, "tiers": TIER_COSTS}}))
    said = ToldChoice.read(table, hangs_on, settings, units="us")

    fields = [summary(f"F{k}", farm=name) for k, name in enumerate([*names, names[0]])]
    fields += [summary("A0", farm=""), summary("A1", farm="")]
    assert {place_of(one) for one in fields} == set(said.sizes())
    (index,) = said.index({("Farm 0", ""): "report/farm-0.html"})
    whole = "All farms as recommended: about 42 XTS a year, of it about 10 lost beside the strips."
    assert index["words"] == [whole, cautions.CHOICE]
    (one,) = index["tables"]
    assert len(one["lines"]) == 15 and one["lines"][0][1:] == ["rtk", "42", "10"]
    assert one["lines"][0][0] == '<a href="report/farm-0.html">Farm 0</a>' and one["lines"][1][0] == "Farm 1"
    assert one["lines"][12] == ["None does", "none", "\N{EN DASH}", "\N{EN DASH}"] and one["lines"][13][0] == "Field A0"

    for mine, name, count in ((fields[11:12], "=1+1", 1), ([fields[0], fields[13]], "Farm 0", 1), (fields[14:], "A0", 2)):
        (part,) = said.of(mine).sections()
        assert part["words"][0] == f"{name} is told of." and part["words"][count:] == [cautions.CHOICE]
        assert [len(one["lines"]) for one in part["tables"]] == [2 * count, count] and len(part["pictures"]) == count
    assert said.of([]).sections() == []
    # What a farm takes on a page is bounded by what its pages are cut by.
    whole = report_of(fields).page(fields, packed=None)
    there = report_of(fields, sections=said.sections()).page(fields, packed=None)
    assert len(there) - len(whole) < sum(said.sizes().values())


def test_costs_of_fields_are_told_with_whose_choice_it_is_and_what_is_out_of_reach(tmp_path):
    """A field of a farm, with a wait that is paid for, and one of none, of which another page tells."""
    table, hangs_on, settings = (tmp_path / name for name in ("choice.csv", "choice_sensitivity.csv", "choice.json"))
    of_field = {c.LEVEL: "field", c.REASON: "", c.FIELD_ID: "F1"}
    lines = [
        farm_line("A", "rtk"), farm_line("", "rtk", field_id="F2"),
        farm_line("A", "rtk", **of_field | {c.RECOMMENDED: "yes", c.REASON: "as chosen for the farm", c.REACH: "in reach"}),
        farm_line("A", "sbas", **of_field | {c.REACH: "out of reach", c.LOSS_BEYOND_SHARE: "0.25"}),
        farm_line("", "rtk", **of_field | {c.FIELD_ID: "F2", c.REACH: "unknown"}),
    ]  # fmt: skip
    pd.DataFrame(lines).to_csv(table, index=False)
    pd.DataFrame(columns=c.CHOICE_FLIPS).to_csv(hangs_on, index=False)
    settings.write_bytes(to_json({"costs": {"curve": None, "wait": {"share": 0.7}, "tiers": TIER_COSTS}}))
    said = ToldChoice.read(table, hangs_on, settings, units="us", names={"rtk": "Base RTK"})
    made = said.of([summary("F1", farm="A")]).of_fields()
    assert list(made) == ["F1"] and set(said.of_fields()) == {"F1", "F2"}
    assert made["F1"]["caption"] == (
        "What each tier comes to here in a year, XTS, after the wait that is paid for; expected amounts to three digits at "
        "most; fees and one-offs are this field's part of the farm's, by area"
    )
    assert [(line[0], line[-1]) for line in made["F1"]["lines"]] == [
        ("Base RTK", "as chosen for the farm"),
        ("sbas", "out of reach of its base; 25\u00a0% of its loss where nothing was surely measured"),
    ]
    assert made["F1"]["lines"][0][1:8] == ["25\u00a0%", "10", "10 to 10", "10", "10", "10", "42"]
    assert said.of_fields()["F2"]["caption"].endswith("to three digits at most")
    assert said.field_size() > max(len(json.dumps(one)) for one in said.of_fields().values())
    assert said.of([]).of_fields() == {}


def test_most_fields_have_no_remark():
    assert remarks(summary("F1"), names=NAMES) == []
    assert remarks(summary("F1", moved="3.28 ft towards 90 deg (E)", no_strip_m=1000.0), names=NAMES) == [
        "20\u00a0% of the row length has no strip", "planter's lines moved 3.28 ft towards 90 deg (E): frames differ",
    ]  # fmt: skip


@pytest.fixture(scope="module")
def made(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("report")
    fields = boundaries()
    fields["FARM"] = ["North", "north"]  # one file name on many systems
    write_coop(folder, fields=fields, rows=passes_of(shift_m=2 * INCH))
    write_report(folder, config(folder) | {"costs": COSTS})
    return folder


def parts(folder: Path) -> list[Path]:
    return sorted((folder / "work/page_parts").iterdir())


def test_a_small_report_is_one_page_and_the_same_each_time(made):
    before = hashes(made / "results")
    assert list(before) == ["report.html"]
    join(made, parts(made))
    assert hashes(made / "results") == before


def test_no_page_names_the_machine_or_the_time(made):
    text = (made / "results/report.html").read_text()
    assert str(made) not in text and not re.search(r"\b20[23]\d-\d\d-\d\dT", text)
    for address in re.findall(r"https?://[^\s\"'<]+", text):
        assert address == "http://www.w3.org/2000/svg"


def test_a_large_report_is_an_index_and_a_page_a_farm(made, monkeypatch):
    alone = (made / "results/report.html").read_bytes()
    monkeypatch.setattr(report, "MOST_IN_ONE", 0)
    results = join(made, parts(made))
    pages = read_json(made / "work/report.json")["pages"]
    assert pages == ["North", "north-2"] and sorted(p.stem for p in (results / "report").iterdir()) == pages
    index = (results / "report.html").read_text()
    assert 'id="packed-' not in index and "report/North.html#F0" in index
    # Costs, flips and cautions are on the page of their farm.
    assert '<a href="report/North.html">North</a>' in index and "What each tier comes to" not in index
    for name, other in (("North", "north"), ("north-2", "North")):
        text = (results / f"report/{name}.html").read_text()
        assert "What each tier comes to" in text and cautions.CHOICE in text and f'<th scope="row">{other}</th>' not in text
    assert 'href="../report.html"' in (results / "report/North.html").read_text()
    # One that is taken away is missed, and written again as it was.
    gone = results / "report/north-2.html"
    before = gone.read_bytes()
    gone.unlink()
    assert lost_files({}, work=made / "work", results=results) == [gone.as_posix()]
    join(made, parts(made), only="north-2")
    assert gone.read_bytes() == before
    # One of a farm that is gone says so, until the next report takes it away.
    join(made, parts(made), only="gone")
    assert report.GONE in (results / "report/gone.html").read_text()
    join(made, parts(made))
    assert sorted(p.stem for p in (results / "report").iterdir()) == pages
    # A report that has become small again has no pages beside it.
    monkeypatch.setattr(report, "MOST_IN_ONE", 10**9)
    assert (join(made, parts(made)) / "report.html").read_bytes() == alone
    assert not (results / "report").exists()


def test_a_farm_with_too_much_for_one_page_has_several(monkeypatch):
    monkeypatch.setattr(report, "MOST_IN_PART", 250)
    sizes = dict.fromkeys(("F1", "F2", "F3", "F4"), 100)
    pages = report.pages_of([summary(name, farm="A/B") for name in sizes], sizes, {})
    assert [title for title, _ in pages.values()] == ["A/B, part 1 of 2", "A/B, part 2 of 2"]
    assert [[one["id"] for one in mine] for _, mine in pages.values()] == [["F1", "F2"], ["F3", "F4"]]
    assert all(re.fullmatch(r"[\w.-]+", name) for name in pages) and len({name.casefold() for name in pages}) == 2


def test_what_a_field_carries(made):
    """By arithmetic: four passes of 12 rows, 120 m long, 2 in to the left of strips that run east."""
    (file,) = (made / "work/page_parts").glob("*/F0.txt")
    said = unpacked(file.read_text())
    lengths = said["model"]["by_pair"]
    assert sum(lengths["v"]) * lengths["unit"] == pytest.approx(4 * 12 * 120.0, rel=1e-3)
    assert len(said["lines"]["n"]) == 48 and set(said["lines"]["n"]) == {2}
    # Passes go to and fro, and left of a strip that runs west is south. Half a unit is a millimetre.
    runs = said["runs"]
    on = np.repeat(np.cumsum(runs["key"]) >= 0, runs["n"])
    offset = runs["offset_unit"] * np.cumsum(runs["offset"])[on]
    np.testing.assert_allclose(np.abs(offset), 2 * INCH, atol=0.5 * runs["offset_unit"] + 1e-3 * INCH)
    assert (np.sign(offset) == 1).sum() == (np.sign(offset) == -1).sum()
    assert said["errors"]["rtk_base"]["planter"]["sources"][0]["R"] == pytest.approx(INCH, abs=1e-6)


def test_a_field_without_strips_has_a_page_as_well(tmp_path):
    strips = layer_of(pass_lines(0), PASS=[f"P{k}" for k in range(4)])
    write_coop(tmp_path, strips=strips, rows=passes_of())
    text = (write_report(tmp_path, config(tmp_path)) / "report.html").read_text()
    # No share of no length: nothing, and not 0 %.
    data = json.loads(re.search(r'id="page-data">(.*?)</script>', text).group(1))
    shares = {one["folder"]: [tier["share"][0] for tier in one["tiers"]] for one in data["fields"]}
    assert shares["F2"] == [None, None] and None not in shares["F0"]
    assert 'id="packed-F2"' in text and "No row stands by a strip in 1 field: F2." in text


def test_the_sheet_of_a_field_without_strips_has_no_share(tmp_path):
    pypdf = pytest.importorskip("pypdf", reason="pypdf, which reads the sheet, is not installed")
    write_coop(tmp_path, strips=layer_of(pass_lines(0), PASS=[f"P{k}" for k in range(4)]), rows=passes_of())
    write_report(tmp_path, config(tmp_path))
    (laid,) = (tmp_path / "work/passes").glob("*/F2")
    at = {name: tmp_path / "work" / name / laid.parent.name for name in ("passes", "bands", "odds")}
    settings = {name: tmp_path / "work/settings" / f"{name}.json" for name in ("tiers", "report")}
    sheets.run(**at, **settings, results=tmp_path / "results", out=None, only="F2")
    text = " ".join(page.extract_text() for page in pypdf.PdfReader(tmp_path / "results/fields/F2/sheet.pdf").pages)
    assert "No row stands by a strip here." in text and "0\u00a0%" not in text and "0 %" not in text
    # No strip, so no width of one: neither among the facts nor in the row's-eye view. The rows have their 30 in.
    assert "rows 30\u00a0in" in text and "row spacing 30\u00a0in" in text and not re.search(r"strips? 0", text)
    assert "not computed" not in text and text.count("no row by a strip") == 2  # on the map of each tier
