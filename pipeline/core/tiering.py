"""The return error of a field under each tier that is compared."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from pipeline.core.accuracy import Z95
from pipeline.core.operations import Clock, OperationError
from pipeline.core.returns import ReturnError
from pipeline.core.stretches import Stretches
from pipeline.core.tier import Tier, TierSpread

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
        Spring tiers to compare.
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
    wander, machine = float(np.hypot(*steering_95_m)) / Z95, machine_95_m / Z95
    if kind == "surveyed":
        bare = replace(rows, stretches=rows.stretches.converged())
        error = ReturnError(
            _operation(tiers, [""] * len(strips.tier), strips, Site()), _operation(tiers, rows.tier, bare, site)
        )
        return {name: error for name in compare}
    waited = replace(rows, stretches=rows.stretches.after(wait_s))
    if settled:
        strips, waited = (replace(side, stretches=side.stretches.converged()) for side in (strips, rows))
    out = {}
    for name in compare:
        before = [name if autumn == "same" else autumn] * len(strips.tier)
        if autumn == "as_logged":
            before = [logged or name for logged in strips.tier]
        out[name] = ReturnError(
            _operation(tiers, before, strips, site),
            # The base is where it is now; what counts is how far it stood elsewhere in autumn, so one side has it.
            _with_base_shift(_operation(tiers, [name] * len(rows.tier), waited, site), tiers[name], site),
            wander_sd_m=wander,
            machine_sd_m=machine,
        )
    return out


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


def _with_base_shift(error: OperationError, tier: Tier, site: Site) -> OperationError:
    if site.base_shift_95_m == 0.0 or tier.frame != "base":
        return error
    return replace(error, base_sd_m=np.full(len(error.bias_sd_m), site.base_shift_95_m / Z95))
