"""The first configuration as text: every guess marked with its reason, every gap marked to be filled."""

from collections.abc import Collection
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from pipeline import columns as c
from pipeline.commands.guess_columns import Found, guess_columns
from pipeline.commands.guess_roles import Role
from pipeline.commands.guess_rows import RowsGuess, guess_rows
from pipeline.commands.guess_values import written
from pipeline.commands.quoting import named, scalar
from pipeline.commands.seen import Seen
from pipeline.core.show import plain_text
from pipeline.core.signals import EVERY_TIER
from pipeline.files.layer_models import LAYER_COLUMNS, POINT_COLUMNS
from pipeline.files.texts import text_of
from pipeline.files.values import lengths_of

FILL_IN = "fill in"
MODELS = {
    "fields": "FieldsLayer", "strips": "StripsLayer", "rows": "RowsLayer", "bases": "BasesLayer", "checks": "ChecksLayer",
    "zones": "ZonesLayer",
}  # fmt: skip
#: The order in which columns are guessed: what is told by its values goes before what is told by its name.
ORDER = (c.FIELD_ID, c.STARTED_AT, c.ENDED_AT, c.ROW_COUNT, c.ROW_SPACING, c.STRIP_WIDTH)
PLANTED_WORDS, SURVEYED_WORDS = ("planted", "log", "actual", "done"), ("survey", "drone", "measured")


@dataclass(frozen=True)
class Starter:
    """Text of the configuration, and how many of its values are guessed or still to be filled in."""

    text: str
    guesses: int
    gaps: int


def starter(roles: dict[str, Role], unused: list[tuple[Seen, str]], *, title: str, tiers: Collection[str]) -> Starter:
    """Write the configuration.

    Parameters
    ----------
    roles : dict of role to Role
    unused : list of (Seen, str)
        Layers that play no role, and why.
    title : str
        Heading.
    tiers : collection of str
        Ids of the shipped catalogue.
    """
    lines = [*_HEAD, _entry(0, "title", title, "guess: the file's name"), "inputs:"]
    ids: set[str] = set()
    spacings: list[tuple[str, str]] = []
    for role in MODELS:
        if role in roles:
            known = _known(role, roles[role].seen, bases="bases" in roles)
            lines += _layer(role, roles[role], known, ids, tiers, spacings)
        elif role in ("fields", "strips"):
            lines += [f"  {role}:", _entry(4, "file", FILL_IN, f"fill in: no layer looks like {role}")]
        else:
            lines += _ABSENT.get(role, [])
        if role == "fields" and role in roles:
            ids = _ids_of(roles[role].seen, tiers)
    for seen, why in unused:
        lines.append(f"  # not used: layer {named(seen.layer)} of {named(seen.file)}: {plain_text(why)}")
    lines += _tail(spacings)
    text = "\n".join(lines) + "\n"
    return Starter(text, text.count("  # guess: "), text.count("  # fill in"))


_HEAD = [
    "# A first configuration. Read every line of it: `guess:` says what was guessed and why, and `fill in` marks",
    "# what no file could tell. config/README.md explains every key. Paths start at the working directory.",
    "# When all is filled in: python -m pipeline look THIS_FILE",
]
_ABSENT = {
    "rows": [
        "  # No layer looks like planter passes: the planter is taken to be as wide as the bar and to follow the strips.",
        "  # If it has another number of rows, say so:",
        "  # rows: {constants: {row_count: 12, row_spacing: 30 in}}",
    ],
    "bases": ["  # No layer looks like RTK bases: without them every distance to a base counts as zero."],
}


_FIX_HINT = (
    "    # fix has no part until fix_holds names its values under which the tier's figures hold, as in fix_holds: [4]"
)


def _entry(indent: int, key: str, value: str, note: str = "") -> str:
    comment = f"  # {plain_text(note)}" if note else ""
    return f"{' ' * indent}{key}: {scalar(value)}{comment}"


def _layer(
    role: str, chosen: Role, known: list[str], ids: set[str], tiers: Collection[str], spacings: list[tuple[str, str]]
) -> list[str]:
    seen = chosen.seen
    found, doubts = _columns(role, seen, known, ids, tiers)
    lines = [f"  {role}:", _entry(4, "file", seen.file), _entry(4, "layer", seen.layer, f"guess: {chosen.why}")]
    lines += _crs(seen)
    if role == "rows":
        lines.append(_kind(seen))
    if found or role == "fields":
        lines.append("    columns:")
        lines += [_entry(6, ours, one.column, f"guess: {one.why}") for ours, one in found.items()]
    told = ", ".join(named(name) for name in seen.columns) or "none"
    if role == "fields" and c.FIELD_ID not in found:
        note = f"fill in: the column with a unique name for each field. Columns: {told}"
        lines.append(_entry(6, c.FIELD_ID, FILL_IN, note))
    if role == "checks" and not {c.OFFSET, c.DISTANCE} & set(found):
        note = f"fill in: the column with what was measured; distance where the side is not known. Columns: {told}"
        lines += [*([] if found else ["    columns:"]), _entry(6, c.OFFSET, FILL_IN, note)]
    lines += [*_how_read(found), *(f"    # {plain_text(doubt)}" for doubt in dict.fromkeys(doubts))]
    lines += [_FIX_HINT] if c.FIX in found else []
    if role in ("strips", "rows"):
        lines += _constants(role, seen, found, spacings)
    if role == "checks" and c.TAPE_ERROR not in found:
        lines += ["    constants:", _entry(6, c.TAPE_ERROR, FILL_IN, "fill in: the tape's 95 % error, such as 1 in")]
    mapped = {one.column for one in found.values()}
    if others := [named(name) for name in seen.columns if name not in mapped]:
        lines.append(f"    # not used: column{'s' if len(others) > 1 else ''} {', '.join(others)}")
    return lines


def _crs(seen: Seen) -> list[str]:
    if seen.crs is None:
        return [_entry(4, "crs", FILL_IN, f"fill in: {seen.crs_fault}")]
    return [f"    # fill in: {seen.crs_fault}"] if seen.crs_fault else []


def _how_read(found: dict[str, Found]) -> list[str]:
    """Units of bare numbers, and the zone of times that say none."""
    units = [_entry(6, ours, one.unit, "guess: by its name or its values") for ours, one in found.items() if one.unit]
    local = [named(one.column) for one in found.values() if one.zoneless]
    why = f"guess: times in {' and '.join(local)} name no zone; where they are local, name it, as America/Chicago"
    zone = [_entry(4, "timezone", "UTC", why)] if local else []
    return (["    units:", *units] if units else []) + zone


def _known(role: str, seen: Seen, *, bases: bool) -> list[str]:
    """Our columns that a layer may have; a field can name its base only where bases are given."""
    names = [name for name in LAYER_COLUMNS[MODELS[role]] if seen.kind == "points" or name not in POINT_COLUMNS]
    return [name for name in names if bases or (role, name) != ("fields", c.BASE_ID)]


def _columns(
    role: str, seen: Seen, known: list[str], ids: set[str], tiers: Collection[str]
) -> tuple[dict[str, Found], list[str]]:
    wanted = [*(name for name in ORDER if name in known), *(name for name in known if name not in ORDER)]
    may_be = {*tiers, EVERY_TIER} if role == "zones" else tiers
    return guess_columns(seen.table, seen.columns, wanted, ids=None if role == "fields" else ids, tiers=may_be)


def _ids_of(seen: Seen, tiers: Collection[str]) -> set[str]:
    found, _ = _columns("fields", seen, [c.FIELD_ID], set(), tiers)
    return set(seen.table[found[c.FIELD_ID].column].map(text_of)) - {""} if c.FIELD_ID in found else set()


def _kind(seen: Seen) -> str:
    name = seen.layer.lower()
    if any(word in name for word in SURVEYED_WORDS):
        return _entry(4, "kind", "surveyed", "guess: by the layer's name; or planned, or planted (logged by a receiver)")
    if any(word in name for word in PLANTED_WORDS):
        return _entry(4, "kind", "planted", "guess: by the layer's name; or planned, or surveyed")
    return _entry(4, "kind", "planned", "guess: nothing tells; or planted (logged by a receiver), or surveyed")


def _constants(role: str, seen: Seen, found: dict[str, Found], spacings: list[tuple[str, str]]) -> list[str]:
    """Row count, spacing and strip width, as far as no column says them."""
    guess = _implement(seen, found)
    lines = []
    for key, value in ((c.ROW_COUNT, guess.row_count), (c.ROW_SPACING, guess.row_spacing)):
        if key in found:
            continue
        note = f"guess: {guess.why}" if value is not None else f"fill in: {guess.why}"
        # A whole number must stay one, so it is not written as text.
        bare = f"{6 * ' '}{key}: {value}  # {plain_text(note)}"
        lines.append(bare if value is not None else _entry(6, key, FILL_IN, note))
    if c.ROW_SPACING in found and (unit := found[c.ROW_SPACING].unit):
        spacings.append((unit, f"{named(found[c.ROW_SPACING].column)} is in {unit}; or "))
    elif guess.row_spacing:
        spacings.append((guess.row_spacing.split()[-1], f"the rows are {guess.row_spacing} apart; or "))
    if role == "strips" and c.STRIP_WIDTH not in found:
        lines.append(_entry(6, c.STRIP_WIDTH, FILL_IN, "fill in: the tilled width of one strip, such as 8 in"))
    return ["    constants:", *lines] if lines else []


def _implement(seen: Seen, found: dict[str, Found]) -> RowsGuess:
    def column(ours: str) -> pd.Series | None:
        if ours not in found:
            return None
        return written(seen.table[found[ours].column].reset_index(drop=True), ours, found[ours].unit)

    if seen.kind != "lines":
        return RowsGuess(None, None, "the distance between passes is not measured in a log of points")
    counts, spacings = column(c.ROW_COUNT), column(c.ROW_SPACING)
    return guess_rows(
        seen.distances_m,
        None if counts is None else pd.to_numeric(counts, errors="coerce"),
        None if spacings is None else lengths_of(spacings.dropna(), "", c.ROW_SPACING),
    )


def _tail(spacings: list[tuple[str, str]]) -> list[str]:
    """What is no layer's; `spacings` are units in which rows are told or measured, and what to say of them."""
    unit, why = spacings[0] if spacings else ("in", "nothing tells; or ")
    metric = unit.endswith("m")
    units = _entry(2, "units", "metric" if metric else "us", f"guess: {why}{'us' if metric else 'metric'}")
    return [
        "tiers:", "  compare: all", "  autumn: same  # guess: nothing tells; or as_logged, or the id of a tier",
        "judging:", "  steering: {autumn: 0 in, spring: 0 in}  # guess: none; the 95 % wander of bar and planter",
        "report:", units,
    ]  # fmt: skip


def title_of(file: str) -> str:
    """A heading from a file's name."""
    return plain_text(Path(file).stem) or "Fields"
