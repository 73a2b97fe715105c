"""The report on paper: printed by a browser and read back by a PDF library, no table is cut."""

import io
import re
import unicodedata
from pathlib import Path

import pytest
from browser import Visit, browser
from pages import write_invented

pytestmark = pytest.mark.xdist_group("browser")
__all__ = ["browser"]
PAPERS = {"A4": (210.0, 297.0), "Letter": (215.9, 279.4)}  # [mm], ISO 216 and ANSI/ASME Y14.1
MARGIN_MM, MM_PER_PX, MM_PER_POINT = 14.0, 25.4 / 96.0, 25.4 / 72.0
TABLES = """[...document.querySelectorAll('table')].filter(t => t.offsetWidth).map(t => {
  const cells = row => [...row.cells].map(cell => cell.innerText);
  const shown = rows => [...rows].filter(row => row.offsetHeight);
  const [head] = shown(t.tHead.rows).map(cells);
  return { caption: t.caption.innerText, head, lines: shown(t.tBodies[0].rows).map(cells) };
})"""


@pytest.fixture(scope="module")
def coop(tmp_path_factory) -> Path:
    return write_invented(tmp_path_factory.mktemp("coop"))


def letters(text: str) -> str:
    """Without white space, ligatures and marks of sorting, which a PDF sets as it likes."""
    return re.sub(r"[\s\u25b2\u25bc]", "", unicodedata.normalize("NFKC", text))


@pytest.fixture(params=["overview", "many fields", "field"])
def opened(request, browser, coop):
    visit = Visit(browser, coop, wide=688, high=1000)
    if request.param == "field":
        visit.page.locator("#matrix tbody a").first.click()
        visit.wait()
    if request.param == "many fields":  # 150 more, so that the table of fields runs over several pages
        more = "for (let k = 0; k < 150; k++) PAGE.fields.push({ ...PAGE.fields[0], id: `Copy ${k} of a field` })"
        visit.page.evaluate(more)
    yield visit
    assert visit.said == []
    visit.page.close()


@pytest.mark.parametrize("paper", PAPERS)
def test_every_line_and_head_of_every_table_is_on_paper(opened, paper):
    pypdf = pytest.importorskip("pypdf", reason="pypdf, which reads the printed pages, is not installed")
    page = opened.page
    document = pypdf.PdfReader(io.BytesIO(page.pdf(format=paper)))
    wide, high = (float(size) * MM_PER_POINT for size in document.pages[0].mediabox[2:])
    assert (wide, high) == pytest.approx(PAPERS[paper], abs=0.5)
    pages = [letters(one.extract_text()) for one in document.pages]
    page.emulate_media(media="print")
    page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
    tables = page.evaluate(TABLES)
    assert len(tables) >= 2
    for table in tables:
        head = letters("".join(table["head"]))
        assert any(letters(table["caption"]) in text for text in pages), table["caption"]
        for line in table["lines"]:
            # A line is whole on one page, and the heads of its columns are on that page too.
            assert any(letters("".join(line)) in text and head in text for text in pages), (table["caption"], line)


@pytest.mark.parametrize("paper", PAPERS)
def test_no_table_is_wider_than_paper(opened, paper):
    page = opened.page
    room = (PAPERS[paper][0] - 2 * MARGIN_MM) / MM_PER_PX
    page.set_viewport_size({"width": int(room), "height": 1000})
    page.emulate_media(media="print")
    shown = page.evaluate(
        "[...document.querySelectorAll('table')].filter(t => t.offsetWidth).map(t => [t.getBoundingClientRect().right,"
        " [...t.rows].every(r => getComputedStyle(r).breakInside === 'avoid')])"
    )
    assert shown and all(right <= room and whole for right, whole in shown), shown
    assert page.locator(".controls").is_hidden() and page.locator(".map-hands").is_hidden()


def test_a_cut_line_would_be_seen():
    """What the first test holds to: a line that is parted by the end of a page is on neither."""
    assert letters("F 1\u00a012\n%\ufb01") == "F112%fi"
    pages = [letters("Field SBAS F1 12"), letters("%")]
    assert not any(letters("F1 12 %") in text for text in pages)
