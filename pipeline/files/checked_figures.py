"""Figures of a field after its ground checks, as columns beside those before."""

import numpy as np
import pandas as pd

from pipeline import columns as c
from pipeline.core.checked import judge_checked
from pipeline.core.odds import Judgement
from pipeline.core.pairs import Places
from pipeline.core.what_if import PairLengths
from pipeline.files.field_data import FieldData
from pipeline.files.ground_checks import GroundChecks
from pipeline.files.settings import Settings


def checked_judgements(
    field: FieldData, places: Places, checks: GroundChecks | None, judging: Settings
) -> dict[str, Judgement]:
    """Judgement of every tier after the checks; nothing where nobody dug."""
    if checks is None:
        return {}
    return {
        tier: judge_checked(
            field.spans, places, posterior, pass_of_row=field.rows[c.PASS].to_numpy(np.int64),
            passes=len(field.planter_passes), seed=judging.seed,
        )
        for tier, posterior in checks.posterior.items()
    }  # fmt: skip


def checked_rows(judged: Judgement | None, rows: int, judging: Settings) -> dict:
    """Columns of the table of rows."""
    if judged is None:
        return {name: np.full(rows, np.nan) for name in (*c.CHECKED_SUMS, *c.CHECKED_SHARES)}
    on_strips = np.maximum(judged.holds_m + judged.doubt_m + judged.misses_m, 1e-9)
    missed = (judged.expected_miss_m / on_strips > judging.row_miss_share).astype(float)
    figures = (judged.holds_m, judged.doubt_m, judged.misses_m, judged.expected_miss_m, missed)
    return dict(zip((*c.CHECKED_SUMS, *c.CHECKED_SHARES), (*figures, *judged.row_share), strict=True))


def checked_passes(judged: Judgement | None, passes: int) -> dict:
    """Columns of the table of passes."""
    shares = np.full((3, passes), np.nan) if judged is None else judged.pass_share
    return dict(zip(c.CHECKED_SHARES, shares, strict=True))


def checked_field(lengths: PairLengths, checks: GroundChecks | None, judged: dict, tier: str) -> dict:
    """Columns of the table of fields: percentiles, agreement, and the shift that all of the field has."""
    if checks is None:
        return dict.fromkeys((*c.CHECKED_SHARES, *c.CHECK_FACTS), np.nan) | {c.CHECK_COUNT: 0}
    agreed = checks.agreement[tier]
    shift = checks.posterior[tier].common_shift(
        lengths.strip_pass, lengths.planter_pass, lengths.length_m.sum(axis=1)
    )
    facts = (agreed.tier_p, agreed.among_p, *shift.mean_m[:2], *shift.sd_m[:2], shift.mean_m[2], shift.sd_m[2])
    return {
        **dict(zip(c.CHECKED_SHARES, judged[tier].field_share, strict=True)), c.CHECK_COUNT: len(checks.table),
        **dict(zip(c.CHECK_FACTS, facts, strict=True)),
    }  # fmt: skip


def shift_lines(field: FieldData, tier: str, found) -> pd.DataFrame:
    """The shift to give the planter's lines of a field, one line a direction of travel."""
    count = 0 if found is None else len(found.bearing_deg)
    return pd.DataFrame({
        c.FIELD_ID: [field.facts["field_id"]] * count, c.FARM: [field.facts["farm"]] * count, c.TIER: [tier] * count,
        **({} if found is None else {
            c.EAST_M: found.east_m, c.NORTH_M: found.north_m, c.BEARING_DEG: found.bearing_deg, c.ALONG_M: found.along_m,
            c.ACROSS_M: found.across_m, c.WHOLE: found.whole, c.SHARE_BEFORE: found.share_before,
            c.SHARE_AFTER: found.share_after,
        }),
    }).reindex(columns=c.SHIFT_COLUMNS)  # fmt: skip
