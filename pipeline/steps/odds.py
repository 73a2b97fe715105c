"""Every tier's class lengths, expected missing rows and percentiles, per row, pass and field."""

from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd

from pipeline import columns as c
from pipeline.core.checked import FieldGroups
from pipeline.core.odds import Judgement, apart_lengths, judge
from pipeline.core.pairs import Places
from pipeline.core.return_shift import shift_to_give
from pipeline.core.returns import ReturnError
from pipeline.core.tier import Tier
from pipeline.core.tiering import PLANNED
from pipeline.files.asked import Asked
from pipeline.files.audit_table import audit_of
from pipeline.files.checked_figures import checked_field, checked_judgements, checked_passes, checked_rows, shift_lines
from pipeline.files.field_data import FieldData
from pipeline.files.ground_checks import GroundChecks, posteriors
from pipeline.files.kept import Kept
from pipeline.files.log import LOG, WORK, run_step
from pipeline.files.progress import counted
from pipeline.files.settings import Settings, fields_of
from pipeline.files.stacked import stacked
from pipeline.files.store import hash_of_files, listed_folder, write_frame

_TABLES = ("rows", "passes", "fields", "waiting", "shift", "audit", "losses")


def run(
    *, passes: Path, offsets: Path, tiers: Path, losses: Path, out: Path, kept: Kept | None = None
) -> None:
    """Judge all fields of a batch.

    Parameters
    ----------
    passes, offsets : Path
        Folders of those steps.
    tiers, losses : Path
        Settings.
    out : Path
        Folder to fill with rows, passes and field figures.
    kept : Kept, optional
        What was computed before.
    """
    judging = Settings.read(tiers, losses=losses)
    tables: dict[str, list[pd.DataFrame]] = {name: [] for name in _TABLES}
    for folder in counted(fields_of(passes), "odds", "fields", log=LOG):
        make = partial(_judge, folder, offsets, judging)
        made_of = hash_of_files(folder, offsets / f"{folder.name}.parquet")
        for name, table in (kept.tables(folder.name, made_of, make) if kept else make()).items():
            tables[name].append(table)
    with listed_folder(out) as filled:
        for name, parts in tables.items():
            write_frame(filled / f"{name}.parquet", pd.concat(parts, ignore_index=True) if parts else pd.DataFrame())


def _judge(folder: Path, offsets: Path, judging: Settings) -> dict[str, pd.DataFrame]:
    LOG.debug("odds: %s", folder.name)
    return _judge_field(FieldData.read(folder, offsets), judging)


def _judge_field(field: FieldData, judging: Settings) -> dict[str, pd.DataFrame]:
    places = field.places(judging.row_margin_m)
    errors = field.errors(judging)
    rows = len(field.rows)
    no_strip, crossing = apart_lengths(field.spans, places.row, rows)
    spacing = field.strips[c.ROW_SPACING_M].median() if len(field.strips) else 1.0
    asked = Asked(field, judging, places, errors)
    judged = judge(
        field.spans, places, errors, pass_of_row=field.rows[c.PASS].to_numpy(np.int64),
        passes=len(field.planter_passes), spacing_m=float(spacing), seed=judging.seed,
        response=judging.response, waited=asked.waited,
    )  # fmt: skip
    checks = GroundChecks.of(field, places, errors)
    checked = checked_judgements(field, places, checks, judging)
    whole = np.bincount(places.row, field.spans.length_m, rows)
    base = {
        c.FIELD_ID: np.full(rows, field.facts["field_id"], object), c.FARM: field.facts["farm"], c.ROW: np.arange(rows),
        c.PASS: field.rows[c.PASS].to_numpy(), c.UNIT: field.rows[c.UNIT].to_numpy(),
        c.TIGHT: field.rows[c.TIGHT].to_numpy(bool),
        c.PASS_ID: field.planter_passes[c.PASS_ID].to_numpy(object)[field.rows[c.PASS].to_numpy(int)],
        c.ROW_LENGTH_M: whole, c.NO_STRIP_M: no_strip, c.CROSSING_M: crossing,
        c.OUTSIDE_M: field.rows[c.OUTSIDE_M].to_numpy(),
    }  # fmt: skip
    return {
        "rows": stacked(
            base | _rows(tier, one, judging) | asked.by_row(tier) | checked_rows(checked.get(tier), rows, judging)
            for tier, one in judged.items()
        ),
        "passes": stacked(
            _passes(field, tier, one) | checked_passes(checked.get(tier), len(field.planter_passes))
            for tier, one in judged.items()
        ),
        "fields": pd.DataFrame([
            _field(field, tier, one, judging) | more | checked_field(asked.lengths, checks, checked, tier)
            for (tier, one), more in zip(judged.items(), asked.by_tier(), strict=True)
        ]),
        "waiting": asked.waiting(), "shift": _shift(field, places, checks, errors, judging),
        "audit": audit_of(field, places, errors, judging), "losses": _losses(asked, judged),
    }  # fmt: skip


def _rows(tier: str, one: Judgement, judging: Settings) -> dict:
    on_strips = one.holds_m + one.doubt_m + one.misses_m
    share = one.expected_miss_m / np.maximum(on_strips, 1e-9)
    return {
        c.TIER: tier, c.HOLDS_M: one.holds_m, c.DOUBT_M: one.doubt_m, c.MISSES_M: one.misses_m,
        c.EXPECTED_MISS_M: one.expected_miss_m, c.MISS_ANY_M: one.expected_miss_any_m,
        c.P10: one.row_share[0], c.P50: one.row_share[1], c.P90: one.row_share[2],
        c.ROWS_MISSED: (share > judging.row_miss_share).astype(int), c.LONGEST_RUN_M: one.longest_miss_run_m,
    }  # fmt: skip


def _passes(field: FieldData, tier: str, one: Judgement) -> dict:
    passes = len(field.planter_passes)
    return {
        c.FIELD_ID: np.full(passes, field.facts["field_id"], object), c.TIER: tier, c.PASS: np.arange(passes),
        c.P10: one.pass_share[0], c.P50: one.pass_share[1], c.P90: one.pass_share[2],
    }  # fmt: skip


def _field(field: FieldData, tier: str, one: Judgement, judging: Settings) -> dict:
    baseline = field.facts["baseline_m"]
    return {
        c.FIELD_ID: field.facts["field_id"], c.FARM: field.facts["farm"], c.TIER: tier,
        c.P10: one.field_share[0], c.P50: one.field_share[1], c.P90: one.field_share[2],
        c.REPEATABLE_95_M: judging.tiers[tier].repeatable_at(baseline), c.BASELINE_M: baseline,
        c.REACH: _reach(judging.tiers[tier], baseline),
        c.FRAME_EAST_M: field.facts["frame_east_m"], c.FRAME_NORTH_M: field.facts["frame_north_m"],
        c.STRIP_OUTSIDE_M: float(field.strips[c.OUTSIDE_M].sum()), c.AREA_M2: field.facts["area_m2"],
    }  # fmt: skip


def _losses(asked: Asked, judged: dict[str, Judgement]) -> pd.DataFrame:
    """What the choice of a tier goes by, after the waiting that it pays for; no lines where nothing is to be chosen."""
    field, judging = asked.field, asked.judging
    # ASSUME: rows of two spacings in one field lose alike by area, so that the mean spacing will do.
    spacing = field.rows[c.ROW_SPACING_M].mean() if len(field.rows) else 1.0
    return pd.DataFrame([
        {
            c.FIELD_ID: field.facts["field_id"], c.FARM: field.facts["farm"], c.TIER: tier,
            c.AREA_M2: field.facts["area_m2"], c.REACH: _reach(judging.tiers[tier], field.facts["baseline_m"]),
            c.BASELINE_M: field.facts["baseline_m"],
            c.JUDGED_M: (one.holds_m + one.doubt_m + one.misses_m).sum(),
            c.EXPECTED_MISS_M: asked.missed_after_waiting_m(tier, one.expected_miss_m.sum()),
            c.LOSS: spacing * one.loss.expected, c.LOSS_OWN: spacing * one.loss.expected_own, c.BEYOND_M: one.loss.beyond_m,
            c.LOSS_BEYOND: spacing * one.loss.beyond,
            c.LOSS_LEVELS: (spacing * one.loss.levels).astype(np.float32),
            c.MISSED_LEVELS: one.loss.missed_levels_m.astype(np.float32),
        }
        for tier, one in judged.items() if one.loss is not None
    ], columns=c.LOSSES)  # fmt: skip


def _reach(tier: Tier, baseline_m: float | None) -> str:
    """Whether the base is near enough; nobody knows where a tier has a range and no base is given."""
    if tier.range_m is not None and baseline_m is None:
        return c.REACH_UNKNOWN
    return c.IN_REACH if tier.in_reach(baseline_m) else c.OUT_OF_REACH


def _shift(
    field: FieldData, places: Places, checks: GroundChecks | None, errors: dict[str, ReturnError], judging: Settings
) -> pd.DataFrame:
    """The shift to give the planter's lines under every tier; none where they are in the ground already."""
    if judging.kind != PLANNED:
        return shift_lines(field, "", None)
    groups, posterior = FieldGroups.of(field.spans, places, next(iter(errors.values()))), posteriors(errors, checks)
    tables = [shift_lines(field, tier, shift_to_give(groups, one)) for tier, one in posterior.items()]
    return pd.concat(tables, ignore_index=True)


if __name__ == "__main__":
    job = snakemake  # type: ignore[name-defined]  # noqa: F821
    run_step(
        lambda: run(
            passes=Path(job.input.passes).parent, offsets=Path(job.input.offsets).parent, tiers=Path(job.input.tiers),
            losses=Path(job.input.losses), out=Path(job.output[0]).parent,
            kept=Kept.of_step("odds", Path(job.input.tiers), Path(job.input.losses), work=Path(WORK)),
        ),
        log=job.log[0],
    )  # fmt: skip
