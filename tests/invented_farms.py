"""Invented farms of a few fields under three tiers, and what their options cost, added up a second time and exactly."""

from fractions import Fraction

import numpy as np
import pandas as pd

from pipeline import columns as c
from pipeline.core.choice import FEE, LOSS, ONCE, WAITING, Option, Stake, Standard, options_of, recommended
from pipeline.core.field_loss import LEVELS
from pipeline.files.farm_choice import SUMS, FarmChoice
from pipeline.files.farm_stakes import Farm

TIERS = ("free", "cheap", "dear")
AREA_M2, ROWS_M = 4e5, 1e5


def stake(loss_cents, *, fee=(0, 20_000, 90_000), once=(0, 0, 10_000), waiting=None, reached=None, missed=None) -> Stake:
    """Fields of 40 ha, each with 100,000 m of rows; losses the same every spring."""
    loss = np.array(loss_cents, np.int64)
    missed = np.array(missed if missed is not None else loss / loss.max() * 50_000 if loss.any() else 0.0 * loss, float)
    fields = len(loss)
    return Stake(
        TIERS, tuple(range(fields)), np.full(fields, AREA_M2), np.full(fields, ROWS_M), loss / 100.0, missed, loss,
        np.zeros_like(loss) if waiting is None else np.array(waiting, np.int64), np.array(fee), np.array(once),
        np.ones(loss.shape, bool) if reached is None else np.array(reached),
        np.repeat(loss[:, :, None].astype(float), LEVELS, axis=2), np.repeat(missed[:, :, None], LEVELS, axis=2),
    )  # fmt: skip


def judged(one: Stake, standard: Standard | None = None) -> tuple[list[Option], list[int]]:
    """Its options, and which of them are recommended."""
    options = options_of(one, standard, seed=1)
    return options, recommended(options)


def named(options: list[Option], which: list[int]) -> list[str]:
    return [" + ".join(TIERS[k] for k in options[one].tiers) for one in which]


def total(one: Stake, option: Option, *, driver: str = "", tier: int | None = None, x: Fraction | int = 1) -> Fraction:
    """What an option costs with one driver at x times itself [cents], from the farm's own figures."""
    fields = list(enumerate(option.used.tolist()))
    loss, waiting = (sum(int(cents[f, t]) for f, t in fields) for cents in (one.loss_cents, one.waiting_cents))
    out = Fraction(loss) * (x if driver == LOSS else 1) + Fraction(waiting) * (x if driver == WAITING else 1)
    for part, cents in ((FEE, one.fee_cents), (ONCE, one.once_cents)):
        out += sum(Fraction(int(cents[t])) * (x if (driver, tier) == (part, t) else 1) for t in option.tiers)
    return out


def will_do(one: Stake, option: Option, on_strip: float | None) -> bool:
    """Whether an option reaches everywhere and keeps the standard, where every spring misses alike."""
    fields = range(len(option.used))
    missed = sum(float(one.missed_levels_m[f, option.used[f], 0]) for f in fields)
    enough = on_strip is None or missed <= (1.0 - on_strip) * float(one.judged_m.sum()) + 1e-6
    return enough and all(bool(one.reached[f, option.used[f]]) for f in fields)


def chosen(
    one: Stake, *, name: str = "Invented", standard: dict | None = None, curve: bool = True, by_area: bool = True,
    reach=None, baseline_m=None, machines: int = 1,
) -> FarmChoice:  # fmt: skip
    """The farm judged, as the tables and the words take it; a unit of loss has the price of one."""
    shape = one.loss_cents.shape
    lines = {name: np.zeros(shape) for name in SUMS} | {
        c.EXPECTED_MISS_M: one.miss_m, c.LOSS: one.loss,
        c.REACH: np.where(one.reached, "in reach", c.OUT_OF_REACH) if reach is None else np.array(reach),
        c.BASELINE_M: np.full(shape, np.nan) if baseline_m is None else np.repeat(baseline_m, shape[1]).reshape(shape),
    }  # fmt: skip
    costs = {
        "currency": "USD", "curve": {"id": "invented"} if curve else None, "standard": standard, "seed": 1,
        "loss": {"quantity": 1.0, "unit": "bu", "price": "1"}, "order": list(TIERS),
        "wait": {"price": "1", "days": None if by_area else 5.0}, "tiers": {name: {"count": machines} for name in TIERS},
    }  # fmt: skip
    ids = tuple(f"F{k}" for k in range(shape[0]))
    table = pd.DataFrame({column: values.ravel() for column, values in lines.items()})
    return FarmChoice.of(Farm(name, ids, one, one.loss_cents, one.waiting_cents, table), costs)


def line_key(line: dict) -> tuple:
    """By which a line of the choice and its parts find each other."""
    return tuple(line[name] for name in ("level", "farm", "field_id", "option"))
