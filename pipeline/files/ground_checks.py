"""A field's ground checks: matched to the rows they were dug at, and what they make of the return error."""

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import shapely

from pipeline import columns as c
from pipeline.core.accuracy import Z95
from pipeline.core.checks import CheckAgreement, Checks, agreement
from pipeline.core.conditioning import Posterior
from pipeline.core.offsets import ON_STRIP
from pipeline.core.pairs import Places
from pipeline.core.returns import ReturnError
from pipeline.errors import InputError
from pipeline.files.field_data import FieldData

# A check that lies farther from every planted row was dug in another field, or its place is wrong [m].
FARTHEST_ROW_M = 5.0
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
        agreements = {tier: agreement(error, checks) for tier, error in errors.items()}
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
    """Span of planted row nearest to each check, and where along it the check lies, 0 to 1."""
    lines = field.lines("planter")
    shape, points = np.asarray(lines.geometry.values, object), np.asarray(table.geometry.values, object)
    number, line = shapely.STRtree(shape).query_nearest(points, all_matches=False)
    nearest = np.full(len(points), -1, np.int64)
    nearest[number] = line
    spans, out, share = field.spans, [], []
    for k, point in enumerate(points):
        away = shapely.distance(point, shape[nearest[k]]) if nearest[k] >= 0 else np.inf
        if away > FARTHEST_ROW_M:
            raise InputError(
                f"{_named(field, table, k)} lies {away:.1f} m from the nearest planted row; expected it on a row, within "
                f"{FARTHEST_ROW_M:g} m: mend its place or remove it"
            )
        along = shapely.line_locate_point(shape[nearest[k]], point) + float(lines[c.ALONG_M].iloc[nearest[k]])
        mine = np.flatnonzero((spans.row == nearest[k]) & (spans.kind == ON_STRIP))
        gap = np.maximum(np.maximum(spans.start_m[mine] - along, along - spans.end_m[mine]), 0.0)
        if not len(mine) or gap.min() > FARTHEST_ROW_M:
            raise InputError(
                f"{_named(field, table, k)} lies on a planted row that has no strip there; expected a place where a row "
                "follows a strip: mend its place or remove it"
            )
        at = mine[gap.argmin()]
        out.append(at)
        share.append(np.clip((along - spans.start_m[at]) / max(spans.end_m[at] - spans.start_m[at], 1e-9), 0.0, 1.0))
    return np.array(out, np.int64), np.array(share)


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
