"""What tiers cost, as a part of the report: the words, what each option comes to, and what the choice hangs on."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import pandas as pd
from markupsafe import Markup

from pipeline import columns as c
from pipeline.core.show import plain_text, share_text, width_text
from pipeline.files import cautions
from pipeline.files.choice_cells import (
    COST_HEAD,
    FIELD_HEAD,
    FLIP_HEAD,
    called,
    cost_cells,
    farm_cell,
    field_cells,
    flip_cells,
    money_cell,
)  # fmt: skip
from pipeline.files.choice_words import AS_RECOMMENDED, money_words
from pipeline.files.store import read_json
from pipeline.files.texts import safe_text
from pipeline.files.tornado import tornado

TITLE = "What it costs, and which tier to choose"
_INDEX_HEAD = ["Farm", "Recommended", "Total a year", "Of it lost"]
# What a line of a table, and the words and the picture of a farm, take on a page: twice the demo's, for names may be longer.
_LINE_BYTES, _FARM_BYTES = 700, 6_000
# The same of a field's own table: of a line, and of its head and caption.
_FIELD_LINE_BYTES, _FIELD_BYTES = 200, 400


@dataclass(frozen=True)
class ToldChoice:
    """The tables of the choice, as the pages tell of them; empty where nobody told any costs.

    Attributes
    ----------
    lines, flips : DataFrame
        Lines of farms of choice.csv, and those of choice_sensitivity.csv, cells as text; with `place`, farm and field.
    coop : DataFrame
        Lines of the co-op.
    fields : DataFrame
        Those of fields.
    costs : mapping
        Of choice.json.
    names : mapping of tier id to name
        What other parts of the page call the tiers; here they go by their ids, as in the configuration.
    units : {"us", "metric"}
        Of the report.
    """

    lines: pd.DataFrame
    flips: pd.DataFrame
    coop: pd.DataFrame
    fields: pd.DataFrame
    costs: Mapping
    names: Mapping[str, str]
    units: str

    @classmethod
    def read(
        cls, table: Path, hangs_on: Path, settings: Path, *, units: str, names: Mapping[str, str] | None = None
    ) -> ToldChoice:
        """From choice.csv, choice_sensitivity.csv and choice.json, which says by what curve losses go."""
        lines, flips = (pd.read_csv(path, dtype=str, keep_default_na=False) for path in (table, hangs_on))
        farms, coop, fields = (lines[lines[c.LEVEL] == level] for level in ("farm", "co-op", "field"))
        # A field of no farm is one by itself.
        farms, flips = (one.assign(place=list(zip(one[c.FARM], one[c.FIELD_ID], strict=True))) for one in (farms, flips))
        return cls(farms, flips, coop, fields, read_json(settings)["costs"] if len(farms) else {}, names or {}, units)

    def of(self, fields: Sequence[dict]) -> ToldChoice:
        """The same of some fields, and of their farms, alone.

        Parameters
        ----------
        fields : sequence of dict
            Summaries (`page_field.field_summary`).
        """
        places, names = {place_of(one) for one in fields}, {safe_text(one["id"]) for one in fields}
        lines, flips = (one[one["place"].isin(places)] for one in (self.lines, self.flips))
        mine = self.fields[self.fields[c.FIELD_ID].isin(names)]
        return replace(self, lines=lines, flips=flips, fields=mine, coop=self.coop.iloc[:0])

    def sizes(self) -> dict[tuple[str, str], int]:
        """About how much each farm takes on a page, by place [bytes]."""
        counts = pd.concat([self.lines["place"], self.flips["place"]]).value_counts()
        return {place: _FARM_BYTES + _LINE_BYTES * int(count) for place, count in counts.items()}

    def field_size(self) -> int:
        """About how much a field takes more on the page that holds it [bytes]."""
        count = self.fields[c.OPTION].nunique()
        return _FIELD_BYTES + _FIELD_LINE_BYTES * count if count else 0

    def sections(self) -> list[dict]:
        """All of it, a farm after the other.

        Returns
        -------
        list of dict
            One part of a page, or none: `title`, `words`, `pictures` of `caption` and `svg`, and `tables` of `caption`,
            `head`, `lines`.
        """
        if not len(self.lines):
            return []
        currency = self.lines[c.CURRENCY].iloc[0]
        tables = [
            {
                "caption": f"What each tier comes to in a year, {currency}; expected amounts to three digits at most",
                "head": COST_HEAD,
                "lines": [cost_cells(one, units=self.units) for _, one in self.lines.iterrows()],
            },
            {
                "caption": "What the choice hangs on: how far a single price must move before another tier is cheaper",
                "head": FLIP_HEAD,
                "lines": [line for _, one in self.flips.iterrows() for line in flip_cells(one, costs=self.costs)],
            },
        ]  # fmt: skip
        said = [plain_text(text) for text in self.lines[c.SAID] if text]
        return self._section(said, [one for one in tables if one["lines"]], _pictures(self.flips, currency))

    def of_fields(self) -> dict[str, dict]:
        """What each tier comes to in each field, by its name in the tables: `id`, `caption`, `head`, `lines`."""
        if not len(self.fields):
            return {}
        currency = self.fields[c.CURRENCY].iloc[0]
        waited = ", after the wait that is paid for" if self.costs["wait"]["share"] else ""
        caption = f"What each tier comes to here in a year, {currency}{waited}; expected amounts to three digits at most"
        shared = "; fees and one-offs are this field's part of the farm's, by area"
        tables: dict[str, dict] = {}
        for one in self.fields.to_dict("records"):
            table = {"id": "costs", "caption": caption + (shared if one[c.FARM] else ""), "head": FIELD_HEAD, "lines": []}
            tables.setdefault(one[c.FIELD_ID], table)["lines"].append(field_cells(one, names=self.names))
        return tables

    def chosen(self) -> dict[str, str]:
        """What is recommended to each farm, by its name in the tables; a field of none has a choice of its own."""
        mine = self.lines[self.lines[c.FARM] != ""]
        return {farm: _chosen_line(lines, self.names) for farm, lines in mine.groupby(c.FARM, sort=False)}

    def asked(self) -> str:
        """The standard that what is recommended keeps, if one is asked for."""
        standard = self.costs["standard"] if len(self.lines) else None
        if not standard:
            return ""
        share, springs = (share_text(standard[name]) for name in ("on_strip", "springs"))
        return f"What prices choose keeps {share} of it there in {springs} of springs."

    def index(self, links: Mapping[tuple[str, str], str]) -> list[dict]:
        """A line a farm, where the rest is on the pages of the farms.

        Parameters
        ----------
        links : mapping of place to str
            The page of each farm, and of each field of none.
        """
        if not len(self.lines):
            return []
        caption = f"What is recommended to each farm, {self.lines[c.CURRENCY].iloc[0]}; its page says what else was compared"
        lines = [_index_line(place, one, links) for place, one in self.lines.groupby("place", sort=False)]
        return self._section([], [{"caption": caption, "head": _INDEX_HEAD, "lines": lines}], [])

    def _section(self, said: list[str], tables: list[dict], pictures: list[dict]) -> list[dict]:
        words = [*_ids(self.names), *said, *_curve_words(self.costs, self.units), *_whole_words(self.coop), cautions.CHOICE]
        return [{"title": TITLE, "words": words, "tables": tables, "pictures": pictures}]


def place_of(field: dict) -> tuple[str, str]:
    """Where the money of a field is spent, as the tables name it: its farm, or itself where it has none."""
    return (safe_text(field["farm"]), "") if field["farm"] else ("", safe_text(field["id"]))


def _best(options: pd.DataFrame) -> pd.DataFrame:
    """Those of a farm's options that are recommended."""
    return options[options[c.RECOMMENDED].isin(["yes", "tie"])]


def _index_line(place: tuple[str, str], lines: pd.DataFrame, links: Mapping[tuple[str, str], str]) -> list[str]:
    name, best = farm_cell(lines.iloc[0]), _best(lines)
    if place in links:
        name = Markup('<a href="{}">{}</a>').format(links[place], name)
    if not len(best):
        return [name, "none", "\N{EN DASH}", "\N{EN DASH}"]
    one = best.iloc[0]
    options = " or ".join(plain_text(option) for option in best[c.OPTION])
    return [name, options, money_cell(one[c.TOTAL_MONEY]), money_cell(one[c.LOSS_MONEY])]


def _chosen_line(options: pd.DataFrame, names: Mapping[str, str]) -> str:
    best = _best(options)
    if not len(best):
        return "By the prices given none is recommended."
    options = " or ".join(called(option, names) for option in best[c.OPTION])
    same = ", which come to the same" if len(best) > 1 else ""
    total = money_words(100.0 * float(best[c.TOTAL_MONEY].iloc[0]), best[c.CURRENCY].iloc[0])
    return f"By the prices given: {options}{same}, {total} a year."


def _ids(names: Mapping[str, str]) -> list[str]:
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
        name = farm_cell(lines.iloc[0])
        caption = f"{name}: {currency} a year by which the recommended tier is ahead, as each price goes down or up by half"
        # Its own template has escaped what is text in it.
        out.append({"caption": caption, "svg": Markup(tornado(lines.drop(columns="place").to_dict("records")))})
    return out


def _curve_words(costs: Mapping, units: str) -> list[str]:
    """By what curve losses go, how far it was measured, and who waits."""
    curve, out = costs["curve"], []
    if curve:
        name, source, limits = (plain_text(curve[key] or "").rstrip(".") for key in ("name", "source", "limits"))
        out.append(
            f"Losses go by the curve '{name}': {source}.{f' {limits}.' if limits else ''} {_measured_words(curve, units)}"
        )
    if share := costs["wait"]["share"]:
        out.append(
            f"Here every machine waits {share_text(share)} of its tier's convergence, and pays for it: where logs tell of "
            "starts, fewer rows are off the strip than elsewhere in this report."
        )
    return out


def _measured_words(curve: Mapping, units: str) -> str:
    far, last = (width_text(curve[name], units=units) for name in ("measured_to_m", "last_point_m"))
    words = f"Beyond {far} from the strip's centre nothing was measured"
    if curve["measured_to_m"] < curve["last_point_m"]:
        return f"{words} for certain: to {last} the curve is assumed, and from there its last value is held."
    return f"{words}: its last value is held."


def _whole_words(coop: pd.DataFrame) -> list[str]:
    """What all farms together come to."""
    return [
        f"All farms as recommended: about {money_cell(one[c.TOTAL_MONEY])} {one[c.CURRENCY]} a year, of it "
        f"about {money_cell(one[c.LOSS_MONEY])} lost beside the strips."
        for _, one in coop[coop[c.OPTION] == AS_RECOMMENDED].iterrows()
    ]
