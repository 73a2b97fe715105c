"""Layers of ground checks and of what to do: rows after the checks, where to dig next, lines moved to fit."""

from collections.abc import Iterable

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from pipeline import columns as c
from pipeline.core.accuracy import Z95
from pipeline.core.checked import Conditioned, FieldGroups
from pipeline.core.conditioning import Posterior
from pipeline.core.cut import SLIVER_M, cut_lines
from pipeline.core.dig_places import dig_places, spread_places
from pipeline.core.pairs import Places
from pipeline.core.pieces import checked_pieces
from pipeline.core.return_shift import shift_to_give
from pipeline.core.returns import ReturnError
from pipeline.core.tiering import PLANNED
from pipeline.files.empty_layers import columns_of
from pipeline.files.field_data import FieldData
from pipeline.files.ground_checks import GroundChecks, posteriors
from pipeline.files.laid_out import unit_columns
from pipeline.files.settings import Settings
from pipeline.files.store import read_geo

# Lines for the planter are in the CRS of its plan, all else in that of the fields (keys of crs.json).
PLACED_IN = {"checked_row_lines": "crs", "checks": "crs", "next_checks": "crs", "shifted_lines": "plan_crs"}
# ASSUME: whoever digs next measures as well as this, 95 %, where no check says how well [m].
TAPE_95_M = 0.0254
# Nobody digs at the very end of a row, where the planter lifts [m].
EDGE_M = 10.0


def advice_of(
    field: FieldData, places: Places, errors: dict[str, ReturnError], judging: Settings
) -> dict[str, gpd.GeoDataFrame]:
    """The layers of one field, in its own plane."""
    checks, plane = GroundChecks.of(field, places, errors), field.planter_lines.crs
    posterior = posteriors(errors, checks)
    groups = FieldGroups.of(field.spans, places, next(iter(errors.values())))
    out = {"next_checks": _next(field, places, groups, posterior, checks, judging)}
    if checks is not None:
        out["checks"] = _checks(field, checks)
        out["checked_row_lines"] = _rows(field, places, checks)
    if judging.kind == PLANNED:
        out["shifted_lines"] = _shifted(field, groups, posterior)
    return {kind: table.set_crs(plane, allow_override=True) for kind, table in out.items()}


def _rows(field: FieldData, places: Places, checks: GroundChecks) -> gpd.GeoDataFrame:
    """Pieces of planted row by class after the checks, tier by tier."""
    lines, names, tables = field.planter_lines, np.array(c.CLASSES, object), []
    for tier, posterior in checks.posterior.items():
        pieces, share = checked_pieces(Conditioned.of(field.spans, places, posterior))
        keep = pieces.end_m - pieces.start_m > SLIVER_M
        line, start, end = pieces.line[keep], pieces.start_m[keep], pieces.end_m[keep]
        begins = lines[c.ALONG_M].to_numpy(float)[line]
        shape = cut_lines(lines.geometry.values, line, start - begins, end - begins)
        tables.append(gpd.GeoDataFrame({
            c.FIELD_ID: field.facts["field_id"], c.TIER: tier, **_unit(field, line), c.CLASS: names[pieces.classes[keep, 0]],
            c.MISS_SHARE: share[keep], c.LENGTH_M: end - start,
        }, geometry=shape))  # fmt: skip
    return pd.concat(tables, ignore_index=True)


def _checks(field: FieldData, checks: GroundChecks) -> gpd.GeoDataFrame:
    """The checks as they came, what was expected there, and how far each stands from what the others say."""
    return checks.table.assign(
        **{c.FIELD_ID: field.facts["field_id"], c.OFFSET_M: checks.checks.offset_m},
        **{c.under(c.LEFT_OUT_Z, tier): one.left_out_z for tier, one in checks.agreement.items()},
    )[columns_of("checks", list(checks.agreement))]


def _next(
    field: FieldData, places: Places, groups: FieldGroups, posterior: dict[str, Posterior], checks: GroundChecks | None,
    judging: Settings,
) -> gpd.GeoDataFrame:
    """The places to dig next under every tier, numbered in the order in which they tell most."""
    spans, found, candidates = field.spans, [], spread_places(field.spans)
    shape = _middles(field, candidates)
    area = read_geo(field.folder / "boundary.parquet").geometry.iloc[0]
    inside = shapely.distance(shapely.boundary(area), shape) > EDGE_M
    if inside.any():
        candidates, shape = candidates[inside], shape[inside]
    where = dict(zip(candidates.tolist(), shape, strict=True))
    tape = TAPE_95_M / Z95 if checks is None else float(np.median(checks.checks.tape_sd_m))
    for one in posterior.values():
        digs = dig_places(
            spans, places, groups, one, candidates=candidates, count=judging.next_checks, tape_sd_m=tape, seed=judging.seed
        )
        found.append(digs)
    span, count = np.concatenate([one.span for one in found]), [len(one.span) for one in found]
    return gpd.GeoDataFrame({
        c.FIELD_ID: np.full(len(span), field.facts["field_id"], object), c.TIER: _repeated(posterior, count),
        c.DIG_PLACE: np.concatenate([1 + np.arange(number) for number in count]), **_unit(field, spans.row[span]),
        c.SHARE_SD: np.repeat([one.share_sd for one in found], count),
        c.LEFT_SD: np.concatenate([one.left_sd for one in found]),
    }, geometry=np.array([where[one] for one in span.tolist()], object))  # fmt: skip


def _repeated(tiers: Iterable[str], count: list[int]) -> np.ndarray:
    return np.repeat(np.array(list(tiers), object), count)


def _middles(field: FieldData, spans: np.ndarray) -> np.ndarray:
    """Points in the middle of spans."""
    lines, line = field.planter_lines, field.spans.row[spans]
    along = 0.5 * (field.spans.start_m[spans] + field.spans.end_m[spans]) - lines[c.ALONG_M].to_numpy(float)[line]
    return np.asarray(shapely.line_interpolate_point(np.asarray(lines.geometry.values, object)[line], along), object)


def _shifted(field: FieldData, groups: FieldGroups, posterior: dict[str, Posterior]) -> gpd.GeoDataFrame:
    """The planter's lines moved by the shift to give them, tier by tier."""
    plan = read_geo(field.folder / "planter_plan.parquet")
    lines, names = np.asarray(plan.geometry.values, object), plan[c.PASS_ID].astype(str).to_numpy(object)
    found = [shift_to_give(groups, one) for one in posterior.values()]
    by = np.array([(0.0, 0.0) if one is None else (one.east_m, one.north_m) for one in found])
    shapes = [shapely.transform(lines, lambda xy, by=one: xy + by) for one in by]
    count, (east, north) = [len(lines)] * len(by), by.T
    return gpd.GeoDataFrame({
        c.FIELD_ID: np.full(sum(count), field.facts["field_id"], object), c.TIER: _repeated(posterior, count),
        c.PASS_ID: np.tile(names, len(by)), c.EAST_M: np.repeat(east, count), c.NORTH_M: np.repeat(north, count),
    }, geometry=np.concatenate(shapes))  # fmt: skip


def _unit(field: FieldData, line: np.ndarray) -> dict:
    """Field, pass and row unit of planted lines."""
    return unit_columns(field, field.rows, field.planter_passes, field.row_of_line[line])
