"""What changed between two runs: settings, tiers, fields and what lies in them, and their figures."""

import json
import math
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from decimal import Decimal, InvalidOperation
from typing import NamedTuple

import pandas as pd

from pipeline import columns as c
from pipeline.core.tiering import AS_LOGGED
from pipeline.files.last_run import RunState
from pipeline.files.setting_names import setting_name

FIRST_RUN, SETTING, TIER_FIGURE = "first run", "setting", "tier"
ADDED, REMOVED, RENAMED = "field added", "field removed", "field renamed"
FIGURES, OTHER = "figures", "other figures"
TIER_ADDED, TIER_REMOVED = "tier added", "tier removed"
#: Parts of a field that may change, and what is counted of them.
PARTS = {"boundary": c.AREA_M2, "strips": "passes", "rows": "passes", "checks": "checks", "zones": "zones"}
#: Figures with a line of their own; of the others only the names are told.
TOLD = (
    c.ROW_COUNT, c.ROW_LENGTH_M, c.HOLDS_M, c.DOUBT_M, c.MISSES_M, c.NO_STRIP_M, c.EXPECTED_MISS_M,
    c.EXPECTED_MISS_SHARE, c.P10, c.P50, c.P90,
)  # fmt: skip

#: At this and above six decimals are six digits or more; what is smaller may need digits beyond them.
_SIX_DIGITS = Decimal("0.1")

Line = dict[str, str]


class _Value(NamedTuple):
    """A value as text, and as a number where it is one: not where digits are a name."""

    text: str = ""
    number: Decimal | None = None

    def same_as(self, other: "_Value") -> bool:
        numbers = self.number is not None and other.number is not None
        return self.number == other.number if numbers else self.text == other.text


_NONE = _Value()


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
    new, gone = fields[1].keys() - fields[0].keys(), fields[0].keys() - fields[1].keys()
    for what, names in ((ADDED, new), (REMOVED, gone)):
        for field_id in sorted(names):
            yield _line(what, field_id, "", c.AREA_M2, *(_number(area.get(field_id, "")) for area in areas))
    yield from _renamed({name: fields[0][name] for name in gone}, {name: fields[1][name] for name in new})
    tiers: dict[str, list[str]] = {}
    for field_id, tier in lines[1]:
        tiers.setdefault(field_id, []).append(tier)
    for field_id in sorted(fields[0].keys() & fields[1].keys()):
        old, new = (one[field_id] for one in fields)
        yield from _contents(field_id, old, new, [_number(area.get(field_id, "")) for area in areas])
        for key in ((field_id, tier) for tier in tiers.get(field_id, [])):
            if key in lines[0]:
                yield from _figures(lines[0][key], lines[1][key])


def _settings(before: dict, now: dict) -> Iterator[Line]:
    moved = _moved_settings(_flat(before), _flat(now))
    yield from (_line(SETTING, "", "", setting_name(name).key, *pair) for name, *pair in moved)


def _tiers(before: dict, now: dict) -> Iterator[Line]:
    """Of the catalogue: what the passes themselves name is no tier of its, and comes and goes with `compare`."""
    for tier in sorted((before.keys() | now.keys()) - {AS_LOGGED}):
        if tier not in before or tier not in now:
            yield _line(TIER_ADDED if tier in now else TIER_REMOVED, "", tier)
        else:
            moved = _moved_settings(_flat(before[tier]), _flat(now[tier]))
            yield from (_line(TIER_FIGURE, "", tier, *one) for one in moved)


def _curve(before: dict | None, now: dict | None) -> Iterator[Line]:
    """The curve of losses itself: its file may be edited where the setting that names it stays. Else that tells enough."""
    if before and now:
        moved = _moved_settings(_flat(before), _flat(now))
        yield from (_line(SETTING, "", "", f"costs.response.{name}", *pair) for name, *pair in moved)


def _areas(lines: dict[tuple[str, str], Line]) -> dict[str, str]:
    return {field_id: line.get(c.AREA_M2, "") for (field_id, _), line in lines.items()}


def _renamed(gone: dict[str, dict], new: dict[str, dict]) -> Iterator[Line]:
    """A field gone and one come on the same ground, on which no other of them lies: nothing else is certain."""
    outlines = [Counter(one["boundary"]["hash"] for one in side.values()) for side in (gone, new)]
    before = {one["boundary"]["hash"]: field_id for field_id, one in gone.items()}
    for field_id, one in sorted(new.items()):
        outline = one["boundary"]["hash"]
        if outlines[0][outline] == outlines[1][outline] == 1:
            yield _line(RENAMED, field_id, "", c.FIELD_ID, _Value(before[outline]), _Value(field_id))


def _contents(field_id: str, before: dict, now: dict, areas: list[_Value]) -> Iterator[Line]:
    yield from (_line("field", field_id, "", *one) for one in _moved(_flat(before["said"]), _flat(now["said"]), _said))
    for part, name in PARTS.items():
        pair = [one.get(part, {"count": 0, "hash": ""}) for one in (before, now)]
        if pair[0]["hash"] != pair[1]["hash"]:
            values = areas if part == "boundary" else [_number(str(one["count"])) for one in pair]
            yield _line(part, field_id, "", name, *values)


def _figures(before: Line, now: Line) -> Iterator[Line]:
    where = now[c.FIELD_ID], now[c.TIER]
    moved = {name: (name, *pair) for name, *pair in _moved(before, now, lambda _, text: _number(text or ""))}
    yield from (_line(FIGURES, *where, *moved[name]) for name in TOLD if name in moved)
    others = [name for name in moved if name not in TOLD]
    if others:
        yield _line(OTHER, *where, " ".join(others))


def _moved(before: Mapping, now: Mapping, read: Callable[[str, object], _Value]) -> Iterator[tuple[str, _Value, _Value]]:
    """Name, value before and value now, of what differs; nothing where there is none."""
    for name in dict.fromkeys([*now, *before]):
        one, other = before.get(name), now.get(name)
        if type(one) is not type(other) or one != other:
            values = read(name, one), read(name, other)
            if not values[0].same_as(values[1]):
                yield name, *values


def _moved_settings(before: dict[str, object], now: dict[str, object]) -> Iterator[tuple[str, _Value, _Value]]:
    """The same of settings, told with as many digits as a difference has; with all where these read alike."""
    for name, *exact in _moved(before, now, _said):
        few = [_said(name, _few_digits(side.get(name))).text for side in (before, now)]
        if few[0] != few[1]:
            exact = [one._replace(text=text) for one, text in zip(exact, few, strict=True)]
        yield name, *exact


def _few_digits(leaf: object) -> object:
    if isinstance(leaf, list):
        return [_few_digits(one) for one in leaf]
    if not isinstance(leaf, float) or not math.isfinite(leaf):
        return leaf
    return round(leaf, 6) if abs(leaf) >= _SIX_DIGITS else float(f"{leaf:.6g}")


def _flat(value: object, name: str = "") -> dict[str, object]:
    """Leaves of nested settings, by dotted names."""
    if isinstance(value, dict):
        inner = sorted(value.items())
        return {k: v for key, one in inner for k, v in _flat(one, f"{name}.{key}" if name else key).items()}
    return {name: value}


def _said(name: str, leaf: object) -> _Value:
    """What a setting says: money is text, so that it keeps its decimals, and a number all the same; other text is none."""
    if isinstance(leaf, str):
        return _number(leaf) if name.split(".")[-1] == "amount" else _Value(leaf)
    text = "" if leaf is None else json.dumps(leaf)
    return _number(text) if isinstance(leaf, (int, float)) else _Value(text)


def _number(text: str) -> _Value:
    try:
        number = Decimal(text)
    except InvalidOperation:  # nothing, or "true"
        return _Value(text)
    return _Value(text, number if number.is_finite() else None)


def _line(
    what: str, field_id: str = "", tier: str = "", name: str = "", before: _Value = _NONE, after: _Value = _NONE
) -> Line:
    said = (what, field_id, tier, name, before.text, after.text, _difference(before.number, after.number))
    return dict(zip(c.CHANGES, said, strict=True))


def _difference(before: Decimal | None, after: Decimal | None) -> str:
    """Six decimals; six digits where the rest would be lost beyond those, so that no change is told as nothing."""
    if before is None or after is None:
        return ""
    exact = after - before
    enough = abs(exact) >= _SIX_DIGITS or exact == round(exact, 6)
    return f"{exact:z.6f}" if enough else f"{float(exact):.6g}"
