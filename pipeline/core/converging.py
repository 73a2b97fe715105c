"""What receivers that have not converged cost: metres laid too early, rows they put at risk, and what waiting avoids."""

from collections.abc import Sequence

import numpy as np

from pipeline.core.returns import ReturnError
from pipeline.core.stretches import CUTS_S, Stretches
from pipeline.core.tier import Tier
from pipeline.core.what_if import SAME, PairLengths

# Waits after each start that are compared [s].
WAITS_S = tuple(60.0 * minutes for minutes in (0, 1, 2, 5, 10, 15, 20, 30, 45, 60))


def early_share(stretches: Stretches, convergence_s: np.ndarray | float) -> np.ndarray:
    """Share of each stretch that lies before a tier's figures hold, shape (stretches,); one time for all, or one each [s].

    Nothing where the time since the start is not known.
    """
    first, last = stretches.since_s.T
    lasts = np.maximum(last - first, 1e-9)
    return np.nan_to_num(np.clip((convergence_s - first) / lasts, 0.0, 1.0), nan=0.0)


def planned_miss_per_start_m(
    lengths: PairLengths, error: ReturnError, tier: Tier, *, baseline_m: float | None, row_m_per_s: float,
    waits_s: Sequence[float] = (0.0,),
) -> np.ndarray:  # fmt: skip
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
    waits_s : sequence of float
        Times from the start to the work [s].

    Returns
    -------
    ndarray, shape (waits,)

    Notes
    -----
    The rise of the expected missed share while R(t) falls, added up over the time since the work began.
    """
    if lengths.total_m == 0.0:
        return np.zeros(len(waits_s))
    cuts = np.column_stack([CUTS_S[:-1], CUTS_S[1:]])
    start_sd = np.concatenate([tier.start_sd_m(wait_s + cuts, baseline_m) for wait_s in waits_s]) / np.sqrt(2.0)
    whole, settled = lengths.condensed(error.sd(lengths.strip_pass, lengths.planter_pass), alike=SAME)
    felt = start_sd > 0.0
    missed = whole.missed_in_all_m(np.hypot(settled, np.r_[0.0, start_sd[felt]][:, None]))
    rise = np.zeros(len(start_sd))
    rise[felt] = (missed[1:] - missed[0]) / lengths.total_m
    return rise.reshape(len(waits_s), -1) @ np.diff(CUTS_S) * row_m_per_s
