"""One field as the page holds it: its map, its rows' offsets, the reduced form, and the figures in words."""

import numpy as np
import shapely

from pipeline import columns as c
from pipeline.core.offsets import ON_STRIP
from pipeline.core.page_model import COARSE_MM, PageModel
from pipeline.core.show import read_share, shift_text
from pipeline.core.thin import thin_offsets
from pipeline.core.tiering import SURVEYED
from pipeline.files.field_data import FieldData
from pipeline.files.page_code import coordinates, packed, rings, sparse, steps, whole
from pipeline.files.page_errors import clocks, errors_in_parts
from pipeline.files.settings import Settings
from pipeline.files.store import read_geo

# A row is drawn as fine as this; its offset is told apart from its place, and finer [m].
DRAWN_M, OFFSET_M = 0.1, 0.005
# ASSUME: coarser than this a map no longer shows how rows run, nor on which side of a strip's edge they lie [m].
COARSEST_DRAWN_M, COARSEST_OFFSET_M = 1.6, 0.01
PLACE_UNIT_M, BOUNDARY_UNIT_M, ALONG_UNIT_M, OFFSET_UNIT_M = 0.02, 0.1, 0.1, 0.002
# Text of one field; one that is longer is drawn coarser, as long as each step takes this part off it at least.
MOST_TEXT, WORTH_IT = 1_500_000, 0.05


def field_text(
    field: FieldData, judging: Settings, *, marks: dict, tables: list[dict], lengths: dict[str, dict[str, float]]
) -> str:
    """All that the page holds of a field, as one packed text.

    Parameters
    ----------
    field : FieldData
    judging : Settings
    marks : dict
        Places on its map: `dug` and, by tier, `next`, each of shape (n, 2) in the field's plane [m].
    tables : list of dict
        Captions, heads and lines of its tables, as `page_tables` makes them.
    lengths : dict
        By tier and class, the row length [m], as `lengths_by_class` has it.
    """
    places, errors = field.places(judging.row_margin_m), field.errors(judging)
    model = PageModel.of(field.spans, places, errors)
    boundary = read_geo(field.folder / "boundary.parquet").geometry.iloc[0]
    west, south, east, north = boundary.bounds
    origin = (round(0.5 * (west + east), 1), round(0.5 * (south + north), 1))
    said = {
        "boundary": coordinates(rings(boundary), origin=origin, unit=BOUNDARY_UNIT_M), "zones": _zones(field, origin),
        "marks": {
            "dug": _points(marks["dug"], origin), "next": {tier: _points(xy, origin) for tier, xy in marks["next"].items()},
        },
        "model": _model(model), "clocks": clocks(field), "errors": errors_in_parts(field, judging),
        "wander": next(iter(errors.values())).wander_sd_m, "machine": next(iter(errors.values())).machine_sd_m,
        "margin": judging.row_margin_m, "surveyed": judging.kind == SURVEYED, "tables": tables,
        "lengths": lengths,
        "passes": field.planter_passes[c.PASS_ID].astype(str).tolist(), "row_pass": field.rows[c.PASS].astype(int).tolist(),
        "spacing": float(field.rows[c.ROW_SPACING_M].median()) if len(field.rows) else 1.0,
        "row_unit": field.rows[c.UNIT].astype(int).tolist(),
    }  # fmt: skip
    return _fitting(said, field, model, origin)


def _fitting(said: dict, field: FieldData, model: PageModel, origin: tuple[float, float]) -> str:
    """The text as fine as it may be long: the drawing is given up first, then half of what offsets are told to."""

    def made(drawn_m: float, offset_m: float) -> str:
        finest = (drawn_m, offset_m) == (DRAWN_M, OFFSET_M)
        told = {"coarser": None if finest else {"drawn": drawn_m, "offset": offset_m}}
        return packed(said | told | _rows(field, model, origin, drawn_m=drawn_m, offset_m=offset_m))

    drawn_m, offset_m = DRAWN_M, OFFSET_M
    text = made(drawn_m, offset_m)
    while len(text) > MOST_TEXT and drawn_m < COARSEST_DRAWN_M:
        shorter = made(2.0 * drawn_m, offset_m)
        if len(shorter) > (1.0 - WORTH_IT) * len(text):
            break
        drawn_m, text = 2.0 * drawn_m, shorter
    if len(text) > MOST_TEXT:
        shorter = made(drawn_m, COARSEST_OFFSET_M)
        text = shorter if len(shorter) <= (1.0 - WORTH_IT) * len(text) else text
    return text


def _model(model: PageModel) -> dict:
    pairs, groups = model.pairs, model.groups
    return {
        "strip": pairs.strip_pass.tolist(), "planter": pairs.planter_pass.tolist(),
        "half": np.round(pairs.half_width_m, 6).tolist(), "by_pair": sparse(model.pair_m, first=model.first_mm),
        "pair": groups.pair.tolist(), "heading": groups.heading.astype(int).tolist(),
        "nx": whole(groups.normal_x, unit=1e-4).tolist(), "ny": whole(groups.normal_y, unit=1e-4).tolist(),
        "by_group": sparse(model.group_m, first=model.first_coarse_mm), "coarse": COARSE_MM,
    }  # fmt: skip


def _rows(
    field: FieldData, model: PageModel, origin: tuple[float, float], *, drawn_m: float, offset_m: float
) -> dict:
    """Lines of the planted rows, and their offsets; a run's key is its pair and heading, or -1, -2 off the strips."""
    spans, lines = field.spans, field.lines("planter")
    on = spans.kind == ON_STRIP
    key = -spans.kind.astype(np.int64)
    key[on] = 2 * model.pairs.of_place + (spans.heading[on] < 0)
    runs = thin_offsets(spans, key, tolerance_m=offset_m)
    shapes = np.asarray(shapely.simplify(lines.geometry.values, drawn_m), object)
    # A line with fewer vertices is shorter; places keep their share of it, so that its end does not run away from them.
    shorter = (shapely.length(shapes) / shapely.length(lines.geometry.values))[runs.line]
    along = runs.along_m - np.repeat(lines[c.ALONG_M].to_numpy(float)[runs.line], runs.count)
    return {
        "lines": coordinates(shapes, origin=origin, unit=PLACE_UNIT_M) | {"row": steps(field.row_of_line)},
        "runs": {
            "line": steps(runs.line), "key": steps(runs.key), "n": runs.count.tolist(),
            "along": steps(along * np.repeat(shorter, runs.count), unit=ALONG_UNIT_M),
            "offset": steps(runs.offset_m, unit=OFFSET_UNIT_M), "along_unit": ALONG_UNIT_M, "offset_unit": OFFSET_UNIT_M,
        },
    }  # fmt: skip


def _zones(field: FieldData, origin: tuple[float, float]) -> list[dict]:
    file = field.folder / "zones.parquet"
    shapes = read_geo(file).geometry if file.exists() else ()
    return [coordinates(rings(one), origin=origin, unit=BOUNDARY_UNIT_M) for one in shapes]


def _points(xy: np.ndarray, origin: tuple[float, float]) -> list:
    return np.round(np.asarray(xy, float).reshape(-1, 2) - np.array(origin), 2).tolist()


def lengths_by_class(figures: list[dict]) -> dict[str, dict[str, float]]:
    """Row length [m] by tier and class, to the millimetre: what the map's legend says while nothing else is asked.

    Rows are drawn a little off their places, so their lengths as drawn would not be those of the tables.

    Parameters
    ----------
    figures : list of dict
        The field's lines of figures, one a tier.
    """
    names = dict(zip(c.CLASSES, (c.HOLDS_M, c.DOUBT_M, c.MISSES_M, c.NO_STRIP_M, c.CROSSING_M), strict=True))
    return {
        one[c.TIER]: {kind: round(float(one[name]), 3) for kind, name in names.items()}
        for one in figures
    }


def field_summary(field: FieldData, figures: list[dict], *, units: str) -> dict:
    """What the matrix and the words about a field are made of; one entry a tier, in their order.

    Parameters
    ----------
    field : FieldData
    figures : list of dict
        The field's lines of figures, one a tier.
    units : {"us", "metric"}
        Of what it says in words.
    """
    facts, names = field.facts, (c.EXPECTED_MISS_SHARE, c.P10, c.P90)
    checked = (c.CHECKED_SHARE, c.CHECKED_SHARES[0], c.CHECKED_SHARES[2])
    east, north = facts["frame_east_m"], facts["frame_north_m"]
    return {
        "id": facts["field_id"], "farm": facts["farm"] or "", "folder": field.folder.name, "area_m2": facts["area_m2"],
        "judged_m": max(one[c.HOLDS_M] + one[c.DOUBT_M] + one[c.MISSES_M] for one in figures),
        "no_strip_m": max(one[c.NO_STRIP_M] for one in figures), "row_m": max(one[c.ROW_LENGTH_M] for one in figures),
        "moved": shift_text(east, north, units=units) if east or north else "",
        "check_count": int(max(one[c.CHECK_COUNT] for one in figures)),
        "base_unsure": any(one[c.BASE] == c.NOT_SURVEYED for one in figures), "baseline_m": facts["baseline_m"],
        "tiers": {
            one[c.TIER]: {
                "share": [_read(one[name]) for name in names], "checked": [_read(one.get(name)) for name in checked],
                "reach": one[c.REACH], "fits": _known(one.get(c.CHECKS_FIT_TIER_P)),
            }
            for one in figures
        },
    }  # fmt: skip


def _read(share: float | None) -> float | None:
    return None if _known(share) is None else read_share(float(share))


def _known(value: float | None) -> float | None:
    return None if value is None or value != value else float(value)
