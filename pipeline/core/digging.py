"""Where to dig next: the places whose measured offset says most about how much of a field is missed."""

from dataclasses import dataclass

import numpy as np

# Classes of an offset, of equally many draws each, in which the mean missed share is taken.
_CLASSES = 32
# A feature with less than this part of its variance outside the others says nothing new.
_SAME = 1e-5


@dataclass(frozen=True)
class Digs:
    """Places to dig, the most telling first.

    Attributes
    ----------
    place : ndarray of int, shape (count,)
        Numbers of the candidates.
    left_sd : ndarray, shape (count,)
        Standard deviation of the missed share that is left after each [1].
    """

    place: np.ndarray
    left_sd: np.ndarray


def next_places(missed: np.ndarray, measured_m: np.ndarray, *, tape_sd_m: float, count: int, seed: int) -> Digs:
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

    Notes
    -----
    The measure of a set is the variance of the missed share left by its least-squares regression on the measured
    offsets, their squares, sizes and products, and the mean missed share by class of each offset and of their sum.
    The means by class are needed: under a wide shift the missed share is all but a narrow dip, which no parabola
    follows (a standard deviation of 0.36, of which one check leaves 0.09, is left at 0.33 by squares).

    ASSUME: what this regression leaves is what the checks leave. By simulation of six tiers, in fields of one direction
    and of two, against conditioning itself: the same within 15 % after one check; after four up to 40 % too large where
    the day's bias rules and little is left, else within 12 %, for a posterior uses many checks better.
    """
    rng = np.random.default_rng(seed)
    y = _standardised(measured_m + tape_sd_m * rng.standard_normal(measured_m.shape, np.float32))
    left = centred = (missed - missed.mean(dtype=float)).astype(np.float32)
    half = rng.permutation(len(missed)) % 2
    features = _standardised(np.stack([y, y * y, np.abs(y), _by_class(y, centred, half)], axis=1))
    known, total = np.zeros((0, len(missed)), np.float32), np.zeros(len(missed), np.float32)
    place, left_sd = np.zeros(0, np.int64), np.zeros(0)
    for _ in range(min(count, len(y))):
        aligned, beside = y, features
        if len(place):
            # What all passes share has the same sign as at the first place, or the other where travel turns round.
            aligned = total + np.sign(y @ y[place[0]])[:, None] * y
            beside = _with(features, _by_class(aligned, centred, half))
        beside = beside - (beside @ known.T) @ known
        gain = _explained(beside, left)
        gain[place] = -1.0
        best = int(np.argmax(gain))
        _, size, new = np.linalg.svd(beside[best], full_matrices=False)
        known = np.vstack([known, new[size > np.sqrt(_SAME)]])
        left = left - known.T @ (known @ left)
        features, total = _with(features, y * y[best]), aligned[best]
        place, left_sd = np.append(place, best), np.append(left_sd, np.sqrt(np.mean(left**2)))
    return Digs(place, left_sd)


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
    lines, draws = values.shape
    rank = np.empty((lines, draws), np.int64)
    np.put_along_axis(rank, np.argsort(values, axis=1), np.arange(draws)[None, :], axis=1)
    box = 2 * (rank * _CLASSES // draws + _CLASSES * np.arange(lines)[:, None])
    size = 2 * _CLASSES * lines
    number = np.bincount((box + half).ravel(), minlength=size)
    total = np.bincount((box + half).ravel(), np.tile(missed, lines), size)
    return (total / np.maximum(number, 1)).astype(np.float32)[box + 1 - half]


def _explained(features: np.ndarray, left: np.ndarray) -> np.ndarray:
    """Sum of squares of `left` that each candidate's features explain together, shape (candidates,)."""
    gram = features @ features.transpose(0, 2, 1) + _SAME * np.eye(features.shape[1], dtype=np.float32)
    toward = (features @ left)[..., None]
    return (toward * np.linalg.solve(gram, toward))[..., 0].sum(axis=1)
