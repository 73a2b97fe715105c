"""Position quality: which features were laid while the signal was lost, by the values of `fix` that hold."""

import difflib
import re
from dataclasses import replace

import numpy as np
import pandas as pd

from pipeline import columns as c
from pipeline.core.show import GAP, share_text
from pipeline.errors import MOST_COMPARED, MOST_LETTERS, InputError, did_you_mean
from pipeline.files.layers import Layer
from pipeline.files.texts import shown, text_of

MOST_TOLD = 6
# A name that differs by more is another one, and no slip of the pen; as difflib has it.
_ALIKE = 0.6
_LONGEST_TOLD = 40
_WHOLE = re.compile(r"([-+]?\d+)[.,]0+")


def with_signal(found: Layer, holds: tuple[str, ...] | None, place: str, *, of_points: bool) -> Layer:
    """The layer with `signal_lost`: whether `fix` is another value than those under which the tier's figures hold.

    A missing value tells nothing and counts as holding.

    Parameters
    ----------
    found : Layer
        Lines or points by our column names.
    holds : tuple of str or None
        The configuration's `fix_holds`; without it no signal is ever lost.
    place : str
        Where the layer is, for errors and notes.
    of_points : bool
        Whether the features are points of a log.

    Raises
    ------
    InputError
        If there is nothing to hold `fix_holds` against, or none of its values is in the layer.
    """
    said = found.kept[c.FIX].astype(object).map(text_of) if c.FIX in found.kept else None
    if holds is None:
        lost, notes = np.zeros(len(found.kept), bool), _idle_notes(said)
    elif said is None:
        raise InputError(
            f"{place}: fix_holds is given, but fix is neither mapped nor a constant; add it under columns, as "
            "columns: {fix: YOUR_COLUMN}, or remove fix_holds"
        )
    else:
        keys = said.map({text: same_value(text) for text in said.unique()})
        lost = ~keys.isin(["", *map(same_value, holds)]).to_numpy()
        _check_named(holds, said, keys, place)
        notes = _lost_notes(said, lost, holds, of_points=of_points)
    told = tuple(f"{place}: {note}" for note in notes)
    return replace(found, kept=found.kept.assign(**{c.SIGNAL_LOST: lost}), notes=found.notes + told)


def same_value(text: str) -> str:
    """What values of `fix` are compared by: neither case nor the noughts behind a whole number's point matter."""
    whole = _WHOLE.fullmatch(text)
    return whole.group(1) if whole else text.casefold()


def _check_named(holds: tuple[str, ...], said: pd.Series, keys: pd.Series, place: str) -> None:
    """Refuse a list of which the layer has nothing: all of it would be lost, by a slip of the pen."""
    if keys.isin(list(map(same_value, holds))).any():
        return
    known = [text for text, _ in _commonest(said)]
    none = f"{place}: fix_holds: no feature has {_either(holds)} for its fix"
    if not known:
        raise InputError(f"{none}, nor any other value; map the column that has it as fix, or remove fix_holds")
    near = _nearest(holds, known)
    mend = did_you_mean(near[0], {near[1], *known[:MOST_TOLD]}) if near else f"it has {_told(said)}"
    raise InputError(f"{none}; {mend}; expected values under which the tier's figures hold, correct fix_holds")


def _nearest(holds: tuple[str, ...], known: list[str]) -> tuple[str, str] | None:
    """The first value named that looks like a slip for one of the layer's, with this one."""
    # Values come from a file of anyone: neither long ones nor many of them may hold us up.
    by_key = {same_value(text[:MOST_LETTERS]): text for text in known[:MOST_COMPARED]}
    for one in holds:
        if close := difflib.get_close_matches(same_value(one[:MOST_LETTERS]), by_key, n=1, cutoff=_ALIKE):
            return one, by_key[close[0]]
    return None


def _idle_notes(said: pd.Series | None) -> list[str]:
    if said is None or (said == "").all():
        return []
    return [
        f"fix has no part in any figure, for fix_holds does not say under which of its values the tier's figures hold; the "
        f"layer has {_told(said)}"
    ]


def _lost_notes(said: pd.Series, lost: np.ndarray, holds: tuple[str, ...], *, of_points: bool) -> list[str]:
    notes, kind = [], "points" if of_points else "features"
    if lost.any():
        held = "; where that lasts for log.shortest or more, passes are cut" if of_points else ""
        notes.append(f"the signal was lost in {lost.sum()} of {len(said)} {kind}, whose fix is not {_either(holds)} but "
                     f"{_told(said[lost], shares=False)}{held}")  # fmt: skip
    if bare := int((said == "").sum()):
        notes.append(f"no value of fix in {bare} of {len(said)} {kind}, which tells nothing: they count as holding")
    return notes


def _commonest(said: pd.Series) -> list[tuple[str, int]]:
    """Each value with the number of features that have it, the commonest first."""
    counts = said[said != ""].value_counts()
    return sorted(((text, int(count)) for text, count in counts.items()), key=lambda one: (-one[1], one[0]))


def _told(said: pd.Series, *, shares: bool = True) -> str:
    """The commonest values and the share of features that have each."""
    counted = _commonest(said)
    told = [_quoted(text) + (_share(count / len(said)) if shares else "") for text, count in counted[:MOST_TOLD]]
    more = len(counted) - MOST_TOLD
    return ", ".join(told) + (f" and {more} more" if more > 0 else "")


def _share(share: float) -> str:
    # An error writes out what does not print, and a no-break space is taken for such.
    return f" ({share_text(share).replace(GAP, ' ')})"


def _either(holds: tuple[str, ...]) -> str:
    return " or ".join(_quoted(one) for one in holds[:MOST_TOLD]) + (" ..." if len(holds) > MOST_TOLD else "")


def _quoted(text: str) -> str:
    return f"'{shown(text, longest=_LONGEST_TOLD)}'"
