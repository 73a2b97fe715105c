"""Farms as the choice takes them: their fields' losses from all batches, priced, in whole cents."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal
from pathlib import Path
from zlib import crc32

import numpy as np
import pandas as pd

from pipeline import columns as c
from pipeline.core.capacity import work_days
from pipeline.core.choice import Stake, Standard
from pipeline.files.store import read_frame

_CENT = Decimal("0.01")
_QUANTITY = Decimal("0.000001")
# A working day is asked of a capacity by the day already.
_DAY_S = 1.0


@dataclass(frozen=True)
class Farm:
    """A farm, or a field that belongs to none: the level at which money is spent.

    Attributes
    ----------
    name : str
        Nothing where a field stands alone.
    field_ids : tuple of str
    stake : Stake
    loss_quantity, waiting_h : ndarray of object, shape (fields, tiers)
        As decimal numbers of six digits after the point: what times the price is the amount.
    lines : DataFrame
        Of the fields' losses, by field and tier.
    """

    name: str
    field_ids: tuple[str, ...]
    stake: Stake
    loss_quantity: np.ndarray
    waiting_h: np.ndarray
    lines: pd.DataFrame

    @property
    def place(self) -> str:
        """What people call it."""
        return self.name or f"field {self.field_ids[0]}"

    def figure(self, name: str) -> np.ndarray:
        """A column of the lines, (fields, tiers)."""
        return self.lines[name].to_numpy(float).reshape(len(self.field_ids), -1)


def standard_of(costs: Mapping) -> Standard | None:
    """What is asked for, if anything."""
    return Standard(**costs["standard"]) if costs["standard"] else None


def farms(losses: list[Path], costs: Mapping) -> Iterator[Farm]:
    """All farms by name, then fields that belong to none.

    Parameters
    ----------
    losses : list of Path
        Tables of `odds`, of all batches.
    costs : mapping
        As `choice_settings` has them.
    """
    tiers = costs["order"]
    parts = [read_frame(path) for path in losses]
    table = pd.concat([one[one[c.TIER].isin(tiers)] for one in parts if len(one)] or [pd.DataFrame(columns=c.LOSSES)])
    table = table.assign(_tier=table[c.TIER].map(tiers.index), **{c.FARM: table[c.FARM].fillna("").astype(str)})
    table = table.sort_values([c.FARM, c.FIELD_ID, "_tier"], kind="stable")
    # A field of no farm has a machine of its own, as it has for its starts.
    alone = table[c.FIELD_ID].where(table[c.FARM] == "", "")
    for (_, name, _), lines in table.groupby([table[c.FARM] == "", c.FARM, alone], sort=True):
        yield _farm(str(name), lines, costs)


def _farm(name: str, lines: pd.DataFrame, costs: Mapping) -> Farm:
    ids, tiers = tuple(lines[c.FIELD_ID].unique()), {name: costs["tiers"][name] for name in costs["order"]}
    shape = (len(ids), len(tiers))

    def column(what: str) -> np.ndarray:
        return lines[what].to_numpy().reshape(shape)

    def levels(what: str) -> np.ndarray:
        return np.stack(lines[what].to_list()).reshape(*shape, -1)

    area = column(c.AREA_M2)[:, 0].astype(float)
    loss = costs["loss"]
    quantity = _decimals(column(c.LOSS).astype(float) * loss["quantity"])
    hours = _decimals(np.outer(_days(area, costs), [one["wait_h_per_day"] for one in tiers.values()]))
    stake = Stake(
        tuple(tiers), tuple(crc32(one.encode()) for one in ids), area, column(c.JUDGED_M)[:, 0].astype(float),
        column(c.LOSS).astype(float), column(c.EXPECTED_MISS_M).astype(float), _cents(quantity, loss["price"]),
        _cents(hours, costs["wait"]["price"]),
        *(np.array([_whole(Decimal(one[key]) * one["count"]) for one in tiers.values()]) for key in ("fee", "once_a_year")),
        column(c.REACH) != c.OUT_OF_REACH, levels(c.LOSS_LEVELS) * (loss["quantity"] * float(loss["price"]) * 100.0),
        levels(c.MISSED_LEVELS),
    )  # fmt: skip
    return Farm(name, ids, stake, quantity, hours, lines)


def _days(area_m2: np.ndarray, costs: Mapping) -> np.ndarray:
    """Days of machines in each field, of both operations [d]."""
    wait = costs["wait"]
    if wait["days"] is not None:
        share = area_m2 / area_m2.sum() if area_m2.sum() > 0 else np.full(len(area_m2), 1.0 / len(area_m2))
        return wait["operations"] * wait["days"] * costs["machines_per_farm"] * share
    if wait["m2_per_day"] is None:
        return np.zeros(len(area_m2))
    return wait["operations"] * work_days(area_m2, capacity_m2_s=wait["m2_per_day"], working_day_s=_DAY_S)


def _decimals(values: np.ndarray) -> np.ndarray:
    """Numbers as they will be written, so that what is written times its price is the amount."""
    return np.array([[Decimal(repr(float(one))).quantize(_QUANTITY) for one in line] for line in values], object)


def _cents(quantity: np.ndarray, price: str) -> np.ndarray:
    """Quantity times price, rounded once."""
    return np.array([[_whole(one * Decimal(price)) for one in line] for line in quantity], np.int64)


def _whole(amount: Decimal) -> int:
    return int(amount.quantize(_CENT, ROUND_HALF_UP) * 100)


def money_text(cents: float) -> str:
    """Cents as money with two digits, half of one up: `1234.50`."""
    return f"{Decimal(float(cents)).quantize(Decimal(1), ROUND_HALF_UP) / 100:.2f}"
