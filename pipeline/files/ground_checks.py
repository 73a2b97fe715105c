"""A field's ground checks: matched to the rows they were dug at, and what they make of the return error."""

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import shapely

from pipeline import columns as c
from pipeline.core.accuracy import Z95
from pipeline.core.checks import CheckAgreement, Checks, check_agreement
from pipeline.core.conditioning import Posterior
from pipeline.core.offsets import ON_STRIP
from pipeline.core.pairs import Places
from pipeline.core.returns import ReturnError
from pipeline.errors import InputError, did_you_mean
from pipeline.files.field_data import FieldData
from pipeline.files.log import LOG
from pipeline.files.texts import shown

# A check that lies farther from every planted row was dug in another field, or its place is wrong [m].
FARTHEST_ROW_M = 5.0
# Where a row of another pass is farther by fewer row spacings than this, the pass of a check is a guess.
NEAR_ROWS = 2.0
# Checks that deny each other more than this, whatever the tier, are a slip of a tape or a pen.
CONTRADICTION_P = 1e-6


@dataclass(frozen=True)
class GroundChecks:
    """Checks of one field, the posterior under every tier, and how well they agree.

    Attributes
    ----------
    table : GeoDataFrame
        Of the checks as they came, in the field's plane.
    span : ndarray of int
        Span that each was dug at.
    checks : Checks
    posterior : dict of tier id to Posterior
    agreement : dict of tier id to CheckAgreement
    """

    table: gpd.GeoDataFrame
    span: np.ndarray
    checks: Checks
    posterior: dict[str, Posterior]
    agreement: dict[str, CheckAgreement]

    @classmethod
    def of(cls, field: FieldData, places: Places, errors: dict[str, ReturnError]) -> "GroundChecks | None":
        """The checks of a field; None where nobody dug.

        Raises
        ------
        InputError
            If a check lies far from every planted row or where there is no strip, or the checks contradict one another.
        """
        table = field.checks()
        if table is None or not len(table):
            return None
        span, share = _spans_at(field, table)
        checks = _as_checks(field, places, table, span, share)
        agreements = {tier: check_agreement(error, checks) for tier, error in errors.items()}
        _check_contradiction(field, table, agreements)
        return cls(table, span, checks, {tier: Posterior.of(e, checks) for tier, e in errors.items()}, agreements)


def posteriors(errors: dict[str, ReturnError], checks: GroundChecks | None) -> dict[str, Posterior]:
    """Posterior under every tier; the prior itself where nobody dug."""
    if checks is not None:
        return checks.posterior
    none, whole = np.zeros(0), np.zeros(0, np.int64)
    nobody = Checks(whole, whole, np.zeros((0, 2)), none, none, none, np.zeros(0, bool), none)
    return {tier: Posterior.of(error, nobody) for tier, error in errors.items()}


def _spans_at(field: FieldData, table: gpd.GeoDataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Span of planted row that each check was dug at, and where along it the check lies, 0 to 1."""
    lines = field.planter_lines
    if not len(lines):
        raise InputError(
            f"{_named(field, table, 0)} lies in a field without planted rows; expected it on a row: add the field's rows, "
            "or remove the check"
        )
    passes = field.planter_passes[c.PASS_ID].astype(str).to_numpy(object)
    number = field.rows[c.PASS].to_numpy(np.int64)[field.row_of_line]
    found = [
        _span_at(field, table, k, lines, _line_at(field, table, k, lines, passes[number])) for k in range(len(table))
    ]
    span, share = zip(*found, strict=True)
    return np.array(span, np.int64), np.array(share)


def _line_at(field: FieldData, table: gpd.GeoDataFrame, k: int, lines: gpd.GeoDataFrame, pass_id: np.ndarray) -> int:
    """Planted line nearest to a check: of the pass that the check names, else of all."""
    away = shapely.distance(np.asarray(lines.geometry.values, object), table.geometry.iloc[k])
    named = table[c.PASS_ID].iloc[k]
    if named and named not in pass_id:
        raise InputError(
            f"{_named(field, table, k)}: pass_id '{shown(named)}' is no planter pass of the field; "
            f"{did_you_mean(named, set(pass_id))}"
        )
    line = int(np.where((pass_id == named) | (named == ""), away, np.inf).argmin())
    if away[line] > FARTHEST_ROW_M:
        row = f"row of pass '{shown(named)}'" if named else "planted row"
        raise InputError(
            f"{_named(field, table, k)} lies {away[line]:.1f} m from the nearest {row}; expected it on a row, within "
            f"{FARTHEST_ROW_M:g} m: mend its place or remove it"
        )
    if not named:
        _note_guess(_named(field, table, k), away, line, pass_id, float(field.rows[c.ROW_SPACING_M].median()))
    return line


def _note_guess(check: str, away: np.ndarray, line: int, pass_id: np.ndarray, spacing_m: float) -> None:
    """Say so where the check may as well have been dug at a row of the pass beside it."""
    other = int(np.where(pass_id == pass_id[line], np.inf, away).argmin())
    near = min(FARTHEST_ROW_M, away[line] + NEAR_ROWS * spacing_m)
    if pass_id[other] != pass_id[line] and away[other] < near:
        LOG.warning(
            "note: %s lies %.2f m from a row of pass '%s' and %.2f m from one of pass '%s': that it was dug at the first is "
            "a guess, which a pass_id on the check would settle",
            check, away[line], shown(pass_id[line]), away[other], shown(pass_id[other]),
        )  # fmt: skip


def _span_at(
    field: FieldData, table: gpd.GeoDataFrame, k: int, lines: gpd.GeoDataFrame, line: int
) -> tuple[int, float]:
    """Span of a planted line that a check lies at, and where along it, 0 to 1."""
    spans = field.spans
    along = shapely.line_locate_point(lines.geometry.iloc[line], table.geometry.iloc[k]) + float(lines[c.ALONG_M].iloc[line])
    mine = np.flatnonzero((spans.row == line) & (spans.kind == ON_STRIP))
    gap = np.maximum(np.maximum(spans.start_m[mine] - along, along - spans.end_m[mine]), 0.0)
    if not len(mine) or gap.min() > FARTHEST_ROW_M:
        raise InputError(
            f"{_named(field, table, k)} lies on a planted row that has no strip there; expected a place where a row "
            "follows a strip: mend its place or remove it"
        )
    at = int(mine[gap.argmin()])
    return at, float(np.clip((along - spans.start_m[at]) / max(spans.end_m[at] - spans.start_m[at], 1e-9), 0.0, 1.0))


def _as_checks(field: FieldData, places: Places, table: gpd.GeoDataFrame, span: np.ndarray, share: np.ndarray) -> Checks:
    at = field.spans.take(span)
    return Checks(
        places.strip_pass[span], places.planter_pass[span], np.column_stack([at.normal_x, at.normal_y]),
        at.heading.astype(float), at.offset0_m + share * (at.offset1_m - at.offset0_m),
        table[c.MEASURED_M].to_numpy(float), table[c.SIGNED].to_numpy(bool), table[c.TAPE_ERROR_M].to_numpy(float) / Z95,
    )  # fmt: skip


def _check_contradiction(field: FieldData, table: gpd.GeoDataFrame, agreements: dict[str, CheckAgreement]) -> None:
    tier, loosest = max(agreements.items(), key=lambda item: np.nan_to_num(item[1].among_p, nan=1.0))
    if np.nan_to_num(loosest.among_p, nan=1.0) >= CONTRADICTION_P:
        return
    worst = int(np.argmax(np.abs(loosest.left_out_z)))
    raise InputError(
        f"{_named(field, table, worst)}: measured {table[c.MEASURED_M].iloc[worst]:.3f} m, "
        f"{abs(loosest.left_out_z[worst]):.0f} standard deviations from what the field's {len(table) - 1} other checks say "
        f"even under tier {tier}: the checks contradict one another; measure again, or remove the one that is wrong"
    )


def _named(field: FieldData, table: gpd.GeoDataFrame, k: int) -> str:
    return f"inputs.checks: field '{field.facts['field_id']}', check {table[c.CHECK].iloc[k]}"
