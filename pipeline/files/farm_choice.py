"""A farm with all its options judged, and what its lines in the tables have in common."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from pipeline import columns as c
from pipeline.core.choice import FEE, LOSS, ONCE, WAITING, Option, not_exceeded, options_of, recommended, shared_cents
from pipeline.core.choice_flips import Flip, flips
from pipeline.files.farm_stakes import Farm, money_text, standard_of

_MONEY = {LOSS: c.LOSS_MONEY, WAITING: c.WAITING_MONEY, FEE: c.FEE_MONEY, ONCE: c.ONCE_MONEY}
#: What adds up over fields.
SUMS = (c.EXPECTED_MISS_M, c.LOSS, c.LOSS_OWN, c.BEYOND_M, c.LOSS_BEYOND)


@dataclass(frozen=True)
class FarmChoice:
    """A farm with all its options judged.

    Attributes
    ----------
    farm : Farm
    costs : mapping
        As `choice_settings` has them.
    options : list of Option
    best : list of int
        Those recommended: several tie.
    """

    farm: Farm
    costs: Mapping
    options: list[Option]
    best: list[int]

    @classmethod
    def of(cls, farm: Farm, costs: Mapping) -> FarmChoice:
        """Judge all options of a farm."""
        options = options_of(farm.stake, standard_of(costs), seed=costs["seed"])
        return cls(farm, costs, options, recommended(options))

    def name(self, option: int | None) -> str:
        """What an option is called: its tiers."""
        return "" if option is None else " + ".join(self.farm.stake.tiers[k] for k in self.options[option].tiers)

    @property
    def ids(self) -> dict[str, str]:
        """Whose the money is: a farm, or a field of none."""
        return {c.FARM: self.farm.name, c.FIELD_ID: "" if self.farm.name else self.farm.field_ids[0]}

    def sums(self, option: Option) -> dict[str, float]:
        """`SUMS` over the fields, each under the tier that the option has for it."""
        fields = np.arange(len(option.used))
        return {name: float(self.farm.figure(name)[fields, option.used].sum()) for name in SUMS}

    def reach(self, option: Option) -> str:
        """Whether an option is in reach of the base, out of it somewhere, or nobody knows."""
        said = self.farm.lines[c.REACH].to_numpy().reshape(len(option.used), -1)[np.arange(len(option.used)), option.used]
        return next((one for one in (c.OUT_OF_REACH, c.REACH_UNKNOWN) if one in said), c.IN_REACH)

    def missed_share(self, option: Option) -> float:
        """Expected share of the row length off its strip."""
        fields, stake = np.arange(len(option.used)), self.farm.stake
        return share_of(float(stake.miss_m[fields, option.used].sum()), float(stake.judged_m.sum()))

    def shares(self, option: Option) -> dict[str, np.ndarray]:
        """Cents of every part by field: what the farm pays as a whole is shared by area."""
        fields, stake = np.arange(len(option.used)), self.farm.stake
        return {
            LOSS: stake.loss_cents[fields, option.used], WAITING: stake.waiting_cents[fields, option.used],
            FEE: shared_cents(option.parts_cents[FEE], stake.area_m2),
            ONCE: shared_cents(option.parts_cents[ONCE], stake.area_m2),
        }  # fmt: skip

    def flips(self) -> list[Flip]:
        """What the choice hangs on; nothing where nothing is recommended."""
        return flips(self.options, self.farm.stake, self.best[0]) if self.best else []


def share_of(part_m: float, judged_m: float) -> float:
    """Share of the row length on built strips; not a number where there is none."""
    return part_m / judged_m if judged_m > 0.0 else float("nan")


def figures_of(sums: Mapping[str, float], judged_m: float, costs: Mapping) -> dict:
    """Columns that are sums over fields, or shares of them."""
    own = sums[c.LOSS_OWN] * costs["loss"]["quantity"] * float(costs["loss"]["price"])
    return {
        c.JUDGED_M: judged_m, c.EXPECTED_MISS_M: sums[c.EXPECTED_MISS_M],
        c.EXPECTED_MISS_SHARE: share_of(sums[c.EXPECTED_MISS_M], judged_m), c.LOSS_OWN_MONEY: money_text(100.0 * own),
        c.BEYOND_SHARE: share_of(sums[c.BEYOND_M], judged_m),
        c.LOSS_BEYOND_SHARE: min(sums[c.LOSS_BEYOND] / sums[c.LOSS], 1.0) if sums[c.LOSS] > 0.0 else 0.0,
    }  # fmt: skip


def money_of(parts: Mapping[str, int]) -> dict[str, str]:
    """Columns of money, the total with them, from cents by part."""
    total = {c.TOTAL_MONEY: money_text(sum(parts.values()))}
    return {_MONEY[part]: money_text(cents) for part, cents in parts.items()} | total


def springs_money(loss_cents: np.ndarray) -> dict[str, str]:
    """Percentiles of drawn losses."""
    low, high = (not_exceeded(loss_cents, share) for share in (0.1, 0.9))
    return {c.LOSS_P10_MONEY: money_text(low), c.LOSS_P90_MONEY: money_text(high)}


def share_missed_in(springs_m: np.ndarray, judged_m: float, costs: Mapping) -> float:
    """Missed share that is not exceeded in the springs of the standard, or in 9 of 10 where there is none."""
    standard = costs["standard"]
    return share_of(not_exceeded(springs_m, standard["springs"] if standard else 0.9), judged_m)


def meets(share: float, costs: Mapping) -> str:
    """Whether a missed share meets the standard; nothing where there is none, or no row that it could be asked of."""
    standard = standard_of(costs)
    return yes(standard.met_by(share)) if standard and share == share else ""


def yes(one: bool) -> str:
    """As the tables say it."""
    return "yes" if one else "no"
