"""The tables of the choice, written farm by farm, so that none of them is in memory as a whole."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from decimal import Decimal
from pathlib import Path

import numpy as np

from pipeline import columns as c
from pipeline.core.choice import PARTS, SPRINGS, Option
from pipeline.core.show import so_many
from pipeline.files.choice_parts import amount, counted_in
from pipeline.files.choice_words import AS_RECOMMENDED
from pipeline.files.farm_choice import SUMS, FarmChoice, figures_of, money_of, share_missed_in, springs_money
from pipeline.files.store import whole_file
from pipeline.files.texts import safe_text


class Lines:
    """A table of the choice that takes one line after the other."""

    def __init__(self, stream, columns: list[str], currency: str) -> None:
        self._writer = csv.writer(stream, lineterminator="\n")
        self._columns, self._currency = columns, currency
        self._writer.writerow(columns)

    def add(self, lines: Iterable[dict]) -> None:
        """Write lines; a column that a line has not is left empty."""
        for line in lines:
            said = line | {c.CURRENCY: self._currency}
            self._writer.writerow([_cell(said.get(name)) for name in self._columns])


@contextmanager
def table_of(path: Path, columns: list[str], currency: str) -> Iterator[Lines]:
    """A table that is there as a whole or not at all."""
    with whole_file(path) as unfinished, unfinished.open("w", encoding="utf-8", newline="") as stream:
        yield Lines(stream, columns, currency)


def _cell(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, (float, np.floating)):
        return f"{value:z.6f}" if value == value else ""
    return safe_text(str(value))


class CoopSums:
    """Sums over all farms: under each tier, and under what is recommended to each farm."""

    def __init__(self, costs: Mapping) -> None:
        self._costs = costs
        self._names = [*costs["order"], AS_RECOMMENDED]
        self._parts = {name: dict.fromkeys(PARTS, 0) for name in self._names}
        self._quantity = {name: dict.fromkeys(counted_in(costs), Decimal(0)) for name in self._names}
        self._figures = {name: dict.fromkeys(SUMS, 0.0) for name in self._names}
        self._springs = {name: np.zeros((2, SPRINGS)) for name in self._names}
        self._area_m2 = self._judged_m = 0.0
        self._short, self._out = dict.fromkeys(self._names, 0), dict.fromkeys(self._names, 0)
        self._farms = self._without = self._idle = 0

    def add(self, choice: FarmChoice) -> None:
        """Take a farm in; where none is recommended to it, or needed, it has no part in what is recommended."""
        self._farms += 1
        self._area_m2 += float(choice.farm.stake.area_m2.sum())
        self._judged_m += float(choice.farm.stake.judged_m.sum())
        for k, name in enumerate(choice.farm.stake.tiers):
            self._add(name, choice, choice.options[k])
        if choice.best:
            self._add(AS_RECOMMENDED, choice, choice.options[choice.best[0]])
        elif choice.farm.stake.has_rows:
            self._without += 1
        else:
            self._idle += 1

    def _add(self, name: str, choice: FarmChoice, option: Option) -> None:
        fields = np.arange(len(option.used))
        for part, cents in option.parts_cents.items():
            self._parts[name][part] += cents
        both = (choice.farm.loss_quantity, choice.farm.waiting_h)
        for part, quantity in zip(self._quantity[name], both, strict=True):
            self._quantity[name][part] += sum(quantity[fields, option.used], Decimal(0))
        for figure, value in choice.sums(option).items():
            self._figures[name][figure] += value
        self._springs[name] += np.stack([option.loss_springs, option.missed_springs])
        self._out[name] += not option.reaches
        self._short[name] += option.reaches and not option.meets and choice.farm.stake.has_rows

    def lines(self) -> Iterator[dict]:
        """Of choice.csv."""
        for name in self._names if self._farms else []:
            if name == AS_RECOMMENDED and (self._without or self._idle == self._farms):
                continue  # a sum over some of the farms beside sums over all of them would be read as one of all
            loss, missed = self._springs[name]
            yield figures_of(self._figures[name], self._judged_m, self._costs) | {
                c.LEVEL: "co-op", c.OPTION: name, c.AREA_M2: self._area_m2,
                c.STANDARD_SHARE: share_missed_in(missed, self._judged_m, self._costs),
                **money_of(self._parts[name]), **springs_money(loss), c.REASON: self._reason(name),
            }  # fmt: skip

    def _reason(self, name: str) -> str:
        said = [
            (self._out[name], "out of reach"), (self._short[name], "below the standard"), (self._idle, "no row on strips"),
        ]  # fmt: skip
        return ", ".join(f"{what} on {count} of {so_many(self._farms, 'farm')}" for count, what in said if count)

    def parts(self) -> Iterator[dict]:
        """Of choice_parts.csv."""
        counted = counted_in(self._costs)
        for name in (line[c.OPTION] for line in self.lines()):
            for part, cents in self._parts[name].items():
                unit, price = counted.get(part, ("sum of farms", ""))
                said = amount(part, self._quantity[name].get(part), unit, price, cents)
                yield {c.LEVEL: "co-op", c.OPTION: name} | said
