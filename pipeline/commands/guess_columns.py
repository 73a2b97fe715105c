"""Which of their columns is which of ours: by its name, and only where its values can be that."""

import re
from collections.abc import Collection
from dataclasses import dataclass

import pandas as pd

from pipeline import columns as c
from pipeline.commands.guess_values import doubt_of, says_no_zone, units_of, written
from pipeline.commands.quoting import named
from pipeline.files.column_values import TIMES
from pipeline.files.texts import text_of

#: Plain words for our columns; a name that is one of them, or has it among its words, is a candidate.
WORDS = {
    c.FIELD_ID: ("field_id", "field", "field_name", "fieldname", "fieldid", "id", "name", "plot", "paddock", "parcel"),
    c.FARM: ("farm", "farm_name", "estate"),
    c.GROWER: ("grower", "owner", "member", "customer"),
    c.PASS_ID: ("pass_id", "pass", "pass_no", "passno", "pass_number", "track", "line", "swath", "run", "number"),
    c.STARTED_AT: ("started_at", "start", "started", "begin", "began", "t0", "time0", "from", "time", "timestamp", "date"),
    c.ENDED_AT: ("ended_at", "end", "ended", "stop", "finish", "finished", "t1", "time1", "to", "until"),
    c.ROW_COUNT: ("row_count", "rows", "row_units", "units", "nrows", "rowcount", "num_rows"),
    c.ROW_SPACING: ("row_spacing", "spacing", "row_space", "rowspacing", "row_dist"),
    c.STRIP_WIDTH: ("strip_width", "stripwidth", "tilled_width", "width"),
    c.TIER: ("tier", "correction", "signal"),
    c.FRAME: ("frame", "reference_frame", "datum"),
    c.EPOCH: ("epoch",),
    c.FIX: ("fix", "fix_quality", "quality"),
    c.BASE_ID: ("base_id", "base", "station", "id", "name"),
    c.SURVEYED: ("surveyed", "survey"),
    c.SPEED: ("speed", "velocity", "ground_speed"),
    c.HEADING: ("heading", "course", "bearing", "azimuth", "track_angle"),
    c.RECORD: ("record", "record_no", "record_number", "sequence", "point_no"),
    c.MACHINE: ("machine", "machine_id", "tractor", "vehicle"),
    c.OFFSET: ("offset",),
    c.DISTANCE: ("distance", "off_by"),
    c.TAPE_ERROR: ("tape_error",),
    c.FACTOR: ("factor",),
    c.UNAVAILABLE: ("unavailable", "blocked"),
}


@dataclass(frozen=True)
class Found:
    """A column taken for one of ours, and why; the unit of its bare numbers where that is not ours."""

    column: str
    why: str
    unit: str | None = None
    zoneless: bool = False


def words_in(column: str) -> list[str]:
    """Words and numbers that a column's name is made of."""
    return re.findall(r"[a-z]+|[0-9]+", re.sub(r"([a-z])([A-Z])", r"\1_\2", column).lower())


def name_score(column: str, ours: str) -> int:
    """3 where the name is a word for it, 2 where the word is part of it, else 0."""
    parts = words_in(column)
    plain = "".join(parts)
    for word in WORDS[ours]:
        if plain == word.replace("_", ""):
            return 3
    # The general words count only as the whole name: a `start_date` of a contract is no pass number.
    telling = [word for word in WORDS[ours] if word not in ("id", "name", "number", "to", "from", "line", "date", "time")]
    return 2 if any(set(word.split("_")) <= set(parts) for word in telling) else 0


def guess_columns(
    table: pd.DataFrame, columns: list[str], wanted: Collection[str], *, ids: set[str] | None, tiers: Collection[str]
) -> tuple[dict[str, Found], list[str]]:
    """Guess the columns of a layer.

    Parameters
    ----------
    table : DataFrame
        The features looked at.
    columns : list of str
        Its columns without the geometry.
    wanted : collection of str
        Our names that the layer may have.
    ids : set of str or None
        The ids of the fields; None for the layer of fields itself.
    tiers : collection of str
        Ids of the catalogue.

    Returns
    -------
    found : dict of our name to Found
    doubts : list of str
        Columns whose name fits but whose values do not.
    """
    found, doubts = {}, []
    for ours in wanted:
        taken = {one.column for one in found.values()}
        best = None
        for column in columns:
            if column in taken:
                continue
            score, one, doubt = _rate(table[column], column, ours, ids, tiers, found)
            doubts += [f"{named(column)} is called like {ours}, but {doubt}"] if doubt and score == 3 else []
            if not doubt and score and (best is None or score > best[0]):
                best = score, one
        if best is not None:
            found[ours] = best[1]
    if (c.FRAME in found) != (c.EPOCH in found):
        lone = c.FRAME if c.FRAME in found else c.EPOCH
        doubts.append(f"{named(found.pop(lone).column)} looks like {lone}, but frame and epoch are needed together")
    return found, doubts


def _rate(
    values: pd.Series, column: str, ours: str, ids: set[str] | None, tiers: Collection[str], found: dict[str, Found]
) -> tuple[int, Found, str]:
    """How well a column fits, what it would be, and what speaks against it."""
    there = values.dropna()
    there = there[there.map(text_of) != ""]
    score, why, unit = name_score(column, ours), "by its name", None
    if ours == c.BASE_ID and ids is None and words_in(column) in (["id"], ["name"]):
        score = 0  # of the field itself
    if ours == c.FIELD_ID:
        score, why, doubt = _field_id(values, there, score, ids)
    elif len(there) == 0:
        doubt = "has no values"
    else:
        unit, doubt = _unit(there, column, ours, tiers, found)
        if score == 0 and ours in TIMES and pd.api.types.is_datetime64_any_dtype(values):
            score, why = 1, "a date-time column"
    if score and not doubt and len(there):
        why += f"; holds {_examples(there)}"
    zoneless = ours in TIMES and not doubt and says_no_zone(written(there, ours, unit))
    return score, Found(column, why, unit, zoneless), doubt


def _unit(
    there: pd.Series, column: str, ours: str, tiers: Collection[str], found: dict[str, Found]
) -> tuple[str | None, str]:
    """The first unit under which the values can be ours, None for our own; else what speaks against them."""
    spacing = found.get(c.ROW_SPACING)
    units = units_of(ours, there, words_in(column), spacing.unit if spacing is not None else None)
    doubts = []
    for unit in units:
        doubts.append(doubt_of(there, ours, unit, tiers))
        if not doubts[-1]:
            return unit, ""
    return None, doubts[0]


def _field_id(values: pd.Series, there: pd.Series, by_name: int, ids: set[str] | None) -> tuple[int, str, str]:
    texts = there.map(text_of)
    if ids is not None:
        share = texts.isin(ids).mean() if len(texts) else 0.0
        if share > 0.5 and (by_name or texts.nunique() > 1):
            return 4, f"{share:.0%} of its values are ids of fields", ""
        return by_name, "", "its values are no ids of fields"
    if texts.duplicated().any():
        return by_name, "", f"{named(texts[texts.duplicated()].iloc[0])} is there twice"
    if len(texts) < 0.5 * len(values) or len(texts) == 0:
        return by_name, "", "most of its values are missing"
    whole = pd.api.types.is_string_dtype(values) or pd.api.types.is_integer_dtype(values) or values.dtype == object
    if not by_name and not whole:
        return 0, "", ""
    why = "by its name, and no two values are equal" if by_name else "no two values are equal"
    return by_name or 1, why, ""


def _examples(there: pd.Series) -> str:
    distinct = there.map(text_of).drop_duplicates()
    return ", ".join(named(text) for text in distinct.iloc[:2]) + (" ..." if len(distinct) > 2 else "")
