"""Audit of planted rows: logged offsets split into shift, machine bias, scatter between passes and wander.

    o = n . S_day + a (m + p_pass + w(s))

S is the earth-frame shift between the logs of a day's pair of visits, m the planter's lateral bias in its own
frame, p the scatter between passes and w the wander along a pass, all positive left of the planter's travel but S.
Multiplied by a (+1 or -1) the strip's direction drops out: a o = (a n) . S + m + p + w, and a n is the planter's
own left normal.

**What a log cannot show.** A receiver's log is its own word. Where the receiver drifts, implement and log move
together, and the logged offset stays what it was. So everything here is about where the logs say the rows are: a
line that was moved, another frame, steering, an antenna off centre *if the log is of the other point*. The drift
of autumn's and spring's receivers is not in it, a clean audit does not bound it, and only a ground check or a
survey sees it. Offsets are also known only up to whole row spacings.

**What headings can tell.** A shift is seen across the travel only: passes one way and back along one heading give
the across part and m; passes in one direction only give just their sum. Both axes and m come from a heading both ways
with any other beside it, or from three headings one way each; two one way each give one part of the shift and the sum.
What is not identified has no number here (nan), never one that a solver happened to choose.
"""

import numpy as np

from pipeline.core.audit_estimates import Estimate, Scatter
from pipeline.core.audit_fit import Fit
from pipeline.core.audit_outliers import near_their_pass, worst_of_neighbours
from pipeline.core.audit_passes import PassModel
from pipeline.core.audit_result import Audit, DayShift
from pipeline.core.audit_samples import Samples
from pipeline.errors import InputError

# ASSUME: a direction counts as seen when the normals lean that way by 3 degrees (root mean square). Less is the
# waver of one heading, in which steering errors and a shift look alike.
LEAST_LEAN = np.sin(np.radians(3.0))
# Outliers that hid behind others come out a round later; what is left after this many is few and small.
_ROUNDS = 4
# A share of a parameter's squares that is rounding, so that the design does not know it.
_EXACT = 1e-10


def audit(samples: Samples) -> Audit:
    """Split logged offsets.

    Parameters
    ----------
    samples : Samples, shape (n,)
        As `audit_samples.samples_of` makes them. The scatters and m are taken to be the same on all days; one day by
        itself is `audit(samples.take(samples.day == day))`.

    Returns
    -------
    Audit

    Raises
    ------
    InputError
        If there is no sample, a value is not finite, or two samples of a pass lie at one place.

    Notes
    -----
    Outliers are set aside in two steps: by the distance from their pass's median about a least-absolute fit, whole
    passes included, then by the distance from what all other samples say of them in the mixed model. The
    errors come from that model, so the number that counts is that of the passes.

    Passes are taken to be independent. Where a planter narrower than the bar plants several passes on one strip
    pass, they share that one's scatter, and the errors here are too small by up to the root of their number.
    """
    if len(samples) == 0:
        raise InputError("audit: no planted row lies on a strip, so there is no offset to audit")
    ordered = samples.in_order()
    days = np.unique(ordered.day)
    x, y = _design(ordered, days), ordered.heading * ordered.offset_m
    keep = near_their_pass(x, y, ordered.planter_pass)
    basis, fit = _fitted(ordered, x, y, keep)
    for _ in range(_ROUNDS):
        far = worst_of_neighbours(fit.surprise(), fit.model)
        if not far.any():
            break
        keep[np.flatnonzero(keep)[far]] = False
        basis, fit = _fitted(ordered, x, y, keep)
    return _result(fit, basis, ordered, days, keep)


def _design(samples: Samples, days: np.ndarray) -> np.ndarray:
    """Left normals of the planter in the columns of their day, and ones for m; shape (n, 2 days + 1)."""
    x = np.zeros((len(samples), 2 * len(days) + 1))
    column = 2 * np.searchsorted(days, samples.day)
    for axis in (0, 1):
        x[np.arange(len(x)), column + axis] = samples.heading * samples.normal[:, axis]
    x[:, -1] = 1.0
    return x


def _fitted(samples: Samples, x: np.ndarray, y: np.ndarray, keep: np.ndarray) -> tuple[np.ndarray, Fit]:
    """Basis of what the samples kept can tell, and the fit in it."""
    basis, kept = _basis(x[keep]), samples.take(keep)
    return basis, Fit.of(PassModel.of(x[keep] @ basis, y[keep], planter_pass=kept.planter_pass, along_m=kept.along_m))


def _basis(x: np.ndarray) -> np.ndarray:
    """Combinations of the parameters that the design knows at all, shape (parameters, rank)."""
    scale = np.sqrt((x**2).sum(axis=0))
    scale[scale == 0.0] = np.inf
    value, vector = np.linalg.eigh((x / scale).T @ (x / scale))
    return vector[:, value > _EXACT] / scale[:, None]


def _result(fit: Fit, basis: np.ndarray, samples: Samples, days: np.ndarray, keep: np.ndarray) -> Audit:
    kept = samples.take(keep)
    left = kept.heading[:, None] * kept.normal
    separable = _bias_is_separable(left, kept.day)
    shifts = tuple(
        _day_shift(fit, basis, int(day), 2 * k, left[kept.day == day], kept.planter_pass[kept.day == day], separable)
        for k, day in enumerate(days)
    )
    machine = _estimate(fit, basis, np.eye(len(basis))[-1]) if separable else Estimate.unknown()
    passes, passes_kept = (len(np.unique(some.planter_pass)) for some in (samples, kept))
    between, wander = _scatters(fit)
    along = fit.model.within_dof > 0
    return Audit(
        days=shifts, machine=machine, machine_separable=separable, between=between, wander=wander,
        correlation_m=fit.length_m if along else np.nan,
        correlation_log_se=float(np.sqrt(fit.parameter_covariance[2, 2])) if along else np.nan,
        passes=passes, passes_aside=passes - passes_kept, samples=len(samples), aside_share=1.0 - float(np.mean(keep)),
    )  # fmt: skip


def _bias_is_separable(left: np.ndarray, day: np.ndarray) -> bool:
    """Whether something of a constant remains that no shift of any day can take."""
    remains = 0.0
    for one in np.unique(day):
        x = left[day == one]
        value, vector = np.linalg.eigh(x.T @ x / len(x))
        seen = value > LEAST_LEAN**2
        explained = ((x.mean(axis=0) @ vector[:, seen]) ** 2 / value[seen]).sum()
        remains += len(x) / len(left) * max(1.0 - float(explained), 0.0)
    return remains > LEAST_LEAN**2


def _day_shift(
    fit: Fit, basis: np.ndarray, day: int, column: int, left: np.ndarray, passes: np.ndarray, separable: bool
) -> DayShift:
    """What is known of one day's shift; `left` holds the planter's left normals, (samples, 2)."""
    if len(left) == 0:
        return DayShift.unknown(day)
    # Where m is not known, only differences between normals tell of the shift.
    about = left if separable else left - left.mean(axis=0)
    value, vector = np.linalg.eigh(about.T @ about / len(left))
    rank = int((value > LEAST_LEAN**2).sum())
    *axes, bias = np.eye(len(basis))[[column, column + 1, -1]]
    across = vector[:, 1] if _points_on(vector[:, 1]) else -vector[:, 1]
    mean_left, none = left.mean(axis=0), Estimate.unknown()
    both = np.array(axes) @ basis
    covariance = both @ fit.covariance @ both.T if rank == 2 and fit.model.between_dof > 0 else np.full((2, 2), np.nan)
    return DayShift(
        day=day, passes=len(np.unique(passes)), samples=len(left), rank=rank,
        east=_estimate(fit, basis, axes[0]) if rank == 2 else none,
        north=_estimate(fit, basis, axes[1]) if rank == 2 else none,
        covariance_m2=covariance,
        across_unit=across if rank else np.full(2, np.nan),
        across=_estimate(fit, basis, across @ axes) if rank else none,
        mean_left=mean_left, summed=_estimate(fit, basis, mean_left @ axes + bias),
    )  # fmt: skip


def _points_on(unit: np.ndarray) -> bool:
    """One of two opposite directions: the eastern one, or north of north and south."""
    return bool(unit[1] > 0.0 if abs(unit[0]) < 1e-9 else unit[0] > 0.0)


def _estimate(fit: Fit, basis: np.ndarray, combination: np.ndarray) -> Estimate:
    """Value and error of combination . parameters; without spare passes nobody knows the error."""
    mine = combination @ basis
    value = float(mine @ fit.beta)
    if fit.model.between_dof <= 0:
        return Estimate(value, np.inf, 0.0)
    return Estimate(value, float(np.sqrt(mine @ fit.covariance @ mine)), fit.dof(mine))


def _scatters(fit: Fit) -> tuple[Scatter, Scatter]:
    """Scatter between passes and wander along them, as far as the samples tell one from the other."""
    if fit.model.within_dof <= 0:
        return Scatter.unknown(), Scatter.unknown()
    wander = Scatter(fit.wander_m2, float(2.0 / fit.parameter_covariance[1, 1]), 0.0)
    if fit.model.between_dof <= 0:
        return Scatter.unknown(), wander
    return Scatter(fit.between_m2, 2.0 * (fit.between_m2 + fit.mean_m2) ** 2 / fit.between_variance_m4, fit.mean_m2), wander
