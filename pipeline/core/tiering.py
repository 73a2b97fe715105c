"""The return error of a field under each tier that is compared."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from pipeline.core.accuracy import Z95
from pipeline.core.operations import Clock, OperationError
from pipeline.core.returns import ReturnError
from pipeline.core.stretches import Stretches
from pipeline.core.tier import Tier, TierSpread

#: Instead of a tier's id: the tier that each pass says it was made with.
AS_LOGGED = "as_logged"
_NO_ERROR = TierSpread(0.0, 0.0, 0.0, 1.0, False)


@dataclass(frozen=True)
class Zone:
    """A part of a field in which a tier is worse.

    Attributes
    ----------
    tier : str
        Id of the tier, or ``*`` for all.
    factor : float
        On the tier's error.
    unavailable : bool
        Whether the tier cannot be had at all.
    """

    tier: str
    factor: float
    unavailable: bool


@dataclass(frozen=True)
class Side:
    """Passes of one operation, in stretches.

    Attributes
    ----------
    clock : Clock
        Of the stretches.
    tier : sequence of str
        Id of the tier each stretch was logged with; "" where none was.
    stretches : Stretches
    """

    clock: Clock
    tier: Sequence[str]
    stretches: Stretches

    @classmethod
    def of_passes(cls, clock: Clock, tier: Sequence[str], stretches: Stretches | None = None) -> "Side":
        """From clock and tiers of the passes; each pass is one converged stretch unless said otherwise."""
        parts = Stretches.whole(len(tier)) if stretches is None else stretches
        return cls(
            Clock(clock.time_s[parts.of_pass], clock.visit[parts.of_pass]), [tier[k] for k in parts.of_pass], parts
        )


@dataclass(frozen=True)
class Site:
    """What a field has of its own.

    Attributes
    ----------
    baseline_m : float or None
        Distance to the base [m].
    base_shift_95_m : float
        How far the base may stand from where it stood in the other season, 95 % per axis [m]; 0 where it is surveyed.
    zones : sequence of Zone
    """

    baseline_m: float | None = None
    base_shift_95_m: float = 0.0
    zones: Sequence[Zone] = ()


def return_errors(
    tiers: Mapping[str, Tier],
    *,
    compare: Sequence[str],
    autumn: str,
    kind: str,
    strips: Side,
    rows: Side,
    site: Site,
    steering_95_m: tuple[float, float],
    machine_95_m: float = 0.0,
    wait_s: float = 0.0,
    settled: bool = False,
) -> dict[str, ReturnError]:
    """Return error of a field, tier by tier (DESIGN 2.1).

    Parameters
    ----------
    tiers : mapping of id to Tier
    compare : sequence of str
        Spring tiers to compare; ``as_logged`` is each planter pass's own.
    autumn : str
        ``same`` as in spring, ``as_logged`` with the strips, or the id of one tier.
    kind : str
        Of the rows: planned, planted or surveyed.
    strips, rows : Side
    site : Site
    steering_95_m : tuple of float
        95 % wander of steering and implement in autumn and spring [m].
    machine_95_m : float
        95 % bound of the planter's lateral bias against its receiver [m].
    wait_s : float
        Time that the planter stands after each of its starts before it works [s].
    settled : bool
        As if every receiver had been left to converge, in both operations.

    Returns
    -------
    dict of tier id to ReturnError

    Notes
    -----
    Surveyed rows lie where the survey says, so the planter's tier has no part in them: both visits' error
    shrinks to one visit with the survey's own tier, and to none where no tier is given. They carry no
    steering either: what the planter did is in the survey.
    """
    if kind == "surveyed":
        return dict.fromkeys(compare, _surveyed(tiers, strips, rows, site))
    rows = replace(rows, stretches=rows.stretches.after(wait_s))
    if settled:
        strips, rows = (replace(side, stretches=side.stretches.converged()) for side in (strips, rows))
    wander, machine = float(np.hypot(*steering_95_m)) / Z95, machine_95_m / Z95
    out = {}
    for name in compare:
        autumns, springs = made_under(strips, name if autumn == "same" else autumn, otherwise=name), made_under(rows, name)
        before, after = _operation(tiers, autumns, strips, site), _operation(tiers, springs, rows, site)
        # What counts is how far the base stood elsewhere in the other season: only one side has it.
        moved = _base_shift(tiers, springs, site)
        if moved.any():
            after = replace(after, base_sd_m=moved)
        else:
            before = replace(before, base_sd_m=_base_shift(tiers, autumns, site))
        out[name] = ReturnError(before, after, wander_sd_m=wander, machine_sd_m=machine)
    return out


def made_under(side: Side, name: str, *, otherwise: str | None = None) -> list[str]:
    """Tier of each stretch: the one named, or with ``as_logged`` its own, and where it has none `otherwise`."""
    if name != AS_LOGGED:
        return [name] * len(side.tier)
    return [logged or otherwise or name for logged in side.tier]


def _surveyed(tiers: Mapping[str, Tier], strips: Side, rows: Side, site: Site) -> ReturnError:
    strips, rows = (replace(side, stretches=side.stretches.converged().in_no_zone()) for side in (strips, rows))
    none = [""] * len(strips.tier)
    return ReturnError(_operation(tiers, none, strips, site), _operation(tiers, rows.tier, rows, site))


def _base_shift(tiers: Mapping[str, Tier], names: Sequence[str], site: Site) -> np.ndarray:
    """How far the base may have moved for each stretch, standard deviation [m]; 0 where its tier goes by none."""
    goes_by = np.array([name in tiers and tiers[name].frame == "base" for name in names], bool)
    return goes_by * site.base_shift_95_m / Z95


def _operation(tiers: Mapping[str, Tier], names: Sequence[str], side: Side, site: Site) -> OperationError:
    """Error of stretches under the tiers named; one visit has half of a return's variance."""
    spreads = {name: tiers[name].spread(site.baseline_m) if name in tiers else _NO_ERROR for name in set(names)}
    bare = OperationError.under(side.clock, [spreads[name] for name in names])
    factor, since = _in_zones(names, side.stretches, site.zones)
    start = np.zeros(len(names))
    for name in set(names) & set(tiers):
        mine = np.array([other == name for other in names]) & np.isfinite(since[:, 0])
        start[mine] = tiers[name].start_sd_m(since[mine], site.baseline_m) / np.sqrt(2.0)
    return replace(
        bare, bias_sd_m=bare.bias_sd_m * factor, drift_sd_m=bare.drift_sd_m * factor, start_sd_m=start * factor,
        start=side.stretches.start,
    )  # fmt: skip


def _in_zones(names: Sequence[str], stretches: Stretches, zones: Sequence[Zone]) -> tuple[np.ndarray, np.ndarray]:
    """Factor on the error of each stretch under the tier named, and its time since the start."""
    factor, since = np.ones(len(names)), stretches.since_s.copy()
    for k, name in enumerate(names):
        mine = [zones[number] for number in stretches.zones[k] if zones[number].tier in ("*", name)]
        factor[k] = max((zone.factor for zone in mine), default=1.0)
        if any(zone.unavailable for zone in mine):
            # ASSUME: a receiver that has lost its corrections is as good as one that was just switched on.
            since[k] = 0.0
    return factor, since
