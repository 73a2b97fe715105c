"""Ground checks, and whether they agree with the tier that is said to have been used and with each other."""

from dataclasses import dataclass, fields

import numpy as np
from scipy.special import chdtrc

from pipeline.core.branches import branches_of
from pipeline.core.returns import ReturnError
from pipeline.errors import InputError

# Directions and headings that differ by less than this cannot tell one part of the shift from another: normals
# within a milliradian are one direction.
_ONE_DIRECTION = 1e-3
# A shift as large as nobody expects [m]: beside it checks tell of one another alone.
_ANY_SHIFT_M = 100.0
# No tape is better than this, 95 % [m]. With one far better, two checks of one pair are one by the last digit of a float.
LEAST_TAPE_M, MOST_TAPE_M = 1e-4, 0.5


@dataclass(frozen=True)
class Checks:
    """Places where somebody dug; arrays of shape (n,), `normal` of shape (n, 2).

    Attributes
    ----------
    strip_pass, planter_pass : ndarray of int
    normal : ndarray
        Unit left normal of the strip (east, north).
    heading : ndarray
        +1 where the planter travels as the strip did, -1 against it.
    offset_m : ndarray
        Logged or planned offset there [m].
    measured_m : ndarray
        Measured signed offset, or distance where `signed` is false [m].
    signed : ndarray of bool
    tape_sd_m : ndarray
        Standard deviation of the measurement [m], above zero.
    """

    strip_pass: np.ndarray
    planter_pass: np.ndarray
    normal: np.ndarray
    heading: np.ndarray
    offset_m: np.ndarray
    measured_m: np.ndarray
    signed: np.ndarray
    tape_sd_m: np.ndarray

    def __post_init__(self) -> None:
        bad = np.flatnonzero(~(np.isfinite(self.measured_m) & np.isfinite(self.tape_sd_m) & (self.tape_sd_m > 0)))
        if len(bad):
            j = int(bad[0])
            raise InputError(
                f"check {j}: measured {self.measured_m[j]} m with a tape error of {self.tape_sd_m[j]} m; expected finite "
                "numbers and a tape error above zero"
            )

    def take(self, which: np.ndarray | slice) -> "Checks":
        """The checks at an index, mask or slice."""
        return Checks(**{f.name: getattr(self, f.name)[which] for f in fields(self)})

    def joined(self, more: "Checks") -> "Checks":
        """These checks, and others behind them."""
        return Checks(**{f.name: np.concatenate([getattr(self, f.name), getattr(more, f.name)]) for f in fields(self)})

    @property
    def where(self) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
        """Strip pass, planter pass, normal and heading: what a posterior may be asked at."""
        return self.strip_pass, self.planter_pass, self.normal, self.heading

    def covariance(self, prior: ReturnError) -> np.ndarray:
        """Covariance of the measurements [m^2], shape (n, n)."""
        places = prior.covariance(self.strip_pass, self.planter_pass, self.normal, self.heading)
        return places + np.diag(self.tape_sd_m**2)


@dataclass(frozen=True)
class CheckAgreement:
    """Consistency of checks.

    Attributes
    ----------
    tier_p : float
        Probability that the tier gives residuals at least this far out; NaN without checks.
    among_p : float
        The same of what a shift common to all checks, east and north, and a machine bias leave unexplained,
        whatever their size; NaN where they explain everything.
    among_dof : int
        Checks more than such a shift needs.
    left_out_z : ndarray, shape (n,)
        Each check's residual against what the tier and all others expect, in standard deviations.
    residual_m : ndarray, shape (n,)
        Measured less expected offset that all of this was asked of [m].
    """

    tier_p: float
    among_p: float
    among_dof: int
    left_out_z: np.ndarray
    residual_m: np.ndarray


def check_agreement(prior: ReturnError, checks: Checks) -> CheckAgreement:
    """Hold checks against the prior and against each other, in closed form.

    Notes
    -----
    With r the residuals and K their covariance under the prior, r' K^-1 r is chi-square with n degrees of freedom,
    and its least value over r - X beta chi-square with n - rank X. What is common to the field in K cancels there,
    so the drift, wander and tape error alone must explain the rest.

    ASSUME: unsigned checks lie on the sides that are likeliest together, for each of the two questions by itself. That
    can only make them agree better, so the probabilities are upper bounds where sides are in doubt.
    """
    covariance = checks.covariance(prior)
    residuals, _ = branches_of(checks.offset_m, checks.measured_m, checks.signed, covariance)
    precision = np.linalg.inv(covariance)
    residual = residuals[np.argmin(np.sum((residuals @ precision) * residuals, axis=1))]
    pull = precision @ residual
    free = _free_shift(checks)
    # Of other sides, it may be: those that agree best with one another are the likeliest where any shift may be.
    anywhere = covariance + _ANY_SHIFT_M**2 * len(free) * free @ free.T
    among, _ = branches_of(checks.offset_m, checks.measured_m, checks.signed, anywhere)
    left = among - among @ precision @ free @ np.linalg.solve(free.T @ precision @ free, free.T)
    count = len(residual)
    return CheckAgreement(
        _beyond(count, residual @ pull),
        _beyond(count - free.shape[1], float(np.sum((left @ precision) * left, axis=1).min())),
        count - free.shape[1],
        pull / np.sqrt(np.diag(precision)),
        residual,
    )


def _free_shift(checks: Checks) -> np.ndarray:
    """Independent columns for a common shift and a machine bias as the checks see them, shape (n, rank)."""
    columns, size, _ = np.linalg.svd(np.column_stack([checks.normal, checks.heading]), full_matrices=False)
    return columns[:, size > _ONE_DIRECTION * size.max(initial=0.0)]


def _beyond(dof: int, distance: float) -> float:
    """Probability that a chi-square exceeds `distance`; NaN without degrees of freedom."""
    return float(chdtrc(dof, max(distance, 0.0))) if dof > 0 else float("nan")
