"""Text of other people: ids in one form, messages on one line, and nothing live in what people open.

The rule for every table and layer we write is in `safe_text`; README, "Text in the tables", says it to users.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Sequence
from typing import TYPE_CHECKING

from pipeline.core.show import so_many

# The writers are loaded with the workflow, which has no table to wait for.
if TYPE_CHECKING:
    import pandas as pd
    import pyarrow as pa

_NAMED_AT_MOST = 4
# Signs with which spreadsheets begin a formula, the full-width ones among them.
_FORMULA = re.compile(r"[\s\uFFFD]*[=+\-@\uFF1D\uFF0B\uFF0D\uFF20]")
_NUMBER = re.compile(r"[-+]?\d+(\.\d+)?")
# What a reader of markup takes for the beginning of a tag; "<5 ac" is none.
_TAG = re.compile(r"<(?=[A-Za-z/!?])")
_KEPT_CONTROLS = frozenset("\u200c\u200d")  # joiners inside emoji and some scripts
LONGEST_SHOWN = 80


def id_text(value: object) -> str | None:
    """An id as we compare it: no white space around it, composed unicode, no point after a whole number; None if missing."""
    if value is None or type(value).__name__ in ("NAType", "NaTType") or value != value:
        return None
    text = str(int(value)) if isinstance(value, float) and value.is_integer() else str(value)
    return unicodedata.normalize("NFC", text).strip() or None


def text_of(value: object) -> str:
    """The same, "" if missing."""
    return id_text(value) or ""


def control_in(text: str) -> str | None:
    """First character that does not print (line breaks and changes of direction too), as U+000A; None if there is none."""
    found = next((letter for letter in text if _unprintable(letter)), None)
    return None if found is None else f"U+{ord(found):04X}"


def safe_text(text: str) -> str:
    """Text that stays text in spreadsheets and pages.

    A leading apostrophe before what would begin a formula (plain numbers excepted), U+2039 for the angle that would
    open a tag, U+FFFD for what does not print. Equal text stays equal, so that tables still join.
    """
    text = "".join("\ufffd" if _unprintable(letter) else letter for letter in text)
    text = _TAG.sub("\u2039", text)
    return f"'{text}" if _FORMULA.match(text) and not _NUMBER.fullmatch(text) else text


def safe_texts(table: pd.DataFrame) -> pd.DataFrame:
    """The table with `safe_text` in every text cell."""
    texts = {}
    for name in table.columns:
        if table[name].dtype == object or table[name].dtype.name in ("str", "string"):
            known = {one: safe_text(one) for one in table[name].unique() if isinstance(one, str)}
            changed = {one: safe for one, safe in known.items() if one != safe}
            if changed:
                texts[name] = [changed.get(one, one) if isinstance(one, str) else one for one in table[name]]
    return table.assign(**texts) if texts else table


def safe_columns(table: pa.Table) -> pa.Table:
    """The same for a table that comes as Arrow."""
    import pyarrow

    for number, one in enumerate(table.schema):
        if pyarrow.types.is_string(one.type) or pyarrow.types.is_large_string(one.type):
            texts = table.column(number).dictionary_encode().combine_chunks()
            known = texts.dictionary.to_pylist()
            safe = [text and safe_text(text) for text in known]
            if safe != known:
                column = pyarrow.array(safe, one.type).take(texts.indices)
                table = table.set_column(number, one, column)
    return table


def shown(text: object, *, longest: int = LONGEST_SHOWN) -> str:
    """A name for a message: on one line, not endless, and nothing in it that a terminal would obey."""
    line = "".join(letter.encode("unicode_escape").decode() if _unprintable(letter) else letter for letter in str(text))
    return line if len(line) <= longest else f"{line[: longest - 3]}..."


def _unprintable(letter: str) -> bool:
    return letter not in _KEPT_CONTROLS and unicodedata.category(letter) in ("Cc", "Cf", "Cs", "Zl", "Zp")


def few(names: Sequence[str], *, most: int) -> str:
    """The first of them, and how many there are besides: `a, b and 3 more`."""
    more = len(names) - most
    return ", ".join(names[:most]) + (f" and {more} more" if more > 0 else "")


def fields_said(names: list[str]) -> str:
    """How many fields, and the first of them by name: `5 fields (a, b, c, d ...)`."""
    more = " ..." if len(names) > _NAMED_AT_MOST else ""
    return f"{so_many(len(names), 'field')} ({', '.join(names[:_NAMED_AT_MOST])}{more})"
