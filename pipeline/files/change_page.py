"""What changed since the last run, as a page that opens from a disk: the settings, the fields, and how far figures moved."""

import jinja2
import pandas as pd
from markupsafe import Markup

from pipeline import columns as c
from pipeline.core.show import area_text, share_range_text, share_text
from pipeline.files import changes as ch
from pipeline.files.cautions import FOOT
from pipeline.files.page_code import csp_hash, field_anchor
from pipeline.files.row_classes import BLUE

#: Lines of each table; a page of thousands would be read by nobody.
MOST_LINES = 400
FIRST = "This is the first run here: there is no earlier one to compare with."
NOTHING = "Nothing changed since the last run."
_KINDS = {
    "field": "facts", "boundary": "boundary", "strips": "strip passes", "rows": "row passes", "checks": "ground checks",
    "zones": "zones",
}  # fmt: skip

_STYLE = """
body { font: 16px/1.5 Georgia, "Times New Roman", serif; color: #1d2a33; background: #fbfaf6; margin: 0 auto;
  max-width: 68rem; padding: 1.5rem 1rem 3rem; }
h1 { font-size: 1.7rem; line-height: 1.2; margin: 0 0 .2rem; }
h2 { font-size: 1.15rem; margin: 2.2rem 0 .5rem; border-bottom: 2px solid @blue; padding-bottom: .2rem; }
p.title { margin: 0 0 1rem; color: #4a565e; }
div.wide { overflow-x: auto; }
table { border-collapse: collapse; font: 14px/1.4 Verdana, Geneva, sans-serif; }
caption { text-align: left; padding-bottom: .4rem; }
th, td { text-align: left; vertical-align: top; padding: .3rem .8rem .3rem 0; border-bottom: 1px solid #d9d4c7; }
thead th { border-bottom: 1px solid #1d2a33; }
td.moved { white-space: nowrap; }
td small { display: block; color: #4a565e; }
tr:target { background: #e4ecf2; }
footer { margin-top: 2.5rem; color: #4a565e; font-size: .9rem; }
@media print { body { background: none; } tr { break-inside: avoid; } thead { display: table-header-group; } }
""".replace("@blue", BLUE)

_WRITER = jinja2.Environment(autoescape=True, trim_blocks=True, lstrip_blocks=True, undefined=jinja2.StrictUndefined)
_PAGE = _WRITER.from_string(
    """<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta http-equiv="Content-Security-Policy" content="default-src 'none'; style-src '{{ style_hash }}';
 base-uri 'none'; form-action 'none'">
<title>What changed: {{ title }}</title>
<style>{{ style }}</style>
</head>
<body>
<main>
<h1>What changed since the last run</h1>
<p class="title">{{ title }}</p>
{% if said %}
<p>{{ said }}</p>
{% endif %}
{% if settings %}
<h2>Settings and tiers</h2>
<div class="wide"><table>
<thead><tr><th scope="col">What</th><th scope="col">Before</th><th scope="col">Now</th></tr></thead>
<tbody>
{% for name, before, now in settings %}
<tr><th scope="row">{{ name }}</th><td>{{ before }}</td><td>{{ now }}</td></tr>
{% endfor %}
</tbody>
</table></div>
{% endif %}
{% if fields %}
<h2>Fields and what lies in them</h2>
<div class="wide"><table>
<thead><tr><th scope="col">Field</th><th scope="col">What changed</th><th scope="col">Before</th>
<th scope="col">Now</th></tr></thead>
<tbody>
{% for name, what, before, now in fields[:most] %}
<tr{% if loop.changed(name) %} id="{{ anchor(name) }}"{% endif %}>
<th scope="row">{{ name }}</th><td>{{ what }}</td><td>{{ before }}</td><td>{{ now }}</td></tr>
{% endfor %}
</tbody>
</table></div>
{% if fields|length > most %}<p>And {{ fields|length - most }} lines more, in changes.csv.</p>{% endif %}
{% endif %}
{% if figures %}
<h2>How far the figures moved</h2>
<div class="wide"><table>
<caption>Share of row length expected off its strip, before and now; under it the 10th to 90th percentile now, where both
moved. Fields whose figures stayed as they were are left out; an empty cell stayed as it was.</caption>
<thead><tr><th scope="col">Field</th>{% for tier in tiers %}<th scope="col">{{ tier }}</th>{% endfor %}</tr></thead>
<tbody>
{% for name, cells in figures[:most] %}
<tr{% if name not in told %} id="{{ anchor(name) }}"{% endif %}><th scope="row">{{ name }}</th>
{% for cell in cells %}
<td class="moved">{% if cell %}{{ cell[0] }}{% if cell[1] %}<small>{{ cell[1] }}</small>{% endif %}{% endif %}</td>
{% endfor %}
</tr>
{% endfor %}
</tbody>
</table></div>
{% if figures|length > most %}<p>And {{ figures|length - most }} fields more, in changes.csv.</p>{% endif %}
{% endif %}
</main>
<footer><p>All changes, figure by figure, are in changes.csv. {{ caution }}</p></footer>
</body>
</html>
"""
)


def change_page(changes: pd.DataFrame, *, title: str, units: str) -> str:
    """HTML of the page.

    Parameters
    ----------
    changes : DataFrame
        As changes.csv.
    title : str
        Of the configuration.
    units : {"us", "metric"}
        Of areas.
    """
    of = {what: lines.to_dict("records") for what, lines in changes.groupby(c.WHAT, sort=False)}
    said = FIRST if ch.FIRST_RUN in of else "" if len(changes) else NOTHING
    tiers, figures = _figures(of.get(ch.FIGURES, []), of.get(ch.OTHER, []))
    fields = _fields(of, units)
    return _PAGE.render(
        style=Markup(_STYLE), style_hash=csp_hash(_STYLE), title=title, said=said, settings=_settings(of),
        fields=fields, tiers=tiers, figures=figures, most=MOST_LINES, anchor=field_anchor, caution=FOOT,
        told={name for name, *_ in fields[:MOST_LINES]},
    )  # fmt: skip


def _settings(of: dict[str, list[dict]]) -> list[tuple[str, str, str]]:
    lines = [(one[c.NAME], one) for one in of.get(ch.SETTING, [])]
    lines += [(f"tier {one[c.TIER]}: {one[c.NAME]}", one) for one in of.get(ch.TIER_FIGURE, [])]
    said = [(name, one[c.BEFORE] or "none", one[c.AFTER] or "none") for name, one in lines]
    said += [(f"tier {one[c.TIER]}", "none", "added") for one in of.get(ch.TIER_ADDED, [])]
    return said + [(f"tier {one[c.TIER]}", "there", "removed") for one in of.get(ch.TIER_REMOVED, [])]


def _fields(of: dict[str, list[dict]], units: str) -> list[tuple[str, str, str, str]]:
    """Fields that came, went or hold something else, in the order of their names."""
    found = [(one, what) for what in (ch.ADDED, ch.REMOVED) for one in of.get(what, [])]
    found += [(one, said) for what, said in _KINDS.items() for one in of.get(what, [])]
    return sorted(
        (one[c.FIELD_ID], f"{what}: {one[c.NAME]}" if what == "facts" else what,
         _cell(one, c.BEFORE, units), _cell(one, c.AFTER, units))
        for one, what in found
    )  # fmt: skip


def _cell(one: dict, which: str, units: str) -> str:
    value = one[which]
    return area_text(float(value), units=units) if one[c.NAME] == c.AREA_M2 and value else value


def _figures(told: list[dict], other: list[dict]) -> tuple[list[str], list[tuple[str, list]]]:
    """Tiers, and by field a cell for each of them: the share before and now, and its range now."""
    tiers = list(dict.fromkeys(one[c.TIER] for one in [*told, *other]))
    moved: dict[str, dict[str, dict[str, dict]]] = {}
    for one in [*told, *other]:
        moved.setdefault(one[c.FIELD_ID], {}).setdefault(one[c.TIER], {})[one[c.NAME]] = one
    return tiers, [(name, [_moved(by_tier.get(tier)) for tier in tiers]) for name, by_tier in sorted(moved.items())]


def _moved(by_name: dict[str, dict] | None) -> tuple[str, str] | None:
    if by_name is None:
        return None
    share, low, high = (by_name.get(name) for name in (c.EXPECTED_MISS_SHARE, c.P10, c.P90))
    if share is None:
        return "other figures", ""
    ends = [float(one[c.AFTER]) for one in (low, high) if one and one[c.AFTER]]
    # Where no row stood by a strip there was no share.
    before, now = (share_text(float(share[which] or "nan")) for which in (c.BEFORE, c.AFTER))
    text = f"{before} \N{RIGHTWARDS ARROW} {now}" if before != now else f"{now}, moved by less than a point"
    return text, share_range_text(*ends) if len(ends) == 2 else ""
