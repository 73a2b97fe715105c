"""What a choice hangs on, as a picture: how far ahead the chosen tier is while each price goes from half to half more."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import jinja2

from pipeline import columns as c
from pipeline.core.show import MINUS
from pipeline.files.choice_words import driver_text
from pipeline.files.row_classes import BLUE

# As narrow as a phone, so that texts are read there as they are: names stand above their bars.
_WIDTH, _LINE, _EDGE, _TOP, _FONT = 400, 34, 34, 24, 12
#: A picture of more bars would be read by nobody.
MOST_BARS = 8
# Half and half more, told apart by lightness as well as by hue.
_LESS, _MORE = "#9fc5e0", BLUE
# ASSUME: a letter of Verdana is no wider than this on average, in parts of the font's size.
LETTER = 0.68
_STEPS = (1.0, 2.0, 2.5, 5.0)
LEAST_TICKS = 3

_PICTURE = jinja2.Environment(autoescape=True, trim_blocks=True, lstrip_blocks=True).from_string(
    """<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {{ width }} {{ foot + 64 }}" role="img"
 font-family="Verdana, Geneva, sans-serif" font-size="{{ font }}">
<title>{{ title }}</title>
{% for one in ticks %}
<line class="tick" x1="{{ one.x }}" y1="{{ top }}" x2="{{ one.x }}" y2="{{ foot + 4 }}" stroke="#d9d4c7"/>
<text class="tick" x="{{ one.middle }}" y="{{ foot + 17 }}" text-anchor="middle">{{ one.text }}</text>
{% endfor %}
{% for bar in bars %}
<text class="name" x="2" y="{{ bar.y + 12 }}">{{ bar.name }}</text>
{% for x, wide, fill in bar.parts %}
<rect x="{{ x }}" y="{{ bar.y + 16 }}" width="{{ wide }}" height="14" fill="{{ fill }}"/>
{% endfor %}
{% endfor %}
<line class="axis" x1="{{ edge }}" y1="{{ foot }}" x2="{{ width - edge }}" y2="{{ foot }}" stroke="#1d2a33"/>
<line class="now" x1="{{ now }}" y1="{{ top - 6 }}" x2="{{ now }}" y2="{{ foot }}" stroke="#1d2a33"/>
<line class="zero" x1="{{ zero }}" y1="{{ top }}" x2="{{ zero }}" y2="{{ foot }}" stroke="#1d2a33" stroke-dasharray="4 3"/>
<text class="now" x="{{ now_middle }}" y="12" text-anchor="middle">{{ now_text }}</text>
<text class="key" x="2" y="{{ foot + 38 }}">{{ currency }} a year; light: at half, dark: at half more</text>
<text class="key" x="2" y="{{ foot + 56 }}">left of the dashes another is cheaper</text>
</svg>
"""
)


def tornado(lines: Sequence[Mapping[str, str]]) -> str:
    """SVG of a farm's lines of choice_sensitivity.csv; nothing where there is none.

    Parameters
    ----------
    lines : sequence of dict
        Of one farm, cells as text.
    """
    if not lines:
        return ""
    margins = [tuple(float(one[name]) for name in c.MARGINS_MONEY) for one in lines]
    widest = sorted(range(len(lines)), key=lambda k: (min(margins[k][0::2]) - max(margins[k][0::2]), k))[:MOST_BARS]
    now = margins[0][1]
    low = min(0.0, *(min(margins[k]) for k in widest))
    high = max(now, *(max(margins[k]) for k in widest), low + 1.0)

    def x(money: float) -> float:
        return round(_EDGE + (money - low) / (high - low) * (_WIDTH - 2 * _EDGE), 1)

    def part(money: float, fill: str) -> tuple[float, float, str]:
        return min(x(money), x(now)), round(abs(x(money) - x(now)), 1), fill

    bars = [
        {
            "name": _name(lines[k]), "y": _TOP + _LINE * place,
            "parts": [part(margins[k][0], _LESS), part(margins[k][2], _MORE)],
        }
        for place, k in enumerate(widest)
    ]  # fmt: skip
    ticks = [{"x": x(money), "text": text, "middle": _inside(x(money), text)} for money, text in round_ticks(low, high)]
    currency = lines[0][c.CURRENCY]
    now_text = f"ahead by {now:,.0f} {currency} a year as given"
    return _PICTURE.render(
        bars=bars, ticks=ticks, width=_WIDTH, foot=_TOP + _LINE * len(bars) + 2, top=_TOP, edge=_EDGE, font=_FONT,
        now=x(now), zero=x(0.0), now_text=now_text, now_middle=_inside(x(now), now_text), currency=currency,
        title=f"How far {lines[0][c.OPTION]} is ahead of the next cheapest, {currency} a year, as each price moves by half",
    )  # fmt: skip


def round_ticks(low: float, high: float) -> list[tuple[float, str]]:
    """Three to five round figures from `low` to `high`, zero among them, as far apart as may be, each with its text.

    Parameters
    ----------
    low, high : float
        Ends of the axis: at most 0 and at least 0, not both 0.
    """
    largest = math.floor(math.log10(high - low))
    steps = [first * 10.0**power for power in (largest, largest - 1) for first in reversed(_STEPS)]

    def within(step: float) -> list[float]:
        return [k * step for k in range(math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9) + 1)]

    # Zero is among them, so a step that leaves two at most is followed by one that leaves five at most.
    ticks = next(within(step) for step in steps if len(within(step)) >= LEAST_TICKS)
    return [(one, _short(one)) for one in ticks]


def _short(money: float) -> str:
    return f"{money:,.4f}".rstrip("0").rstrip(".").replace("-", MINUS)


def _name(line: Mapping[str, str]) -> str:
    """What moves, shortened to what the picture has room for."""
    name, most = driver_text(line[c.DRIVER], line[c.TIER]), int((_WIDTH - 4) / (LETTER * _FONT))
    return name if len(name) <= most else name[: most - 1] + "\u2026"


def _inside(x: float, text: str) -> float:
    """Where the middle of a text is nearest to `x` with all of it in the picture."""
    half = 0.5 * LETTER * _FONT * len(text)
    return round(max(half, min(x, _WIDTH - half)), 1)
