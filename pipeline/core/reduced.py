"""The reduced form of a field: row length by pair, direction and offset; draws become table look-ups."""

from dataclasses import dataclass, fields

import numba
import numpy as np

from pipeline.core.lengths import BIN_M, bin_offsets
from pipeline.core.offsets import Spans
from pipeline.core.place_odds import miss_probability

# Where passes curve, strips within this angle of each other share one normal.
DIRECTION_BIN_DEG = 5.0


@dataclass(frozen=True)
class Places:
    """What the odds need to know of each span on a strip; arrays of shape (n,).

    Attributes
    ----------
    row : ndarray of int
        Planted row, as the tables count it.
    planter_pass, strip_pass : ndarray of int
    half_width_m : ndarray
        Half strip width less the margin [m].
    """

    row: np.ndarray
    planter_pass: np.ndarray
    strip_pass: np.ndarray
    half_width_m: np.ndarray

    def take(self, which: np.ndarray) -> "Places":
        """The places at an index or mask."""
        return Places(**{f.name: getattr(self, f.name)[which] for f in fields(self)})


@dataclass(frozen=True)
class Reduced:
    """Row length of groups that share row, pair of passes, direction and strip width; (groups,) arrays.

    Attributes
    ----------
    row, planter_pass, strip_pass, heading : ndarray of int
    half_width_m, normal_x, normal_y : ndarray
    length_m : ndarray, shape (groups, bins)
        Length by offset; bin k is centred on `origin_m + k * BIN_M`.
    origin_m : float
    """

    row: np.ndarray
    planter_pass: np.ndarray
    strip_pass: np.ndarray
    heading: np.ndarray
    half_width_m: np.ndarray
    normal_x: np.ndarray
    normal_y: np.ndarray
    length_m: np.ndarray
    origin_m: float

    @property
    def offset_m(self) -> np.ndarray:
        """Offsets of the bin centres [m], shape (bins,)."""
        return self.origin_m + BIN_M * np.arange(self.length_m.shape[1])

    @classmethod
    def of(cls, spans: Spans, places: Places) -> "Reduced":
        """Bin the spans that lie on a strip."""
        sector = _sectors(spans.normal_x, spans.normal_y)
        key = np.column_stack([places.row, places.planter_pass, places.strip_pass, sector, spans.heading])
        width = np.unique(places.half_width_m, return_inverse=True)
        groups, first, member = unique_rows(np.column_stack([key, width[1]]))
        weight = spans.length_m
        normal = _mean_normals(spans.normal_x, spans.normal_y, weight, member, len(groups))
        origin, bins = _bin_range(spans)
        length = bin_offsets(spans.offset0_m, spans.offset1_m, weight, member, len(groups), origin, bins)
        return cls(
            groups[:, 0], groups[:, 1], groups[:, 2], groups[:, 4], places.half_width_m[first],
            *normal, length, origin,
        )  # fmt: skip

    def by_pair(self) -> "Reduced":
        """The same length with the rows of a pass added up (`row` is then the planter pass)."""
        key = [self.planter_pass, self.strip_pass, self.heading, _sectors(self.normal_x, self.normal_y)]
        width = np.unique(self.half_width_m, return_inverse=True)[1]
        groups, first, member = unique_rows(np.column_stack([*key, width]))
        length = np.zeros((len(groups), self.length_m.shape[1]))
        _add_lines(length, member, self.length_m)
        weight = self.length_m.sum(axis=1)
        normal = _mean_normals(self.normal_x, self.normal_y, weight, member, len(groups))
        return Reduced(
            groups[:, 0], groups[:, 0], groups[:, 1], groups[:, 2], self.half_width_m[first],
            *normal, length, self.origin_m,
        )  # fmt: skip

    def expected(self, odds, sd_m: np.ndarray) -> np.ndarray:
        """Length times a probability that depends on offset, half width and sd, shape (groups,) [m].

        Parameters
        ----------
        odds : callable (offset_m, half_width_m, sd_m) -> ndarray
        sd_m : ndarray, shape (groups,)
        """
        out = np.zeros(len(self.row))
        kinds, member = np.unique(np.column_stack([self.half_width_m, sd_m]), axis=0, return_inverse=True)
        for number, (half_width, sd) in enumerate(kinds):
            # One kind alone is the common case; a mask would copy the whole table.
            mine = slice(None) if len(kinds) == 1 else member.ravel() == number
            out[mine] = self.length_m[mine] @ odds(self.offset_m, half_width, sd)
        return out

    def missed_by_shift(self, wander_sd_m: float) -> "ShiftTable":
        """Length missed by each group as a function of how far its planted rows have moved."""
        used = np.flatnonzero(self.length_m.any(axis=0))
        offset = self.offset_m[used]
        far = np.abs(offset).max(initial=0.0) + self.half_width_m.max(initial=0.0) + 5 * wander_sd_m
        steps = int(np.ceil(max(far, 0.0) / BIN_M)) + 1
        shift = BIN_M * np.arange(-steps, steps + 1)
        table = np.empty((len(self.row), len(shift)), np.float32)
        for half_width in np.unique(self.half_width_m):
            mine = self.half_width_m == half_width
            odds = miss_probability(offset[:, None] + shift[None, :], half_width, wander_sd_m)
            table[mine] = self.length_m[mine][:, used].astype(np.float32) @ odds.astype(np.float32)
        return ShiftTable(table, float(shift[0]))


@dataclass(frozen=True)
class ShiftTable:
    """Missed length by shift; column k stands for a shift of `origin_m + k * BIN_M` [m]."""

    missed_m: np.ndarray
    origin_m: float

    def under(self, reduced: Reduced, errors: tuple, owner: np.ndarray, owners: int) -> np.ndarray:
        """Missed length under joint draws of the passes' errors, shape (owners, draws) [m].

        Parameters
        ----------
        reduced : Reduced
            The groups of the table.
        errors : tuple
            Errors of strip passes and planter passes, (2, passes, draws) each, and machine bias (draws,) [m].
        owner : ndarray of int, shape (groups,)
            Line of the result that each group adds to.
        """
        autumn, spring, machine = errors
        return _look_up(
            self.missed_m, self.origin_m, reduced.strip_pass, reduced.planter_pass, reduced.normal_x,
            reduced.normal_y, reduced.heading, autumn, spring, machine, owner, owners,
        )  # fmt: skip


@numba.njit(cache=True, fastmath=True, nogil=True)
def _look_up(
    table, origin, strip_pass, planter_pass, normal_x, normal_y, heading, autumn, spring, machine, owner, owners
):
    draws, last = len(machine), table.shape[1] - 1
    out = np.zeros((owners, draws))
    for g in range(len(owner)):
        a, b = strip_pass[g], planter_pass[g]
        for k in range(draws):
            shift = normal_x[g] * (autumn[0, a, k] + spring[0, b, k])
            shift += normal_y[g] * (autumn[1, a, k] + spring[1, b, k]) + heading[g] * machine[k]
            at = min(max((shift - origin) / BIN_M, 0.0), last - 1e-6)
            cell = int(at)
            share = at - cell
            out[owner[g], k] += table[g, cell] * (1.0 - share) + table[g, cell + 1] * share
    return out


@numba.njit(cache=True)
def _add_lines(out, member, table):
    """Add every line of a table to line `member` of the result."""
    for g in range(len(member)):
        out[member[g]] += table[g]


def unique_rows(key: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Distinct rows of an integer key, where each is first met, and which one each row is.

    Neighbours mostly share their key, so runs are found first and only the runs are sorted.
    """
    if len(key) == 0:
        return key, np.zeros(0, np.int64), np.zeros(0, np.int64)
    new = np.ones(len(key), bool)
    new[1:] = key[1:, 0] != key[:-1, 0]
    for column in key.T[1:]:
        new[1:] |= column[1:] != column[:-1]
    groups, first, member = np.unique(key[new], axis=0, return_index=True, return_inverse=True)
    return groups, np.flatnonzero(new)[first], member.ravel()[np.cumsum(new) - 1]


def _sectors(normal_x: np.ndarray, normal_y: np.ndarray) -> np.ndarray:
    """Number of the direction bin of each normal."""
    sector = np.round(np.degrees(np.arctan2(normal_y, normal_x)) / DIRECTION_BIN_DEG)
    return sector.astype(np.int64) % round(360 / DIRECTION_BIN_DEG)


def _mean_normals(
    normal_x: np.ndarray, normal_y: np.ndarray, weight: np.ndarray, member: np.ndarray, groups: int
) -> tuple[np.ndarray, np.ndarray]:
    """Unit mean normal of each group, east and north, weighted."""
    east, north = (np.bincount(member, weight * n, groups) for n in (normal_x, normal_y))
    size = np.maximum(np.hypot(east, north), 1e-300)
    return east / size, north / size


def _bin_range(spans: Spans) -> tuple[float, int]:
    """Origin and number of bins that cover the offsets, one bin centred on zero."""
    far = max(np.abs(spans.offset0_m).max(initial=0.0), np.abs(spans.offset1_m).max(initial=0.0))
    steps = int(np.ceil(far / BIN_M)) + 1
    return -steps * BIN_M, 2 * steps + 1
