"""The sides of unsigned checks: where the seed rows may lie, and how likely each choice of sides is.

A distance without a side is an exact mixture of two signed measurements, so k of them have 2^k branches. Most are
ruled out by the others; the few that remain are found check by check.
"""

import numpy as np

# ASSUME: a branch this unlikely, against all others together and the checks so far, stays so.
LEAST_WEIGHT = 1e-9
# ASSUME: where more branches than this remain, the distances are of the size of their noise and the sides hardly
# matter; an even sample of the branches then stands for all of them.
MOST_BRANCHES = 512


def branches_of(
    offset_m: np.ndarray, measured_m: np.ndarray, signed: np.ndarray, covariance_m2: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Measured less expected for every choice of sides that is left, and the weight of each.

    Parameters
    ----------
    offset_m, measured_m : ndarray, shape (n,)
        Expected and measured offset, or the measured distance where `signed` is false [m].
    signed : ndarray of bool, shape (n,)
    covariance_m2 : ndarray, shape (n, n)
        Covariance of the measurements [m^2].

    Returns
    -------
    residual_m : ndarray, shape (branches, n)
    weight : ndarray, shape (branches,)
        They add up to 1.

    Notes
    -----
    With L L' the covariance and v = L^-1 residual, log p(residual) = -|v|^2 / 2 + constant, and v_j needs only the
    checks up to j: it is what the earlier ones leave unexplained of check j, in standard deviations. Signed checks
    go first and far distances before near ones, so that branches fall early and the order of the input is no matter.
    """
    order = np.lexsort((offset_m, -np.abs(measured_m), ~signed))
    lower = np.linalg.cholesky(covariance_m2[np.ix_(order, order)])
    residual = white = np.zeros((1, len(order)))
    weight = np.ones(1)
    for j, check in enumerate(order):
        sides = np.array([1.0] if signed[check] or measured_m[check] == 0.0 else [1.0, -1.0])
        told = white[:, :j] @ lower[j, :j]
        residual, white, told, weight = (np.repeat(one, len(sides), axis=0) for one in (residual, white, told, weight))
        residual[:, check] = np.tile(sides, len(told) // len(sides)) * measured_m[check] - offset_m[check]
        white[:, j] = (residual[:, check] - told) / lower[j, j]
        # The nearest branch counts as exp(0), so that the sum is never zero.
        weight = weight * np.exp(-0.5 * (white[:, j] ** 2 - np.min(white[:, j] ** 2)))
        kept, weight = _thinned(weight, along=residual[:, check] + told)
        residual, white = residual[kept], white[kept]
    return residual, weight


def _thinned(weight: np.ndarray, *, along: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The branches to keep, and their weights, which add up to 1.

    Notes
    -----
    Where too many are left, those heavier than a threshold c keep their weight, and of the others an even sample is
    taken in the order of `along`, each with the weight c, which is such that `MOST_BRANCHES` remain and every branch
    keeps its share of the whole [1]. Taking the heaviest only would favour the branches whose sides all agree.

    References
    ----------
    .. [1] P. Fearnhead and P. Clifford, On-line inference for hidden Markov models via particle filters,
       J. R. Statist. Soc. B 65 (2003), section 3.
    """
    kept = np.flatnonzero(weight > LEAST_WEIGHT * weight.sum())
    weight = weight[kept] / weight[kept].sum()
    if len(kept) <= MOST_BRANCHES:
        return kept, weight
    heaviest = np.sort(weight)[::-1]
    rest = np.cumsum(heaviest[::-1])[::-1][:MOST_BRANCHES] / (MOST_BRANCHES - np.arange(MOST_BRANCHES))
    heavy_count = int(np.argmax(heaviest[:MOST_BRANCHES] < rest))
    threshold = rest[heavy_count]
    light = np.flatnonzero(weight < threshold)
    light = light[np.argsort(along[kept[light]], kind="stable")]
    ticks = threshold * (np.arange(MOST_BRANCHES - heavy_count) + 0.5)
    taken = light[np.searchsorted(np.cumsum(weight[light]), ticks)]
    chosen = np.concatenate([np.flatnonzero(weight >= threshold), taken])
    weight = np.maximum(weight[chosen], threshold)
    return kept[chosen], weight / weight.sum()
