"""Percentiles of a missed share: in closed form where one normal shift rules it, else over joint draws."""

import numba
import numpy as np
from scipy.special import ndtr

PERCENTILES = (10.0, 50.0, 90.0)
# Levels that a share is sorted into: it is then right to a quarter of a tenth of a point.
_LEVELS = 2000


def percentiles_of_draws(missed: np.ndarray, length: np.ndarray) -> np.ndarray:
    """Percentiles of missed / length over draws, shape (3, owners); 0 where there is no length.

    Parameters
    ----------
    missed : ndarray, shape (owners, draws)
        [m].
    length : ndarray, shape (owners,)
        [m].
    """
    # Sorting float32 is several times faster than asking for percentiles.
    ordered = np.sort(missed, axis=1)
    at = np.array(PERCENTILES) / 100 * (ordered.shape[1] - 1)
    low = at.astype(int)
    found = ordered[:, low] + (at - low) * (ordered[:, low + 1] - ordered[:, low])
    return np.clip(found.T / np.maximum(length, 1e-9), 0.0, 1.0)


def percentiles_of_normal(
    missed: np.ndarray, length: np.ndarray, shift_m: np.ndarray, sd_m: np.ndarray
) -> np.ndarray:
    """Percentiles of missed / length under a normal shift, shape (tiers, 3, owners).

    Parameters
    ----------
    missed : ndarray of float32, shape (owners, steps)
        Missed length by shift [m].
    length : ndarray, shape (owners,)
        [m].
    shift_m : ndarray, shape (steps,)
        Evenly spaced; beyond both ends the missed length does not change [m].
    sd_m : ndarray, shape (owners, tiers)
        Standard deviations of the shift, whose mean is 0 [m].

    Notes
    -----
    The shift is a number, so its every value has a missed share and a probability: the shares are sorted by their
    level and the probabilities added up until they reach the percentile. No draw is needed. Between two steps of shift
    the share goes evenly from one to the other.
    """
    sds, kind = np.unique(np.round(sd_m * 1e9), axis=0, return_inverse=True)
    edges = np.concatenate([[-np.inf], 0.5 * (shift_m[1:] + shift_m[:-1]), [np.inf]])
    below = ndtr(edges[:, None] / np.maximum(sds[:, None, :] * 1e-9, 1e-12))
    return percentiles_of_weights(missed, length, np.diff(below, axis=1), kind.ravel())


def percentiles_of_weights(missed: np.ndarray, length: np.ndarray, weight: np.ndarray, kind: np.ndarray) -> np.ndarray:
    """The same where each step of shift has a weight, shape (tiers, 3, owners); NaN where a missed length is none.

    Parameters
    ----------
    missed, length : ndarray
        As of `percentiles_of_normal`.
    weight : ndarray, shape (kinds, steps, tiers)
        Probability of each step.
    kind : ndarray of int, shape (owners,)
        Which of the weights each owner has.
    """
    return _by_level(missed, length, weight, kind, np.array(PERCENTILES) / 100)


@numba.njit(cache=True, nogil=True)
def _by_level(missed, length, weight, kind, wanted):
    owners, steps, tiers = len(length), missed.shape[1], weight.shape[2]
    out = np.zeros((tiers, len(wanted), owners))
    # Probability at a level, and what begins and ends there of that spread evenly over several.
    at, density = np.zeros((_LEVELS + 1, tiers)), np.zeros((_LEVELS + 2, tiers))
    below, dense, reached = np.empty(tiers), np.empty(tiers), np.empty(tiers, np.int64)
    for g in range(owners):
        per_m, mine = _LEVELS / max(length[g], 1e-9), kind[g]
        known, first, last = True, _LEVELS, 0
        share = missed[g, 0] * per_m
        before = share
        for k in range(steps):
            known = known and share == share
            then = missed[g, min(k + 1, steps - 1)] * per_m
            # The first and the last step are all that lies beyond them, too, where nothing changes.
            after = 0.5 * (share + then) if 0 < k < steps - 1 else share
            level = _level(share)
            # Half of a step lies on either side of its middle, where the share is that of the table.
            for end in (before, after):
                other = _level(end)
                low, high = min(level, other), max(level, other)
                first, last = min(first, low), max(last, high)
                if low == high:
                    for t in range(tiers):
                        at[low, t] += 0.5 * weight[mine, k, t]
                else:
                    part = 0.5 / (high - low + 1)
                    for t in range(tiers):
                        density[low, t] += part * weight[mine, k, t]
                        density[high + 1, t] -= part * weight[mine, k, t]
            before, share = 0.5 * (share + then) if k < steps - 2 else then, then
        below[:] = 0.0
        dense[:] = 0.0
        reached[:] = 0
        # What was read is cleared for the next owner.
        for level in range(first, last + 1):
            for t in range(tiers):
                dense[t] += density[level, t]
                below[t] += at[level, t] + dense[t]
                at[level, t] = density[level, t] = 0.0
                while reached[t] < len(wanted) and below[t] >= wanted[reached[t]]:
                    out[t, reached[t], g] = level / _LEVELS
                    reached[t] += 1
        density[last + 1] = 0.0
        if not known:
            out[:, :, g] = np.nan
    return out


@numba.njit(cache=True, nogil=True)
def _level(share):
    return min(int(share + 0.5), _LEVELS) if share > 0.0 else 0  # what is no number is no index
