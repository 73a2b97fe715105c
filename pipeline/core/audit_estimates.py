"""Parts of an audit with their errors, and how likely each is within what a tier promises."""

from dataclasses import dataclass

import numpy as np
from scipy.special import digamma, polygamma
from scipy.stats import chi2, norm, t

from pipeline.core.accuracy import Z95


@dataclass(frozen=True)
class Estimate:
    """A number with its error: (truth - value) / se has Student's t distribution.

    Attributes
    ----------
    value_m, se_m : float
        Both nan where the headings do not tell; the error alone infinite where passes are too few to tell it [m].
    dof : float
        Degrees of freedom of the error, about the number of passes less what was fitted.
    """

    value_m: float
    se_m: float
    dof: float

    @classmethod
    def unknown(cls) -> "Estimate":
        """Nothing is known."""
        return cls(np.nan, np.nan, np.nan)

    @property
    def interval_m(self) -> tuple[float, float]:
        """Ends of the 95 % interval [m]."""
        half = t.isf(0.025, self.dof) * self.se_m if self.dof > 0.0 else self.se_m
        return self.value_m - half, self.value_m + half


@dataclass(frozen=True)
class Scatter:
    """A standard deviation with its error: dof (variance + sampling) / (truth + sampling) is chi-square.

    Attributes
    ----------
    variance_m2 : float
        Unbiased; may be negative where the scatter between passes is less than the wander alone would make [m^2].
    dof : float
        Effective degrees of freedom; 0 where passes are too few to tell.
    sampling_m2 : float
        Variance that the wander lends to the mean of a pass; zero for the wander itself [m^2].
    """

    variance_m2: float
    dof: float
    sampling_m2: float

    @classmethod
    def unknown(cls) -> "Scatter":
        """Nothing is known."""
        return cls(np.nan, 0.0, np.nan)

    @property
    def sd_m(self) -> float:
        """The standard deviation, unbiased on the log scale and so larger than the root of the variance [m].

        The log of a chi-square over its dof is digamma(dof / 2) - log(dof / 2) in the mean.
        """
        if not self.dof > 0.0:
            return np.nan
        enlarged = (self.variance_m2 + self.sampling_m2) * np.exp(np.log(self.dof / 2.0) - digamma(self.dof / 2.0))
        return float(np.sqrt(max(enlarged - self.sampling_m2, 0.0)))

    @property
    def log_se(self) -> float:
        """Standard error of log `sd_m`; infinite where that is zero."""
        if not self.dof > 0.0:
            return np.nan
        if self.sd_m == 0.0:
            return np.inf
        return float(0.5 * np.sqrt(polygamma(1, self.dof / 2.0)) * (1.0 + self.sampling_m2 / self.sd_m**2))

    @property
    def se_m(self) -> float:
        """Standard error of `sd_m` [m]; see `interval_m` where it is not small."""
        return self.sd_m * self.log_se if self.sd_m > 0.0 else self.interval_m[1] / Z95

    @property
    def interval_m(self) -> tuple[float, float]:
        """Ends of the 95 % interval [m]."""
        if not self.dof > 0.0:
            return np.nan, np.nan
        ends = self.dof * (self.variance_m2 + self.sampling_m2) / chi2.isf([0.025, 0.975], self.dof) - self.sampling_m2
        low, high = np.sqrt(np.maximum(ends, 0.0))
        return float(low), float(high)


def probability_within(estimate: Estimate, *, promised_95_m: float) -> float:
    """Probability that the true part of the shift, or bias, is no larger than promised.

    Parameters
    ----------
    estimate : Estimate
    promised_95_m : float
        The bound that 95 % of such parts keep [m].

    Returns
    -------
    float
        P(|truth| <= bound) given the log alone, 0 to 1; nan where nothing is known or the error is not.
    """
    if not np.isfinite(estimate.se_m):
        return np.nan
    if estimate.se_m == 0.0:
        return float(abs(estimate.value_m) <= promised_95_m)
    ends = (np.array([promised_95_m, -promised_95_m]) - estimate.value_m) / estimate.se_m
    inside = t.cdf(ends, estimate.dof) if np.isfinite(estimate.dof) else norm.cdf(ends)
    return float(inside[0] - inside[1])


def probability_scatter_within(scatter: Scatter, *, promised_95_m: float) -> float:
    """Probability that the true standard deviation is at most promised_95_m / 1.96.

    Parameters
    ----------
    scatter : Scatter
    promised_95_m : float
        The bound that 95 % of single errors keep [m].

    Returns
    -------
    float
        By the chi-square distribution, 0 to 1; nan where nothing is known.
    """
    if not scatter.dof > 0.0:
        return np.nan
    allowed = (promised_95_m / Z95) ** 2 + scatter.sampling_m2
    if allowed == 0.0:
        return float(scatter.variance_m2 == 0.0)
    return float(chi2.sf(scatter.dof * (scatter.variance_m2 + scatter.sampling_m2) / allowed, scatter.dof))
