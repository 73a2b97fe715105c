"""What an audit of logged offsets found."""

from dataclasses import dataclass

import numpy as np

from pipeline.core.audit_estimates import Estimate, Scatter


@dataclass(frozen=True)
class DayShift:
    """Shift between the logs of one pair of visits, as far as its headings tell.

    Attributes
    ----------
    day, passes, samples : int
        Without what was set aside.
    rank : int
        2: both axes are known. 1: only the part along `across_unit`. 0: only `summed`, the shift and the machine's
        bias together.
    east, north : Estimate
        Unknown unless the rank is 2.
    covariance_m2 : ndarray, shape (2, 2)
        Of east and north [m^2]; nan unless the rank is 2.
    across_unit : ndarray, shape (2,)
        The direction seen best (east, north), a unit vector; nan if the rank is 0.
    across : Estimate
        The shift in that direction.
    mean_left : ndarray, shape (2,)
        Mean of the planter's left normals (east, north); about zero where it went both ways.
    summed : Estimate
        mean_left . shift + machine bias: how far left of its strips the planter was logged on the whole. Known always.
    """

    day: int
    passes: int
    samples: int
    rank: int
    east: Estimate
    north: Estimate
    covariance_m2: np.ndarray
    across_unit: np.ndarray
    across: Estimate
    mean_left: np.ndarray
    summed: Estimate

    @classmethod
    def unknown(cls, day: int) -> "DayShift":
        """A day of which every sample was set aside."""
        none, nowhere = Estimate.unknown(), np.full(2, np.nan)
        return cls(day, 0, 0, 0, none, none, np.full((2, 2), np.nan), nowhere, none, nowhere, none)


@dataclass(frozen=True)
class Audit:
    """Logged offsets, split.

    Attributes
    ----------
    days : tuple of DayShift
    machine : Estimate
        Lateral bias of the planter, positive left of its travel; unknown unless it is separable.
    machine_separable : bool
        Whether it can be told from the shifts: passes both ways along a heading on some day, or along three headings.
    between : Scatter
        Of the passes, sigma_p.
    wander : Scatter
        Along a pass, sigma_w.
    correlation_m, correlation_log_se : float
        Correlation length of the wander [m], and the standard error of its logarithm.
    passes, passes_aside, samples : int
        All that were given, and passes set aside whole as outliers.
    aside_share : float
        Share of the samples set aside as outliers, whole passes included.
    """

    days: tuple[DayShift, ...]
    machine: Estimate
    machine_separable: bool
    between: Scatter
    wander: Scatter
    correlation_m: float
    correlation_log_se: float
    passes: int
    passes_aside: int
    samples: int
    aside_share: float
