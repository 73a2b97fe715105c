"""What a tier promises of the parts of an audit, read off the one covariance of the return error (`returns`).

All bounds are of 95 %. They speak of where things are, an audit of where logs say they are: a log whose parts keep
these bounds has not shown that its rows do.
"""

from dataclasses import dataclass

import numpy as np

from pipeline.core.accuracy import Z95
from pipeline.core.returns import ReturnError

# Singular values of the design below this share of the largest are rounding.
_RANK_SHARE = 1e-5


@dataclass(frozen=True)
class Laid:
    """Planted row on strips: which passes it is of; arrays of shape (n,) except where said.

    Attributes
    ----------
    length_m : ndarray
        [m]
    strip_pass, planter_pass : ndarray of int
        Numbers in the return error: of passes, or of stretches of them.
    whole_pass : ndarray of int
        Planter pass, whole.
    day : ndarray of int
        Number of the pair of visits.
    left : ndarray, shape (n, 2)
        Unit left normal of the planter (east, north).
    """

    length_m: np.ndarray
    strip_pass: np.ndarray
    planter_pass: np.ndarray
    whole_pass: np.ndarray
    day: np.ndarray
    left: np.ndarray


def shift_promised_95_m(error: ReturnError, laid: Laid, day: int) -> float:
    """Bound on the shift of one day along any one direction [m].

    z * sqrt(autumn's variance + spring's), averaged over the row length of that day: bias, drift, what had not
    converged, the base. Without the planter's own bias and without wander. Both tiers alike and converged: R.
    """
    mine = laid.day == day
    variance = error.autumn.variance()[laid.strip_pass[mine]] + error.spring.variance()[laid.planter_pass[mine]]
    return float(Z95 * np.sqrt(np.average(variance, weights=laid.length_m[mine])))


def between_promised_95_m(error: ReturnError, laid: Laid) -> float:
    """Bound on the scatter of the passes about shifts and machine bias [m]; nan where nothing is left of them.

    z times the root of the expected residual variance, tr(M C) / tr(M): C is the covariance of the passes' offsets
    in the planter's frame, M takes out a shift per day and a bias.

    ASSUME: what lets passes differ is the drift in both visits, at the times they were laid (and what had not
    converged), and nothing is added for pass-to-pass: that figure is the difference of two passes, and the drift was
    derived from it (`core.tier`). Two passes laid 15 min apart in both visits give P itself; a short visit gives less
    than the whole drift, for its passes drift together, and that goes into the shift. Steering is promised as wander.
    """
    of = np.unique(laid.whole_pass, return_inverse=True)[1]
    count, length = int(of.max(initial=-1)) + 1, np.bincount(of, laid.length_m)
    days, day = np.unique(laid.day, return_inverse=True)
    design = np.zeros((count, 2 * len(days) + 1))
    design[:, -1] = 1.0
    for axis in (0, 1):
        np.add.at(design, (of, 2 * day + axis), (laid.length_m * laid.left[:, axis]) / length[of])
    left = design[:, :-1].reshape(count, len(days), 2).sum(axis=1)
    shared = np.zeros((count, count))
    for operation, number in ((error.autumn, laid.strip_pass), (error.spring, laid.planter_pass)):
        covariance = operation.covariance()
        weight = np.zeros((count, len(covariance)))
        np.add.at(weight, (of, number), laid.length_m / length[of])
        shared += weight @ covariance @ weight.T
    vectors, values, _ = np.linalg.svd(design, full_matrices=False)
    known = vectors[:, values > _RANK_SHARE * values.max(initial=0.0)]
    spare = count - known.shape[1]
    if spare < 1:
        return float("nan")
    passes = (left @ left.T) * shared
    return float(Z95 * np.sqrt(max(np.trace(passes) - np.trace(known.T @ passes @ known), 0.0) / spare))
