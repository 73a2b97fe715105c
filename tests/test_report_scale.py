"""How large and how quick the report's pages are: the largest single page, and the index of a co-op of 5,000 fields."""

import base64
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from browser import Visit, browser
from summaries import report_of, summary

from pipeline import columns as c
from pipeline.core.show import read_share
from pipeline.files.report_choice import ToldChoice, place_of
from pipeline.steps.report import MOST_IN_ONE

pytestmark = pytest.mark.xdist_group("browser")
__all__ = ["browser"]
# Bounds [bytes, ms].
MOST_INDEX, MOST_PAGE, AT_ONCE_MS = 5_000_000, 3_000_000, 1000.0
FIELDS, FARMS, LOADS = 5000, 120, 5


def choice_of(fields: list[dict], links: dict[str, str]) -> list[dict]:
    """A choice between ten tiers and their pairs for every farm."""
    places = sorted({place_of(one) for one in fields})
    words = dict.fromkeys(c.CHOICE, "12345.67") | {c.CURRENCY: "USD", c.FIELD_ID: ""}
    lines = pd.DataFrame([
        words | {c.FARM: farm, "place": (farm, field), c.OPTION: f"tier_{k}", c.RECOMMENDED: "no" if k else "yes"}
        for farm, field in places for k in range(55)
    ])  # fmt: skip
    none = lines.iloc[:0]
    told = ToldChoice(lines, none, none, none, {"curve": None, "wait": {"share": 0.0}}, {}, "us")
    assert len(lines) == FARMS * 55
    return told.index({place_of(one): links[one["folder"]] for one in fields})


@pytest.fixture(scope="module")
def index(tmp_path_factory) -> Path:
    """An index of 5,000 fields under ten tiers, with checks in each and remarks on a tenth, and a choice for 120 farms."""
    rng = np.random.default_rng(5)
    tiers = {f"tier_{k}": f"Invented correction service number {k}" for k in range(10)}
    fields = []
    for k in range(FIELDS):
        low, middle, high = np.sort(rng.uniform(0.0, 1.0, (3, len(tiers))), axis=0)
        shares = {tier: [read_share(one[j]) for one in (middle, low, high)] for j, tier in enumerate(tiers)}
        one = summary(f"Section {k // 36}, quarter {k}", farm=f"Invented farm {k % FARMS}", base_unsure=k % 10 == 0)
        one["tiers"] = {
            tier: {"share": share, "checked": share, "reach": "in reach", "fits": 0.5}
            for tier, share in shares.items()
        }
        fields.append(one | {"folder": f"section-{k // 36}-quarter-{k}"})
    links = {one["folder"]: f"report/farm-{k % FARMS}.html" for k, one in enumerate(fields)}
    file = tmp_path_factory.mktemp("index") / "report.html"
    file.write_bytes(report_of([], names=tiers, sections=choice_of(fields, links)).page(fields, packed=None, links=links))
    return file


@pytest.fixture(scope="module")
def largest(tmp_path_factory) -> Path:
    """A page of eight fields with as much in it as one page ever holds; what fields carry packs no further."""
    rng = np.random.default_rng(6)
    fields = [summary(f"F{k}", farm=f"Farm {k % 3}") for k in range(8)]
    size = MOST_IN_ONE // len(fields) // 4 * 3  # base64 makes four letters of three bytes
    packed = {one["folder"]: base64.b64encode(rng.bytes(size)).decode() for one in fields}
    file = tmp_path_factory.mktemp("largest") / "report.html"
    file.write_bytes(report_of(fields).page(fields, packed=packed))
    return file


def test_sizes(index, largest):
    assert index.read_text().count('<th scope="row"><a href="report/farm-') == FARMS
    assert FIELDS * 100 < index.stat().st_size < MOST_INDEX
    assert MOST_IN_ONE * 0.99 < largest.stat().st_size < MOST_PAGE


def shown_after_ms(browser, file: Path, lines: int) -> float:
    """From the start of loading until the page has painted, and its table of fields is in it, as the page measures [ms]."""
    visit = Visit(browser, file, high=900)
    visit.until("performance.getEntriesByName('first-contentful-paint').length > 0")
    at = visit.page.evaluate(
        "['first-contentful-paint', 'table'].map(name => performance.getEntriesByName(name)[0].startTime)"
    )
    assert visit.page.locator("#matrix tbody tr").count() == lines and visit.said == []
    visit.page.close()
    return max(at)


# Times want an idle machine: slow, so that nothing else runs beside them in .ci/run.
@pytest.mark.slow
@pytest.mark.parametrize("page", ["largest", "index"])
def test_first_useful_screen_within_a_second(browser, request, page):
    """The median of five loads, each into a page of its own."""
    file, lines = request.getfixturevalue(page), {"largest": 8, "index": 60}[page]
    loads = [shown_after_ms(browser, file, lines) for _ in range(LOADS)]
    assert np.median(loads) < AT_ONCE_MS, loads


@pytest.mark.slow
def test_the_index_is_searched_and_sorted_at_once(browser, index):
    """As the page measures it: the table is there again before the eye sees a pause."""
    visit = Visit(browser, index)
    page = visit.page
    again = "(act => { const from = performance.now(); act(); return performance.now() - from; })"
    find = "() => { const box = byId('filter'); box.value = 'quarter 49'; box.dispatchEvent(new Event('input')); }"
    took = [page.evaluate(f"{again}({find})")]
    assert page.inner_text("#matrix-count") == "111 of 5000 fields"  # 49, 490 to 499, 4900 to 4999
    page.fill("#filter", "")
    took.append(page.evaluate(f"{again}(() => document.querySelectorAll('#matrix thead button')[2].click())"))
    assert max(took) < AT_ONCE_MS, took
    assert visit.said == []
    page.close()
