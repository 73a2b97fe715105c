"""What is left of the doubt about a field's missed share once somebody has dug, told by pairs of springs.

Two springs that the same measurements allow differ only by what these do not tell, so half the mean square by which
their missed shares differ is the mean of the variance that is left [1]. Nothing is fitted to the springs, so nothing
fits them too well, however many places there are.

References
----------
.. [1] M. J. W. Jansen, Analysis of variance designs for model output, Computer Physics Communications 117 (1999),
   from memory.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from pipeline.core.checked import draws_before
from pipeline.core.checks import Checks
from pipeline.core.conditioning import Posterior
from pipeline.core.draws import BLOCK

# Blocks of springs; places are chosen by block 0, and told by none of the draws that they were chosen by.
_BLOCKS = range(1, 5)

ShareOf = Callable[[np.ndarray], np.ndarray]


def sd_left(
    posterior: Posterior, dug: Checks, where: tuple, share_of: ShareOf, *, seed: int
) -> tuple[float, np.ndarray]:
    """Standard deviation of the missed share now, and after digging at the first, the first two, ... of some places.

    Parameters
    ----------
    posterior : Posterior
        With the checks that there are, or none.
    dug : Checks
        Signed, in the order of digging; what they measure is drawn, whatever they say.
    where : tuple
        Strip pass, planter pass, normal and heading of n parts of the field.
    share_of : callable
        Missed share, (draws,), where these have moved so far, (n, draws) of float32 [m].
    seed : int

    Returns
    -------
    share_sd : float
    left_sd : ndarray, shape (places,)
        Never rising.

    Notes
    -----
    The figure is `share_sd` times the root of a ratio: the mean square difference of springs paired by what they measure,
    over that of springs paired at random. So places that tell nothing leave all of it. All places are told by the same
    springs; where chance would have the figure rise, the least so far stays.
    """
    joint, known = posterior.joined(dug), len(posterior.checks.measured_m)
    told = [_Springs.of(joint, where, seed=seed, block=block).apart(known, share_of) for block in _BLOCKS]
    share_sd = float(np.std([share for share, _ in told], dtype=float))
    mean_square = np.minimum.accumulate(np.mean([squares for _, squares in told], axis=0))
    return share_sd, share_sd * np.sqrt(mean_square[1:] / max(mean_square[0], 1e-30))


@dataclass(frozen=True)
class _Springs:
    """Springs before any check, and what moves them to where the checks want them (Matheron's rule).

    `shift_m` is that of the field's parts, (n, draws), and `white` what the springs would measure, in independent
    standard normals, (checks, draws); `to_parts`, (n, checks), takes a change of these to a change of the shift.
    """

    joint: Posterior
    shift_m: np.ndarray
    to_parts: np.ndarray
    white: np.ndarray
    pick: np.ndarray
    pair: np.ndarray

    @classmethod
    def of(cls, joint: Posterior, where: tuple, *, seed: int, block: int) -> "_Springs":
        drawn, pick, noise = draws_before(joint, seed=seed, block=block)
        white = joint.whitener @ joint.simulated(drawn, noise)
        # Each spring is paired with what another measures; neighbours in the sequence are not independent.
        pair = np.random.default_rng([seed, 4, block]).permutation(BLOCK)
        shift, to_parts = drawn.shift(*where), joint.told(*where)[0]
        return cls(joint, shift.astype(np.float32), to_parts.astype(np.float32), white, pick, pair)

    def apart(self, known: int, share_of: ShareOf) -> tuple[np.ndarray, np.ndarray]:
        """Missed share given the known checks, (draws,), and mean square between pairs, given 0, 1, ... more of them."""
        prior = np.repeat(self.joint.weights[:, None], BLOCK, axis=1)
        wanted = self.joint.residual_m @ self.joint.whitener.T  # by the sides of the known checks
        own = wanted[_picked(prior, self.pick)].T
        share = share_of(self._moved(own, known))
        apart, distance = [share - share[self.pair]], np.zeros_like(prior)
        # What the spring of the pair measures, less what its own sides make of it; other sides make something else.
        measured = (self.white - own)[:, self.pair]
        measured[:known] = 0.0
        for k in range(known, len(measured)):
            distance += (wanted[:, [k]] + measured[k]) ** 2
            sides = _picked(prior * np.exp(-0.5 * (distance - distance.min(axis=0))), self.pick)
            apart.append(share_of(self._moved(wanted[sides].T + measured, k + 1)) - share[self.pair])
        return share, np.mean(np.square(apart), axis=1, dtype=float)

    def _moved(self, white: np.ndarray, count: int) -> np.ndarray:
        """Shift of the parts once the first checks say this, (n, draws) of float32 [m]."""
        pull = (white[:count] - self.white[:count]).astype(np.float32)
        return self.shift_m + self.to_parts[:, :count] @ pull


def _picked(weight: np.ndarray, pick: np.ndarray) -> np.ndarray:
    """Branch of each draw by its weights, (branches, draws), and a uniform number."""
    if len(weight) == 1:
        return np.zeros(len(pick), np.int64)
    upto = np.cumsum(weight, axis=0)
    # Rounding may leave the last sum a little below the whole.
    return np.minimum(np.sum(upto <= pick * upto[-1], axis=0), len(weight) - 1)
