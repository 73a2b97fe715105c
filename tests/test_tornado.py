"""The picture of what a choice hangs on: bars as long as the figures of choice_sensitivity.csv, read back from the SVG."""

from xml.etree import ElementTree

import pytest
from hypothesis import given
from hypothesis import strategies as st
from test_choice_money import FAR, NEAR, costs_of, tables_of

from pipeline import columns as c
from pipeline.files.row_classes import BLUE
from pipeline.files.tornado import MOST_BARS, tornado

SVG = "{http://www.w3.org/2000/svg}"
# Coordinates have one digit after the point; two of them make a bar.
ROUNDED = 0.11


def line(name: str, half: float, now: float, more: float) -> dict[str, str]:
    cells = dict(zip(c.MARGINS_MONEY, (f"{one:.2f}" for one in (half, now, more)), strict=True))
    return cells | {c.DRIVER: name, c.TIER: "", c.CURRENCY: "USD", c.OPTION: "rtk_base"}


def read(picture: str) -> tuple[float, float, dict[str, dict[str, tuple[float, float]]]]:
    """Where zero and now are, and the two ends of the light and the dark bar of each name."""
    root = ElementTree.fromstring(picture)
    now, zero = (float(one.get("x1")) for one in root.iter(f"{SVG}line"))
    out: dict[str, dict[str, tuple[float, float]]] = {}
    name = ""
    for one in root:
        if one.tag == f"{SVG}text" and one.get("text-anchor") == "end":
            name = one.text
        if one.tag == f"{SVG}rect":
            side = {"#9fc5e0": "half", BLUE: "more"}[one.get("fill")]
            x, wide = float(one.get("x")), float(one.get("width"))
            out.setdefault(name, {})[side] = (x, x + wide)
    return zero, now, out


def check(lines: list[dict[str, str]]) -> None:
    """Every bar runs from now to its figure, on the scale that the marks of zero and of now give."""
    zero, now, bars = read(tornado(lines))
    names = [" ".join(filter(None, (one[c.DRIVER], one[c.TIER]))) for one in lines]
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
    # Longest first.
    spans = [abs(h - m) for h, _, m in (margins[name] for name in bars)]
    assert spans == sorted(spans, reverse=True)
    left_out = [abs(m[0] - m[2]) for name, m in margins.items() if name not in bars]
    assert max(left_out, default=0.0) <= min(spans)


def test_bars_by_hand():
    # Ahead by 100: from 100 at now to 0 and 200 is as far to the left as to the right, and a quarter of that for waiting.
    zero, now, bars = read(tornado([line("waiting", 125, 100, 75), line("yield loss", 0, 100, 200)]))
    assert list(bars) == ["yield loss", "waiting"]
    loss, waiting = bars["yield loss"], bars["waiting"]
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
