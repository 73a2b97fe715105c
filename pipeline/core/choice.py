"""The choice of a tier where the money is spent: totals of every option, who is dominated, what is recommended.

All money is whole cents, so that sums are exact. An option is one tier for all fields of a farm, or two: then both are
paid for, and each field is worked under the better one there (`_better`).
"""

from dataclasses import dataclass
from itertools import combinations

import numpy as np

from pipeline.core.field_loss import LEVELS

# Draws of a farm's springs, from its fields' distributions.
SPRINGS = 4096
#: What a total hangs on, and may be wrong by some factor; fees and one-offs are of a tier each.
LOSS, WAITING, FEE, ONCE = "yield loss", "waiting", "fee", "one-off"
PARTS = (LOSS, WAITING, FEE, ONCE)


@dataclass(frozen=True)
class Stake:
    """What is at stake on a farm: fields by tiers.

    Attributes
    ----------
    tiers : tuple of str
    keys : tuple of int
        Numbers of the fields, by which their springs are drawn: not alike for two fields of a co-op.
    area_m2, judged_m : ndarray, shape (fields,)
        Area, and row length on built strips [m].
    loss : ndarray, shape (fields, tiers)
        Expected loss, in units that have a price.
    miss_m : ndarray, shape (fields, tiers)
        Expected row length off its strip [m].
    loss_cents, waiting_cents : ndarray of int, shape (fields, tiers)
        Money a year.
    fee_cents, once_cents : ndarray of int, shape (tiers,)
        Money a year for the farm.
    reached : ndarray of bool, shape (fields, tiers)
        Whether the tier's base is near enough.
    loss_levels_cents, missed_levels_m : ndarray, shape (fields, tiers, LEVELS)
        Distributions, as `field_loss.levels_of` gives them.
    """

    tiers: tuple[str, ...]
    keys: tuple[int, ...]
    area_m2: np.ndarray
    judged_m: np.ndarray
    loss: np.ndarray
    miss_m: np.ndarray
    loss_cents: np.ndarray
    waiting_cents: np.ndarray
    fee_cents: np.ndarray
    once_cents: np.ndarray
    reached: np.ndarray
    loss_levels_cents: np.ndarray
    missed_levels_m: np.ndarray

    @property
    def has_rows(self) -> bool:
        """Whether any planted row has a strip beside it: else there is nothing to choose by."""
        return bool(self.judged_m.sum() > 0.0)


@dataclass(frozen=True)
class Standard:
    """What is asked for: a share of the row length on its strips, in a share of the springs."""

    on_strip: float
    springs: float

    def met_by(self, missed_share: float) -> bool:
        """Whether a share of the row length off its strip is small enough; one that is not a number never is."""
        return bool(missed_share <= 1.0 - self.on_strip + 1e-12)


@dataclass(frozen=True)
class Option:
    """One way to equip a farm.

    Attributes
    ----------
    tiers : tuple of int
        One or two, all of which are paid for.
    used : ndarray of int, shape (fields,)
        The tier that each field is worked under.
    parts_cents : dict of str to int
        Money a year, by `PARTS`.
    loss_springs, missed_springs : ndarray, shape (SPRINGS,)
        Loss [cents] and row length off its strip [m] in drawn springs, the same for all options.
    missed_share : float
        Share of the row length off its strip that is not exceeded in the springs of the standard; the 90th percentile
        where there is none. Not a number where no row stands by a strip: then nothing meets a standard, or is recommended.
    reaches, meets : bool
        Whether every field is in reach, and whether the standard is met.
    """

    tiers: tuple[int, ...]
    used: np.ndarray
    parts_cents: dict[str, int]
    loss_springs: np.ndarray
    missed_springs: np.ndarray
    missed_share: float
    reaches: bool
    meets: bool

    @property
    def total_cents(self) -> int:
        """Of all parts."""
        return sum(self.parts_cents.values())

    @property
    def paid_cents(self) -> int:
        """All but the loss: what is paid for certain."""
        return self.total_cents - self.parts_cents[LOSS]

    @property
    def eligible(self) -> bool:
        """Whether it may be recommended."""
        return self.reaches and self.meets


def options_of(stake: Stake, standard: Standard | None, *, seed: int) -> list[Option]:
    """Every tier for all fields, then every pair of tiers of which each is the better one somewhere.

    Parameters
    ----------
    stake : Stake
    standard : Standard, optional
        Without one every option meets it.
    seed : int
        Of the order in which the fields' springs meet each other.
    """
    fields = np.arange(len(stake.area_m2))
    meeting = _meetings(stake.keys, seed)
    out = [_option(stake, standard, (k,), np.full(len(fields), k), meeting) for k in range(len(stake.tiers))]
    for pair in combinations(range(len(stake.tiers)), 2):
        used = _better(stake, pair)
        if len(set(used.tolist())) == 2:
            out.append(_option(stake, standard, pair, used, meeting))
    return out


def _better(stake: Stake, pair: tuple[int, int]) -> np.ndarray:
    """The tier of a pair that each field is worked under: in reach, then by loss and waiting together, then by missing rows.

    Where both are paid for, a field only has these to choose by. It keeps to the choice when a price is moved, so that what
    a price flips is a straight line.
    """
    first, second = pair
    money = stake.loss_cents[:, pair] + stake.waiting_cents[:, pair]
    keys = [~stake.reached[:, pair], money, stake.loss[:, pair], stake.miss_m[:, pair]]
    takes = np.full(len(stake.area_m2), first)
    decided = np.zeros(len(takes), bool)
    for key in keys:
        wins = ~decided & (key[:, 1] < key[:, 0])
        takes[wins] = second
        decided |= key[:, 1] != key[:, 0]
    return takes


def _meetings(keys: tuple[int, ...], seed: int) -> np.ndarray:
    """In which order each field's levels meet those of the others, (fields, SPRINGS).

    ASSUME: days are independent, so the springs of two fields are. Worked on the same days they are alike, and the farm's
    percentiles lie farther apart than said.
    """
    level = np.repeat(np.arange(LEVELS), SPRINGS // LEVELS)
    return np.array([np.random.default_rng([seed, key]).permutation(level) for key in keys])


def springs_of(levels: np.ndarray, meeting: np.ndarray) -> np.ndarray:
    """Sum over fields of one draw each, (SPRINGS,), from their levels, (fields, LEVELS)."""
    out = np.zeros(SPRINGS)
    for one, order in zip(levels, meeting, strict=True):
        out += one[order]
    return out


def not_exceeded(springs: np.ndarray, share: float) -> float:
    """The least figure that at most 1 - `share` of the springs exceed; levels give the same as the springs made of them."""
    return float(np.quantile(springs, share, method="inverted_cdf"))


def _option(
    stake: Stake, standard: Standard | None, tiers: tuple[int, ...], used: np.ndarray, meeting: np.ndarray
) -> Option:  # fmt: skip
    fields = np.arange(len(used))
    loss = springs_of(stake.loss_levels_cents[fields, used], meeting)
    missed = springs_of(stake.missed_levels_m[fields, used], meeting)
    off_m = not_exceeded(missed, standard.springs if standard else 0.9)
    share = off_m / stake.judged_m.sum() if stake.has_rows else np.nan
    parts = {
        LOSS: int(stake.loss_cents[fields, used].sum()), WAITING: int(stake.waiting_cents[fields, used].sum()),
        FEE: int(stake.fee_cents[list(tiers)].sum()), ONCE: int(stake.once_cents[list(tiers)].sum()),
    }  # fmt: skip
    return Option(
        tiers, used, parts, loss, missed, float(share),
        bool(stake.reached[fields, used].all()), standard.met_by(float(share)) if standard else stake.has_rows,
    )  # fmt: skip


def recommended(options: list[Option]) -> list[int]:
    """The cheapest options that may be recommended: none, one, or several that tie, those first that miss least.

    Of two that cost the same, one that is dominated by the other is none of them.
    """
    totals = [one.total_cents for one in options if one.eligible]
    tied = [k for k, one in enumerate(options) if one.eligible and one.total_cents == min(totals)]
    best = [k for k in tied if not any(_dominates(options[j], options[k]) for j in tied)]
    return sorted(best, key=lambda k: options[k].missed_share)


def dominated_by(options: list[Option]) -> list[int | None]:
    """For each option one that dominates it, the first of several."""
    return [next((k for k, one in enumerate(options) if _dominates(one, other)), None) for other in options]


def _dominates(one: Option, other: Option) -> bool:
    """Whether an option is in reach, costs no more for certain, loses and misses no more, and is better in one of them."""

    def key(option: Option) -> tuple[float, float, float]:
        return option.paid_cents, option.parts_cents[LOSS], option.missed_share

    pairs = list(zip(key(one), key(other), strict=True))
    return one.reaches and all(a <= b for a, b in pairs) and any(a < b for a, b in pairs)


def shared_cents(whole: int, weight: np.ndarray) -> np.ndarray:
    """Cents shared by weight so that they add up: rounded down, and those left over to the largest remainders.

    Parameters
    ----------
    whole : int
        Not negative.
    weight : ndarray, shape (n,)
        Not negative; where all are nothing the shares are equal.
    """
    if len(weight) == 0:
        return np.zeros(0, np.int64)
    weight = np.asarray(weight, float) if np.sum(weight) > 0 else np.ones(len(weight))
    exact = whole * (weight / weight.sum())
    out = np.floor(exact).astype(np.int64)
    most = np.argsort(-(exact - out), kind="stable")
    out[most[: whole - int(out.sum())]] += 1
    return out
