"""When a receiver had its signals again: behind zones in which a tier cannot be had, and after losses told by its log."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from pipeline.core.cut import before_in_owner
from pipeline.core.signals import EVERY_TIER, Regain, regained_s
from pipeline.core.stretches import cut_at_zones


@dataclass(frozen=True)
class Worked:
    """Passes of one operation as a receiver went; arrays of shape (passes,).

    Attributes
    ----------
    line : ndarray of LineString
        Centre lines, in the direction of travel [m].
    begun_s, ended_s : ndarray
        [s]; NaN where a pass has no times.
    tier : sequence of str
        Id of the tier each was logged with; "" where none was.
    lost : ndarray of bool
        Whether the log says that the signal was lost.
    """

    line: np.ndarray
    begun_s: np.ndarray
    ended_s: np.ndarray
    tier: Sequence[str]
    lost: np.ndarray

def lost_tiers(lost: Sequence[bool], tier: Sequence[str]) -> list[str]:
    """Tier that was lost in each pass by the log: its own, ``*`` where it names none, "" where nothing was lost."""
    return [(name or EVERY_TIER) if gone else "" for gone, name in zip(lost, tier, strict=True)]


def regains(worked: Worked, zones: Mapping[int, tuple[str, shapely.Geometry]]) -> tuple[Regain, ...]:
    """All of an operation in a field, in the order of time.

    Parameters
    ----------
    worked : Worked
    zones : mapping of int to (str, Polygon or MultiPolygon)
        Tier that cannot be had, and where, by the number of the zone.
    """
    found = []
    for number, (tier, zone) in zones.items():
        found += [Regain(float(time_s), tier, number) for time_s in regained_s(*_parts_by_zone(worked, zone))]
    gone = lost_tiers(worked.lost.tolist(), worked.tier)
    for tier in sorted(set(gone) - {""}):
        told = np.array([tier in (EVERY_TIER, name) for name in worked.tier], bool)
        lost = np.array([name == tier for name in gone], bool)
        found += [Regain(float(time_s), tier) for time_s in regained_s(worked.begun_s[told], lost[told])]
    return tuple(sorted(found, key=lambda one: (one.time_s, one.tier, -1 if one.zone is None else one.zone)))


def _parts_by_zone(worked: Worked, zone: shapely.Geometry) -> tuple[np.ndarray, np.ndarray]:
    """When the receiver began each part of its way in or out of a zone [s], and whether it lies in it."""
    pieces, line, inside = cut_at_zones(worked.line, [zone])
    before_m = before_in_owner(shapely.length(pieces), line)
    share = before_m / shapely.length(worked.line)[line]
    begun_s = worked.begun_s[line] + share * (worked.ended_s - worked.begun_s)[line]
    return begun_s, np.array([bool(one) for one in inside], bool)


def by_signal(found: Sequence[Regain]) -> list[np.ndarray]:
    """Their times, an ascending array for each zone, and for each tier by the log [s]."""
    kinds = dict.fromkeys((one.zone, one.tier) for one in found)
    return [np.array([one.time_s for one in found if (one.zone, one.tier) == kind]) for kind in kinds]
