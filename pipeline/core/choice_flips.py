"""What the choice of a tier hangs on: from what area an option pays, and how far a price may move before another wins."""

from dataclasses import dataclass

import numpy as np

from pipeline.core.choice import FEE, LOSS, ONCE, WAITING, Option, Stake


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
