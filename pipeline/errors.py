"""A small family of errors that a user can act on.

A message names the file, the place in it, the value found, what was expected and how to put it right.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Iterator
from contextlib import contextmanager

MOST_LETTERS, MOST_COMPARED, MOST_NAMED = 80, 500, 50


class RowreturnError(Exception):
    """Anything the user can put right; commands print it without a traceback.

    Control characters that came with names and values are written out, so that no terminal obeys them.
    """

    def __str__(self) -> str:
        text = super().__str__()
        return "".join(one if one.isprintable() or one == "\n" else one.encode("unicode_escape").decode() for one in text)


class ConfigError(RowreturnError):
    """A configuration, a tier catalogue or a figure in them is wrong."""


class InputError(RowreturnError):
    """An input layer is missing, unreadable or not what the configuration says."""


class CheckError(RowreturnError):
    """A check that every run makes on its own results has failed."""


class BusyError(RowreturnError):
    """Somebody else is at work in the folder."""


@contextmanager
def in_field(field_id: object) -> Iterator[None]:
    """Name the field first in any `InputError` that is raised here."""
    try:
        yield
    except InputError as error:
        raise InputError(f"field '{field_id}': {error}") from error


def did_you_mean(name: str, known: Iterable[str]) -> str:
    """Return how to mend an unknown name: the nearest known one, then all of them.

    Parameters
    ----------
    name : str
        What was found.
    known : iterable of str
        Names that would have been accepted.

    Returns
    -------
    str
        For example ``did you mean 'strips'? Known: fields, rows, strips``.
    """
    # Names may come from a file of anyone: neither long ones nor many of them may hold us up.
    names = sorted(" ".join(one[:MOST_LETTERS].splitlines()) for one in known)
    if not names:
        return "there is none to choose from"
    by_lower = {candidate.lower(): candidate for candidate in names[:MOST_COMPARED]}
    close = difflib.get_close_matches(name[:MOST_LETTERS].lower(), by_lower, n=1, cutoff=0.0)
    more = f" and {len(names) - MOST_NAMED} more" if len(names) > MOST_NAMED else ""
    return f"did you mean '{by_lower[close[0]]}'? Known: {', '.join(names[:MOST_NAMED])}{more}"
