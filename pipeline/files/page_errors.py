"""The return error of a field in parts that a page can put together anew under another repeatable error."""

import numpy as np

from pipeline.core.accuracy import Z95
from pipeline.core.tier import BASE_FRAME, Tier
from pipeline.core.tiering import SURVEYED, Felt, Side, made_under, strips_made_under
from pipeline.files.field_data import FieldData
from pipeline.files.settings import Settings


def errors_in_parts(field: FieldData, judging: Settings) -> dict:
    """By tier and operation, what `core.tiering` makes a field's errors of, before any repeatable error is put in.

    Returns
    -------
    dict
        By tier id, ``strip`` and ``planter``, each with `sources` (the tiers' figures at this field [m, s]), and for
        every stretch its `source`, the zones' `factor`, the number of its `start` and how much is left of the error at
        switch-on, `once` and `twice` (means of the decay and of its square).
    """
    return {
        tier: {name: _operation(field, judging, name, tier) for name in ("strip", "planter")} for tier in judging.compare
    }


def clocks(field: FieldData) -> dict:
    """Times of the stretches of both operations since the first of them [s], and their visits."""
    out = {}
    for name, side in (("strip", field.strip_side), ("planter", field.planter_side)):
        time = side.clock.time_s - min(side.clock.time_s, default=0.0)
        out[name] = {"t": np.round(time, 1).tolist(), "visit": side.clock.visit.tolist()}
    return out


def _operation(field: FieldData, judging: Settings, name: str, tier: str) -> dict:
    side = field.strip_side if name == "strip" else field.planter_side
    names = _names(side, name, tier, judging)
    site, stretches = field.site(judging), side.stretches
    if judging.kind == SURVEYED:
        stretches = stretches.converged().in_no_zone()
    felt, kinds = Felt.under(names, stretches, site.zones), list(dict.fromkeys(names))
    once, twice = np.zeros(len(names)), np.zeros(len(names))
    for number, kind in enumerate(kinds):
        mine = felt.source == number
        settling = mine & felt.settling
        if kind in judging.tiers and settling.any():
            once[settling], twice[settling] = judging.tiers[kind].start_left(felt.since_s[settling])
        once[mine & felt.lost] = twice[mine & felt.lost] = 1.0
    return {
        "sources": [_source(judging.tiers.get(kind), site) for kind in kinds], "source": felt.source.tolist(),
        "factor": np.round(felt.factor, 6).tolist(), "start": felt.start.tolist(),
        "once": np.round(once, 6).tolist(), "twice": np.round(twice, 6).tolist(),
    }  # fmt: skip


def _names(side: Side, name: str, tier: str, judging: Settings) -> list[str]:
    if judging.kind == SURVEYED:
        return [""] * len(side.tier) if name == "strip" else list(side.tier)
    return made_under(side, tier) if name == "planter" else strips_made_under(side, judging.autumn, compared=tier)


def _source(tier: Tier | None, site) -> dict:
    """A tier's figures at a field; nothing but zeros where the passes have no error."""
    if tier is None:
        return {"id": "", "R": 0.0, "P": 0.0, "T": 1.0, "start": 0.0, "base": 0.0}
    return {
        "id": tier.id, "R": round(tier.repeatable_at(site.baseline_m), 7), "P": round(tier.pass_to_pass_m, 7),
        "T": tier.correlation_time_s, "start": round(tier.start_error_m, 7),
        "base": round(site.base_shift_95_m / Z95, 7) if tier.frame == BASE_FRAME else 0.0,
    }  # fmt: skip
