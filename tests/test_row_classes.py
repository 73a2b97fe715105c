"""Classes of rows look and are called alike on the page's map and legend, on sheets, and in a GIS."""

import colorsys
from collections import Counter
from dataclasses import replace
from itertools import pairwise
from xml.etree import ElementTree

import numpy as np
import pytest
from browser import Visit, browser
from matplotlib import image
from matplotlib.colors import to_rgb
from pages import write_invented
from test_sheet import sheet_data

from pipeline import columns as c
from pipeline.files import geopackage, sheet_parts
from pipeline.files.row_classes import ROW_CLASSES, SHARE_EDGES, SHARE_SHADES
from pipeline.files.sheet import draw_sheet, save_sheet
from pipeline.steps import layers

pytestmark = pytest.mark.xdist_group("browser")
__all__ = ["browser"]
SLD, OGC = "{http://www.opengis.net/sld}", "{http://www.opengis.net/ogc}"


@pytest.fixture(scope="module")
def page(browser, tmp_path_factory):
    visit = Visit(browser, write_invented(tmp_path_factory.mktemp("classes")))
    visit.page.locator("#matrix tbody a").first.click()
    visit.wait()
    yield visit.page
    assert [line for line in visit.said if "getImageData" not in line] == []  # that is a test's own


def test_they_are_in_the_order_of_their_codes():
    assert [one.key for one in ROW_CLASSES] == c.CLASSES
    codes = [getattr(sheet_parts, name) for name in ("HOLDS", "DOUBT", "MISSES", "NO_STRIP", "CROSSING")]
    assert codes == list(range(len(ROW_CLASSES)))


def test_legend_and_gis_agree(page):
    """What each draws with, read where it is drawn."""
    ours = {one.key: one.colour.lower() for one in ROW_CLASSES}
    legend = page.evaluate(
        "Object.fromEntries(CLASSES.map(key => ["
        "key, byId(`legend-${key}`).parentElement.querySelector('line').getAttribute('stroke')]))"
    )
    (style,) = [one for one in layers.styles(["any"]) if one.layer == "row_lines"]
    rules = ElementTree.fromstring(geopackage._sld(style)).findall(f".//{SLD}Rule")
    gis = {
        rule.find(f".//{OGC}Literal").text: rule.find(f".//{SLD}Stroke/{SLD}CssParameter[@name='stroke']").text
        for rule in rules
    }
    assert {key: colour.lower() for key, colour in legend.items()} == ours
    assert {key: colour.lower() for key, colour in gis.items()} == ours
    # In the same words, too, as the sheet.
    titles = {rule.find(f".//{OGC}Literal").text: rule.find(f"{SLD}Title").text for rule in rules}
    assert titles == dict(zip(c.CLASSES, sheet_parts.CLASS_LABELS, strict=True))


def counted(picture: np.ndarray) -> dict[str, int]:
    """Pixels that are of each class's colour."""
    of_colour = Counter(map(tuple, np.rint(255 * picture[..., :3]).astype(int).reshape(-1, 3)))
    return {one.key: of_colour[tuple(round(255 * part) for part in to_rgb(one.colour))] for one in ROW_CLASSES}


@pytest.mark.parametrize("code", range(len(ROW_CLASSES)))
def test_a_sheet_is_painted_in_those_colours(tmp_path, code):
    """Rows of one class, in the picture that was written: its colour on the map, and no other's."""
    data = sheet_data(1, size_m=(60.0, 45.0))
    rows = {tier: (segments, np.full_like(codes, code)) for tier, (segments, codes) in data.rows.items()}
    save_sheet(draw_sheet(replace(data, rows=rows)), png=tmp_path / "a.png", pdf=tmp_path / "a.pdf")
    found = counted(image.imread(tmp_path / "a.png"))
    assert {key for key, pixels in found.items() if pixels > 10_000} == {ROW_CLASSES[code].key}
    # The legend has those that the table of this field names.
    assert {key for key, pixels in found.items() if pixels > 100} == {"holds", "doubt", "misses", ROW_CLASSES[code].key}


@pytest.mark.parametrize("tier", ["sbas", "rtk_base"])
def test_the_map_is_painted_in_those_colours(page, tier):
    """sbas leaves every row in doubt, a base leaves every row of a field without a shift on its strip."""
    choose = "chooseTier(PAGE.tiers.findIndex(one => one.id === tier))"
    page.evaluate(f"tier => {{ {choose}; view.map.toRows(); view.map.paint(); }}", tier)
    found = page.evaluate(
        "(() => { const c = byId('map'), d = c.getContext('2d').getImageData(0, 0, c.width, c.height).data, seen = {};"
        " for (let i = 0; i < d.length; i += 4) {"
        "   const k = `${d[i]},${d[i + 1]},${d[i + 2]}`; seen[k] = (seen[k] || 0) + 1; }"
        " return seen; })()"
    )
    painted = {
        one.key for one in ROW_CLASSES if found.get(",".join(str(round(255 * part)) for part in to_rgb(one.colour)), 0) > 500
    }
    assert painted == {"doubt" if tier == "sbas" else "holds"}


def light(colour: str) -> float:
    """Relative luminance (WCAG 2.2)."""
    parts = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in to_rgb(colour)]
    return 0.2126 * parts[0] + 0.7152 * parts[1] + 0.0722 * parts[2]


def test_shades_of_shares_go_from_light_to_dark_in_one_hue():
    """So that they can be ordered by people who see few colours, and on grey paper."""
    shades = [colour for _, colour in SHARE_SHADES]
    assert len(shades) == len(SHARE_EDGES) + 1 and sorted(SHARE_EDGES) == list(SHARE_EDGES)
    assert all(light(a) > 1.1 * light(b) for a, b in pairwise(shades))
    hues = [360 * colorsys.rgb_to_hsv(*to_rgb(colour))[0] for colour in shades[1:]]
    assert max(hues) - min(hues) < 20


def test_the_key_of_shares_says_where_they_part(page):
    """Each text names the edges on either side of its shade, in per cent; the shades are those of the cells."""
    page.evaluate("location.hash = ''")
    page.wait_for_selector("#overview:not([hidden])")
    said = [" ".join(text.replace("\u00a0", " ").split()) for text in page.locator(".key li").all_inner_texts()]
    edges = [f"{100 * edge:g}" for edge in SHARE_EDGES]
    assert said[0] == f"below {edges[0]} %" and said[-1] == f"{edges[-1]} % and more"
    assert said[1:-1] == [f"{low} to {high} %" for low, high in pairwise(edges)]
    painted = page.evaluate("[...document.querySelectorAll('.key span')].map(one => getComputedStyle(one).backgroundColor)")
    assert painted == [f"rgb({', '.join(str(round(255 * part)) for part in to_rgb(colour))})" for _, colour in SHARE_SHADES]
    cells = page.evaluate("[...document.querySelectorAll('td.share')].map(c => [c.className, c.firstChild.textContent])")
    assert {shade for shade, text in cells if text == "83\u00a0%"} == {"share shade-5"}
    assert {shade for shade, text in cells if text == "0\u00a0%"} == {"share shade-0"}
