"""What tiers cost, as a part of the report: the words, what each option comes to, and what the choice hangs on."""

from decimal import Decimal
from pathlib import Path

import pandas as pd
from markupsafe import Markup

from pipeline import columns as c
from pipeline.core.show import plain_text, share_text
from pipeline.files.choice_words import CAUTION, factor_text
from pipeline.files.store import read_json
from pipeline.files.tornado import tornado

# Farms beyond these are told of in the tables alone.
MOST_FARMS = 12
_HEAD = [
    "Farm", "Tier", "Rows off the strip", "Lost a year", "10th to 90th percentile", "Fee", "One-off a year", "Waiting",
    "Total", "Choice",
]  # fmt: skip
_FLIP_HEAD = ["Farm", "What", "As given", "Cheaper would be", "if it were"]


def choice_section(table: Path, hangs_on: Path, settings: Path, *, names: dict[str, str] | None = None) -> list[dict]:
    """What is recommended to every farm; nothing where nobody told any costs.

    Parameters
    ----------
    table, hangs_on, settings : Path
        choice.csv, choice_sensitivity.csv and choice.json, which says by what curve losses go.
    names : dict of tier id to name, optional
        What other parts of the page call the tiers; here they go by their ids, as in the configuration.

    Returns
    -------
    list of dict
        One part of the report's first page, or none: `title`, `words`, `pictures` of `caption` and `svg`, and `tables` of
        `caption`, `head`, `lines`.
    """
    lines, flips = (pd.read_csv(path, dtype=str, keep_default_na=False) for path in (table, hangs_on))
    farms = lines[lines[c.LEVEL] == "farm"]
    if not len(farms):
        return []
    # A field of no farm is one by itself.
    farms, flips = (table.assign(place=list(zip(table[c.FARM], table[c.FIELD_ID], strict=True))) for table in (farms, flips))
    places = list(dict.fromkeys(farms["place"]))
    told, named = (table[table["place"].isin(places[:MOST_FARMS])] for table in (farms, flips))
    currency = farms[c.CURRENCY].iloc[0]
    words = [plain_text(text) for text in farms[c.SAID] if text][:MOST_FARMS]
    more = len(places) - MOST_FARMS
    if more > 0:
        words.append(f"{more:,} more farms are in choice.csv.")
    tables = [
        {
            "caption": f"What each tier comes to in a year, {currency}", "head": _HEAD,
            "lines": [_line(one) for _, one in told.iterrows()],
        },
        {
            "caption": "What the choice hangs on: how far a single price must move before another tier is cheaper",
            "head": _FLIP_HEAD, "lines": [line for _, one in named.iterrows() for line in _flips(one)],
        },
    ]  # fmt: skip
    return [{
        "title": "What it costs, and which tier to choose",
        "words": [*_ids(names or {}), *words, *_curve_words(read_json(settings), lines), CAUTION],
        "tables": [one for one in tables if one["lines"]], "pictures": _pictures(named, currency),
    }]  # fmt: skip


def _ids(names: dict[str, str]) -> list[str]:
    known = "; ".join(f"{plain_text(tier)} is {plain_text(name)}" for tier, name in names.items())
    return [f"Tiers go by their ids here: {known}."] if known else []


def _pictures(flips: pd.DataFrame, currency: str) -> list[dict]:
    """What the choice of each farm hangs on."""
    out = []
    for _, lines in flips.groupby("place", sort=False):
        # A price that moves nothing by a whole unit has no bar to be seen.
        amounts = lines[list(c.MARGINS_MONEY)].astype(float)
        lines = lines[amounts.max(axis=1) - amounts.min(axis=1) >= 1.0]
        if not len(lines):
            continue
        name = _farm(lines.iloc[0])
        caption = f"{name}: {currency} a year by which the recommended tier is ahead, as each price goes down or up by half"
        # Its own template has escaped what is text in it.
        out.append({"caption": caption, "svg": Markup(tornado(lines.drop(columns="place").to_dict("records")))})
    return out


def _curve_words(said: dict, lines: pd.DataFrame) -> list[str]:
    """By what curve losses go, how far it was measured, and what the whole co-op comes to."""
    curve, out = said["costs"]["curve"], []
    if curve:
        name, source, limits = (plain_text(curve[key] or "").rstrip(".") for key in ("name", "source", "limits"))
        far = f"{100 * curve['measured_to_m']:.0f} cm"
        out.append(
            f"Losses go by the curve '{name}': {source}.{f' {limits}.' if limits else ''} Beyond {far} from the strip's "
            "centre nothing was measured: its last value is held."
        )
    if share := said["costs"]["wait"]["share"]:
        out.append(
            f"Here every machine waits {share_text(share)} of its tier's convergence, and pays for it: where logs tell of "
            "starts, fewer rows are off the strip than elsewhere in this report."
        )
    whole = lines[(lines[c.LEVEL] == "co-op") & (lines[c.OPTION] == "as recommended")]
    if len(whole):
        one = whole.iloc[0]
        total, lost = (_money(one[name]) for name in (c.TOTAL_MONEY, c.LOSS_MONEY))
        out.append(f"All farms as recommended: {total} {one[c.CURRENCY]} a year, of it {lost} lost beside the strips.")
    return out


def _line(one: pd.Series) -> list[str]:
    low, high = (_money(one[name]) for name in (c.LOSS_P10_MONEY, c.LOSS_P90_MONEY))
    share = float(one[c.EXPECTED_MISS_SHARE]) if one[c.EXPECTED_MISS_SHARE] else float("nan")
    return [
        _farm(one), plain_text(one[c.OPTION]), share_text(share), _money(one[c.LOSS_MONEY]), f"{low} to {high}",
        *(_money(one[name]) for name in (c.FEE_MONEY, c.ONCE_MONEY, c.WAITING_MONEY, c.TOTAL_MONEY)),
        "recommended" if one[c.RECOMMENDED] == "yes" else plain_text(one[c.REASON]),
    ]  # fmt: skip


def _flips(one: pd.Series) -> list[list[str]]:
    """Where a price makes another tier the cheaper one, if it goes down or up."""
    what = f"{one[c.DRIVER]} of {one[c.TIER]}" if one[c.TIER] else one[c.DRIVER]
    out = []
    for side, (factor, _, to) in c.FLIPS.items():
        if one[factor]:
            out.append([
                _farm(one), plain_text(what), f"{Decimal(one[c.PRICE_MONEY]):,} {one[c.CURRENCY]}", plain_text(one[to]),
                f"{side} {factor_text(float(one[factor]))} that",
            ])  # fmt: skip
    return out


def _farm(one: pd.Series) -> str:
    return plain_text(one[c.FARM]) or f"Field {plain_text(one[c.FIELD_ID])}"


def _money(cell: str) -> str:
    """An amount without its cents; the table has them."""
    return f"{float(cell):,.0f}" if cell else "\N{EN DASH}"
