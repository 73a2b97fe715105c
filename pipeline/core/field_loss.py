"""What a field loses by rows beside their strips: its expectation, and the same joint draws as the missed share's.

The loss goes by the nearest strip. How far a group of row has moved then counts modulo the row spacing, so everything here
is periodic: the loss of a group by shift is a correlation on a circle, and a normal shift smooths a circle by damping its
waves.
"""

from dataclasses import dataclass

import numba
import numpy as np

from pipeline.core.draws import JointErrors
from pipeline.core.groups import Groups
from pipeline.core.lengths import BIN_M
from pipeline.core.offsets import ON_STRIP, Spans
from pipeline.core.pairs import Pairs
from pipeline.core.place_odds import miss_any_probability
from pipeline.core.reduced import Reduced, Scale
from pipeline.core.response import Response

# Levels that a distribution is kept as: the mean of so many equal parts of its draws, in order.
LEVELS = 128
# Draws of the loss, the first of the field's: the standard error of a 10th or 90th percentile is 0.5 points of coverage.
LOSS_DRAWS = 4096
# The own strip's expectation is asked together for errors that differ by less than this share: pairs in which a receiver
# converges have each its own, and what is asked of their mean is wrong by the square of it.
_ALIKE = 0.01


@dataclass(frozen=True)
class LossTable:
    """Loss of a field's groups of row by shift, over one row spacing.

    Attributes
    ----------
    reduced : Reduced
        Of the whole field, by pair and direction.
    response : Response
    wander_sd_m, spacing_m : float
        [m].
    loss, beyond_m, loss_beyond : ndarray, shape (groups, steps)
        Loss (unit of the curve times metre of row), row length farther away than was measured [m], and the loss of that, for
        shifts that are `spacing_m / steps` apart, the first one none.
    """

    reduced: Reduced
    response: Response
    wander_sd_m: float
    spacing_m: float
    loss: np.ndarray
    beyond_m: np.ndarray
    loss_beyond: np.ndarray

    @classmethod
    def of(
        cls, spans: Spans, pairs: Pairs, scale: Scale, *, mean: np.ndarray, response: Response,
        wander_sd_m: float, spacing_m: float,
    ) -> "LossTable":  # fmt: skip
        """Of all spans of a field; `mean` holds the mean normal of every pair, (pairs, 2)."""
        on = np.flatnonzero(spans.kind == ON_STRIP)
        alone = np.zeros(len(on), np.int64)
        reduced = Reduced.by_parts(spans, which=on, owner=alone, pair=pairs.of_place[on], scale=scale, mean=mean)
        steps = max(round(spacing_m / BIN_M), 2)
        shift = spacing_m * np.arange(steps) / steps
        length = _on_circle(reduced, steps, spacing_m)
        loss = response.expected(shift, wander_sd_m, spacing_m)
        # At half a spacing every strip is as far away as it can be.
        far = response.measured_to_m < 0.5 * spacing_m
        beyond = miss_any_probability(shift, response.measured_to_m, wander_sd_m, spacing_m) if far else np.zeros(steps)
        # Where a row is farther away, it loses what is lost at that distance, and what the curve assumes on top of it.
        more = response.assumed().expected(shift, wander_sd_m, spacing_m) if far else np.zeros(steps)
        tables = (_correlated(length, one) for one in (loss, beyond, response.loss_at_measured * beyond + more))
        return cls(reduced, response, wander_sd_m, spacing_m, *tables)

    @property
    def groups(self) -> Groups:
        """What the lines of the tables belong to."""
        return self.reduced.groups

    def expected(self, pairs: Pairs) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Expected loss, row length farther away than was measured [m], and loss of that, under every tier, (tiers,) each.

        Notes
        -----
        Under a normal shift a wave of m turns to the spacing s is damped by exp(-2 (pi m sd / s)^2), the characteristic
        function of the normal.
        """
        waves = np.arange(self.loss.shape[1] // 2 + 1)
        # Both halves of the spectrum, but for what is its own mirror image.
        both = np.where((waves == 0) | (2 * waves == self.loss.shape[1]), 1.0, 2.0)
        tables = (self.loss, self.beyond_m, self.loss_beyond)
        spectra = [np.fft.rfft(table, axis=1).real * both / table.shape[1] for table in tables]
        sds, kind = np.unique(np.round(pairs.shift_sd_m * 1e9), axis=0, return_inverse=True)
        out = np.zeros((3, pairs.shift_sd_m.shape[1]))
        for number, sd in enumerate(sds * 1e-9):
            mine = kind.ravel()[self.groups.pair] == number
            damped = np.exp(-2.0 * (np.pi * waves[:, None] * sd / self.spacing_m) ** 2)
            out += [spectrum[mine].sum(axis=0) @ damped for spectrum in spectra]
        return np.maximum(out[0], 0.0), np.clip(out[1], 0.0, self.reduced.length_m.sum()), np.maximum(out[2], 0.0)

    def expected_own(self, pairs: Pairs) -> np.ndarray:
        """Expected loss under every tier if no strip but the own one counted, (tiers,)."""
        used = np.flatnonzero(self.reduced.length_m.any(axis=0))
        offset, length = self.reduced.scale.offset_m[used], self.reduced.length_m[:, used]
        out = np.zeros(pairs.sd_m.shape[1])
        for tier, sd_m in enumerate(pairs.sd_m.T):
            nearly = np.round(np.log(np.maximum(sd_m, 1e-6)) / _ALIKE)
            sds, kind = np.unique(nearly, return_inverse=True)
            for number in range(len(sds)):
                mine = kind[self.groups.pair] == number
                sd = sd_m[kind == number].mean()
                out[tier] += length[mine].sum(axis=0) @ self.response.expected(offset, sd)
        return out

    def under(self, pairs: Pairs, errors: JointErrors) -> np.ndarray:
        """Loss of the field under joint draws of the passes' errors, shape (draws,)."""
        g = self.groups
        return _look_up(
            self.loss.astype(np.float32), np.float32(self.spacing_m), pairs.strip_pass[g.pair], pairs.planter_pass[g.pair],
            g.normal_x.astype(np.float32), g.normal_y.astype(np.float32), g.heading.astype(np.float32),
            *errors,
        )  # fmt: skip


def levels_of(draws: np.ndarray) -> np.ndarray:
    """A distribution as `LEVELS` numbers, rising: means of equal parts of its draws, so that the mean is kept.

    Parameters
    ----------
    draws : ndarray, shape (n,)
        A multiple of `LEVELS` of them.
    """
    return np.sort(draws).reshape(LEVELS, -1).mean(axis=1)


def _on_circle(reduced: Reduced, steps: int, spacing_m: float) -> np.ndarray:
    """Row length of each group by offset modulo the spacing, (groups, steps) [m]; a bin is shared between its two places."""
    used = np.flatnonzero(reduced.length_m.any(axis=0))
    at = reduced.scale.offset_m[used] * (steps / spacing_m)
    lower = np.floor(at)
    share = at - lower
    out = np.zeros((len(reduced.length_m), steps))
    for place, part in ((lower, 1.0 - share), (lower + 1, share)):
        np.add.at(out.T, place.astype(np.int64) % steps, (reduced.length_m[:, used] * part).T)
    return out


def _correlated(length: np.ndarray, value: np.ndarray) -> np.ndarray:
    """Sum over places of length there times the value that a shift brings there, (groups, steps)."""
    spectrum = np.conj(np.fft.rfft(length, axis=1)) * np.fft.rfft(value)
    return np.fft.irfft(spectrum, n=len(value), axis=1)


@numba.njit(cache=True, fastmath=True, nogil=True)
def _look_up(table, spacing, strip_pass, planter_pass, normal_x, normal_y, heading, autumn, spring, machine):
    draws, steps = len(machine), table.shape[1]
    per_m, turn, half = np.float32(steps / spacing), np.float32(1.0 / spacing), np.float32(0.5)
    out = np.zeros(draws)
    at = np.empty(draws, np.float32)
    for g in range(len(strip_pass)):
        line = table[g]
        ax, ay = autumn[0, strip_pass[g]], autumn[1, strip_pass[g]]
        bx, by = spring[0, planter_pass[g]], spring[1, planter_pass[g]]
        for k in range(draws):
            shift = normal_x[g] * (ax[k] + bx[k]) + normal_y[g] * (ay[k] + by[k]) + heading[g] * machine[k]
            at[k] = (shift - spacing * np.floor(shift * turn)) * per_m + half
        for k in range(draws):
            place = np.int64(at[k])
            out[k] += line[place if 0 <= place < steps else 0]
    return out


@dataclass(frozen=True)
class FieldLoss:
    """What a field may lose under one tier: losses in the unit of the curve, times metre of row.

    Attributes
    ----------
    expected, expected_own : float
        By the nearest strip, and if no strip but the own one counted.
    beyond_m : float
        Expected row length farther from the nearest strip than the curve was measured [m].
    beyond : float
        Expected loss of that.
    levels, missed_levels_m : ndarray, shape (LEVELS,)
        Distributions of the loss, and of the row length off its own strip [m], as `levels_of` gives them.
    """

    expected: float
    expected_own: float
    beyond_m: float
    beyond: float
    levels: np.ndarray
    missed_levels_m: np.ndarray
