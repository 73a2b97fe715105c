"""What a field's rows would miss under other errors or other strips: the same offsets, asked again."""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from pipeline.core.accuracy import Z95
from pipeline.core.lengths import BIN_M, bin_offsets
from pipeline.core.offsets import ON_STRIP, Spans
from pipeline.core.pairs import Places, unique_keys
from pipeline.core.place_odds import miss_probability
from pipeline.core.returns import ReturnError

# Errors and widths are sought between these [m]; nobody asks for more.
_SMALLEST_M, _LARGEST_M = 1e-4, 20.0
_STEPS = 22
# Errors that differ by less than this share are asked for together where a width is sought: pairs in which a receiver
# converges have each its own.
_ALIKE = 0.01
# And by less than this one, where they are the same but for rounding.
SAME = 1e-9


@dataclass(frozen=True)
class PairLengths:
    """Row length on strips by pair of passes (or stretches) and offset.

    Attributes
    ----------
    strip_pass, planter_pass : ndarray of int, shape (pairs,)
    half_width_m : ndarray, shape (pairs,)
        Half strip width less the margin [m].
    length_m : ndarray, shape (pairs, bins)
    offset_m : ndarray, shape (bins,)
        Middle of each bin that holds any length [m].
    """

    strip_pass: np.ndarray
    planter_pass: np.ndarray
    half_width_m: np.ndarray
    length_m: np.ndarray
    offset_m: np.ndarray

    @classmethod
    def of(cls, spans: Spans, places: Places) -> "PairLengths":
        """Of the spans of a field that lie on strips."""
        on = np.flatnonzero(spans.kind == ON_STRIP)
        width = np.round(places.half_width_m[on] * 1e9).astype(np.int64)
        first, pair = unique_keys(places.planter_pass[on], places.strip_pass[on], width)
        offset0_m, offset1_m = spans.offset0_m[on], spans.offset1_m[on]
        far = max(np.abs(offset0_m).max(initial=0.0), np.abs(offset1_m).max(initial=0.0))
        side = int(np.ceil(far / BIN_M)) + 1
        length = bin_offsets(offset0_m, offset1_m, spans.length_m[on], pair, len(first), -side * BIN_M, 2 * side + 1)
        used, first = np.flatnonzero(length.any(axis=0)), on[first]
        return cls(
            places.strip_pass[first], places.planter_pass[first], places.half_width_m[first], length[:, used],
            BIN_M * (used - side),
        )  # fmt: skip

    def take(self, which: np.ndarray) -> "PairLengths":
        """The pairs at an index or mask."""
        return PairLengths(
            self.strip_pass[which], self.planter_pass[which], self.half_width_m[which], self.length_m[which], self.offset_m
        )

    @property
    def total_m(self) -> float:
        """Length of all pairs [m]."""
        return float(self.length_m.sum())

    def expected_miss_m(self, error: ReturnError) -> np.ndarray:
        """Expected missing length of each pair under an error [m], shape (pairs,)."""
        return self.missed_m(error.sd(self.strip_pass, self.planter_pass))

    def largest_repeatable_m(self, enough_share: float, *, other_sd_m: float) -> float:
        """Largest repeatable error of a tier that keeps a share of the row length on the strips [m].

        Parameters
        ----------
        enough_share : float
            Share of the row length that is expected to hold.
        other_sd_m : float
            Of steering, implements and the planter's bias together [m].

        Returns
        -------
        float
            95 % bound R, the same tier in both operations; 0 where the wander or the offsets alone are too much, NaN where
            no row lies on a strip.
        """
        whole, _ = self.condensed(np.zeros(len(self.half_width_m)))

        def misses_too_much(repeatable_m: float) -> bool:
            sd = np.full((1, len(whole.half_width_m)), np.hypot(repeatable_m / Z95, other_sd_m))
            return whole.missed_in_all_m(sd)[0] > (1.0 - enough_share) * self.total_m

        if self.total_m == 0.0:
            return float("nan")
        return 0.0 if misses_too_much(0.0) else _turning_point(misses_too_much)

    def narrowest_strip_m(self, enough_share: float, error: ReturnError, *, row_margin_m: float) -> float:
        """Narrowest strips on which a share of the row length is expected to hold under a tier [m]; NaN if none do."""
        whole, sd = self.condensed(error.sd(self.strip_pass, self.planter_pass))

        def holds_enough(half_width_m: float) -> bool:
            return whole.missed_in_all_m(sd[None], half_width_m)[0] <= (1.0 - enough_share) * self.total_m

        if self.total_m == 0.0:
            return float("nan")
        return 2.0 * (_turning_point(holds_enough) + row_margin_m)

    def condensed(self, sd_m: np.ndarray, *, alike: float = _ALIKE) -> tuple["PairLengths", np.ndarray]:
        """Pairs of the same strips and nearly the same error as one, and the standard deviation of each [m].

        Parameters
        ----------
        sd_m : ndarray, shape (pairs,)
        alike : float
            Share by which errors may differ.
        """
        nearly = np.round(np.log(np.maximum(sd_m, _SMALLEST_M)) / alike).astype(np.int64)
        first, group = unique_keys(nearly, self._width_nm)
        length = np.zeros((len(first), self.length_m.shape[1]))
        np.add.at(length, group, self.length_m)
        by_pair = self.length_m.sum(axis=1)
        mean = np.bincount(group, by_pair * sd_m, len(first)) / np.maximum(np.bincount(group, by_pair, len(first)), 1e-12)
        return replace(self.take(first), length_m=length), mean

    def missed_m(self, sd_m: np.ndarray) -> np.ndarray:
        """Expected missing length of each pair for standard deviations, (pairs,) [m]."""
        # Pairs that share error and width are asked for together.
        first, kind = unique_keys(np.round(sd_m * 1e9).astype(np.int64), self._width_nm)
        odds = miss_probability(self.offset_m, self.half_width_m[first, None], sd_m[first, None])
        return np.einsum("pb,pb->p", self.length_m, odds[kind])

    def missed_in_all_m(self, sd_m: np.ndarray, half_width_m: float | None = None) -> np.ndarray:
        """Expected missing length of all pairs together [m], shape (cases,).

        Parameters
        ----------
        sd_m : ndarray, shape (cases, pairs)
            Standard deviations [m].
        half_width_m : float, optional
            Half width less the margin of other strips than their own [m].
        """
        missed = np.zeros(len(sd_m))
        for pair, own in enumerate(self.half_width_m):
            half_width = own if half_width_m is None else half_width_m
            missed += miss_probability(self.offset_m, half_width, sd_m[:, pair, None]) @ self.length_m[pair]
        return missed

    @property
    def _width_nm(self) -> np.ndarray:
        return np.round(self.half_width_m * 1e9).astype(np.int64)


def _turning_point(answer: Callable[[float], bool]) -> float:
    """Where a question that is first answered no is answered yes, on a scale of logarithms; NaN if never."""
    low, high = np.log(_SMALLEST_M), np.log(_LARGEST_M)
    if not answer(_LARGEST_M):
        return float("nan")
    for _ in range(_STEPS):
        middle = 0.5 * (low + high)
        low, high = (low, middle) if answer(float(np.exp(middle))) else (middle, high)
    return float(np.exp(high))
