"""Signals that were lost and came back: a receiver converges then anew, as after a start."""

from dataclasses import dataclass

import numpy as np

#: Instead of the id of a tier: all of them.
EVERY_TIER = "*"


@dataclass(frozen=True)
class Regain:
    """A moment at which a tier was had again.

    Attributes
    ----------
    time_s : float
        [s]
    tier : str
        Its id, or ``*`` for all.
    by_log : bool
        Whether the log tells of the loss, and not a zone.
    start : int
        Number of the start that it comes after, and of which machine thereby.
    """

    time_s: float
    tier: str
    by_log: bool
    start: int

    def is_of(self, tier: str) -> bool:
        """Whether it was this tier that came back."""
        return self.tier in (EVERY_TIER, tier)


def had_again(begun_s: np.ndarray, lost: np.ndarray) -> np.ndarray:
    """Parts of one machine's work with which it has a signal again: those that have it, after one that has it not.

    Parameters
    ----------
    begun_s : ndarray, shape (parts,)
        When each part of the work began, in any order [s]; NaN where nobody knows, which tells nothing.
    lost : ndarray of bool, shape (parts,)

    Returns
    -------
    ndarray of int, shape (k,)
        In the order of time. A loss lasts until work goes on with the signal, turns on the way included: nothing is known of
        what the receiver had there.
    """
    timed = np.flatnonzero(np.isfinite(begun_s))
    order = timed[np.argsort(begun_s[timed], kind="stable")]
    gone = lost[order]
    return order[1:][gone[:-1] & ~gone[1:]]
