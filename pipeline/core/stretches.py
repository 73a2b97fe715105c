"""Stretches: parts of a pass over which the size of its receiver's error is one.

A receiver that has not converged has an error that shrinks while the pass is laid, and in some places a tier is worse
than in others. So passes are cut where the error has changed enough, and where zones begin and end.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely

from pipeline.core.cut import SLIVER_M, before_in_owner, cut_lines
from pipeline.core.inside import stretches_inside
from pipeline.core.signals import Regain

# Times since a start at which passes are cut [s]: after 10 s a tenth more each time. Between two of these no error falls by
# more than 4 % of what the start added, so its mean stands for the stretch. In the first 10 s it falls by more where a tier
# converges fast: by 5 % with 10 min, 10 % with 5, 22 % with 2 and 39 % with 1. After the last, less than 0.1 mm is left
# under any shipped tier. What coarser and finer cuts do stands in DEVELOPERS.md, "Numerical choices".
CUTS_S = np.concatenate([[0.0], 10.0 * 1.1 ** np.arange(72)])


@dataclass(frozen=True)
class Stretches:
    """Stretches of the passes of one operation; arrays of shape (stretches,).

    Attributes
    ----------
    of_pass : ndarray of int
    since_s : ndarray, shape (stretches, 2)
        Time since the start that each follows, at its two ends [s]; NaN where the tier counts as converged.
    start : ndarray of int
        Number of that start.
    zones : tuple of tuple of int
        Numbers of the zones that each lies in.
    at_s : ndarray, shape (stretches, 2)
        When it was laid, at its two ends [s]; NaN where `since_s` is.
    lost : tuple of str
        Id of the tier whose signal was lost there by what the log says; ``*`` for every tier, "" for none.
    regains : tuple of Regain
        When tiers were had again in the passes of this operation, in the order of time.
    """

    of_pass: np.ndarray
    since_s: np.ndarray
    start: np.ndarray
    zones: tuple[tuple[int, ...], ...]
    at_s: np.ndarray
    lost: tuple[str, ...]
    regains: tuple[Regain, ...] = ()

    @classmethod
    def whole(cls, passes: int) -> "Stretches":
        """Every pass in one piece, converged, in no zone, with its signal."""
        never = np.full((passes, 2), np.nan)
        return cls(np.arange(passes), never, np.zeros(passes, np.int64), ((),) * passes, never, ("",) * passes)

    def converged(self) -> "Stretches":
        """The same, as if every receiver had been left to converge and its log told of no loss."""
        return replace(
            self, since_s=np.full_like(self.since_s, np.nan), at_s=np.full_like(self.at_s, np.nan),
            lost=("",) * len(self.lost), regains=(),
        )  # fmt: skip

    def in_no_zone(self) -> "Stretches":
        """The same, as if there were no zones."""
        of_log = tuple(one for one in self.regains if one.by_log)
        return replace(self, zones=((),) * len(self.zones), regains=of_log)

    def after(self, wait_s: float) -> "Stretches":
        """The same, had the work begun so much later after each start."""
        return self if wait_s == 0.0 else replace(self, since_s=self.since_s + wait_s)


def shares_of_pass(
    since_s: tuple[float, float], regained_s: Sequence[np.ndarray] = ()
) -> tuple[np.ndarray, np.ndarray]:
    """Where a pass is cut, given the time since the start at its ends.

    Parameters
    ----------
    since_s : tuple of float
        [s]
    regained_s : sequence of ndarray
        Times since that start at which a signal was had again, ascending, an array for each signal [s].

    Returns
    -------
    shares : ndarray, shape (n + 1,)
        Shares of its length, from 0 to 1. Without times, or long after the start: the two ends.
    times : ndarray, shape (n + 1,)
        Time since the start there [s].
    """
    first, last = since_s
    if not (np.isfinite(first) and last > first):
        return np.array([0.0, 1.0]), np.array([first, last], float)
    cuts = np.unique(np.concatenate([CUTS_S, *(_cuts_after(back_s, first, last) for back_s in regained_s)]))
    inner = cuts[(first < cuts) & (last > cuts)]
    times = np.concatenate([[first], inner, [last]])
    return (times - first) / (last - first), times


def _cuts_after(regained_s: np.ndarray, first: float, last: float) -> np.ndarray:
    """Cuts between two times after each moment at which a signal was had again, up to the next of them [s]."""
    until = np.append(regained_s[1:], np.inf)
    felt = (regained_s >= 0.0) & (regained_s < last) & (until > first)
    cuts = [back + CUTS_S[back + CUTS_S < end] for back, end in zip(regained_s[felt], until[felt], strict=True)]
    return np.concatenate([np.zeros(0), *cuts])


def cut_at_shares(lines: np.ndarray, shares: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Lines cut at shares of their length.

    Parameters
    ----------
    lines : ndarray of LineString or MultiLineString, shape (k,)
    shares : ndarray, shape (n + 1,)
        From 0 to 1.

    Returns
    -------
    pieces : ndarray of LineString, shape (m,)
        Along each line, in the order of the lines.
    line, number : ndarray of int, shape (m,)
        Of which line each is, and between which shares it lies.
    """
    if len(shares) == 2:
        return lines, np.arange(len(lines)), np.zeros(len(lines), np.int64)
    parts, owner = shapely.get_parts(lines, return_index=True)
    length = shapely.length(parts)
    before = before_in_owner(length, owner)
    at = shapely.length(lines)[owner][:, None] * shares - before[:, None]
    start, end = np.clip(at[:, :-1], 0.0, length[:, None]), np.clip(at[:, 1:], 0.0, length[:, None])
    part, number = np.nonzero(end - start > SLIVER_M)
    pieces = cut_lines(parts, part, start[part, number], end[part, number])
    return pieces, owner[part], number


def cut_at_zones(lines: np.ndarray, zones: list[shapely.Geometry]) -> tuple[np.ndarray, np.ndarray, list[tuple[int, ...]]]:
    """Lines cut where they enter and leave zones.

    Parameters
    ----------
    lines : ndarray of LineString, shape (k,)
    zones : list of Polygon or MultiPolygon

    Returns
    -------
    pieces : ndarray of LineString, shape (m,)
        Along each line, in the order of the lines.
    line : ndarray of int, shape (m,)
    inside : list of tuple of int
        Numbers of the zones that each piece lies in.
    """
    near = [number for number, zone in enumerate(zones) if shapely.intersects(zone, lines).any()]
    if not near:
        return lines, np.arange(len(lines)), [()] * len(lines)
    edges = shapely.union_all([shapely.boundary(zones[number]) for number in near])
    points, of_point = shapely.get_coordinates(shapely.intersection(lines, edges), return_index=True)
    at = shapely.line_locate_point(lines[of_point], shapely.points(points))
    # A place that a line passes twice is found once only.
    twice = [(k, stretches_inside(lines[k], zones[number]).ravel())
             for k in np.flatnonzero(~shapely.is_simple(lines)) for number in near]  # fmt: skip
    again = np.repeat([k for k, _ in twice], [len(places) for _, places in twice]).astype(np.int64)
    length = shapely.length(lines)
    place = np.concatenate([np.zeros(len(lines)), at, *(places for _, places in twice), length])
    owner = np.concatenate([np.arange(len(lines)), of_point, again, np.arange(len(lines))])
    order = np.lexsort([place, owner])
    place, owner = place[order], owner[order]
    keep = (owner[1:] == owner[:-1]) & (place[1:] - place[:-1] > SLIVER_M)
    start, end, line = place[:-1][keep], place[1:][keep], owner[:-1][keep]
    pieces = cut_lines(lines, line, start, end)
    middle = shapely.line_interpolate_point(pieces, 0.5, normalized=True)
    within = np.stack([shapely.contains(zones[number], middle) for number in near])
    return pieces, line, [tuple(np.array(near)[mine].tolist()) for mine in within.T]


def parts_along(lines: np.ndarray, owner: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Which lines of an owner follow one another without a gap.

    Parameters
    ----------
    lines : ndarray of LineString, shape (n,)
    owner : ndarray of int, shape (n,)
        Ascending.

    Returns
    -------
    part : ndarray of int, shape (n,)
        Number of the unbroken part, counted in each owner.
    along_m : ndarray, shape (n,)
        Where each line begins in its part [m].
    """
    if len(lines) == 0:
        return np.zeros(0, np.int64), np.zeros(0)
    ends = shapely.get_coordinates(shapely.get_point(lines, -1))[:-1]
    begins = shapely.get_coordinates(shapely.get_point(lines, 0))[1:]
    same = owner[1:] == owner[:-1]
    joined = same & (np.hypot(*(begins - ends).T) < SLIVER_M)
    run = np.concatenate([[0], np.cumsum(~joined)])
    return run - run[np.searchsorted(owner, owner)], before_in_owner(shapely.length(lines), run)
