"""A correction tier: its error figures, and the standard deviations they stand for (DEVELOPERS.md, "The model")."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

import numpy as np

from pipeline.core.accuracy import Z95, cross_track_95
from pipeline.errors import ConfigError

#: Frame of a tier whose coordinates are the base's, whatever it was set up by.
BASE_FRAME = "base"
#: A tier's id becomes a column value, a raster band name and part of a file name.
TIER_ID_PATTERN = re.compile(r"[a-z][a-z0-9_]*")

#: Longest time between the two passes of a pass-to-pass figure [s] (ISO 12188-1, from memory; also read in the EGNOS
#: user support pages).
PASS_TO_PASS_WINDOW_S = 900.0


@dataclass(frozen=True)
class TierSpread:
    """One-dimensional standard deviations of a return: two visits with the same tier.

    Attributes
    ----------
    repeatable_sd_m : float
        sigma_R [m], of the difference of two visits a season apart.
    bias_sd_m : float
        sigma_B [m], the part that is constant through each day.
    drift_sd_m : float
        sigma_g [m], in-day drift of one visit about its day's bias.
    correlation_time_s : float
        T_c [s] of the drift.
    drift_rules : bool
        True where the pass-to-pass figure asks for more drift than the repeatable figure allows,
        so that the repeatable figure was obeyed and the bias set to zero.
    """

    repeatable_sd_m: float
    bias_sd_m: float
    drift_sd_m: float
    correlation_time_s: float
    drift_rules: bool


@dataclass(frozen=True)
class Tier:
    """A class of GNSS correction; every error is the cross-track 95 % bound of two visits.

    Attributes
    ----------
    id, name : str
        Short identifier (``[a-z][a-z0-9_]*``) and the name people read.
    pass_to_pass_m : float
        P [m], two passes at most 15 min apart.
    repeatable_m : float
        R at the base, or R where there is no base [m].
    baseline_growth : float
        k [m per m], growth of R with the distance from the base.
    range_m : float or None
        Longest baseline [m]; None where there is no limit.
    convergence_s : float
        Time from switching on until the figures hold [s].
    start_error_m : float
        R at switch-on [m].
    correlation_time_s : float
        T_c [s] of the in-day drift.
    frame : str
        Reference frame the tier's coordinates come in; ``base`` where the base decides.

    Raises
    ------
    ConfigError
        If a figure is negative or not finite, or a time constant or range is zero.
    """

    id: str
    name: str
    pass_to_pass_m: float
    repeatable_m: float
    baseline_growth: float
    range_m: float | None
    convergence_s: float
    start_error_m: float
    correlation_time_s: float
    frame: str

    def __post_init__(self) -> None:
        if not TIER_ID_PATTERN.fullmatch(self.id):
            raise ConfigError(f"tier id '{self.id}': expected small letters, digits and _, a letter first")
        for name in ("pass_to_pass_m", "repeatable_m", "baseline_growth", "convergence_s", "start_error_m"):
            self._require(name, zero_allowed=True)
        self._require("correlation_time_s", zero_allowed=False)
        if self.range_m is not None:
            self._require("range_m", zero_allowed=False)

    def _require(self, name: str, *, zero_allowed: bool) -> None:
        value = getattr(self, name)
        if not math.isfinite(value) or value < 0.0 or (value == 0.0 and not zero_allowed):
            wanted = "zero or more" if zero_allowed else "more than zero"
            raise ConfigError(f"tier '{self.id}': {name} is {value}, expected a finite number, {wanted}")

    @classmethod
    def from_figures(
        cls,
        *,
        measure: str,
        basis: str,
        repeatable_m: float,
        start_error_m: float,
        baseline_growth: float,
        **as_they_are: float | str | None,
    ) -> Tier:
        """Build a tier from figures in another measure or basis.

        Parameters
        ----------
        measure, basis : str
            What `repeatable_m`, `start_error_m` and `baseline_growth` are; see `cross_track_95`.
        repeatable_m, start_error_m : float
            Figures as published [m].
        baseline_growth : float
            As published [m per m].
        **as_they_are
            The other attributes of `Tier`.

        Returns
        -------
        Tier

        Raises
        ------
        ConfigError
            If a figure, the measure or the basis is not acceptable.
        """
        # ASSUME: pass-to-pass is a cross-track 95 % difference of two passes by its definition
        # (ISO 12188-1, from memory), so measure and basis do not apply to it.
        return cls(
            repeatable_m=cross_track_95(repeatable_m, measure=measure, basis=basis),
            start_error_m=cross_track_95(start_error_m, measure=measure, basis=basis),
            baseline_growth=cross_track_95(baseline_growth, measure=measure, basis=basis),
            **as_they_are,  # type: ignore[arg-type]
        )

    def repeatable_at(self, baseline_m: float | None) -> float:
        """Return R(b) = R0 + k b [m]; a baseline of None [m] counts as zero."""
        if baseline_m is None:
            return self.repeatable_m
        if not (math.isfinite(baseline_m) and baseline_m >= 0.0):
            raise ConfigError(f"tier '{self.id}': baseline {baseline_m} m, expected zero or more")
        return self.repeatable_m + self.baseline_growth * baseline_m

    def in_reach(self, baseline_m: float | None) -> bool:
        """Say whether a field at this baseline [m] is in the tier's range."""
        return self.range_m is None or baseline_m is None or baseline_m <= self.range_m

    def spread(self, baseline_m: float | None = None) -> TierSpread:
        """Split the 95 % figures into standard deviations of day bias and in-day drift.

        Parameters
        ----------
        baseline_m : float, optional
            Distance from the field to the base [m].

        Returns
        -------
        TierSpread
            sigma_P^2 = 2 sigma_g^2 (1 - exp(-15 min / T_c)) and sigma_R^2 = sigma_B^2 + 2 sigma_g^2.
        """
        repeatable_sd_m = self.repeatable_at(baseline_m) / Z95
        decay = -math.expm1(-PASS_TO_PASS_WINDOW_S / self.correlation_time_s)
        drift_sd_m = self.pass_to_pass_m / Z95 / math.sqrt(2.0 * decay)
        drift_rules = 2.0 * drift_sd_m**2 > repeatable_sd_m**2
        if drift_rules:
            drift_sd_m = repeatable_sd_m / math.sqrt(2.0)
        bias_var_m2 = 0.0 if drift_rules else repeatable_sd_m**2 - 2.0 * drift_sd_m**2
        return TierSpread(
            repeatable_sd_m=repeatable_sd_m,
            bias_sd_m=math.sqrt(max(bias_var_m2, 0.0)),
            drift_sd_m=drift_sd_m,
            correlation_time_s=self.correlation_time_s,
            drift_rules=drift_rules,
        )

    def start_sd_m(self, since_s: np.ndarray, baseline_m: float | None = None) -> np.ndarray:
        """Standard deviation of what is left of the error at switch-on, of a return [m], shape (n,).

        Parameters
        ----------
        since_s : ndarray, shape (n, 2)
            Time since the start at both ends of a stretch [s].
        baseline_m : float, optional
            Distance from the field to the base [m].

        Returns
        -------
        ndarray, shape (n,)
            R(t) = R + (R_start - R) exp(-3 t / T_conv) while converging; the mean of R(t)^2 - R^2 over each stretch.
            Zero where the error at the start is no larger than R.
        """
        holds_m = self.repeatable_at(baseline_m)
        more_m = max(self.start_error_m - holds_m, 0.0)
        if more_m == 0.0:
            return np.zeros(len(since_s))
        once, twice = self.start_left(since_s)
        return np.sqrt(2.0 * holds_m * more_m * once + more_m**2 * twice) / Z95

    def start_left(self, since_s: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Mean of exp(-3 t / T_conv), and of its square, over stretches of time since the start, (n, 2) [s]."""
        once, twice = (_mean_decay(since_s, self.convergence_s / per) for per in (3.0, 6.0))
        return once, twice

    def switched_on_sd_m(self, baseline_m: float | None = None) -> float:
        """The same of a receiver that was just switched on [m]."""
        more_m2 = self.start_error_m**2 - self.repeatable_at(baseline_m) ** 2
        return math.sqrt(max(more_m2, 0.0)) / Z95


def _mean_decay(since_s: np.ndarray, constant_s: float) -> np.ndarray:
    """Mean of exp(-t / constant) over spans of time, shape (n,) from (n, 2) [s]."""
    first, last = np.asarray(since_s, float).T
    if constant_s == 0.0:
        return np.zeros(len(first))
    lasts = (last - first) / constant_s
    # (1 - exp(-x)) / x is 1 at 0.
    share = np.where(lasts > 1e-9, -np.expm1(-lasts) / np.maximum(lasts, 1e-9), 1.0)
    return np.exp(-first / constant_s) * share
