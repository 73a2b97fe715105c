"""What a choice hangs on, as a picture: how far ahead the chosen tier is while each price goes from half to half more."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import jinja2

from pipeline import columns as c
from pipeline.files.row_classes import BLUE

_WIDTH, _LINE, _LEFT, _RIGHT = 640, 24, 190, 20
#: A picture of more bars would be read by nobody.
MOST_BARS = 8
# Half and half more, told apart by lightness as well as by hue.
_LESS, _MORE = "#9fc5e0", BLUE

_PICTURE = jinja2.Environment(autoescape=True, trim_blocks=True, lstrip_blocks=True).from_string(
    """<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {{ width }} {{ height }}" role="img"
 font-family="Verdana, Geneva, sans-serif" font-size="12">
<title>{{ title }}</title>
{% for bar in bars %}
<text x="{{ left - 8 }}" y="{{ bar.y + 14 }}" text-anchor="end">{{ bar.name }}</text>
{% for x, wide, fill in bar.parts %}
<rect x="{{ x }}" y="{{ bar.y + 3 }}" width="{{ wide }}" height="16" fill="{{ fill }}"/>
{% endfor %}
{% endfor %}
<line x1="{{ now }}" y1="0" x2="{{ now }}" y2="{{ height - 42 }}" stroke="#1d2a33"/>
<line x1="{{ zero }}" y1="0" x2="{{ zero }}" y2="{{ height - 42 }}" stroke="#1d2a33" stroke-dasharray="4 3"/>
<text x="{{ now }}" y="{{ height - 26 }}" text-anchor="middle">{{ now_text }}</text>
<text x="{{ left }}" y="{{ height - 6 }}">light: at half, dark: at half more; left of the dashes
 another is cheaper</text>
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
        return round(_LEFT + (money - low) / (high - low) * (_WIDTH - _LEFT - _RIGHT), 1)

    def part(money: float, fill: str) -> tuple[float, float, str]:
        return min(x(money), x(now)), round(abs(x(money) - x(now)), 1), fill

    bars = [
        {
            "name": " ".join(filter(None, (lines[k][c.DRIVER], lines[k][c.TIER]))), "y": _LINE * place,
            "parts": [part(margins[k][0], _LESS), part(margins[k][2], _MORE)],
        }
        for place, k in enumerate(widest)
    ]  # fmt: skip
    currency = lines[0][c.CURRENCY]
    return _PICTURE.render(
        bars=bars, width=_WIDTH, height=_LINE * len(bars) + 50, left=_LEFT, now=x(now), zero=x(0.0),
        now_text=f"ahead by {now:,.0f} {currency} a year as given",
        title=f"How far {lines[0][c.OPTION]} is ahead of the next cheapest, {currency} a year, as each price moves by half",
    )  # fmt: skip
