"""Missed length as a function of how far rows have moved; draws become table look-ups."""

from dataclasses import dataclass, replace

import numba
import numpy as np

from pipeline.core.draws import JointErrors
from pipeline.core.groups import Groups
from pipeline.core.lengths import BIN_M
from pipeline.core.pairs import Pairs
from pipeline.core.percentiles import PERCENTILES, percentiles_of_normal


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
            add_lines(missed, member[last : last + len(table.missed_m)], table.missed_m)
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

    def under(self, pairs: Pairs, errors: JointErrors, owners: int) -> np.ndarray:
        """Missed length under joint draws of the passes' errors, shape (owners, draws), float32 [m].

        Parameters
        ----------
        pairs : Pairs
            That the groups name.
        errors : JointErrors
        owners : int
            Number of lines of the result.
        """
        g = self.groups
        return _look_up(
            self.missed_m, np.float32(self.shift_m[0]), pairs.strip_pass[g.pair], pairs.planter_pass[g.pair],
            g.normal_x.astype(np.float32), g.normal_y.astype(np.float32), g.heading.astype(np.float32),
            *errors, g.owner, owners,
        )  # fmt: skip

    def moved_by(self, shift_m: np.ndarray, owners: int) -> np.ndarray:
        """The same where it is known how far each group has moved, (groups, draws) of float32 [m]."""
        return _look_up_moved(self.missed_m, np.float32(self.shift_m[0]), shift_m, self.groups.owner, owners)


# Both look up in two loops: the first is arithmetic that the compiler does many at a time. Between two steps of shift
# the missed length is a straight line: with little wander one step may be worth 15 points of share.
@numba.njit(cache=True, fastmath=True, nogil=True)
def _look_up(
    table, origin, strip_pass, planter_pass, normal_x, normal_y, heading, autumn, spring, machine, owner, owners
):
    draws, last = len(machine), np.nextafter(np.float32(table.shape[1] - 1), np.float32(0.0))
    out = np.zeros((owners, draws), np.float32)
    at = np.empty(draws, np.float32)
    for g in range(len(owner)):
        line, missed = out[owner[g]], table[g]
        ax, ay = autumn[0, strip_pass[g]], autumn[1, strip_pass[g]]
        bx, by = spring[0, planter_pass[g]], spring[1, planter_pass[g]]
        for k in range(draws):
            shift = normal_x[g] * (ax[k] + bx[k]) + normal_y[g] * (ay[k] + by[k]) + heading[g] * machine[k]
            at[k] = _place(shift, origin, last)
        for k in range(draws):
            low = np.int32(at[k])
            line[k] += missed[low] + (at[k] - np.float32(low)) * (missed[low + 1] - missed[low])
    return out


@numba.njit(cache=True, fastmath=True, nogil=True)
def _look_up_moved(table, origin, shift, owner, owners):
    draws, last = shift.shape[1], np.nextafter(np.float32(table.shape[1] - 1), np.float32(0.0))
    out = np.zeros((owners, draws), np.float32)
    at = np.empty(draws, np.float32)
    for g in range(len(owner)):
        line, missed = out[owner[g]], table[g]
        for k in range(draws):
            at[k] = _place(shift[g, k], origin, last)
        for k in range(draws):
            low = np.int32(at[k])
            line[k] += missed[low] + (at[k] - np.float32(low)) * (missed[low + 1] - missed[low])
    return out


@numba.njit(cache=True, fastmath=True, nogil=True)
def _place(shift, origin, last):
    return min(max((shift - origin) * np.float32(1.0 / BIN_M), np.float32(0.0)), last)


@numba.njit(cache=True, nogil=True)
def add_lines(out, member, table):
    """Add every line of a table to line `member` of the result."""
    for g in range(len(member)):
        out[member[g]] += table[g]
