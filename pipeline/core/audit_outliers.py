"""Logged offsets that do not belong to the rest: gross ones before a model is there, the others by the model."""

import numpy as np
from scipy.stats import norm, t

from pipeline.core.audit_passes import PassModel

# Farther than this from what the rest says, a sample is set aside: 6 in 100,000 good ones are, where the scatter is known.
# It is estimated, and in simulated logs 1 or 2 in 10,000 are; with passes of 5 or 6 samples up to 2 in 1,000.
LIMIT_SD = 4.0
# In a pass of fewer samples the median clings to them, and their distances from it are no measure of the wander.
_FEWEST = 5
# The median of few distances is a poor measure of spread (37 % efficient), so limits are wide where it rests on few.
_EFFICIENCY = 0.37
# ASSUME: samples 5 m apart share so much of the wander that two tell as much of it as one. In simulated logs with 28
# samples in passes of 7, 0.4 m in a wander of 15 mm is then always found, with a third instead of a half in 6 of 10.
_APART = 0.5
# Chance that one good pass of a field is set aside whole.
PASS_CHANCE = 0.005


def near_their_pass(x: np.ndarray, y: np.ndarray, planter_pass: np.ndarray) -> np.ndarray:
    """Samples that are no gross outliers, and whose passes are none.

    Parameters
    ----------
    x : ndarray, shape (n, parameters)
        Design, of any rank.
    y : ndarray, shape (n,)
        Logged values [m].
    planter_pass : ndarray of int, shape (n,)
        The samples of a pass lie together.

    Returns
    -------
    ndarray of bool, shape (n,)
    """
    left = y - x @ _least_absolute(x, y)
    middle, of_pass = _medians(left, planter_pass)
    away = np.abs(left - middle[of_pass])
    wander, near_m = _wander(away[np.bincount(of_pass)[of_pass] >= _FEWEST])
    centred = np.abs(middle - np.median(middle))
    limit = t.isf(PASS_CHANCE / 2.0 / len(middle), _EFFICIENCY * len(middle))
    stray = centred > limit * _sd_of(centred) + 3.0 * wander
    return (away <= near_m) & ~stray[of_pass]


def _wander(away: np.ndarray) -> tuple[float, float]:
    """Standard deviation about the median of a pass, and the distance beyond which a sample is set aside [m].

    From distances in passes that are long enough to tell. Without any, what wander there is counts as scatter between
    the passes, and no single sample is set aside.
    """
    if not len(away):
        return 0.0, np.inf
    sd_m = _sd_of(away)
    return sd_m, float(t.isf(norm.sf(LIMIT_SD), _EFFICIENCY * _APART * len(away))) * sd_m


def _sd_of(distance: np.ndarray) -> float:
    """Standard deviation of a normal with the same median distance [m], at least a micrometre."""
    return max(float(np.median(distance)) / norm.isf(0.25), 1e-6)


def _least_absolute(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Coefficients of the least sum of absolute residuals, by weighted least squares."""
    weight, beta = np.ones(len(y)), np.zeros(x.shape[1])
    for _ in range(20):
        beta = np.linalg.pinv(x.T @ (x * weight[:, None]), rcond=1e-10, hermitian=True) @ (x.T @ (weight * y))
        left = np.abs(y - x @ beta)
        weight = 1.0 / np.maximum(left, max(0.1 * float(np.median(left)), 1e-9))
    return beta


def _medians(values: np.ndarray, planter_pass: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Median of each pass, and the pass of each sample counted from 0; passes lie together."""
    of_pass = np.cumsum(np.diff(planter_pass, prepend=planter_pass[:1]) != 0)
    in_order = values[np.lexsort((values, of_pass))]
    count = np.bincount(of_pass)
    first = np.cumsum(count) - count
    return 0.5 * (in_order[first + (count - 1) // 2] + in_order[first + count // 2]), of_pass


def worst_of_neighbours(surprise: np.ndarray, model: PassModel) -> np.ndarray:
    """Samples beyond the limit and farther out than both neighbours, which an outlier drags along."""
    before = np.where(np.isinf(model.gap_m), -np.inf, np.append(-np.inf, surprise[:-1]))
    after = np.append(np.where(np.isinf(model.gap_m), -np.inf, surprise)[1:], -np.inf)
    return (surprise > LIMIT_SD) & (surprise >= before) & (surprise >= after)
