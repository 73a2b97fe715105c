"""The reduced form of a field: row length by pair, direction and offset."""

from dataclasses import dataclass

import numpy as np

from pipeline.core.groups import Groups
from pipeline.core.lengths import BIN_M, bin_offsets
from pipeline.core.offsets import Spans
from pipeline.core.pairs import Pairs
from pipeline.core.place_odds import miss_probability
from pipeline.core.shift_table import ShiftTable, add_lines

_SPANS_AT_ONCE = 262144
# With less wander the odds step from 0 to 1 between two bins: then they are averaged over a bin, or the edge of the strip
# would lie at a border of one, up to half a bin off [m].
_SHARP_M = 0.5 * BIN_M


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
        offsets = spans.offset0_m, spans.offset1_m
        far = max(*(one.max(initial=0.0) for one in offsets), *(-one.min(initial=0.0) for one in offsets))
        bins = int(np.ceil(far / BIN_M)) + 1
        reach = far + max(half_width_m.max(initial=0.0), 0.0) + 5 * wander_sd_m
        steps = int(np.ceil(reach / BIN_M)) + 2  # at both ends two alike: beyond them nothing changes
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
    if wander_sd_m < _SHARP_M:
        odds = [_share_beyond(scale.moved_m, half_width) for half_width in widths]
    else:
        odds = [miss_probability(scale.moved_m, half_width, wander_sd_m) for half_width in widths]
    return np.array(odds, np.float32), width


def _share_beyond(middle_m: np.ndarray, half_width_m: float) -> np.ndarray:
    """Share of each bin about these offsets that lies farther off than the half width."""
    low, high = middle_m - 0.5 * BIN_M, middle_m + 0.5 * BIN_M
    within = np.minimum(high, half_width_m) - np.maximum(low, -half_width_m)
    return 1.0 - np.clip(within / BIN_M, 0.0, 1.0)


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
        length_m = spans.length_m
        groups, member = Groups.of(row, pair, spans.heading, spans.normal_x, spans.normal_y, length_m, mean=mean)
        binned = bin_offsets(
            spans.offset0_m, spans.offset1_m, length_m, member, len(groups.pair), scale.origin_m, scale.bins
        )
        return cls(groups, binned, scale)

    @classmethod
    def by_parts(
        cls, spans: Spans, *, which: np.ndarray, owner: np.ndarray, pair: np.ndarray, scale: Scale, mean: np.ndarray
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
        add_lines(length, member, np.concatenate([one.length_m for one in parts]))
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
