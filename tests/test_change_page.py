"""The page of what changed: every change in a cell of its own, whatever names hold."""

import base64
import hashlib
import re
from html.parser import HTMLParser

import pandas as pd
import pytest
from browser import Visit, browser

from pipeline import columns as c
from pipeline.files.change_page import FIRST, MOST_LINES, NOTHING, change_page
from pipeline.files.page_code import field_anchor

__all__ = ["browser"]
NASTY = "<script>alert('x')</script> & \"F1\""


class Page(HTMLParser):
    """Cells of each table by row, all text, and all tags."""

    def __init__(self, html: str):
        super().__init__()
        self.tables: list[list[list[str]]] = []
        self.tags: list[str] = []
        self.text = ""
        self.anchors: list[str] = []
        self.feed(html)

    def handle_starttag(self, tag, attributes):
        self.tags.append(tag)
        self.anchors += [value for name, value in attributes if name == "id"]
        if tag == "table":
            self.tables.append([])
        elif tag == "tr":
            self.tables[-1].append([])
        elif tag in ("td", "th"):
            self.tables[-1][-1].append("")

    def handle_endtag(self, tag):
        self.tags.append(f"/{tag}")

    def handle_data(self, data):
        self.text += data
        if self.tags.count("table") > self.tags.count("/table") and self.tables[-1] and self.tables[-1][-1]:
            self.tables[-1][-1][-1] += data.replace("\u00a0", " ").strip()


def page(*lines: tuple[str, ...], title: str = "Invented", units: str = "metric") -> Page:
    table = pd.DataFrame([(*line, "") for line in lines], columns=c.CHANGES, dtype=object)
    return Page(change_page(table, title=title, units=units))


def test_nothing_and_a_first_run_say_so():
    assert NOTHING in page().text and not page().tables
    first = page(("first run", "", "", "", "", ""))
    assert FIRST in first.text and not first.tables


def test_settings_tiers_fields_and_figures_each_have_their_cell():
    found = page(
        ("setting", "", "", "judging.row_margin", "0.0", "0.0127"),
        ("setting", "", "", "inputs.strips.log.still", "", "0.1"), ("setting", "", "", "judging.seed", "1", "2"),
        ("tier", "", "sbas", "repeatable_95_m", "0.6", "0.5"),
        ("tier added", "", "rtk_base", "", "", ""),
        ("field added", "F2", "", "area_m2", "", "201000"),
        ("boundary", "F1", "", "area_m2", "100000", "90000"),
        ("strips", "F1", "", "passes", "12", "11"),
        ("figures", "F1", "sbas", "expected_miss_share", "0.834", "0.711"),
        ("figures", "F1", "sbas", "miss_share_p10", "0.3", "0.2"),
        ("figures", "F1", "sbas", "miss_share_p90", "1", "0.9"),
        ("figures", "F1", "rtk_base", "expected_miss_share", "0.0211", "0.0214"),
        ("other figures", "F3", "rtk_base", "wait", "", ""),
        ("figures", "F4", "sbas", "expected_miss_share", "", "0.5"),
        ("figures", "F4", "rtk_base", "expected_miss_share", "0.02", ""),
    )
    settings, fields, figures = found.tables
    assert settings[1:] == [
        ["judging.row_margin", "0.0 m", "0.0127 m"], ["inputs.strips.log.still", "none", "0.1 m/s"],
        ["judging.seed", "1", "2"], ["tier sbas: repeatable_95_m", "0.6", "0.5"],
        ["tier rtk_base", "none", "added"],
    ]  # fmt: skip
    assert fields[1:] == [
        ["F1", "boundary", "10.0 ha", "9.0 ha"], ["F1", "strip passes", "12", "11"], ["F2", "field added", "", "20.1 ha"],
    ]  # fmt: skip
    assert figures == [
        ["Field", "sbas", "rtk_base"],
        ["F1", "83 % \u2192 71 %20\u201390 %", "2 %, moved by less than a point"],
        ["F3", "", "other figures"],
        ["F4", "\u2013 \u2192 50 %", "2 % \u2192 \u2013"],
    ]


@pytest.mark.parametrize(
    ("units", "before", "now", "near"),
    [  # 13,012 m / 1,609.344 m and 1 m / 0.3048 m
        ("us", "8.1 mi", "12 mi", "12 mi, 3.3 ft farther"), ("metric", "13 km", "20 km", "20 km, 1.0 m farther"),
    ],
)  # fmt: skip
def test_facts_are_told_in_words_and_in_the_units_of_the_report(units, before, now, near):
    found = page(
        ("field", "F1", "", "baseline_m", "13012.345678901", "20000"), ("field", "F1", "", "farm", "12", "34"),
        ("field", "F2", "", "base_surveyed", "true", "false"), ("field", "F3", "", "baseline_m", "", "20000"),
        ("field", "F4", "", "baseline_m", "20000", "20001"), ("field renamed", "G1", "", "field_id", "F5", "G1"),
        units=units,
    )  # fmt: skip
    assert found.tables[0][1:] == [
        ["F1", "distance to its base", before, now], ["F1", "farm", "12", "34"],
        ["F2", "its base is surveyed", "yes", "no"], ["F3", "distance to its base", "", now],
        ["F4", "distance to its base", now, near], ["G1", "field renamed", "F5", "G1"],
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("units", "before", "after", "said"),
    [  # 639,400 m2 / 4,046.86 m2 = 158.0; 400 m2 are 0.099 ac and 0.04 ha
        ("us", "639400", "639800", ("158 ac", "158 ac, 0.1 ac more")),
        ("us", "639400", "639300", ("158 ac", "158 ac, less than 0.1 ac less")),
        ("metric", "1639400", "1639800", ("164 ha", "164 ha, less than 0.1 ha more")),
        ("metric", "1639400", "1636400", ("164 ha", "164 ha, 0.3 ha less")),
        ("us", "639400", "639400", ("158 ac", "158 ac")), ("us", "", "", ("", "")),
    ],
)  # fmt: skip
def test_an_area_that_reads_the_same_is_told_with_how_much_it_moved(units, before, after, said):
    found = page(("boundary", "F1", "", "area_m2", before, after), units=units)
    assert found.tables[0][1:] == [["F1", "boundary", *said]]


@pytest.mark.parametrize(
    ("units", "moved_m", "said"),
    [
        ("us", 1e-7, "12 mi, less than 0.1 in farther"), ("metric", 1e-7, "20 km, less than 1 mm farther"),
        ("us", -0.0254, "12 mi, 1.0 in nearer"), ("metric", -0.01, "20 km, 1.0 cm nearer"),
    ],
)  # fmt: skip
def test_a_base_that_hardly_moved(units, moved_m, said):
    found = page(("field", "F1", "", "baseline_m", "20000", repr(20000 + moved_m)), units=units)
    assert found.tables[0][1][3] == said


def test_names_are_text_and_nothing_is_fetched():
    found = page(
        ("setting", "", "", NASTY, NASTY, NASTY), ("field added", NASTY, "", "area_m2", "", "1"),
        ("figures", NASTY, NASTY, "expected_miss_share", "0.1", "0.2"), title=NASTY,
    )  # fmt: skip
    assert found.tables[0][1] == [NASTY] * 3 and found.tables[1][1][0] == NASTY
    assert not {"script", "img", "link", "iframe", "a"} & set(found.tags)


def test_its_policy_allows_its_own_style_and_nothing_else():
    html = change_page(pd.DataFrame(columns=c.CHANGES), title=NASTY, units="metric")
    (style,) = re.findall("<style>(.*?)</style>", html, re.DOTALL)
    own = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    (policy,) = re.findall('Content-Security-Policy" content="(.*?)"', html, re.DOTALL)
    assert [part.split() for part in policy.split(";")] == [
        ["default-src", "'none'"], ["style-src", f"'sha256-{own}'"], ["base-uri", "'none'"], ["form-action", "'none'"],
    ]  # fmt: skip
    assert "style=" not in html


@pytest.mark.xdist_group("browser")
def test_a_browser_takes_that_style(browser, tmp_path):
    file = tmp_path / "changes.html"
    file.write_text(change_page(pd.DataFrame(columns=c.CHANGES), title=NASTY, units="metric"))
    visit = Visit(browser, file)
    assert visit.page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(251, 250, 246)"
    assert visit.said == [] and visit.asked_for == [file.as_uri()]
    visit.page.close()


@pytest.mark.xdist_group("browser")
def test_an_address_leads_to_the_first_line_of_a_field(browser, tmp_path):
    """Names with what an address reads as its own; a field of which two tables tell, and one that did not change."""
    table = pd.DataFrame(
        [("boundary", "50 % & #1", "", "area_m2", "1e4", "2e4", ""), ("strips", "50 % & #1", "", "passes", "1", "2", ""),
         ("figures", "50 % & #1", "rtk", c.EXPECTED_MISS_SHARE, "0.1", "0.2", ""),
         ("figures", NASTY, "rtk", c.EXPECTED_MISS_SHARE, "0.1", "0.2", "")], columns=c.CHANGES, dtype=object,
    )  # fmt: skip
    file = tmp_path / "changes.html"
    file.write_text(change_page(table, title="Invented", units="metric"))
    visit = Visit(browser, file)
    for name, count in (("50 % & #1", 1), (NASTY, 1), ("F2", 0)):
        visit.page.goto(f"{file.as_uri()}#{field_anchor(name)}")
        marked = visit.page.locator("tr:target")
        assert marked.count() == count
        assert not count or marked.locator("th").inner_text() == name
    # Lines beyond those that are there lead nowhere; the field is then told of among the figures.
    many = [("strips", f"F{k:04d}", "", "passes", "1", "2", "") for k in range(MOST_LINES + 1)]
    moved = [("figures", name, "rtk", c.EXPECTED_MISS_SHARE, "0.1", "0.2", "") for name in ("F0000", f"F{MOST_LINES:04d}")]
    tags = Page(change_page(pd.DataFrame([*many, *moved], columns=c.CHANGES, dtype=object), title="", units="us")).anchors
    assert tags == [field_anchor(name) for _, name, *_ in many]
    visit.page.goto(f"{file.as_uri()}#{field_anchor('50 % & #1')}")
    assert visit.page.locator("tr:target").inner_text().split("\t")[1] == "boundary"
    visit.page.close()


@pytest.mark.parametrize("count", [MOST_LINES, MOST_LINES + 7])
def test_a_page_of_very_many_fields_says_how_many_it_leaves_out(count):
    found = page(*(("strips", f"F{k:04d}", "", "passes", "1", "2") for k in range(count)))
    assert len(found.tables[0]) == 1 + MOST_LINES
    assert ("And 7 lines more" in found.text) == (count > MOST_LINES)
