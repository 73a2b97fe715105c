"""The return error of a field under each tier that is compared."""

from collections.abc import Mapping, Sequence

import numpy as np

from pipeline.core.accuracy import Z95
from pipeline.core.returns import Clock, OperationError, ReturnError
from pipeline.core.tier import Tier, TierSpread

_NO_ERROR = TierSpread(0.0, 0.0, 0.0, 1.0, False)


def return_errors(
    tiers: Mapping[str, Tier],
    *,
    compare: Sequence[str],
    autumn: str,
    kind: str,
    strips: tuple[Clock, Sequence[str]],
    rows: tuple[Clock, Sequence[str]],
    baseline_m: float | None,
    steering_95_m: tuple[float, float],
) -> dict[str, ReturnError]:
    """Return error of a field, tier by tier (DESIGN 2.1).

    Parameters
    ----------
    tiers : mapping of id to Tier
    compare : sequence of str
        Spring tiers to compare.
    autumn : str
        ``same`` as in spring, ``as_logged`` with the strips, or the id of one tier.
    kind : str
        Of the rows: planned, planted or surveyed.
    strips, rows : tuple of Clock and tier ids
        Of the strip passes and the planter passes; an id is "" where none was logged.
    baseline_m : float or None
        Distance to the base [m].
    steering_95_m : tuple of float
        95 % wander of steering and implement in autumn and spring [m].

    Returns
    -------
    dict of tier id to ReturnError

    Notes
    -----
    Surveyed rows lie where the survey says, so the planter's tier has no part in them: both visits' error
    shrinks to one visit with the survey's own tier, and to none where no tier is given. They carry no
    steering either: what the planter did is in the survey.
    """
    wander = float(np.hypot(*steering_95_m)) / Z95
    if kind == "surveyed":
        survey = [_spread(tiers, name, "", baseline_m) for name in rows[1]]
        none = [_NO_ERROR] * len(strips[1])
        error = ReturnError(OperationError.under(strips[0], none), OperationError.under(rows[0], survey))
        return {name: error for name in compare}
    out = {}
    for name in compare:
        logged = strips[1] if autumn == "as_logged" else [name if autumn == "same" else autumn] * len(strips[1])
        before = [_spread(tiers, tier, name, baseline_m) for tier in logged]
        after = [_spread(tiers, name, name, baseline_m)] * len(rows[1])
        out[name] = ReturnError(
            OperationError.under(strips[0], before), OperationError.under(rows[0], after), wander_sd_m=wander
        )
    return out


def _spread(tiers: Mapping[str, Tier], name: str, otherwise: str, baseline_m: float | None) -> TierSpread:
    tier = tiers.get(name or otherwise)
    return _NO_ERROR if tier is None else tier.spread(baseline_m)
