"""What a run prints at its end: where the results lie, and fields by tiers."""

from pathlib import Path

import pandas as pd

from pipeline import columns as c
from pipeline.core.show import GAP, NOTHING, share_text, so_many
from pipeline.files import cautions
from pipeline.files.account import account_lines
from pipeline.files.choice_words import said_of
from pipeline.files.store import read_json

#: Farms whose choice is told at the end of a run; of a large co-op the rest is in choice.csv.
MOST_FARMS = 12
#: Fields that are told of; the rest is in field_tier.csv.
MOST_FIELDS = 40


def headline(results: Path) -> str:
    """Share of row length expected off the strip, fields by tiers, as text.

    Parameters
    ----------
    results : Path
        Folder of a finished run.
    """
    table = pd.read_csv(results / "field_tier.csv", dtype={c.FIELD_ID: str}, keep_default_na=False, na_values=[""])
    mark = table[c.REACH].map(lambda reach: "*" if reach == c.OUT_OF_REACH else "")
    cell = table[c.EXPECTED_MISS_SHARE].map(_plain) + mark
    shown = table.assign(cell=cell).pivot(index=c.FIELD_ID, columns=c.TIER, values="cell")
    shown = shown[list(table[c.TIER].unique())].rename_axis(index=None, columns=None)
    lines = ["", "Share of planted row length on built strips that is expected to miss its strip:", ""]
    lines += [shown[shown.index.isin(_worst(table, c.EXPECTED_MISS_SHARE))].to_string(), *_more(len(shown))]
    if (table[c.REACH] == c.OUT_OF_REACH).any():
        lines += ["", "* out of reach of the base: the figure shows what the distance alone would do"]
    lines += _checked_lines(table)
    lines += _choice_lines(results / "choice.csv")
    # A run that was asked for the tables alone has no manifest, or that of an earlier run.
    manifest = results / "manifest.json"
    if manifest.exists() and manifest.stat().st_mtime >= (results / "field_tier.csv").stat().st_mtime:
        account = read_json(manifest)["layers"]
        lines += ["", *account_lines(account)]
        if any(said["rejected"] for said in account.values()):
            lines.append("Why features were rejected: rejects.csv and the layer rejects of rowreturn.gpkg")
    page = results / "report.html"
    lines += ["", f"Results: {results.resolve()}", *([f"To begin with: {page.resolve()}"] if page.exists() else [])]
    lines.append(cautions.FIGURES)
    return "\n".join(lines)


def _worst(table: pd.DataFrame, share: str) -> pd.Index:
    """Of many fields those of which most is expected to miss even under their best tier."""
    least = table.groupby(c.FIELD_ID)[share].min().sort_values(ascending=False, kind="stable")
    return least.index[:MOST_FIELDS]


def _more(fields: int) -> list[str]:
    if fields <= MOST_FIELDS:
        return []
    return ["", f"These {MOST_FIELDS} of {fields:,} fields miss most under their best tier; the rest is in field_tier.csv."]


def _choice_lines(table: Path) -> list[str]:
    """The choice of every farm in words, of a few of many; nothing where nothing was to be chosen."""
    said = said_of(table) if table.exists() else []
    if not said:
        return []
    more = [f"And {len(said) - MOST_FARMS} more, in choice.csv."] if len(said) > MOST_FARMS else []
    return ["", "Which tier is enough, by the prices of the configuration:", "", *said[:MOST_FARMS], *more, cautions.CHOICE]


def _checked_lines(table: pd.DataFrame) -> list[str]:
    """The same share before the ground checks and after them, for the fields that have some."""
    dug = table[table[c.CHECK_COUNT] > 0]
    if dug.empty:
        return []
    more = dug[c.FIELD_ID].nunique() - MOST_FIELDS
    dug = dug[dug[c.FIELD_ID].isin(_worst(dug, c.CHECKED_SHARE))]
    shown = pd.DataFrame({
        "field": dug[c.FIELD_ID], "tier": dug[c.TIER],
        "before": [_with_range(*line) for line in dug[[c.EXPECTED_MISS_SHARE, c.P10, c.P90]].to_numpy(float)],
        "after": [
            f"{_with_range(*line)} after {so_many(count, 'ground check')}"
            for line, count in zip(
                dug[[c.CHECKED_SHARE, c.CHECKED_SHARES[0], c.CHECKED_SHARES[2]]].to_numpy(float), dug[c.CHECK_COUNT],
                strict=True,
            )
        ],
    })  # fmt: skip
    said = "The same share before and after the ground checks (10th to 90th percentile):"
    rest = ["", f"And {so_many(more, 'field')} more with ground checks, in field_tier.csv."] if more > 0 else []
    return ["", said, "", shown.to_string(index=False), *rest]


def _with_range(share: float, low: float, high: float) -> str:
    """Such as ``34 % (31 % to 37 %)``, with plain blanks."""
    return f"{_plain(share)} ({_plain(low)} to {_plain(high)})"


def _plain(share: float) -> str:
    """As the report says it, in signs that every terminal has."""
    return share_text(share).replace(GAP, " ").replace(NOTHING, "-")
