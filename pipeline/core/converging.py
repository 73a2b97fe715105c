"""What receivers that have not converged cost: metres laid too early, rows they put at risk, and what waiting avoids."""

import numpy as np

from pipeline.core.returns import ReturnError
from pipeline.core.stretches import CUTS_S, Stretches
from pipeline.core.tier import Tier
from pipeline.core.what_if import PairLengths

# Waits after each start that are compared [s].
WAITS_S = tuple(60.0 * minutes for minutes in (0, 1, 2, 5, 10, 15, 20, 30, 45, 60))


def laid_early(stretches: Stretches, convergence_s: np.ndarray | float) -> np.ndarray:
    """Which stretches begin before a tier's figures hold, shape (stretches,); one time for all, or one each [s]."""
    return stretches.since_s[:, 0] < convergence_s  # never where the time is not known


def planned_miss_per_start_m(
    lengths: PairLengths, error: ReturnError, tier: Tier, *, baseline_m: float | None, row_m_per_s: float
) -> float:
    """Row length expected to miss because of one start, where no times say which rows follow it [m].

    Parameters
    ----------
    lengths : PairLengths
        Of the field: any of its rows may follow the start.
    error : ReturnError
        Without any start.
    tier : Tier
        Of the operation that starts.
    baseline_m : float or None
        Distance to the base [m].
    row_m_per_s : float
        Row length laid in a second at the operation's field capacity [m/s].

    Notes
    -----
    The rise of the expected missed share while R(t) falls, added up over the time since the start.
    """
    if lengths.total_m == 0.0:
        return 0.0
    since = np.column_stack([CUTS_S[:-1], CUTS_S[1:]])
    start_sd = tier.start_sd_m(since, baseline_m) / np.sqrt(2.0)
    settled = error.sd(lengths.strip_pass, lengths.planter_pass)
    shares = [
        lengths.missed_m(np.hypot(settled, sd)).sum() / lengths.total_m for sd in (0.0, *start_sd[start_sd > 0.0])
    ]
    seconds = np.diff(CUTS_S)[start_sd > 0.0]
    return float(np.sum((np.array(shares[1:]) - shares[0]) * seconds) * row_m_per_s)
