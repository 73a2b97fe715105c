"""What the page holds of a large field: drawn coarser where that helps, never farther off than it says."""

import numpy as np
import pytest
import shapely
from browser import Visit, browser
from pages import write_report
from seasons import Figures
from small_fields import SHAPES
from small_runs import measured, write_small

from pipeline.files import page_field
from pipeline.files.page_code import unpacked
from pipeline.files.page_field import COARSEST_DRAWN_M, COARSEST_OFFSET_M, DRAWN_M, OFFSET_M, field_text
from pipeline.files.store import read_geo

pytestmark = pytest.mark.xdist_group("browser")
__all__ = ["browser"]
TIERS = {"drifts": Figures(0.12, 0.8, 1800.0, start_m=0.5, converges_s=600.0, wander_m=0.02)}
NO_MARKS = {"dug": np.zeros((0, 2)), "next": {}}


@pytest.fixture(scope="module", params=["contour", "straight"])
def field(request, tmp_path_factory):
    """A field of curved rows, and one of straight rows."""
    folder = tmp_path_factory.mktemp(request.param)
    found, judging, _ = measured(folder, write_small(folder, SHAPES[request.param](), TIERS))
    return request.param, found, judging


def said_of(field, monkeypatch, most: int) -> tuple[int, dict]:
    monkeypatch.setattr(page_field, "MOST_TEXT", most)
    text = field_text(field[1], field[2], marks=NO_MARKS, tables=[], lengths={})
    return len(text), unpacked(text)


def off_their_places_m(field, said: dict) -> float:
    """Largest distance between a planted line and what is drawn of it, either way [m]."""
    lines = said["lines"]
    xy = lines["unit"] * np.cumsum([lines["x"], lines["y"]], axis=1).T
    drawn = np.split(xy, np.cumsum(lines["n"])[:-1])
    true = shapely.transform(field[1].lines("planter").geometry.values, lambda one: one - _origin(field))
    assert len(drawn) == len(true)
    return max(shapely.hausdorff_distance(a, shapely.LineString(b), densify=0.1) for a, b in zip(true, drawn, strict=True))


def _origin(field) -> np.ndarray:
    west, south, east, north = read_geo(field[1].folder / "boundary.parquet").total_bounds
    return np.round([0.5 * (west + east), 0.5 * (south + north)], 1)


def test_a_field_that_fits_is_drawn_as_fine_as_any(field, monkeypatch):
    size, said = said_of(field, monkeypatch, 10**9)
    assert said["coarser"] is None
    assert off_their_places_m(field, said) <= DRAWN_M + said["lines"]["unit"]
    # At just its size it fits as well.
    assert said_of(field, monkeypatch, size)[1]["coarser"] is None


def test_a_field_that_is_too_large_gives_up_drawing_first_and_is_as_fine_as_it_says(field, monkeypatch):
    size, _ = said_of(field, monkeypatch, 10**9)
    less, said = said_of(field, monkeypatch, size - 1)
    if field[0] == "straight":  # two vertices a row: coarser lines would save nothing
        assert said["coarser"] is None or said["coarser"]["drawn"] == DRAWN_M
        return
    assert less < size and said["coarser"] == {"drawn": 2 * DRAWN_M, "offset": OFFSET_M}
    assert DRAWN_M < off_their_places_m(field, said) <= 2 * DRAWN_M + said["lines"]["unit"]


def test_no_field_is_drawn_coarser_than_the_coarsest(field, monkeypatch):
    size, finest = said_of(field, monkeypatch, 10**9)
    less, said = said_of(field, monkeypatch, 1)
    assert less <= size
    told = said["coarser"] or {"drawn": DRAWN_M, "offset": OFFSET_M}
    assert told["drawn"] <= COARSEST_DRAWN_M and told["offset"] in (OFFSET_M, COARSEST_OFFSET_M)
    assert off_their_places_m(field, said) <= told["drawn"] + said["lines"]["unit"]
    assert said["model"] == finest["model"]  # figures are made of this, whatever is drawn


def test_offsets_stay_within_what_is_said(field, monkeypatch):
    """Interpolated between the places told, against the spans themselves, at the middle of each."""
    _, said = said_of(field, monkeypatch, 1)
    told_m = (said["coarser"] or {"offset": OFFSET_M})["offset"]
    runs, spans = said["runs"], field[1].spans
    ends = np.cumsum([0, *runs["n"]])
    line, key = np.cumsum(runs["line"]), np.cumsum(runs["key"])
    along, offset = runs["along_unit"] * np.cumsum(runs["along"]), runs["offset_unit"] * np.cumsum(runs["offset"])
    lines = field[1].lines("planter")
    begins, length = lines["along_m"].to_numpy(float), shapely.length(lines.geometry.values)
    drawn = {"n": np.cumsum([0, *said["lines"]["n"]]), "xy": np.cumsum([said["lines"]["x"], said["lines"]["y"]], axis=1)}
    for run in np.flatnonzero(key >= 0):
        k = line[run]
        xy = said["lines"]["unit"] * drawn["xy"][:, drawn["n"][k] : drawn["n"][k + 1]]
        share = length[k] / np.hypot(*np.diff(xy, axis=1)).sum()
        at = along[ends[run] : ends[run + 1]] * share + begins[k]
        mine = (spans.row == k) & (spans.start_m >= at[0] - 0.2) & (spans.end_m <= at[-1] + 0.2) & (spans.kind == 0)
        middle = 0.5 * (spans.start_m + spans.end_m)[mine]
        slope = np.abs(np.diff(offset[ends[run] : ends[run + 1]]) / np.maximum(np.diff(at), 0.1)).max()
        found = np.interp(middle, at, offset[ends[run] : ends[run + 1]])
        near = 0.5 * (spans.offset0_m + spans.offset1_m)[mine]
        # A tenth of a metre along, to which places are told, moves an offset by its slope.
        assert np.abs(found - near).max(initial=0.0) <= told_m + runs["offset_unit"] + 0.3 * slope


def test_the_page_says_that_a_field_is_drawn_coarser(browser, tmp_path, monkeypatch):
    settings = write_small(tmp_path, SHAPES["contour"](), TIERS)
    file = write_report(tmp_path, settings) / "report.html"
    visit = Visit(browser, file)
    visit.open("F0", "drifts")
    assert visit.page.locator("#map-coarser").is_hidden()
    visit.page.close()
    monkeypatch.setattr(page_field, "MOST_TEXT", 1)
    visit = Visit(browser, write_report(tmp_path, settings) / "report.html")
    visit.open("F0", "drifts")
    said = visit.page.inner_text("#map-coarser")
    assert visit.page.evaluate("view.field.coarser.drawn") > DRAWN_M
    # 0.2 m are 7.9 in, 0.4 m 16 in, 0.8 m 2.6 ft and 1.6 m 5.2 ft.
    assert any(f"its rows to within {text}\u00a0" in said for text in ("7.9", "16", "2.6", "5.2")), said
    assert "Tables, figures and the map's legend are as exact as those of any field" in said
    assert visit.said == []
    visit.page.close()
