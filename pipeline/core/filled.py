"""What the threads that judge a field fill in, each its own part: figures of rows, and what joint draws come to."""

from dataclasses import dataclass

import numpy as np

from pipeline.core.draws import FIELD_DRAWS, PASS_DRAWS, JointErrors
from pipeline.core.field_loss import LOSS_DRAWS, LossTable
from pipeline.core.pairs import Pairs


@dataclass(frozen=True)
class RowFigures:
    """Figures of planted rows under every tier; each part of the field fills in its own rows.

    Attributes
    ----------
    whole_m : ndarray, shape (rows,)
        Length on strips [m].
    holds_m, within_m : ndarray, shape (tiers, rows)
        Length that holds, and that a strip may reach [m].
    run_m : ndarray, shape (tiers, rows)
        Longest stretch on which missing is more likely than not [m].
    expected_m, anywhere_m : ndarray, shape (tiers, rows)
        Expected length off the own strip, and off any strip [m].
    share : ndarray, shape (tiers, 3, rows)
        10th, 50th and 90th percentile of the missed share.
    """

    whole_m: np.ndarray
    holds_m: np.ndarray
    within_m: np.ndarray
    run_m: np.ndarray
    expected_m: np.ndarray
    anywhere_m: np.ndarray
    share: np.ndarray

    @classmethod
    def of(cls, tiers: int, rows: int) -> "RowFigures":
        """Room for them."""
        holds, within, run, expected, anywhere = np.zeros((5, tiers, rows))
        return cls(np.zeros(rows), holds, within, run, expected, anywhere, np.zeros((tiers, 3, rows)))


@dataclass(frozen=True)
class Drawn:
    """What joint draws have come to, filled block by block.

    Attributes
    ----------
    field, waited : ndarray, shape (tiers, FIELD_DRAWS)
        Missed length of the field [m]; as losses go by it, after waiting.
    passes : ndarray of float32, shape (tiers, passes that several shifts move, PASS_DRAWS)
        Missed length [m].
    loss : ndarray, shape (tiers, LOSS_DRAWS)
        Loss of the field (unit of the curve times metre of row).
    """

    field: np.ndarray
    waited: np.ndarray
    passes: np.ndarray
    loss: np.ndarray

    @classmethod
    def of(cls, tiers: int, some: int) -> "Drawn":
        """Nothing missed and nothing lost yet."""
        field, waited = np.zeros((2, tiers, FIELD_DRAWS))
        return cls(field, waited, np.zeros((tiers, some, PASS_DRAWS), np.float32), np.zeros((tiers, LOSS_DRAWS)))

    def lose(self, k: int, draws: slice, missed_m: np.ndarray, losing: LossTable, pairs: Pairs, errors: JointErrors) -> None:
        """Put what is lost under one tier in some draws in its place, and what is missed beside it."""
        self.waited[k, draws] = missed_m
        if draws.stop <= LOSS_DRAWS:
            self.loss[k, draws] = losing.under(pairs, errors)
