"""The return error of a field under each tier that is compared."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from pipeline.core.accuracy import Z95
from pipeline.core.operations import Clock, OperationError
from pipeline.core.returns import ReturnError
from pipeline.core.signals import EVERY_TIER
from pipeline.core.stretches import Stretches
from pipeline.core.tier import BASE_FRAME, Tier, TierSpread

#: Instead of a tier's id: the tier that each pass says it was made with.
AS_LOGGED = "as_logged"
#: Instead of the id of autumn's tier: that of spring, whichever is compared.
AS_IN_SPRING = "same"
#: What the planted rows are: yet to be planted, logged by the planter's receiver, or measured afterwards.
PLANNED, PLANTED, SURVEYED = "planned", "planted", "surveyed"
# Where a pass is cut at a moment, its piece begins there but for rounding [s].
_SAME_S = 1e-3
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

    def after(self, wait_s: float) -> "Side":
        """The same, had the work begun so much later after each start."""
        return replace(self, stretches=self.stretches.after(wait_s))


@dataclass(frozen=True)
class Site:
    """What a field has of its own.

    Attributes
    ----------
    baseline_m : float or None
        Distance to the base [m].
    base_shift_95_m : float
        How far the base may stand from where it stood in the other season, 95 % per axis [m]; 0 where it is surveyed.
        Each season has half of the variance, so strips by satellite and rows by the base have that half alone.
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
    waited_share: float = 0.0,
    settled: bool = False,
) -> dict[str, ReturnError]:
    """Return error of a field, tier by tier.

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
    waited_share : float
        Share of a tier's convergence that its machines stand after each start, of both operations where autumn is `same`:
        strips that are made already have waited as they have. Under ``as_logged`` nobody stands: what was is nothing that
        one could pay for.
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
    if kind == SURVEYED:
        return dict.fromkeys(compare, _surveyed(tiers, strips, rows, site))
    rows = rows.after(wait_s)
    if settled:
        strips, rows = (replace(side, stretches=side.stretches.converged()) for side in (strips, rows))
    wander, machine = float(np.hypot(*steering_95_m)) / Z95, machine_95_m / Z95
    out = {}
    for name in compare:
        autumns, springs = strips_made_under(strips, autumn, compared=name), made_under(rows, name)
        stands_s = waited_share * tiers[name].convergence_s if name in tiers and name != AS_LOGGED else 0.0
        built, planted = strips.after(stands_s) if autumn == AS_IN_SPRING else strips, rows.after(stands_s)
        before, after = _operation(tiers, autumns, built, site), _operation(tiers, springs, planted, site)
        out[name] = ReturnError(before, after, wander_sd_m=wander, machine_sd_m=machine)
    return out


def made_under(side: Side, name: str, *, otherwise: str | None = None) -> list[str]:
    """Tier of each stretch: the one named, or with ``as_logged`` its own, and where it has none `otherwise`."""
    if name != AS_LOGGED:
        return [name] * len(side.tier)
    return [logged or otherwise or name for logged in side.tier]


def strips_made_under(side: Side, autumn: str, *, compared: str) -> list[str]:
    """Tier of each stretch of strip where one is compared; `autumn` as of `return_errors`."""
    return made_under(side, compared if autumn == AS_IN_SPRING else autumn, otherwise=compared)


def _surveyed(tiers: Mapping[str, Tier], strips: Side, rows: Side, site: Site) -> ReturnError:
    strips, rows = (replace(side, stretches=side.stretches.converged().in_no_zone()) for side in (strips, rows))
    none = [""] * len(strips.tier)
    return ReturnError(_operation(tiers, none, strips, site), _operation(tiers, rows.tier, rows, site))


def _operation(tiers: Mapping[str, Tier], names: Sequence[str], side: Side, site: Site) -> OperationError:
    """Error of stretches under the tiers named; one visit has half of a return's variance."""
    known = {name: tiers[name] for name in dict.fromkeys(names) if name in tiers}
    spreads = {name: tier.spread(site.baseline_m) for name, tier in known.items()}
    bare = OperationError.under(side.clock, [spreads.get(name, _NO_ERROR) for name in names])
    felt = Felt.under(names, side.stretches, site.zones)
    start, base = np.zeros(len(names)), np.zeros(len(names))
    for number, name in enumerate(dict.fromkeys(names)):
        if name not in known:
            continue
        tier, mine = known[name], felt.source == number
        settling = mine & felt.settling
        start[settling] = tier.start_sd_m(felt.since_s[settling], site.baseline_m)
        # ASSUME: a receiver that has lost its corrections is as good as one that was just switched on.
        start[mine & felt.lost] = tier.switched_on_sd_m(site.baseline_m)
        base[mine] = site.base_shift_95_m / Z95 if tier.frame == BASE_FRAME else 0.0
    half = felt.factor / np.sqrt(2.0)
    return replace(
        bare, bias_sd_m=bare.bias_sd_m * felt.factor, drift_sd_m=bare.drift_sd_m * felt.factor, source=felt.source,
        start_sd_m=start * half, start=felt.start, base_sd_m=base / np.sqrt(2.0),
    )  # fmt: skip


@dataclass(frozen=True)
class Felt:
    """What stretches feel of starts, lost signals and zones under the tiers named; arrays of shape (stretches,).

    Attributes
    ----------
    source : ndarray of int
        Number of the tier, in the order named.
    since_s : ndarray, shape (stretches, 2)
        Time since the receiver was switched on, or had that tier again, at both ends [s]; NaN where it counts as converged.
    factor : ndarray
        On its error.
    lost : ndarray of bool
        Whether the tier could not be had.
    start : ndarray of int
        Number of what they share: a start, a signal had again, or a loss of the pass's own.
    """

    source: np.ndarray
    since_s: np.ndarray
    factor: np.ndarray
    lost: np.ndarray
    start: np.ndarray

    @classmethod
    def under(cls, names: Sequence[str], stretches: Stretches, zones: Sequence[Zone]) -> "Felt":
        """Of each stretch under the tier that is named for it."""
        number = {name: k for k, name in enumerate(dict.fromkeys(names))}
        source = np.array([number[name] for name in names], np.int64)
        stretches = since_signal(names, stretches)
        factor, lost = _in_zones(names, stretches, zones)
        lost |= lost_by_log(names, stretches)
        return cls(source, stretches.since_s, factor, lost, _starts_of(stretches, lost, source))

    @property
    def settling(self) -> np.ndarray:
        """Whether a receiver is known to follow a start, or a signal had again, and has its tier, (stretches,)."""
        return ~self.lost & np.isfinite(self.since_s[:, 0])


def since_signal(names: Sequence[str], stretches: Stretches) -> Stretches:
    """The same, with time counted from when the tier named was last had again, where that was since the start.

    Parameters
    ----------
    names : sequence of str, one a stretch
        Id of the tier it is laid under.
    stretches : Stretches
    """
    since_s, start = stretches.since_s.copy(), stretches.start.copy()
    others = int(start.max(initial=-1)) + 1
    tier = np.array(names, dtype=str)
    for k, regain in enumerate(stretches.regains):  # the later one takes the place of those before it
        after_s = np.maximum(stretches.at_s - regain.time_s, 0.0)
        mine = (stretches.start == regain.start) & (stretches.at_s[:, 0] > regain.time_s - _SAME_S)
        if regain.tier != EVERY_TIER:
            mine &= tier == regain.tier
        since_s[mine], start[mine] = after_s[mine], others + k
    return replace(stretches, since_s=since_s, start=start)


def _starts_of(stretches: Stretches, lost: np.ndarray, source: np.ndarray) -> np.ndarray:
    """Number of the start that stretches share: that of their tier, or one of the pass's own where it is lost."""
    key = [
        (int(number), "", -1, int(tier)) if not gone else (-1, repr(zones), int(of_pass), int(tier))
        for number, gone, zones, of_pass, tier in zip(
            stretches.start, lost, stretches.zones, stretches.of_pass, source, strict=True
        )
    ]
    place = {one: k for k, one in enumerate(sorted(set(key)))}
    return np.array([place[one] for one in key], np.int64)


def lost_by_log(names: Sequence[str], stretches: Stretches) -> np.ndarray:
    """Whether the log tells that the signal of the tier named was lost, by stretch."""
    return np.array([gone in (EVERY_TIER, name) for gone, name in zip(stretches.lost, names, strict=True)], bool)


def _in_zones(names: Sequence[str], stretches: Stretches, zones: Sequence[Zone]) -> tuple[np.ndarray, np.ndarray]:
    """Factor on the error of each stretch under the tier named, and whether the tier cannot be had there."""
    factor, lost = np.ones(len(names)), np.zeros(len(names), bool)
    for k in np.flatnonzero([bool(mine) for mine in stretches.zones]):
        mine = [zones[number] for number in stretches.zones[k] if zones[number].tier in (EVERY_TIER, names[int(k)])]
        factor[k] = max((zone.factor for zone in mine), default=1.0)
        lost[k] = any(zone.unavailable for zone in mine)
    return factor, lost
