"""What changed since the last run, in at most ten lines of text for the end of a run."""

from pathlib import Path

import pandas as pd

from pipeline import columns as c
from pipeline.files import changes as ch
from pipeline.files.last_run import is_told, last_state
from pipeline.files.setting_names import setting_name
from pipeline.files.texts import few, shown

NOTHING = "Nothing changed since the last run."
_NAMED_AT_MOST = 5
_LONGEST = 40


def change_text(results: Path, *, work: Path) -> str:
    """Summary of changes.csv, unless a run has told of it; "" where it is not of this run, because only some was asked."""
    table = results.parent / "changes.csv"
    state = last_state(work / "last")
    if not table.exists() or state is None or not state.is_of(results, work):
        return ""
    if is_told(work / "last"):
        return NOTHING
    return "\n".join(summary(pd.read_csv(table, dtype=str, keep_default_na=False)))


def summary(changes: pd.DataFrame) -> list[str]:
    """Lines of text.

    Parameters
    ----------
    changes : DataFrame
        As changes.csv.
    """
    if not len(changes):
        return [NOTHING]
    of = {what: lines for what, lines in changes.groupby(c.WHAT, sort=False)}
    if ch.FIRST_RUN in of:
        return ["First run here: there is no earlier one to compare with."]
    parts = [part for part in ("field", *ch.PARTS) if part in of]
    if ch.RENAMED in of:  # of those that came and went, some are the same
        known = {ch.ADDED: set(of[ch.RENAMED][c.AFTER]), ch.REMOVED: set(of[ch.RENAMED][c.BEFORE])}
        of = {what: lines[~lines[c.FIELD_ID].isin(known.get(what, ()))] for what, lines in of.items()}
    said = {
        "settings": _named(of, ch.SETTING, _setting),
        "tiers": _named(of, ch.TIER_FIGURE, lambda one: f"{one[c.TIER]}.{one[c.NAME]} {_pair(one)}"),
        "tiers added": _named(of, ch.TIER_ADDED, lambda one: one[c.TIER]),
        "tiers removed": _named(of, ch.TIER_REMOVED, lambda one: one[c.TIER]),
        "fields renamed": _named(of, ch.RENAMED, lambda one: f"{one[c.BEFORE]} is now called {one[c.AFTER]}"),
        "fields added": _named(of, ch.ADDED, lambda one: one[c.FIELD_ID]),
        "fields removed": _named(of, ch.REMOVED, lambda one: one[c.FIELD_ID]),
        "input of fields": _parts(pd.concat([of[part] for part in parts])) if parts else [],
        "figures": _figures(changes),
    }
    return ["Changed since the last run (all of it in changes.csv):", *(
        f"  {name}: {few(found, most=_NAMED_AT_MOST)}" for name, found in said.items() if found
    )]  # fmt: skip


def _named(of: dict, what: str, text) -> list[str]:
    return [text(one) for one in of[what].to_dict("records")] if what in of else []


def _setting(one: dict) -> str:
    unit = setting_name(one[c.NAME]).unit if one[c.AFTER] else ""  # else "none" stands there
    return f"{one[c.NAME]} {_pair(one)} {unit}".rstrip()


def _pair(one: dict) -> str:
    """Before and now; numbers alike to six digits with all of theirs, and of longer texts their beginnings."""
    whole = one[c.BEFORE], one[c.AFTER]
    for short in (_number, _text):
        before, after = map(short, whole)
        if before != after:
            return f"{before} -> {after}"
    spaced = whole[0].split() == whole[1].split()
    return f"{before} -> {after} ({'differs in white space' if spaced else 'differs further on'})"


def _number(value: str) -> str:
    try:
        return f"{float(value):.6g}"
    except ValueError:  # no number
        return _text(value)


def _text(value: str) -> str:
    return " ".join(shown(value, longest=_LONGEST).split()) or "none"


def _parts(lines: pd.DataFrame) -> list[str]:
    whats = lines.groupby(c.FIELD_ID, sort=True)[c.WHAT].unique()
    return [f"{field_id} ({', '.join(found)})" for field_id, found in whats.items()]


def _figures(changes: pd.DataFrame) -> list[str]:
    """In how many fields and tiers figures moved, and where the expected share did most."""
    moved = changes[changes[c.WHAT].isin([ch.FIGURES, ch.OTHER])]
    if not len(moved):
        return []
    places = len(moved[[c.FIELD_ID, c.TIER]].drop_duplicates())
    text = f"moved in {places} line{'s' * (places != 1)} of field_tier.csv"
    shares = moved[moved[c.NAME] == c.EXPECTED_MISS_SHARE]
    sizes = pd.to_numeric(shares[c.DIFFERENCE], errors="coerce").abs()
    if not sizes.notna().any():
        return [text]
    most = shares.loc[sizes.idxmax()]
    before, after = (f"{100 * float(most[name]):.1f} %" for name in (c.BEFORE, c.AFTER))
    if before == after:  # what moved most reads alike, so all does
        slight = "; no expected share off the strip moved by as much as 0.1 percentage points"
        return [text + slight if sizes.notna().all() else text]
    return [f"{text}; expected share off the strip most in {most[c.FIELD_ID]} under {most[c.TIER]}: {before} -> {after}"]
