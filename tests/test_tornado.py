"""The picture of what a choice hangs on: bars as long as the figures of choice_sensitivity.csv, read back from the SVG."""

from itertools import pairwise
from xml.etree import ElementTree

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from test_choice_money import FAR, NEAR, costs_of, tables_of

from pipeline import columns as c
from pipeline.core.show import MINUS
from pipeline.files.row_classes import BLUE
from pipeline.files.tornado import MOST_BARS, round_ticks, tornado

SVG = "{http://www.w3.org/2000/svg}"
# Coordinates have one digit after the point; two of them make a bar.
ROUNDED = 0.11


CALLED = {"yield loss": "price of what is lost", "waiting": "cost of a waiting machine"}


def line(name: str, half: float, now: float, more: float) -> dict[str, str]:
    cells = dict(zip(c.MARGINS_MONEY, (f"{one:.2f}" for one in (half, now, more)), strict=True))
    return cells | {c.DRIVER: name, c.TIER: "", c.CURRENCY: "USD", c.OPTION: "rtk_base"}


def of_class(root: ElementTree.Element, tag: str, name: str) -> list[ElementTree.Element]:
    return [one for one in root.iter(f"{SVG}{tag}") if one.get("class") == name]


def read(picture: str) -> tuple[float, float, dict[str, dict[str, tuple[float, float]]]]:
    """Where zero and now are, and the two ends of the light and the dark bar of each name."""
    root = ElementTree.fromstring(picture)
    (now,), (zero,) = ([float(one.get("x1")) for one in of_class(root, "line", name)] for name in ("now", "zero"))
    out: dict[str, dict[str, tuple[float, float]]] = {}
    name = ""
    for one in root:
        if one.tag == f"{SVG}text" and one.get("class") == "name":
            name = one.text
        if one.tag == f"{SVG}rect":
            side = {"#9fc5e0": "half", BLUE: "more"}[one.get("fill")]
            x, wide = float(one.get("x")), float(one.get("width"))
            out.setdefault(name, {})[side] = (x, x + wide)
    return zero, now, out


def check(lines: list[dict[str, str]]) -> None:
    """Every bar runs from now to its figure, on the scale that the marks of zero and of now give."""
    zero, now, bars = read(tornado(lines))
    names = [" of ".join(filter(None, (CALLED.get(one[c.DRIVER], one[c.DRIVER]), one[c.TIER]))) for one in lines]
    margins = dict(zip(names, ([float(one[name]) for name in c.MARGINS_MONEY] for one in lines), strict=True))
    ahead = float(lines[0][c.MARGINS_MONEY[1]])
    assert len(bars) == min(len(lines), MOST_BARS)
    assert now - zero > 5.0  # wide enough apart to tell a scale
    per_unit = (now - zero) / ahead
    for name, one in bars.items():
        half, _, more = margins[name]
        for side, money in (("half", half), ("more", more)):
            at, error = now + (money - ahead) * per_unit, ROUNDED + abs(money - ahead) / ahead * ROUNDED
            low, high = one[side]
            assert low == pytest.approx(min(at, now), abs=error) and high == pytest.approx(max(at, now), abs=error)
    check_axis(tornado(lines), now=now, ahead=ahead, per_unit=per_unit)
    check_texts(tornado(lines))
    # Longest first.
    spans = [abs(h - m) for h, _, m in (margins[name] for name in bars)]
    assert spans == sorted(spans, reverse=True)
    left_out = [abs(m[0] - m[2]) for name, m in margins.items() if name not in bars]
    assert max(left_out, default=0.0) <= min(spans)


def check_axis(picture: str, *, now: float, ahead: float, per_unit: float) -> None:
    """Three to five ticks, each a round figure, as far from now as its figure says, and none on another's text."""
    root = ElementTree.fromstring(picture)
    places = [float(one.get("x1")) for one in of_class(root, "line", "tick")]
    texts = of_class(root, "text", "tick")
    figures = [float(one.text.replace(",", "").replace(MINUS, "-")) for one in texts]
    assert 3 <= len(places) == len(figures) <= 5 and 0.0 in figures and figures == sorted(figures)
    step = figures[1] - figures[0]
    assert np.diff(figures) == pytest.approx(step) and f"{step:.2e}"[:4] in ("1.00", "2.00", "2.50", "5.00")
    for place, figure in zip(places, figures, strict=True):
        assert place == pytest.approx(now + (figure - ahead) * per_unit, abs=ROUNDED + abs(figure - ahead) / ahead * ROUNDED)
    ends = [(x - half, x + half) for x, half in ((float(one.get("x")), 0.5 * wide(one)) for one in texts)]
    assert all(one[1] < other[0] for one, other in pairwise(ends))


def wide(text: ElementTree.Element) -> float:
    """No less than a text of Verdana is wide, of 12 pixels: its figures take 0.64 of that, letters less on average."""
    return 12 * 0.66 * len(text.text)


def check_texts(picture: str) -> None:
    """All of every text lies in the picture."""
    root = ElementTree.fromstring(picture)
    _, _, right, bottom = map(float, root.get("viewBox").split())
    assert root.get("font-size") == "12"
    for one in root.iter(f"{SVG}text"):
        x, middle = float(one.get("x")), one.get("text-anchor") == "middle"
        left = x - 0.5 * wide(one) if middle else x
        assert left >= 0.0 and left + wide(one) <= right, one.text
        assert 12.0 <= float(one.get("y")) <= bottom - 4.0


def test_a_name_too_long_for_the_picture_is_cut_and_the_figure_of_now_stays_inside_at_either_end():
    long = line("fee", 1, 90_000, 100_000) | {c.TIER: "a_tier_of_a_name_that_is_longer_than_any_picture_is_wide"}
    for now in (1, 99_999):
        picture = tornado([long | {c.MARGINS_MONEY[1]: f"{now}"}])
        check_texts(picture)
        assert f"ahead by {now:,} USD a year as given" in picture and "\u2026" in picture


@pytest.mark.parametrize(("low", "high", "said"), [
    (0.0, 1.0, ["0", "0.5", "1"]),
    (-300.0, 906.0, ["\u2212250", "0", "250", "500", "750"]), (0.0, 1000.0, ["0", "500", "1,000"]),
    (-0.9, 0.2, ["\u22120.75", "\u22120.5", "\u22120.25", "0"]), (-12_500.0, 12_500.0, ["\u221210,000", "0", "10,000"]),
])  # fmt: skip
def test_ticks_by_hand(low, high, said):
    """As far apart as leaves three of them: where fives leave two, 2.5 leave more."""
    assert [text for _, text in round_ticks(low, high)] == said


def test_bars_by_hand():
    # Ahead by 100: from 100 at now to 0 and 200 is as far to the left as to the right, and a quarter of that for waiting.
    zero, now, bars = read(tornado([line("waiting", 125, 100, 75), line("yield loss", 0, 100, 200)]))
    assert list(bars) == list(CALLED.values())
    loss, waiting = bars.values()
    assert loss["half"] == (pytest.approx(zero, abs=ROUNDED), pytest.approx(now, abs=ROUNDED))
    assert loss["more"][1] - loss["more"][0] == pytest.approx(now - zero, abs=2 * ROUNDED)
    assert waiting["half"][1] - now == pytest.approx((now - zero) / 4, abs=2 * ROUNDED)
    assert now - waiting["more"][0] == pytest.approx((now - zero) / 4, abs=2 * ROUNDED)


money = st.integers(-100_000, 100_000)


@given(st.integers(20_000, 100_000), st.lists(st.tuples(money, money), min_size=1, max_size=12))
def test_bars_are_as_long_as_their_figures(ahead, ends):
    check([line(f"price {k}", half, ahead, more) for k, (half, more) in enumerate(ends)])


def test_bars_of_a_farm_in_the_table(tmp_path):
    found = tables_of(tmp_path, [("North", 31.7, NEAR), ("North", 12.9, FAR)], **costs_of(("11.11", "33.33"), "100", 7))
    lines = found["choice_sensitivity"]
    assert {one["driver"] for one in lines} == {"yield loss", "waiting", "fee", "one-off"}
    check(lines)
