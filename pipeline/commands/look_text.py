"""A look as people read it."""

import math
import textwrap

from pipeline import columns as c
from pipeline.core.show import area_text, count_text, length_text, plain_text, so_many, width_text
from pipeline.files.account import account_lines

WIDTH, INDENT = 110, 15
_NAMES = {"fields": "FIELDS", "strips": "STRIPS", "rows": "ROWS", "bases": "BASES", "checks": "CHECKS", "zones": "ZONES"}
_FEW = 6


def look_text(facts: dict) -> str:
    """Return the text of what `look_at` found."""
    units = facts["units"]
    lines = [f"A look at {plain_text(facts['source'])}: {plain_text(facts['title'])}", _how_read(facts)]
    for role in _NAMES:
        if role in facts["layers"]:
            lines += ["", *_layer(_NAMES[role], facts["layers"][role], units)]
        elif role == "rows":
            lines += ["", f"ROWS  no layer: the planter is {facts['planter']}"]
        else:
            lines += ["", f"{_NAMES[role]}  none"]
    lines += ["", "WHAT BECOMES OF THEM", *(f"  {line}" for line in account_lines(facts["account"]))]
    lines += ["", *_tiers(facts), "", *_warnings(facts["warnings"]), "", *_estimate(facts["estimate"], units)]
    return "\n".join(lines)


def _how_read(facts: dict) -> str:
    if not facts["sampled"]:
        return "Nothing was written. Every layer was read in full."
    said = " and ".join(f"{one['read']:,} of {one['of']:,} {role}" for role, one in facts["sampled"].items())
    return f"Nothing was written. Read by a sample, being large: {said}; the run itself reads all of them."


def _layer(name: str, facts: dict, units: str) -> list[str]:
    code = f" ({facts['crs_code']})" if facts["crs_code"] else ""
    whole = f"{facts['features']:,} in the layer, " if facts["features"] != facts["read"] else ""
    lines = [f"{name}  {plain_text(facts['file'])}, layer {plain_text(facts['layer'])} ({facts['format']})"]
    lines += _said("CRS", f"{facts['crs']}{code}")
    counts = f"{facts['read']:,} read, {facts['kept']:,} used, {facts['rejected_count']:,} rejected"
    lines += _said("features", f"{whole}{counts}; {facts['vertices']:,} vertices")
    if "area_m2" in facts:
        farms = f", {so_many(len(facts['farms']), 'farm')}" if facts["farms"] else ""
        lines += _said("area", area_text(facts["area_m2"], units=units) + farms)
    if "length_m" in facts:
        lines += _line_layer(facts, units)
    lines += _columns(facts, units)
    for one in facts["rejected"]:
        more = ", ..." if one["count"] > len(one["first_features"]) else ""
        who = f"feature{'s' if one['count'] > 1 else ''} {', '.join(one['first_features'])}{more}"
        lines += _said("rejected", f"{one['count']}: {one['reason']} ({who})")
    return lines


def _line_layer(facts: dict, units: str) -> list[str]:
    passes = f"{_passes(facts['passes'])}, " if facts["passes"] != facts["kept"] else ""
    length = length_text(facts["length_m"], units=units)
    lines = _said("length", f"{passes}{length} of centre lines in {so_many(facts['fields'], 'field')}")
    bare = f"; {_passes(facts['without_times'])} without" if facts["without_times"] and facts["first"] else ""
    lines += _said("dates", f"{facts['first']} to {facts['last']}{bare}" if facts["first"] else "none")
    rows = _values(facts["row_counts"])
    spacing = _values(facts["row_spacings_m"], lambda metres: width_text(metres, units=units))
    lines += _said("rows", f"{rows} a pass, {spacing} apart")
    if facts["strip_widths_m"]:
        lines += _said("strip width", _values(facts["strip_widths_m"], lambda metres: width_text(metres, units=units)))
    if facts["tiers"]:
        lines += _said("tiers", _values(facts["tiers"]))
    without = f"; {_passes(facts['without_frame'])} without" if facts["without_frame"] and facts["frames"] else ""
    return lines + _said("frames", _values(facts["frames"]) + without if facts["frames"] else "none named")


def _passes(number: int) -> str:
    return so_many(number, "pass", "passes")


def _values(distinct: list[list], show=str) -> str:
    """Distinct values; where there are several, how many passes have each."""
    if len(distinct) == 1:
        return show(distinct[0][0])
    more = f" and {len(distinct) - _FEW} more" if len(distinct) > _FEW else ""
    return ", ".join(f"{show(value)} ({count:,} x)" for value, count in distinct[:_FEW]) + more


def _columns(facts: dict, units: str) -> list[str]:
    said = []
    for ours in [*facts["columns"], *(name for name in facts["constants"] if name not in facts["columns"])]:
        constant = facts["constants"].get(ours)
        shown = _constant(ours, constant, units)
        if ours not in facts["columns"]:
            said.append(f"{ours} = {shown}")
        else:
            said.append(f"{ours} <- {facts['columns'][ours]}" + (f" (else {shown})" if constant is not None else ""))
    lines = _said("taken from", ", ".join(said) or "nothing but the geometry")
    lines += _said("not given", ", ".join(facts["missing"])) if facts["missing"] else []
    return lines + (_said("not used", ", ".join(facts["unused"])) if facts["unused"] else [])


def _constant(ours: str, value: object, units: str) -> str:
    if ours in (c.ROW_SPACING, c.STRIP_WIDTH) and isinstance(value, float):
        return width_text(value, units=units)
    return str(value)


def _tiers(facts: dict) -> list[str]:
    units, tiers = facts["units"], facts["tiers"]
    half = length_text(tiers[0]["half_strip_m"], units=units)
    autumn = plain_text(facts["autumn"])
    lines = [f"TIERS  {len(tiers)} compared; strips built with: {autumn}; half a strip less the margin: {half}"]
    for one in tiers:
        text = f"{one['id']}, 95 % repeatable {length_text(one['repeatable_95_m'], units=units)} at no distance"
        if one["offset_95_m"] is not None and not math.isclose(one["offset_95_m"], one["repeatable_95_m"]):
            text += f", {length_text(one['offset_95_m'], units=units)} with the strips' own error, steering and machine"
        text += "; more than half a strip, so no row is sure to hold" if one["can_hold"] is False else ""
        far = one["out_of_reach"]
        if far:
            text += f"; out of reach: {', '.join(far[:_FEW])}{' ...' if len(far) > _FEW else ''}"
        lines += _wrapped(text, "  ")
    return lines


def _warnings(warnings: list[str]) -> list[str]:
    if not warnings:
        return ["WORTH KNOWING  nothing"]
    return ["WORTH KNOWING", *(line for warning in warnings for line in _wrapped(warning, "  * "))]


def _estimate(size: dict, units: str) -> list[str]:
    rows = length_text(size["row_length_m"], units=units)
    lines = [f"SIZE OF THE RUN  (estimated: {size['how']})"]
    fields, batches = so_many(size["fields"], "field"), so_many(size["batches"], "batch", "batches")
    lines += _said("work", f"{fields} in {batches}, about {rows} of planted rows, {so_many(size['tiers'], 'tier')}")
    lines += _said("raster", f"about {_million(size['cells'])} cells of {size['cell_m']:g} m for each tier")
    lines += _said("processor", f"about {_minutes(size['processor_seconds'])}; shared by the cores the run is given")
    return lines + _said("disk", f"about {_bytes(size['disk_bytes'])} in work/ and results/")


def _million(cells: int) -> str:
    return f"{cells / 1e6:,.0f} million" if cells >= 1e6 else count_text(cells)


def _minutes(seconds: float) -> str:
    if seconds < 90:
        return f"{max(10, round(seconds, -1)):.0f} s"
    return f"{seconds / 60:.0f} min" if seconds < 5400 else f"{seconds / 3600:.1f} h"


def _bytes(size: float) -> str:
    return f"{max(1, size / 1e6):.0f} MB" if size < 1e9 else f"{size / 1e9:.1f} GB"


def _said(what: str, text: str) -> list[str]:
    return _wrapped(text, f"  {what}".ljust(INDENT))


def _wrapped(text: str, first: str) -> list[str]:
    """Lines of a paragraph; no-break spaces hold a number to its unit and are plain ones in the end."""
    whole = textwrap.fill(
        plain_text(text), WIDTH, initial_indent=first, subsequent_indent=" " * len(first), break_long_words=False,
        break_on_hyphens=False,
    )  # fmt: skip
    return whole.replace("\u00a0", " ").splitlines()
