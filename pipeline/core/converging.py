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


def planned_start_miss_m(
    lengths: PairLengths, error: ReturnError, tier: Tier, *, baseline_m: float | None, starts_per_s: float,
    waits_s: Sequence[float] = (0.0,), factor: float = 1.0,
) -> np.ndarray:  # fmt: skip
    """Row length expected to miss because of starts, where no times say which rows follow them [m].

    Parameters
    ----------
    lengths : PairLengths
        Any of their rows may follow a start.
    error : ReturnError
        Without any start.
    tier : Tier
        Of the operation that starts.
    baseline_m : float or None
        Distance to the base [m].
    starts_per_s : float
        Starts in a second of work [1/s].
    waits_s : sequence of float
        Times from the start to the work [s].
    factor : float
        On the tier's error where these rows are, of the zones that they lie in.

    Returns
    -------
    ndarray, shape (waits,)

    Notes
    -----
    The rise of the expected missing length while R(t) falls, averaged over the time from one start to the next. How large
    the field is and how fast the work goes have no part in it: each metre of row is as likely to follow a start.
    """
    if lengths.total_m == 0.0 or starts_per_s == 0.0:
        return np.zeros(len(waits_s))
    cuts_s = np.minimum(CUTS_S, 1.0 / starts_per_s)
    spans = np.column_stack([cuts_s[:-1], cuts_s[1:]])
    start_sd = np.concatenate([tier.start_sd_m(wait_s + spans, baseline_m) for wait_s in waits_s]) * factor / np.sqrt(2.0)
    whole, settled = lengths.condensed(error.sd(lengths.strip_pass, lengths.planter_pass), alike=SAME)
    felt = start_sd > 0.0
    missed = whole.missed_in_all_m(np.hypot(settled, np.r_[0.0, start_sd[felt]][:, None]))
    rise = np.zeros(len(start_sd))
    rise[felt] = missed[1:] - missed[0]
    return rise.reshape(len(waits_s), -1) @ np.diff(cuts_s) * starts_per_s
