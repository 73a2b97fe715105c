"""The report on paper: printed by a browser and read back by a PDF library, no table is cut."""

import io
import re
import unicodedata

import pytest
from browser import Visit, browser
from pages import coop

pytestmark = pytest.mark.xdist_group("browser")
__all__ = ["browser", "coop"]
PAPERS = {"A4": (210.0, 297.0), "Letter": (215.9, 279.4)}  # [mm], ISO 216 and ANSI/ASME Y14.1
MARGIN_MM, MM_PER_PX, MM_PER_POINT = 14.0, 25.4 / 96.0, 25.4 / 72.0
TABLES = """[...document.querySelectorAll('table')].filter(t => t.offsetWidth).map(t => {
  const cells = row => [...row.cells].map(cell => cell.innerText);
  const shown = rows => [...rows].filter(row => row.offsetHeight);
  const [head] = shown(t.tHead.rows).map(cells);
  return { caption: t.caption.innerText, head, lines: shown(t.tBodies[0].rows).map(cells) };
})"""


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


def cut_lines(page, paper: str) -> list[str]:
    """Lines of the tables shown that are not whole on one printed page with the heads of their columns, and captions."""
    pypdf = pytest.importorskip("pypdf", reason="pypdf, which reads the printed pages, is not installed")
    document = pypdf.PdfReader(io.BytesIO(page.pdf(format=paper)))
    wide, high = (float(size) * MM_PER_POINT for size in document.pages[0].mediabox[2:])
    assert (wide, high) == pytest.approx(PAPERS[paper], abs=0.5)
    pages = [letters(one.extract_text()) for one in document.pages]
    page.emulate_media(media="print")
    page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
    tables = page.evaluate(TABLES)
    assert len(tables) >= 2
    cut = []
    for table in tables:
        # A caption is on the page where the table begins.
        head, first = "".join(table["head"]), "".join(next(iter(table["lines"]), []))
        wanted = [(table["caption"], head + first), *(("".join(line), head) for line in table["lines"])]
        cut += [said for said, head in wanted if not any(letters(said) in text and letters(head) in text for text in pages)]
    return cut


@pytest.mark.parametrize("paper", PAPERS)
def test_every_line_and_head_of_every_table_is_on_paper(opened, paper):
    assert cut_lines(opened.page, paper) == []


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


@pytest.mark.parametrize("opened", ["many fields"], indirect=True)
def test_heads_on_the_first_page_only_would_be_seen(opened):
    rules = "thead { display: table-row-group !important; }"
    opened.page.evaluate(
        "rules => { const s = new CSSStyleSheet(); s.replaceSync(rules); document.adoptedStyleSheets = [s]; }", rules
    )
    assert len(cut_lines(opened.page, "A4")) > 10
