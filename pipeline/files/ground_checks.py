"""A field's ground checks: matched to the rows they were dug at, and what they make of the return error."""

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import shapely

from pipeline import columns as c
from pipeline.core.accuracy import Z95
from pipeline.core.checks import CheckAgreement, Checks, check_agreement
from pipeline.core.conditioning import Posterior
from pipeline.core.neighbours import laid_flat
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
        raise _no_rows(table)
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
    line = _nearest(table, k, away, pass_id)
    if not table[c.PASS_ID].iloc[k]:
        _note_guess(_named(table, k), away, line, pass_id, float(field.rows[c.ROW_SPACING_M].median()))
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
            f"{_named(table, k)} lies on a planted row that has no strip there; expected a place where a row "
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
        f"{_named(table, worst)}: measured {table[c.MEASURED_M].iloc[worst]:.3f} m, "
        f"{abs(loosest.left_out_z[worst]):.0f} standard deviations from what the field's {len(table) - 1} other checks say "
        f"even under tier {tier}: the checks contradict one another; measure again, or remove the one that is wrong"
    )


def check_dug_places(checks: gpd.GeoDataFrame, passes: gpd.GeoDataFrame) -> None:
    """Refuse checks that a run would refuse for their place or pass, by the planter's passes as they came.

    Only those twice as far as a run allows: where frames differ the run moves the rows before.

    Parameters
    ----------
    checks : GeoDataFrame
        Of one field, as `spots.read_checks` has them.
    passes : GeoDataFrame
        The planter's of that field, in any CRS.

    Raises
    ------
    InputError
        If a check lies far from all of them, or from the one that it names, or names none.
    """
    if not len(passes):
        raise _no_rows(checks)
    half_m = (0.5 * (passes[c.ROW_COUNT] - 1) * passes[c.ROW_SPACING_M]).to_numpy(float)
    shapes = [*passes.geometry, *checks.geometry.to_crs(passes.crs)]
    flat = laid_flat(np.array(shapes, object), passes.crs)
    names = passes[c.PASS_ID].astype(str).to_numpy(object)
    for k, place in enumerate(flat[len(passes) :]):
        away = np.maximum(shapely.distance(flat[: len(passes)], place) - half_m, 0.0)
        _nearest(checks, k, away, names, farthest_m=2.0 * FARTHEST_ROW_M)


def _no_rows(table: gpd.GeoDataFrame) -> InputError:
    return InputError(
        f"{_named(table, 0)} lies in a field without planted rows; expected it on a row: add the field's rows, "
        "or remove the check"
    )


def _nearest(
    table: gpd.GeoDataFrame, k: int, away: np.ndarray, pass_id: np.ndarray, *, farthest_m: float = FARTHEST_ROW_M
) -> int:
    """Number of the nearest line: of the pass that a check names, else of all; refused where it is far."""
    named = table[c.PASS_ID].iloc[k]
    if named and named not in pass_id:
        raise InputError(
            f"{_named(table, k)}: pass_id '{shown(named)}' is no planter pass of the field; "
            f"{did_you_mean(named, set(pass_id))}"
        )
    line = int(np.where((pass_id == named) | (named == ""), away, np.inf).argmin())
    if away[line] > farthest_m:
        row = f"row of pass '{shown(named)}'" if named else "planted row"
        raise InputError(
            f"{_named(table, k)} lies {away[line]:.1f} m from the nearest {row}; expected it on a row, within "
            f"{FARTHEST_ROW_M:g} m: mend its place or remove it"
        )
    return line


def _named(table: gpd.GeoDataFrame, k: int) -> str:
    return f"inputs.checks: field '{table[c.FIELD_ID].iloc[k]}', check {table[c.CHECK].iloc[k]}"
