"""The scatter between and along passes from logged values: restricted maximum likelihood [1]_, and how well it is known.

References
----------
.. [1] D. A. Harville, "Maximum likelihood approaches to variance component estimation", JASA 72 (1977) 320-338.
.. [2] F. E. Satterthwaite, "An approximate distribution of estimates of variance components", Biometrics
   Bulletin 2 (1946) 110-114.
"""

from dataclasses import dataclass

import numpy as np
from scipy.optimize import minimize

from pipeline.core.audit_passes import TYPICAL_LENGTH_M, PassModel

# Between and within pass a ratio of variances beyond this is no wander at all (a metre to a micrometre).
MOST_RATIO = 1e12
# Half-width of the differences that make the curvature, in log units.
_STEPS = np.array([0.05, 0.02, 0.05])
# Two over the variance of a log variance is its degrees of freedom; flatter than this it is not determined.
_LEAST_DOF = 0.5
# Signs of a mixed second difference.
_CORNERS = ((1, 1, 1), (1, -1, -1), (-1, 1, -1), (-1, -1, 1))


@dataclass(frozen=True)
class Fit:
    """The likeliest scatter, the least squares under it, and how well both are known.

    Attributes
    ----------
    model : PassModel
    between_m2 : float
        sigma_p^2 [m^2]; unconstrained, so that errors keep their level where it is near zero, and may be negative.
    between_variance_m4 : float
        Variance of that estimate [m^4].
    mean_m2 : float
        Variance of a pass's mean by wander alone, averaged over passes [m^2].
    wander_m2, length_m : float
        sigma_w^2 [m^2] and L [m].
    beta : ndarray, shape (r,)
    covariance : ndarray, shape (r, r)
        Of `beta` [m^2].
    parameter_covariance : ndarray, shape (3, 3)
        Of log(sigma_p^2 + c), log sigma_w^2 and log L, at a constant c.
    covariance_slope : ndarray, shape (3, r, r)
        How `covariance` changes with these three [m^2].
    """

    model: PassModel
    between_m2: float
    between_variance_m4: float
    mean_m2: float
    wander_m2: float
    length_m: float
    beta: np.ndarray
    covariance: np.ndarray
    parameter_covariance: np.ndarray
    covariance_slope: np.ndarray

    @classmethod
    def of(cls, model: PassModel) -> "Fit":
        """Fit a model by restricted maximum likelihood."""
        ratio, length_m = _likeliest(model)
        white = model.whitened(length_m)
        solution = model.solve(white, ratio)
        wander_m2 = model.wander_m2(solution)
        parameters, slope = _curvature(model, ratio, wander_m2, length_m)
        varied_m2 = (ratio + white.slack) * wander_m2
        return cls(
            model=model, between_m2=ratio * wander_m2, between_variance_m4=float(varied_m2**2 * parameters[0, 0]),
            mean_m2=wander_m2 * float(np.mean(1.0 / white.precision)), wander_m2=wander_m2, length_m=length_m,
            beta=solution.beta, covariance=wander_m2 * solution.covariance, parameter_covariance=parameters,
            covariance_slope=slope,
        )  # fmt: skip

    def dof(self, combination: np.ndarray) -> float:
        """Degrees of freedom of the error of combination . beta [2]; `combination` has shape (r,)."""
        variance = combination @ self.covariance @ combination
        slope = self.covariance_slope @ combination @ combination
        return float(2.0 * variance**2 / max(slope @ self.parameter_covariance @ slope, 1e-300))

    def surprise(self) -> np.ndarray:
        """How far each sample is from what all others say of it, in standard deviations, shape (n,)."""
        model, ratio = self.model, self.between_m2 / self.wander_m2
        white = model.whitened(self.length_m)
        pull = ratio * white.precision / (1.0 + ratio * white.precision)
        mean = white.mean[:, -1] - white.mean[:, :-1] @ self.beta
        left = np.column_stack([model.y - model.x @ self.beta - (pull * mean)[model.of_pass], np.ones(len(model.y))])
        keep, fresh = model.chain(self.length_m)
        after, back = np.append((keep * fresh)[1:], 0.0), (keep * fresh)[:, None]
        white_left = left * fresh[:, None] - back * np.vstack([left[:1], left[:-1]])
        inverse = white_left * fresh[:, None] - after[:, None] * np.vstack([white_left[1:], white_left[:1]])
        diagonal = fresh**2 + after**2 - (pull / white.precision)[model.of_pass] * inverse[:, 1] ** 2
        return np.abs(inverse[:, 0]) / np.sqrt(self.wander_m2 * diagonal)


def _likeliest(model: PassModel) -> tuple[float, float]:
    """sigma_p^2 / sigma_w^2 and the correlation length [m] of the greatest restricted likelihood."""
    gaps = model.gap_m[np.isfinite(model.gap_m)]
    least, most = (0.05 * gaps.min(), 20.0 * gaps.sum()) if len(gaps) else (1.0, 100.0)

    def deviance(at: np.ndarray) -> float:
        length_m = float(np.exp(at[0]))
        white = model.whitened(length_m)
        solution = model.solve(white, np.exp(at[1]) - white.slack)
        return model.deviance(solution, model.wander_m2(solution), length_m)

    low = np.log(0.05 * model.whitened(TYPICAL_LENGTH_M).slack)
    found = minimize(
        deviance, [np.log(np.clip(TYPICAL_LENGTH_M, least, most)), 0.0], method="L-BFGS-B",
        bounds=[(np.log(least), np.log(most)), (low, np.log(MOST_RATIO))],
        options={"ftol": 1e-12, "eps": 1e-6},
    )  # fmt: skip
    length_m = float(np.exp(found.x[0]))
    return float(np.exp(found.x[1]) - model.whitened(length_m).slack), length_m


def _curvature(model: PassModel, ratio: float, wander_m2: float, length_m: float) -> tuple[np.ndarray, np.ndarray]:
    """Covariance of the three log parameters from the curvature, and slopes of the least-squares covariance."""
    longer = {k: np.exp(k * _STEPS[2]) * length_m for k in (-1, 0, 1)}
    white = {k: model.whitened(longer[k]) for k in longer}
    added_m2 = white[0].slack * wander_m2

    def at(p: int, w: int, k: int) -> tuple[float, np.ndarray]:
        here_m2 = np.exp(w * _STEPS[1]) * wander_m2
        between_m2 = np.exp(p * _STEPS[0]) * (ratio * wander_m2 + added_m2) - added_m2
        solution = model.solve(white[k], max(between_m2 / here_m2, -0.99 * white[k].slack))
        return model.deviance(solution, here_m2, longer[k]), here_m2 * solution.covariance

    centre, steps = at(0, 0, 0)[0], np.eye(3, dtype=int)
    up, down = [at(*s) for s in steps], [at(*-s) for s in steps]
    curve = np.diag([(up[i][0] + down[i][0] - 2.0 * centre) / _STEPS[i] ** 2 for i in range(3)])
    for i, j in ((0, 1), (0, 2), (1, 2)):
        corners = [sign * at(*(a * steps[i] + b * steps[j]))[0] for sign, a, b in _CORNERS]
        curve[i, j] = curve[j, i] = sum(corners) / (4.0 * _STEPS[i] * _STEPS[j])
    value, vector = np.linalg.eigh(curve)
    parameters = (vector * (2.0 / np.maximum(value, _LEAST_DOF))) @ vector.T
    slope = np.array([(up[i][1] - down[i][1]) / (2.0 * _STEPS[i]) for i in range(3)])
    return parameters, slope
