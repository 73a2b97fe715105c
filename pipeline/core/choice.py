"""The choice of a tier where the money is spent: totals of every option, who is dominated, where another would win.

All money is whole cents, so that sums are exact. An option is one tier for all fields of a farm, or two: then both are
paid for, and each field is worked under the one that loses less there.
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
    """Every tier for all fields, then every pair of tiers of which each loses less somewhere.

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


def _option(
    stake: Stake, standard: Standard | None, tiers: tuple[int, ...], used: np.ndarray, meeting: np.ndarray
) -> Option:  # fmt: skip
    fields = np.arange(len(used))
    loss = springs_of(stake.loss_levels_cents[fields, used], meeting)
    missed = springs_of(stake.missed_levels_m[fields, used], meeting)
    off_m = np.quantile(missed, standard.springs if standard else 0.9)
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


@dataclass(frozen=True)
class BreakEven:
    """Area from which an option is cheaper than all that cost less to have; infinite where it never is [m2]."""

    area_m2: float
    against: int


def break_even(options: list[Option], area_m2: float, *, waiting_by_area: bool) -> list[BreakEven | None]:
    """Break-even area of every single tier against those in reach with lower fixed costs; None where there is none.

    Parameters
    ----------
    options : list of Option
    area_m2 : float
        Of the farm, whose losses a larger or smaller one is taken to have by area [m2].
    waiting_by_area : bool
        Whether waiting grows with the area; otherwise it is fixed.

    Notes
    -----
    Total = fixed + area x v. Of two options the one with the higher fixed costs F pays from (F2 - F1) / (v1 - v2) on.
    """
    if area_m2 <= 0.0:
        return [None] * len(options)
    growing = (LOSS, WAITING) if waiting_by_area else (LOSS,)
    by_area = [sum(one.parts_cents[part] for part in growing) / area_m2 for one in options]
    fixed = [one.total_cents - sum(one.parts_cents[part] for part in growing) for one in options]
    out: list[BreakEven | None] = []
    for k, one in enumerate(options):
        cheaper = [j for j, other in enumerate(options) if len(other.tiers) == 1 and other.reaches and fixed[j] < fixed[k]]
        gains = {j: by_area[j] - by_area[k] for j in cheaper}
        areas = {j: (fixed[k] - fixed[j]) / gain if gain > 0.0 else np.inf for j, gain in gains.items()}
        against = max(areas, key=areas.__getitem__, default=None)
        single = len(one.tiers) == 1 and one.reaches
        out.append(BreakEven(areas[against], against) if single and against is not None else None)
    return out


@dataclass(frozen=True)
class Flip:
    """How far one driver may move before another option is cheaper.

    Attributes
    ----------
    driver : str
        One of `PARTS`.
    tier : int or None
        Whose fee or one-off it is.
    below, above : float or None
        Factors on the driver, under 1 and over 1, at which the choice flips; None where it does not.
    below_option, above_option : int or None
        To which option.
    margin_cents : tuple of float
        By how much the next best is dearer with the driver at half, as it is, and at one and a half.
    """

    driver: str
    tier: int | None
    below: float | None
    below_option: int | None
    above: float | None
    above_option: int | None
    margin_cents: tuple[float, float, float]


def flips(options: list[Option], stake: Stake, chosen: int) -> list[Flip]:
    """What the choice hangs on: every driver in turn, all others as they are.

    Parameters
    ----------
    options : list of Option
    stake : Stake
    chosen : int
        The option that is recommended.
    """
    drivers: list[tuple[str, int | None]] = [(LOSS, None), (WAITING, None)]
    drivers += [(part, k) for part in (FEE, ONCE) for k in range(len(stake.tiers))]
    found = [_flip(options, chosen, driver, tier, stake) for driver, tier in drivers]
    return [one for one in found if one is not None]


def _flip(options: list[Option], chosen: int, driver: str, tier: int | None, stake: Stake) -> Flip | None:
    moving = np.array([_moving(one, driver, tier, stake) for one in options], float)
    total = np.array([one.total_cents for one in options], float)
    others = [k for k, one in enumerate(options) if one.eligible and k != chosen]
    if not others or not moving[[chosen, *others]].any():
        return None
    # With the driver at x times itself an option costs total + (x - 1) moving.
    below: tuple[float, int | None] = (0.0, None)
    above: tuple[float, int | None] = (np.inf, None)
    for k in others:
        slope = moving[k] - moving[chosen]
        if slope == 0.0:
            continue
        x = float(1.0 - (total[k] - total[chosen]) / slope)
        if slope > 0.0 and x > 0.0 and x >= below[0]:  # at nothing at all there is nothing to be below
            below = (x, k)
        if slope < 0.0 and x < above[0]:
            above = (x, k)
    margins = [
        min(total[k] - total[chosen] + (x - 1.0) * (moving[k] - moving[chosen]) for k in others) for x in (0.5, 1.0, 1.5)
    ]
    return Flip(
        driver, tier, None if below[1] is None else below[0], below[1],
        None if above[1] is None else above[0], above[1], tuple(margins),
    )  # fmt: skip


def _moving(one: Option, driver: str, tier: int | None, stake: Stake) -> int:
    """The part of an option's total that goes with a driver."""
    if tier is None:
        return one.parts_cents[driver]
    cents = stake.fee_cents if driver == FEE else stake.once_cents
    return int(cents[tier]) if tier in one.tiers else 0


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
