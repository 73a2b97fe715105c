"""Where to dig next: the places whose measured offset says most about how much of a field is missed."""

from functools import lru_cache

import numba
import numpy as np

# Classes of an offset, of equally many draws each, in which the mean missed share is taken.
_CLASSES = 32
# A feature with less than this part of its variance outside the others says nothing new.
_SAME = 1e-5


def next_places(missed: np.ndarray, measured_m: np.ndarray, *, tape_sd_m: float, count: int, seed: int) -> np.ndarray:
    """Choose places to dig one after the other, each the best beside those before it.

    Parameters
    ----------
    missed : ndarray, shape (draws,)
        The field's missed share under joint draws of the return error.
    measured_m : ndarray, shape (candidates, draws)
        True offset of each candidate in the same draws, with wander [m].
    tape_sd_m : float
        Standard deviation of the measurement [m]; it is added here.
    count : int
        Places wanted; all candidates are given where there are fewer.
    seed : int

    Returns
    -------
    place : ndarray of int, shape (count,)
        Numbers of the candidates, the most telling first.

    Notes
    -----
    The measure of a set is the variance of the missed share left by its least-squares regression on the measured
    offsets, their squares, sizes and products, and the mean missed share by class of each offset and of their sum.
    The means by class are needed: under a wide shift the missed share is all but a narrow dip, which no parabola
    follows (a standard deviation of 0.36, of which one check leaves 0.09, is left at 0.33 by squares).

    ASSUME: what this regression leaves ranks places as what the checks leave does. It serves to choose and not to tell: its
    coefficients are fitted to these draws, and after 20 places, of which it makes 300 features, it explains much of what is
    chance. What is left is told by `dig_left`.
    """
    tape, half = _tape_and_half(measured_m.shape, seed)
    y = _standardised(measured_m + tape_sd_m * tape)
    left = centred = (missed - missed.mean(dtype=float)).astype(np.float32)
    features = _standardised(np.stack([y, y * y, np.abs(y), _by_class(y, centred, half)], axis=1))
    known, total = np.zeros((0, len(missed)), np.float32), np.zeros(len(missed), np.float32)
    place = np.zeros(0, np.int64)
    for _ in range(min(count, len(y))):
        aligned, beside = y, features
        if len(place):
            # What all passes share has the same sign as at the first place, or the other where travel turns round.
            aligned = total + np.sign(y @ y[place[0]])[:, None] * y
            beside = _with(features, _by_class(aligned, centred, half))
            beside -= (beside @ known.T) @ known
        gain = _explained(beside, left)
        gain[place] = -1.0
        best = int(np.argmax(gain))
        _, size, new = np.linalg.svd(beside[best], full_matrices=False)
        known = np.vstack([known, new[size > np.sqrt(_SAME)]])
        left = left - known.T @ (known @ left)
        features, total, place = _with(features, y * y[best]), aligned[best], np.append(place, best)
    return place


# Tiers of a field ask for the same, and mostly its neighbours too; one is a few hundred kilobytes.
@lru_cache(maxsize=4)
def _tape_and_half(shape: tuple[int, int], seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Standard normals of the measurements, of that shape, and which half each draw is in, (draws,); read-only."""
    rng = np.random.default_rng(seed)
    drawn = rng.standard_normal(shape, np.float32), rng.permutation(shape[1]) % 2
    for one in drawn:
        one.flags.writeable = False
    return drawn


def _standardised(values: np.ndarray) -> np.ndarray:
    """Lines (the last axis) less their mean, of length 1, in float32; a constant line becomes zeros."""
    values = values - values.mean(axis=-1, keepdims=True)
    size = np.linalg.norm(values, axis=-1, keepdims=True)
    return (values / np.maximum(size, 1e-12)).astype(np.float32)


def _with(features: np.ndarray, one: np.ndarray) -> np.ndarray:
    """The features, (candidates, features, draws), and one more."""
    return np.concatenate([features, _standardised(one)[:, None]], axis=1)


def _by_class(values: np.ndarray, missed: np.ndarray, half: np.ndarray) -> np.ndarray:
    """Mean missed share of the class that each value is in, shape of `values`, (lines, draws).

    The means of one half of the draws are used in the other, so that chance explains nothing.
    """
    return _means_by_class(_classes(values), missed, half)


def _classes(values: np.ndarray) -> np.ndarray:
    """Class of each value among those of its line, shape of `values`, (lines, draws): equally many in each.

    By the least value of each class, for sorting values takes a third of the time of sorting their places. Only where
    equal values lie on both sides of such a limit it is their places that tell them apart.
    """
    draws = values.shape[1]
    first = -(-np.arange(1, _CLASSES) * draws // _CLASSES)
    ordered = np.sort(values, axis=1)
    out = _limits_up_to(values, ordered[:, first])
    tied = np.flatnonzero((ordered[:, first - 1] == ordered[:, first]).any(axis=1))
    place = np.argsort(values[tied], axis=1)
    out[tied[:, None], place] = np.arange(draws) * _CLASSES // draws
    return out


@numba.njit(cache=True, nogil=True)
def _limits_up_to(values, limits):
    """How many of its line's limits, ascending, each value reaches: shape of `values`."""
    out = np.zeros(values.shape, np.int32)
    for line in range(len(values)):
        # Limit by limit, which the compiler makes many values at a time: quicker than a search for each value.
        for k in range(limits.shape[1]):
            limit = limits[line, k]
            for i in range(values.shape[1]):
                out[line, i] += np.int32(values[line, i] >= limit)
    return out


@numba.njit(cache=True, nogil=True)
def _means_by_class(classes, missed, half):
    """Mean of `missed` over the draws of the same class and the other half, shape of `classes`; 0 where there are none."""
    out = np.empty(classes.shape, np.float32)
    for line in range(len(classes)):
        number, total = np.zeros((2, _CLASSES)), np.zeros((2, _CLASSES))
        for i in range(len(missed)):
            number[half[i], classes[line, i]] += 1.0
            total[half[i], classes[line, i]] += missed[i]
        mean = total / np.maximum(number, 1.0)
        for i in range(len(missed)):
            out[line, i] = mean[1 - half[i], classes[line, i]]
    return out


def _explained(features: np.ndarray, left: np.ndarray) -> np.ndarray:
    """Sum of squares of `left` that each candidate's features explain together, shape (candidates,)."""
    gram = features @ features.transpose(0, 2, 1) + _SAME * np.eye(features.shape[1], dtype=np.float32)
    toward = (features @ left)[..., None]
    return (toward * np.linalg.solve(gram, toward))[..., 0].sum(axis=1)
