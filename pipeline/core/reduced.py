"""The reduced form of a field: row length by pair, direction and offset; draws become table look-ups."""

from dataclasses import dataclass, fields, replace

import numba
import numpy as np

from pipeline.core.lengths import BIN_M, bin_offsets
from pipeline.core.offsets import Spans
from pipeline.core.pairs import Pairs, unique_keys
from pipeline.core.percentiles import PERCENTILES, percentiles_of_normal
from pipeline.core.place_odds import miss_probability

# Where passes curve, strips within this angle of each other share one normal. The bins are laid about the mean normal
# of a pair, so that a pair that only wavers has one.
DIRECTION_BIN_DEG = 8.0
_SPANS_AT_ONCE = 262144


@dataclass(frozen=True)
class Scale:
    """The bins of offset and the steps of shift that all tables of a field share.

    Attributes
    ----------
    origin_m : float
        Centre of the first bin; the bins are `BIN_M` apart and one is centred on zero.
    bins : int
    shift_m : ndarray
        Shifts of the planted rows, `BIN_M` apart, as far as any of them could still matter [m].
    """

    origin_m: float
    bins: int
    shift_m: np.ndarray

    @classmethod
    def over(cls, spans: Spans, *, half_width_m: np.ndarray, wander_sd_m: float) -> "Scale":
        """The scale that covers all offsets of a field, strips of these half widths and the wander."""
        far = max(np.abs(spans.offset0_m).max(initial=0.0), np.abs(spans.offset1_m).max(initial=0.0))
        bins = int(np.ceil(far / BIN_M)) + 1
        reach = far + max(half_width_m.max(initial=0.0), 0.0) + 5 * wander_sd_m
        steps = int(np.ceil(reach / BIN_M)) + 1
        return cls(-bins * BIN_M, 2 * bins + 1, BIN_M * np.arange(-steps, steps + 1))

    @property
    def offset_m(self) -> np.ndarray:
        """Offsets of the bin centres [m], shape (bins,)."""
        return self.origin_m + BIN_M * np.arange(self.bins)

    @property
    def moved_m(self) -> np.ndarray:
        """All true offsets that a bin can have under a shift [m], shape (bins + shifts - 1,)."""
        return self.origin_m + self.shift_m[0] + BIN_M * np.arange(self.bins + len(self.shift_m) - 1)


def wander_odds(pairs: Pairs, scale: Scale, wander_sd_m: float) -> tuple[np.ndarray, np.ndarray]:
    """Odds of missing that the wander alone leaves, for each half width that a field has.

    Returns
    -------
    odds : ndarray of float32, shape (widths, bins + shifts - 1)
        By true offset, `Scale.moved_m`.
    width : ndarray of int, shape (pairs,)
        Which of them each pair has.
    """
    widths, width = np.unique(pairs.half_width_m, return_inverse=True)
    odds = [miss_probability(scale.moved_m, half_width, wander_sd_m) for half_width in widths]
    return np.array(odds, np.float32), width


@dataclass(frozen=True)
class Groups:
    """What groups of row share: row, pair of passes and direction; (groups,) arrays.

    Attributes
    ----------
    owner : ndarray of int
        The row, or another thing to which the group's length is counted.
    pair, heading : ndarray of int
    normal_x, normal_y : ndarray
        Unit mean normal.
    length_m : ndarray
    """

    owner: np.ndarray
    pair: np.ndarray
    heading: np.ndarray
    normal_x: np.ndarray
    normal_y: np.ndarray
    length_m: np.ndarray

    @classmethod
    def of(cls, owner, pair, heading, normal_x, normal_y, length_m, *, mean) -> tuple["Groups", np.ndarray]:
        """Groups of places that share owner, pair, heading and direction, and the group of each place.

        `mean` holds the mean normal of every pair, (pairs, 2).
        """
        first, member = unique_keys(owner, pair, heading, _sectors(normal_x, normal_y, mean, pair))
        count = len(first)
        length, east, north = (
            np.bincount(member, weight, count) for weight in (length_m, length_m * normal_x, length_m * normal_y)
        )
        size = np.maximum(np.hypot(east, north), 1e-300)
        return cls(owner[first], pair[first], heading[first], east / size, north / size, length), member

    @classmethod
    def merged(cls, parts: list["Groups"], owners: list[np.ndarray], *, mean: np.ndarray) -> tuple["Groups", np.ndarray]:
        """The groups of all parts that share owner, pair and direction made one, and which of them each old one is in."""
        columns = ("pair", "heading", "normal_x", "normal_y", "length_m")
        joined = [np.concatenate([getattr(one, name) for one in parts]) for name in columns]
        return cls.of(np.concatenate(owners), *joined, mean=mean)

    def take(self, which: np.ndarray) -> "Groups":
        """The groups at an index or mask."""
        return Groups(**{f.name: getattr(self, f.name)[which] for f in fields(self)})


@dataclass(frozen=True)
class Reduced:
    """Row length of groups by offset.

    Attributes
    ----------
    groups : Groups
        Owned by the rows.
    length_m : ndarray, shape (groups, bins)
    scale : Scale
    """

    groups: Groups
    length_m: np.ndarray
    scale: Scale

    @classmethod
    def of(cls, spans: Spans, row: np.ndarray, pair: np.ndarray, scale: Scale, *, mean: np.ndarray) -> "Reduced":
        """Bin spans that lie on a strip; `row` and `pair` say to which row and pair of passes each belongs.

        `mean` holds the mean normal of every pair, (pairs, 2).
        """
        groups, member = Groups.of(
            row, pair, spans.heading, spans.normal_x, spans.normal_y, spans.length_m, mean=mean
        )
        length = bin_offsets(
            spans.offset0_m, spans.offset1_m, spans.length_m, member, len(groups.pair), scale.origin_m, scale.bins
        )
        return cls(groups, length, scale)

    @classmethod
    def by_parts(
        cls, spans: Spans, which: np.ndarray, owner: np.ndarray, pair: np.ndarray, scale: Scale, *, mean: np.ndarray
    ) -> "Reduced":
        """The same of the spans at index `which`, which owner and pair are of; a part of a large field at a time."""
        parts = []
        for first in range(0, max(len(which), 1), _SPANS_AT_ONCE):
            some = slice(first, first + _SPANS_AT_ONCE)
            parts.append(cls.of(spans.take(which[some]), owner[some], pair[some], scale, mean=mean))
        return cls.merged(parts, mean=mean)

    @classmethod
    def merged(cls, parts: list["Reduced"], *, mean: np.ndarray) -> "Reduced":
        """Parts of one scale with groups added up that share owner, pair and direction."""
        if len(parts) == 1:
            return parts[0]
        groups, member = Groups.merged([one.groups for one in parts], [one.groups.owner for one in parts], mean=mean)
        length = np.zeros((len(groups.pair), parts[0].scale.bins))
        _add_lines(length, member, np.concatenate([one.length_m for one in parts]))
        return cls(groups, length, parts[0].scale)

    def expected(self, odds: np.ndarray, kind: np.ndarray) -> np.ndarray:
        """Length times odds by offset, shape (groups, columns) [m].

        Parameters
        ----------
        odds : ndarray, shape (kinds, bins, columns)
        kind : ndarray of int, shape (groups,)
            The odds of each group.
        """
        if len(odds) == 1:
            return self.length_m @ odds[0]
        out = np.empty((len(kind), odds.shape[2]))
        for number in range(len(odds)):
            mine = kind == number
            out[mine] = self.length_m[mine] @ odds[number]
        return out

    def missed_by_shift(self, odds: np.ndarray, kind: np.ndarray) -> "ShiftTable":
        """Length missed by each group as a function of how far its rows have moved.

        Parameters
        ----------
        odds : ndarray of float32, shape (kinds, bins + shifts - 1)
            Odds of missing by true offset, `Scale.moved_m`.
        kind : ndarray of int, shape (groups,)
            The odds of each group.
        """
        used = np.flatnonzero(self.length_m.any(axis=0))
        length = self.length_m[:, used].astype(np.float32)
        steps = len(self.scale.shift_m)
        table = np.empty((len(length), steps), np.float32)
        for number in np.unique(kind):
            # Bin b under shift s has the true offset b + s: every bin reads a window of the same odds.
            moved = np.lib.stride_tricks.sliding_window_view(odds[number], steps)[used]
            mine = kind == number
            table[mine] = length[mine] @ moved
        return ShiftTable(self.groups, table, self.scale.shift_m)


@dataclass(frozen=True)
class ShiftTable:
    """Missed length of groups by shift.

    Attributes
    ----------
    groups : Groups
    missed_m : ndarray of float32, shape (groups, steps)
    shift_m : ndarray, shape (steps,)
        `BIN_M` apart [m].
    """

    groups: Groups
    missed_m: np.ndarray
    shift_m: np.ndarray

    @classmethod
    def merged(cls, tables: list["ShiftTable"], owners: list[np.ndarray], *, mean: np.ndarray) -> "ShiftTable":
        """The tables with groups added up that share owner, pair and direction; an owner for each old group."""
        groups, member = Groups.merged([table.groups for table in tables], owners, mean=mean)
        missed = np.zeros((len(groups.pair), tables[0].missed_m.shape[1]), np.float32)
        last = 0
        for table in tables:
            _add_lines(missed, member[last : last + len(table.missed_m)], table.missed_m)
            last += len(table.missed_m)
        return cls(groups, missed, tables[0].shift_m)

    def take(self, which: np.ndarray) -> "ShiftTable":
        """The groups at an index or mask."""
        return ShiftTable(self.groups.take(which), self.missed_m[which], self.shift_m)

    def lengths(self, owners: int) -> np.ndarray:
        """Length of every owner [m], shape (owners,)."""
        return np.bincount(self.groups.owner, self.groups.length_m, owners)

    def several(self, owners: int) -> tuple[np.ndarray, "ShiftTable"]:
        """The owners whose groups are moved by more than one shift, and their groups, owned by place in that list."""
        count = np.bincount(self.groups.owner, minlength=owners)
        which = np.flatnonzero(count > 1)
        part = self.take(count[self.groups.owner] > 1)
        owner = np.searchsorted(which, part.groups.owner)
        return which, replace(part, groups=replace(part.groups, owner=owner))

    def shares_of_one(self, pairs: Pairs, owners: int) -> np.ndarray:
        """Percentiles of the missed share where one shift moves all of an owner, (tiers, 3, owners); else 0."""
        count = np.bincount(self.groups.owner, minlength=owners)
        one = self.take(count[self.groups.owner] == 1)
        out = np.zeros((pairs.shift_sd_m.shape[1], len(PERCENTILES), owners))
        out[:, :, one.groups.owner] = percentiles_of_normal(
            one.missed_m, one.groups.length_m, self.shift_m, pairs.shift_sd_m[one.groups.pair]
        )
        return out

    def under(self, pairs: Pairs, errors: tuple, owners: int) -> np.ndarray:
        """Missed length under joint draws of the passes' errors, shape (owners, draws), float32 [m].

        Parameters
        ----------
        pairs : Pairs
            That the groups name.
        errors : tuple
            Errors of strip passes and planter passes, (2, passes, draws) each, and machine bias (draws,),
            all float32 [m].
        owners : int
            Number of lines of the result.
        """
        g = self.groups
        autumn, spring, machine = errors
        return _look_up(
            self.missed_m, np.float32(self.shift_m[0]), pairs.strip_pass[g.pair], pairs.planter_pass[g.pair],
            g.normal_x.astype(np.float32), g.normal_y.astype(np.float32), g.heading.astype(np.float32),
            autumn, spring, machine, g.owner, owners,
        )  # fmt: skip


@numba.njit(cache=True, fastmath=True, nogil=True)
def _look_up(
    table, origin, strip_pass, planter_pass, normal_x, normal_y, heading, autumn, spring, machine, owner, owners
):
    draws, last = len(machine), np.nextafter(np.float32(table.shape[1]), np.float32(0.0))
    per_bin, zero, half = np.float32(1.0 / BIN_M), np.float32(0.0), np.float32(0.5)
    out = np.zeros((owners, draws), np.float32)
    at = np.empty(draws, np.float32)
    for g in range(len(owner)):
        line, missed = out[owner[g]], table[g]
        ax, ay = autumn[0, strip_pass[g]], autumn[1, strip_pass[g]]
        bx, by = spring[0, planter_pass[g]], spring[1, planter_pass[g]]
        # Two loops: the first is arithmetic that the compiler does many at a time.
        for k in range(draws):
            shift = normal_x[g] * (ax[k] + bx[k]) + normal_y[g] * (ay[k] + by[k]) + heading[g] * machine[k]
            at[k] = min(max((shift - origin) * per_bin + half, zero), last)
        for k in range(draws):
            line[k] += missed[np.int32(at[k])]
    return out


@numba.njit(cache=True, nogil=True)
def _add_lines(out, member, table):
    """Add every line of a table to line `member` of the result."""
    for g in range(len(member)):
        out[member[g]] += table[g]


@numba.njit(cache=True, nogil=True)
def _sectors(normal_x, normal_y, mean, pair):
    """Number of the direction bin of each normal, counted from the mean normal of its pair."""
    out = np.empty(len(normal_x), np.int64)
    count, near = round(360 / DIRECTION_BIN_DEG), np.cos(np.radians(0.4999 * DIRECTION_BIN_DEG))
    sector, last, x, y = 0, -1, 1.0, 0.0
    for i in range(len(out)):
        # Neighbours mostly share their bin, and a product is cheaper than an angle.
        if pair[i] != last or x * normal_x[i] + y * normal_y[i] < near:
            last, mean_x, mean_y = pair[i], mean[pair[i], 0], mean[pair[i], 1]
            along, across = mean_x * normal_x[i] + mean_y * normal_y[i], mean_x * normal_y[i] - mean_y * normal_x[i]
            sector = round(np.degrees(np.arctan2(across, along)) / DIRECTION_BIN_DEG)
            turn = np.radians(sector * DIRECTION_BIN_DEG)
            x, y = mean_x * np.cos(turn) - mean_y * np.sin(turn), mean_x * np.sin(turn) + mean_y * np.cos(turn)
        out[i] = sector % count
    return out
