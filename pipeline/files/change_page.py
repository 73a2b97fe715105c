"""What changed since the last run, as a page that opens from a disk: the settings, the fields, and how far figures moved."""

import pandas as pd
from markupsafe import Markup

from pipeline import columns as c
from pipeline.core.show import GAP, area_text, distance_text, length_text, share_range_text, share_text, shift_length_text
from pipeline.files import changes as ch
from pipeline.files.cautions import FOOT
from pipeline.files.page_code import csp_hash, field_anchor
from pipeline.files.row_classes import BLUE
from pipeline.files.setting_names import setting_name
from pipeline.files.templates import WRITER, page_text

#: Lines of each table; a page of thousands would be read by nobody.
MOST_LINES = 400
FIRST = "This is the first run here: there is no earlier one to compare with."
NOTHING = "Nothing changed since the last run."
_KINDS = {
    "field": "facts", "boundary": "boundary", "strips": "strip passes", "rows": "row passes", "checks": "ground checks",
    "zones": "zones",
}  # fmt: skip
#: What is said of a field, in words; the keys of the table are for machines.
_FACTS = {
    c.FARM: "farm", c.GROWER: "grower", c.BASELINE_M: "distance to its base", c.BASE_SURVEYED: "its base is surveyed",
}  # fmt: skip
_YES_OR_NO = {"true": "yes", "false": "no"}


def change_page(changes: pd.DataFrame, *, title: str, units: str) -> str:
    """HTML of the page.

    Parameters
    ----------
    changes : DataFrame
        As changes.csv.
    title : str
        Of the configuration.
    units : {"us", "metric"}
        Of areas and distances.
    """
    of = {what: lines.to_dict("records") for what, lines in changes.groupby(c.WHAT, sort=False)}
    said = FIRST if ch.FIRST_RUN in of else "" if len(changes) else NOTHING
    tiers, figures = _figures(of.get(ch.FIGURES, []), of.get(ch.OTHER, []))
    fields = _fields(of, units)
    style = "\n" + page_text("changes.css").replace("@blue", BLUE)
    return WRITER.get_template("changes.html").render(
        style=Markup(style), style_hash=csp_hash(style), title=title, said=said, settings=_settings(of),
        fields=fields, tiers=tiers, figures=figures, most=MOST_LINES, anchor=field_anchor, caution=FOOT,
        told={name for name, *_ in fields[:MOST_LINES]},
    )  # fmt: skip


def _settings(of: dict[str, list[dict]]) -> list[tuple[str, str, str]]:
    lines = [(one[c.NAME], setting_name(one[c.NAME]).unit, one) for one in of.get(ch.SETTING, [])]
    lines += [(f"tier {one[c.TIER]}: {one[c.NAME]}", "", one) for one in of.get(ch.TIER_FIGURE, [])]
    said = [(name, *(_setting_text(one[which], unit) for which in (c.BEFORE, c.AFTER))) for name, unit, one in lines]
    said += [(f"tier {one[c.TIER]}", "none", "added") for one in of.get(ch.TIER_ADDED, [])]
    return said + [(f"tier {one[c.TIER]}", "there", "removed") for one in of.get(ch.TIER_REMOVED, [])]


def _setting_text(value: str, unit: str) -> str:
    return f"{value}{GAP}{unit}" if value and unit else value or "none"


def _fields(of: dict[str, list[dict]], units: str) -> list[tuple[str, str, str, str]]:
    """Fields that came, went or hold something else, in the order of their names."""
    found = [(one, what) for what in (ch.ADDED, ch.REMOVED, ch.RENAMED) for one in of.get(what, [])]
    found += [(one, said) for what, said in _KINDS.items() for one in of.get(what, [])]
    return sorted(
        (one[c.FIELD_ID], _FACTS.get(one[c.NAME], one[c.NAME]) if what == "facts" else what, *_cells(one, units))
        for one, what in found
    )  # fmt: skip


def _cells(one: dict, units: str) -> tuple[str, str]:
    """Before and now, in the units of the report; where a distance or an area reads the same in them, how far it moved."""
    before, now = (_cell(one[c.NAME], one[which], units) for which in (c.BEFORE, c.AFTER))
    if one[c.NAME] in _MOVED and before == now != "":
        size_text, more, less = _MOVED[one[c.NAME]]
        moved = float(one[c.AFTER]) - float(one[c.BEFORE])
        if moved:
            now = f"{now}, {size_text(abs(moved), units=units)} {more if moved > 0 else less}"
    return before, now


def _apart_text(moved_m: float, *, units: str) -> str:
    fine = shift_length_text(moved_m, units=units)
    return fine if fine.startswith("less") else length_text(moved_m, units=units)


def _more_text(moved_m2: float, *, units: str) -> str:
    text = area_text(moved_m2, units=units)
    return text.replace("0.0", "less than 0.1") if text.startswith("0.0") else text


#: How a difference is told that is too small to be seen in what it is a difference of: its size, and its two ways.
_MOVED = {c.BASELINE_M: (_apart_text, "farther", "nearer"), c.AREA_M2: (_more_text, "more", "less")}


def _cell(name: str, value: str, units: str) -> str:
    if name == c.BASE_SURVEYED:
        return _YES_OR_NO.get(value, value)
    shown = {c.AREA_M2: area_text, c.BASELINE_M: distance_text}.get(name)
    return shown(float(value), units=units) if shown and value else value


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
