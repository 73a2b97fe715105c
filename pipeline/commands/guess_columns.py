"""Which of their columns is which of ours: by its name, and only where its values can be that."""

import re
from collections.abc import Callable, Collection
from dataclasses import dataclass

import pandas as pd

from pipeline import columns as c
from pipeline.commands.quoting import named
from pipeline.core.frame_names import FRAMES, frame_named
from pipeline.files.texts import text_of
from pipeline.files.units import LENGTH, SPEED, to_si
from pipeline.files.values import LIMITS

#: Plain words for our columns; a name that is one of them, or has it among its words, is a candidate.
WORDS = {
    "field_id": ("field_id", "field", "field_name", "fieldname", "fieldid", "id", "name", "plot", "paddock", "parcel"),
    "farm": ("farm", "farm_name", "estate"),
    "grower": ("grower", "owner", "member", "customer"),
    "pass_id": ("pass_id", "pass", "pass_no", "passno", "pass_number", "track", "line", "swath", "run", "number"),
    "started_at": ("started_at", "start", "started", "begin", "began", "t0", "time0", "from", "time", "timestamp", "date"),
    "ended_at": ("ended_at", "end", "ended", "stop", "finish", "finished", "t1", "time1", "to", "until"),
    "row_count": ("row_count", "rows", "row_units", "units", "nrows", "rowcount", "num_rows"),
    "row_spacing": ("row_spacing", "spacing", "row_space", "rowspacing", "row_dist"),
    "strip_width": ("strip_width", "stripwidth", "tilled_width", "width"),
    "tier": ("tier", "correction", "signal"),
    "frame": ("frame", "reference_frame", "datum"),
    "epoch": ("epoch",),
    "fix": ("fix", "fix_quality", "quality"),
    "base_id": ("base_id", "base", "station", "id", "name"),
    "surveyed": ("surveyed", "survey"),
    "speed": ("speed", "velocity", "ground_speed"),
    "heading": ("heading", "course", "bearing", "azimuth", "track_angle"),
    "record": ("record", "record_no", "record_number", "sequence", "point_no"),
}
#: A strip this wide is no strip; the column means the implement [m].
WIDEST_STRIP_M = 0.6
#: Faster on the road than any implement is at work, whatever the unit [m/s].
FASTEST_M_S = 40.0


@dataclass(frozen=True)
class Found:
    """A column taken for one of ours, and why."""

    column: str
    why: str


def name_score(column: str, ours: str) -> int:
    """3 where the name is a word for it, 2 where the word is part of it, else 0."""
    parts = re.findall(r"[a-z]+|[0-9]+", re.sub(r"([a-z])([A-Z])", r"\1_\2", column).lower())
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
            score, why, doubt = _rate(table[column], column, ours, ids, tiers)
            doubts += [f"{named(column)} is called like {ours}, but {doubt}"] if doubt and score == 3 else []
            if not doubt and score and (best is None or score > best[0]):
                best = score, Found(column, why)
        if best is not None:
            found[ours] = best[1]
    if ("frame" in found) != ("epoch" in found):
        lone = "frame" if "frame" in found else "epoch"
        doubts.append(f"{named(found.pop(lone).column)} looks like {lone}, but frame and epoch are needed together")
    return found, doubts


def _rate(values: pd.Series, column: str, ours: str, ids: set[str] | None, tiers: Collection[str]) -> tuple[int, str, str]:
    """How well a column fits, why, and what speaks against it."""
    there = values.dropna()
    there = there[there.map(text_of) != ""]
    by_name = name_score(column, ours)
    if ours == "field_id":
        score, why, doubt = _field_id(values, there, by_name, ids)
    else:
        doubt = "has no values" if len(there) == 0 else _TESTS.get(ours, lambda _: "")(there)
        if ours == "tier" and not doubt:
            strange = next((text_of(value) for value in there if text_of(value) not in tiers), None)
            doubt = f"holds {named(strange)}, which is no tier of the catalogue" if strange is not None else ""
        score, why = by_name, "by its name"
        if by_name == 0 and ours in ("started_at", "ended_at") and pd.api.types.is_datetime64_any_dtype(values):
            score, why = 1, "a date-time column"
    if score and not doubt and len(there):
        why += f"; holds {_examples(there)}"
    return score, why, doubt


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


def _is_count(there: pd.Series) -> str:
    low, high = LIMITS[c.ROW_COUNT]
    number = pd.to_numeric(there, errors="coerce")
    bad = ~((number >= low) & (number <= high) & (number == number.round()))
    return f"{named(text_of(there[bad].iloc[0]))} is no number of rows" if bad.any() else ""


def metres_of(there: pd.Series) -> pd.Series:
    """Lengths as the intake reads them: numbers are metres, text has a unit [m]; NaN where it has none."""

    def read(value: object) -> float:
        try:
            return to_si(value, kind=LENGTH) if isinstance(value, str) else float(value)  # type: ignore[arg-type]
        except (TypeError, ValueError):
            return float("nan")

    return there.map(read).astype(float)


def _is_length(low: float, high: float) -> Callable[[pd.Series], str]:
    def test(there: pd.Series) -> str:
        metres = metres_of(there)
        bad = ~((metres >= low) & (metres <= high))
        if not bad.any():
            return ""
        value = named(text_of(there[bad].iloc[0]))
        return f"{value} is not {low:g} to {high:g} m (a number there counts as metres; give a constant instead)"

    return test


def _is_time(there: pd.Series) -> str:
    if pd.api.types.is_datetime64_any_dtype(there):
        return ""
    text = there.map(lambda value: isinstance(value, str))
    moments = pd.to_datetime(there.where(text), utc=True, errors="coerce", format="ISO8601")
    return f"{named(text_of(there[moments.isna()].iloc[0]))} is not a time in ISO 8601" if moments.isna().any() else ""


def _is_frame(there: pd.Series) -> str:
    strange = [value for value in there.unique() if frame_named(text_of(value)) is None]
    return f"{named(text_of(strange[0]))} is no known frame ({', '.join(FRAMES)})" if strange else ""


def _is_epoch(there: pd.Series) -> str:
    number = pd.to_numeric(there, errors="coerce")
    bad = ~((number >= 1980) & (number <= 2100))
    return f"{named(text_of(there[bad].iloc[0]))} is no year between 1980 and 2100" if bad.any() else ""


def _is_speed(there: pd.Series) -> str:
    """As the log of points reads it: numbers count as m/s, text has a unit."""

    def sound(value: object) -> bool:
        try:
            speed = to_si(value, kind=SPEED) if isinstance(value, str) else float(value)  # type: ignore[arg-type]
        except (TypeError, ValueError):
            return False
        return 0.0 <= speed <= FASTEST_M_S

    strange = [value for value in there if not sound(value)]
    return f"{named(text_of(strange[0]))} is no speed of 0 to {FASTEST_M_S:g} m/s" if strange else ""


def _is_number(low: float, high: float, what: str) -> Callable[[pd.Series], str]:
    def test(there: pd.Series) -> str:
        number = pd.to_numeric(there, errors="coerce")
        bad = ~((number >= low) & (number <= high))
        return f"{named(text_of(there[bad].iloc[0]))} is no {what}" if bad.any() else ""

    return test


def _is_yes_or_no(there: pd.Series) -> str:
    strange = [value for value in there if value not in (True, False)]
    return f"{named(text_of(strange[0]))} is neither true nor false" if strange else ""


_TESTS: dict[str, Callable[[pd.Series], str]] = {
    "row_count": _is_count, "row_spacing": _is_length(*LIMITS[c.ROW_SPACING_M]),
    "strip_width": _is_length(LIMITS[c.STRIP_WIDTH_M][0], WIDEST_STRIP_M), "started_at": _is_time, "ended_at": _is_time,
    "frame": _is_frame, "epoch": _is_epoch, "surveyed": _is_yes_or_no,
    "speed": _is_speed, "heading": _is_number(-360.0, 360.0, "heading in degrees"),
    "record": _is_number(0.0, float("inf"), "number of a record"),
}  # fmt: skip
