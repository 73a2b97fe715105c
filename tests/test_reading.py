"""Shares as people read them: one rounding, in the tables that the pipeline writes and in the matrix that the page draws."""

import math
from decimal import ROUND_HALF_UP, Decimal

import numpy as np
import pytest
from browser import Visit, browser
from hypothesis import example, given, settings
from hypothesis import strategies as st
from summaries import report_of, summary

from pipeline.core.show import GAP, length_text, read_share, share_range_text, share_text
from pipeline.files.choice_words import factor_text

pytestmark = pytest.mark.xdist_group("browser")
__all__ = ["browser"]
# Halfway between whole per cents, as they are written.
HALVES = [k / 1000 for k in range(15, 995, 10)]
# Where one text gives way to the next, and what lies on either side of it, as near as numbers can.
_AT = [0.0, 1e-7, 0.005, 0.995, 1.0 - 1e-7, 1.0, *HALVES, *(k / 128 for k in range(1, 128))]
_NEAR = [1e-17, 1e-12, 4e-10, 6e-10, 1e-9, 4e-7, 5e-7, 6e-7, 5e-6]
EDGES = [
    share
    for at in _AT
    for share in (at, math.nextafter(at, -1), math.nextafter(at, 2), *(at + d for d in _NEAR), *(at - d for d in _NEAR))
    if 0.0 <= share <= 1.0
]
SHARES = st.one_of(st.floats(0.0, 1.0), st.sampled_from(EDGES), st.builds(lambda k: 1.0 - 10.0**-k, st.floats(2.0, 12.0)))


@given(SHARES)
@example(0.005 - 1e-9)
def test_rounding_again_changes_nothing(share):
    assert read_share(read_share(share)) == read_share(share)
    assert share_text(read_share(share)) == share_text(share)


@given(SHARES, SHARES)
def test_more_never_reads_as_less(one, other):
    low, high = sorted((one, other))
    assert read_share(low) <= read_share(high)


@given(st.one_of(st.floats(0.005, 0.995), st.sampled_from(HALVES), st.builds(lambda k: k / 128, st.integers(1, 127))))
@example(0.145)  # held as a little less than it reads, like the next two
@example(0.285)
@example(0.575)
@example(0.125)  # held as it reads
@example(1 / 128)  # 0.0078125: halfway between two figures of six decimals
def test_whole_per_cents_are_rounded_as_at_school(share):
    """Half up twice, by decimal arithmetic, exact: the figure held to six decimals, and those to whole per cents."""
    six = Decimal(share).quantize(Decimal("1e-6"), ROUND_HALF_UP)
    assert read_share(share) == float(six)
    wanted = (100 * six).quantize(Decimal(1), ROUND_HALF_UP)
    assert share_text(share) == (f"{wanted}{GAP}%" if six < Decimal("0.995") else f">99{GAP}%")


@pytest.fixture(scope="module")
def page(browser, tmp_path_factory):
    """A page whose matrix has a field a share of `EDGES`, as the pipeline hands it over."""
    shares = {f"F{k}": share for k, share in enumerate(EDGES)}
    fields = [summary(name, shares={"good": [read_share(share)] * 3}) for name, share in shares.items()]
    file = tmp_path_factory.mktemp("reading") / "report.html"
    file.write_bytes(report_of(fields[:1]).page(fields, packed=None))
    visit = Visit(browser, file)
    yield visit.page
    assert visit.said == []


def test_matrix_and_tables_say_the_same_at_every_edge(page):
    page.evaluate("matrix.shown = Infinity; matrixBody()")
    cells = dict(page.evaluate(
        "[...byId('matrix-body').rows].map(row => [row.cells[0].textContent, row.cells[1].firstChild.textContent])"
    ))  # fmt: skip
    wanted = {f"F{k}": share_text(share) for k, share in enumerate(EDGES)}
    assert {name: cells[name] for name in wanted} == wanted
    assert set(wanted.values()) >= {f"0{GAP}%", f"<1{GAP}%", f"1{GAP}%", f"50{GAP}%", f">99{GAP}%", f"100{GAP}%"}


@settings(max_examples=40, deadline=None)
@given(st.lists(st.tuples(SHARES, SHARES), min_size=50, max_size=200))
def test_what_the_page_computes_itself_is_rounded_as_the_pipeline_rounds(page, pairs):
    pairs = [sorted(pair) for pair in pairs]
    said = page.evaluate("pairs => pairs.map(([a, b]) => [readShare(a), shareText(a), rangeText(a, b)])", pairs)
    assert said == [[read_share(a), share_text(a), share_range_text(a, b)] for a, b in pairs]


def test_nothing_is_a_dash_on_both_sides(page):
    assert page.evaluate("[shareText(NaN), rangeText(0.5, NaN)]") == [share_text(np.nan), share_range_text(0.5, np.nan)]


def test_lengths_have_a_minus_sign_and_nothing_is_not_below_nothing(page):
    """An inch is 25.4 mm; two to the right, and a hundredth of one."""
    lengths = [-2 * 0.0254, -0.01 * 0.0254, 1.0]
    wanted = [f"\u22122.0{GAP}in", f"0.0{GAP}in", f"3.3{GAP}ft"]
    assert [length_text(one, units="us") for one in lengths] == wanted
    assert page.evaluate("lengths => lengths.map(lengthText)", lengths) == wanted
    assert page.evaluate("[NaN, Infinity].map(lengthText)") == [length_text(one, units="us") for one in (np.nan, np.inf)]


def test_a_large_factor_is_written_out():
    said = [factor_text(factor) for factor in (1.61, 8.13, 99.4, 99.6, 210.4, 12345.0)]
    assert said == ["161 % of", "8.1 times", "99 times", "100 times", "210 times", "12,000 times"]
