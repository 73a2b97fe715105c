"""The odds that a place stays on its strip: normal probabilities of a band."""

import numpy as np
from scipy.special import ndtr

BISECTIONS = 48


def miss_probability(
    offset_m: np.ndarray, half_width_m: np.ndarray | float, sd_m: np.ndarray | float
) -> np.ndarray:
    """Probability that |offset + error| exceeds the half width.

    Parameters
    ----------
    offset_m : ndarray
        Expected offsets [m].
    half_width_m : float or ndarray
        Half strip width less the margin [m]; not positive where nothing can hold.
    sd_m : float or ndarray
        Standard deviation of the error [m]; 0 gives the bare geometry.

    Returns
    -------
    ndarray
        Of the shape that all three are broadcast to.
    """
    offset, half_width, sd = np.abs(np.asarray(offset_m, float)), np.asarray(half_width_m), np.asarray(sd_m)
    odds = _outside(offset, half_width, np.where(sd == 0.0, 1.0, sd))
    if not sd.all():
        odds = np.where(sd == 0.0, offset > half_width, odds)
    return odds if (half_width >= 0).all() else np.where(half_width < 0, 1.0, odds)


def miss_any_probability(offset_m: np.ndarray, half_width_m: float, sd_m: float, spacing_m: float) -> np.ndarray:
    """Probability of standing on no strip at all, where strips repeat every `spacing_m` [m].

    ASSUME: the neighbours of a strip lie a whole number of row spacings to both sides.
    """
    offset = np.asarray(offset_m, float)
    reach = int(np.ceil((np.max(np.abs(offset), initial=0.0) + half_width_m + 6 * sd_m) / spacing_m))
    shifts = spacing_m * np.arange(-reach, reach + 1)
    holds = sum(1.0 - miss_probability(offset - shift, half_width_m, sd_m) for shift in shifts)
    return np.clip(1.0 - holds, 0.0, 1.0)


def even_odds_offset(half_width_m: np.ndarray, sd_m: np.ndarray) -> np.ndarray:
    """The offset beyond which missing is more likely than not [m]; -1 where it is so at every offset.

    Parameters
    ----------
    half_width_m, sd_m : ndarray, of one shape

    Notes
    -----
    Found by bisection, to a picometre: at offset h + sd the near edge alone leaves less than one half, so the
    root lies between 0 and there.
    """
    sd = np.maximum(sd_m, 1e-12)  # a picometre stands for no error
    low, high = np.zeros(sd.shape), np.maximum(half_width_m, 0.0) + sd
    for _ in range(BISECTIONS):
        middle = 0.5 * (low + high)
        misses = _outside(middle, half_width_m, sd) > 0.5
        low, high = np.where(misses, low, middle), np.where(misses, middle, high)
    never = (half_width_m <= 0) | (_outside(np.zeros(sd.shape), half_width_m, sd) > 0.5)
    return np.where(never, -1.0, np.where(sd_m == 0.0, half_width_m, 0.5 * (low + high)))


def _outside(offset_m: np.ndarray, half_width_m: np.ndarray | float, sd_m: np.ndarray | float) -> np.ndarray:
    return ndtr((offset_m - half_width_m) / sd_m) + ndtr((-offset_m - half_width_m) / sd_m)
