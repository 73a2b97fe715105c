"""What changed between two runs: settings, tiers, fields and what lies in them, and their figures."""

import json
from collections.abc import Iterator

import pandas as pd

from pipeline import columns as c
from pipeline.files.last_run import RunState

FIRST_RUN, SETTING, TIER_FIGURE = "first run", "setting", "tier"
ADDED, REMOVED, FIGURES, OTHER = "field added", "field removed", "figures", "other figures"
TIER_ADDED, TIER_REMOVED = "tier added", "tier removed"
#: Parts of a field that may change, and what is counted of them.
PARTS = {"boundary": c.AREA_M2, "strips": "passes", "rows": "passes", "checks": "checks", "zones": "zones"}
#: Figures with a line of their own; of the others only the names are told.
TOLD = (
    c.ROW_COUNT, c.ROW_LENGTH_M, c.HOLDS_M, c.DOUBT_M, c.MISSES_M, c.NO_STRIP_M, c.EXPECTED_MISS_M,
    c.EXPECTED_MISS_SHARE, c.P10, c.P50, c.P90,
)  # fmt: skip

Line = dict[str, str]


def changes_between(before: RunState | None, now: RunState) -> pd.DataFrame:
    """One line a change, columns `CHANGES`, all text; one line that says so where there was no run before.

    Parameters
    ----------
    before : RunState or None
    now : RunState
    """
    lines = [_line(FIRST_RUN)] if before is None else list(_changes(before, now))
    return pd.DataFrame(lines, columns=c.CHANGES, dtype=object)


def _changes(before: RunState, now: RunState) -> Iterator[Line]:
    yield from _settings(json.loads(before.config), json.loads(now.config))
    yield from _tiers(json.loads(before.tiers)["tiers"], json.loads(now.tiers)["tiers"])
    yield from _curve(json.loads(before.losses)["response"], json.loads(now.losses)["response"])
    lines, fields = (before.lines, now.lines), (before.fields, now.fields)
    areas = tuple(_areas(one) for one in lines)
    for what, names in (
        (ADDED, fields[1].keys() - fields[0].keys()), (REMOVED, fields[0].keys() - fields[1].keys()),
    ):  # fmt: skip
        for field_id in sorted(names):
            yield _line(what, field_id, "", c.AREA_M2, *(area.get(field_id, "") for area in areas))
    tiers: dict[str, list[str]] = {}
    for field_id, tier in lines[1]:
        tiers.setdefault(field_id, []).append(tier)
    for field_id in sorted(fields[0].keys() & fields[1].keys()):
        old, new = (one[field_id] for one in fields)
        yield from _contents(field_id, old, new, tuple(area.get(field_id, "") for area in areas))
        for key in ((field_id, tier) for tier in tiers.get(field_id, [])):
            if key in lines[0]:
                yield from _figures(lines[0][key], lines[1][key])


def _settings(before: dict, now: dict) -> Iterator[Line]:
    yield from (_line(SETTING, "", "", *one) for one in _moved(_flat(before), _flat(now)))


def _tiers(before: dict, now: dict) -> Iterator[Line]:
    for tier in sorted(before.keys() | now.keys()):
        if tier not in before or tier not in now:
            yield _line(TIER_ADDED if tier in now else TIER_REMOVED, "", tier)
        else:
            yield from (_line(TIER_FIGURE, "", tier, *one) for one in _moved(_flat(before[tier]), _flat(now[tier])))


def _curve(before: dict | None, now: dict | None) -> Iterator[Line]:
    """The curve of losses itself: its file may be edited where the setting that names it stays. Else that tells enough."""
    if before and now:
        moved = _moved(_flat(before), _flat(now))
        yield from (_line(SETTING, "", "", f"costs.response.{name}", *pair) for name, *pair in moved)


def _areas(lines: dict[tuple[str, str], Line]) -> dict[str, str]:
    return {field_id: line.get(c.AREA_M2, "") for (field_id, _), line in lines.items()}


def _contents(field_id: str, before: dict, now: dict, areas: tuple[str, ...]) -> Iterator[Line]:
    yield from (_line("field", field_id, "", *one) for one in _moved(_flat(before["said"]), _flat(now["said"])))
    for part, name in PARTS.items():
        pair = [one.get(part, {"count": 0, "hash": ""}) for one in (before, now)]
        if pair[0]["hash"] != pair[1]["hash"]:
            values = areas if part == "boundary" else [str(one["count"]) for one in pair]
            yield _line(part, field_id, "", name, *values)


def _figures(before: Line, now: Line) -> Iterator[Line]:
    where = now[c.FIELD_ID], now[c.TIER]
    moved = {name: (name, *pair) for name, *pair in _moved(before, now)}
    yield from (_line(FIGURES, *where, *moved[name]) for name in TOLD if name in moved)
    others = [name for name in moved if name not in TOLD]
    if others:
        yield _line(OTHER, *where, " ".join(others))


def _moved(before: Line, now: Line) -> Iterator[tuple[str, str, str]]:
    """Name, value before and value now, of what differs; nothing where there is none."""
    for name in dict.fromkeys([*now, *before]):
        if (one := before.get(name, "")) != (other := now.get(name, "")):
            yield name, one, other


def _flat(value: object, name: str = "") -> Line:
    """Leaves of nested settings as text, by dotted names."""
    if isinstance(value, dict):
        inner = sorted(value.items())
        return {k: v for key, one in inner for k, v in _flat(one, f"{name}.{key}" if name else key).items()}
    return {name: "" if value is None else value if isinstance(value, str) else json.dumps(value)}


def _line(what: str, field_id: str = "", tier: str = "", name: str = "", before: str = "", after: str = "") -> Line:
    return dict(zip(c.CHANGES, (what, field_id, tier, name, before, after, _difference(before, after)), strict=True))


def _difference(before: str, after: str) -> str:
    try:
        return f"{float(after) - float(before):z.6f}"
    except ValueError:  # no numbers
        return ""
