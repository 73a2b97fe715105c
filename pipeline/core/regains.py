"""When a receiver had its signals again: behind zones in which a tier cannot be had, and after losses told by its log."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from pipeline.core.cut import before_in_owner
from pipeline.core.signals import EVERY_TIER, Regain, had_again
from pipeline.core.stretches import cut_at_zones


@dataclass(frozen=True)
class ReceiverWays:
    """The ways of an operation's receivers, by passes; arrays of shape (passes,).

    Attributes
    ----------
    line : ndarray of LineString
        Centre lines, in the direction of travel [m].
    begun_s, ended_s : ndarray
        [s]; NaN where a pass has no times.
    start_s : ndarray
        When the receiver was last switched on [s]; NaN where that is not known.
    start : ndarray of int
        Number of that start.
    machine, tier : sequence of str
        That was at work, and that was logged; "" where none was.
    lost : ndarray of bool
        Whether the log says that the signal was lost.
    """

    line: np.ndarray
    begun_s: np.ndarray
    ended_s: np.ndarray
    start_s: np.ndarray
    start: np.ndarray
    machine: Sequence[str]
    tier: Sequence[str]
    lost: np.ndarray


@dataclass(frozen=True)
class _Parts:
    """Parts of the ways, each with the signal or without; arrays of shape (parts,)."""

    of_pass: np.ndarray
    begun_s: np.ndarray
    lost: np.ndarray


def lost_tiers(lost: Sequence[bool], tier: Sequence[str]) -> list[str]:
    """Tier that was lost in each pass by the log: its own, ``*`` where it names none, "" where nothing was lost."""
    return [(name or EVERY_TIER) if gone else "" for gone, name in zip(lost, tier, strict=True)]


def regains(ways: ReceiverWays, zones: Sequence[tuple[str, shapely.Geometry]]) -> tuple[Regain, ...]:
    """All of an operation in a field, in the order of time.

    Parameters
    ----------
    ways : ReceiverWays
    zones : sequence of (str, Polygon or MultiPolygon)
        Tier that cannot be had, and where.
    """
    found: set[Regain] = set()
    for tier, zone in zones:
        found.update(_of_tier(ways, _by_zone(ways, zone), tier, by_log=False))
    gone = lost_tiers(ways.lost.tolist(), ways.tier)
    for tier in sorted(set(gone) - {""}):
        of_tier = np.flatnonzero([tier in (EVERY_TIER, name) for name in ways.tier])
        lost = np.array([name == tier for name in gone], bool)
        parts = _Parts(of_tier, ways.begun_s[of_tier], lost[of_tier])
        found.update(_of_tier(ways, parts, tier, by_log=True))
    return tuple(sorted(found, key=lambda one: (one.time_s, one.tier, one.by_log, one.start)))


def _of_tier(ways: ReceiverWays, parts: _Parts, tier: str, *, by_log: bool) -> Iterator[Regain]:
    """Each machine by itself; what comes back with a start, or before it, is part of the start."""
    machine = np.array(ways.machine, dtype=str)[parts.of_pass]
    for name in np.unique(machine):
        mine = np.flatnonzero(machine == name)
        for part in mine[had_again(parts.begun_s[mine], parts.lost[mine])]:
            of_pass, time_s = parts.of_pass[part], float(parts.begun_s[part])
            if time_s > ways.start_s[of_pass]:
                yield Regain(time_s, tier, by_log, int(ways.start[of_pass]))


def _by_zone(ways: ReceiverWays, zone: shapely.Geometry) -> _Parts:
    """Parts of the ways in and out of a zone."""
    pieces, line, inside = cut_at_zones(ways.line, [zone])
    share = before_in_owner(shapely.length(pieces), line) / shapely.length(ways.line)[line]
    begun_s = ways.begun_s[line] + share * (ways.ended_s - ways.begun_s)[line]
    return _Parts(line, begun_s, np.array([bool(one) for one in inside], bool))


def by_signal(found: Sequence[Regain]) -> list[np.ndarray]:
    """Their times, an ascending array for each tier, after zones and by the log [s]."""
    kinds = dict.fromkeys((one.by_log, one.tier) for one in found)
    return [np.array([one.time_s for one in found if (one.by_log, one.tier) == kind]) for kind in kinds]
