"""What a row loses with its distance from the strip: a piecewise linear curve, and its expectation under a normal error."""

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

# A normal error is taken to end this many standard deviations away: what lies beyond has a probability of 1e-15.
_FAR_SDS = 8.0


@dataclass(frozen=True)
class Response:
    """Loss by distance of the row from the strip's centre.

    Attributes
    ----------
    distance_m : ndarray, shape (points,)
        Distances, rising, the first not negative [m].
    loss : ndarray, shape (points,)
        Loss there, in whatever unit the curve has (a yield, or a share, per area).
    measured_m : float, optional
        The largest distance that was measured, where points beyond it are assumed [m]; otherwise the last point's.

    Notes
    -----
    Between two points the loss is interpolated. Below the first and beyond the last it keeps their value: a curve is not
    extrapolated past its last point.
    """

    distance_m: np.ndarray
    loss: np.ndarray
    measured_m: float | None = None

    @property
    def measured_to_m(self) -> float:
        """The largest distance that was measured [m]."""
        return float(self.distance_m[-1]) if self.measured_m is None else self.measured_m

    @property
    def loss_at_measured(self) -> float:
        """Loss at the largest distance that was measured."""
        return float(np.interp(self.measured_to_m, self.distance_m, self.loss))

    def assumed(self) -> "Response":
        """What the curve loses beyond the largest distance that was measured more than it does there: nothing up to it."""
        far = self.distance_m > self.measured_to_m
        more = self.loss[far] - self.loss_at_measured
        return Response(np.r_[self.measured_to_m, self.distance_m[far]], np.r_[0.0, more])

    def at(self, offset_m: np.ndarray) -> np.ndarray:
        """Loss at signed offsets from one strip [m], of their shape."""
        return np.interp(np.abs(offset_m), self.distance_m, self.loss)

    def expected(self, offset_m: np.ndarray, sd_m: np.ndarray | float, spacing_m: float | None = None) -> np.ndarray:
        """Expected loss under a normal error, in closed form.

        Parameters
        ----------
        offset_m : ndarray, shape (n,)
            Mean offsets [m].
        sd_m : float or ndarray, shape (n,)
            Standard deviation of the error [m]; 0 gives the curve itself.
        spacing_m : float, optional
            Where strips repeat, and the nearest one counts [m]; otherwise there is one strip.

        Returns
        -------
        ndarray, shape (n,)

        Notes
        -----
        A piecewise linear function is a constant and a sum of ramps, one at each knot k with the change c of its slope
        there. The expectation of a ramp under a normal is in any table: E max(X - k, 0) = sd (phi(z) + z Phi(z)),
        z = (mean - k) / sd.
        """
        offset, sd = np.asarray(offset_m, float), np.asarray(sd_m, float)
        knots, value = self._mirrored() if spacing_m is None else self._repeated(offset, sd, spacing_m)
        slope = np.r_[0.0, np.diff(value) / np.diff(knots), 0.0]
        out = np.full(np.broadcast_shapes(offset.shape, sd.shape), value[0])
        some = np.where(sd == 0.0, 1.0, sd)
        for knot, change in zip(knots, np.diff(slope), strict=True):
            z = (offset - knot) / some
            ramp = some * (np.exp(-0.5 * z * z) / np.sqrt(2 * np.pi) + z * ndtr(z))
            out = out + change * np.where(sd == 0.0, np.maximum(offset - knot, 0.0), ramp)
        return out

    def _mirrored(self) -> tuple[np.ndarray, np.ndarray]:
        """Knots and values on both sides of one strip."""
        right, value = self.distance_m, self.loss
        left = slice(None, None, -1) if right[0] > 0.0 else slice(None, 0, -1)
        return np.r_[-right[left], right], np.r_[value[left], value]

    def _repeated(self, offset: np.ndarray, sd: np.ndarray, spacing_m: float) -> tuple[np.ndarray, np.ndarray]:
        """Knots and values over as many strips as the error can reach."""
        reach = np.max(np.abs(offset), initial=0.0) + _FAR_SDS * np.max(sd, initial=0.0)
        strips = spacing_m * np.arange(-np.ceil(reach / spacing_m) - 1, np.ceil(reach / spacing_m) + 2)
        half = 0.5 * spacing_m
        inside = self.distance_m[(self.distance_m > 0.0) & (self.distance_m < half)]
        one = np.r_[-half, -inside[::-1], 0.0, inside]
        return (strips[:, None] + one).ravel(), np.tile(self.at(one), len(strips))
