"""Implement passes to the lines of their row units, in each field's own plane, cut to the field."""

from collections.abc import Sequence
from dataclasses import astuple
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from pipeline import columns as c
from pipeline.core.cut import before_in_owner
from pipeline.core.line_ends import without_turned_ends
from pipeline.core.local import local_crs, to_geographic, to_local
from pipeline.core.order import clock_of
from pipeline.core.passes import beside, clip_lines, unit_distances
from pipeline.core.planter import plan_passes
from pipeline.core.regains import ReceiverWays, by_signal, regains
from pipeline.core.signals import Regain
from pipeline.core.stretches import cut_at_shares, cut_at_zones, parts_along, shares_of_pass
from pipeline.errors import CheckError, in_field
from pipeline.files.fields import field_folder
from pipeline.files.log import LOG, run_step
from pipeline.files.own_strip import LaidSide, own_strip_columns
from pipeline.files.planter_side import check_one_bar, frame_of, shift_into_frame
from pipeline.files.progress import counted
from pipeline.files.stacked import stacked
from pipeline.files.store import listed_folder, read_geo, read_json, to_json, write_bytes, write_frame

# Row length inside and outside the field against that of the lines laid out: so much may be lost to rounding, where lines
# run along a boundary. A row that is lost is more, in any field.
_LOST_M, _LOST_SHARE = 0.1, 1e-4


def run(*, batch: Path, settings: Path, out: Path) -> None:
    """Lay out the rows and strips of every field of a batch.

    Parameters
    ----------
    batch : Path
        Folder of the batch as `intake` wrote it.
    settings : Path
        geometry.json.
    out : Path
        Folder to fill, one folder a field.
    """
    geometry = read_json(settings)
    layers = {path.stem: read_geo(path) for path in sorted(batch.glob("*.parquet"))}
    fields = layers.pop("fields")
    with listed_folder(out) as filled:
        for number in counted(range(len(fields)), "passes", "fields", log=LOG):
            field = fields.iloc[number]
            mine = {name: layer[layer[c.FIELD_ID] == field[c.FIELD_ID]] for name, layer in layers.items()}
            LOG.debug("passes: field %s", field[c.FIELD_ID])
            _lay_out(field, fields.crs, mine, geometry, filled / field_folder(field[c.FIELD_ID]))


def _lay_out(field: pd.Series, crs, mine: dict[str, gpd.GeoDataFrame], geometry: dict, out: Path) -> None:
    wkt = crs.to_wkt()
    centre = shapely.centroid(to_geographic(np.array([field.geometry]), wkt)[0])
    local = local_crs(round(centre.x, 7), round(centre.y, 7))
    area = to_local(np.array([field.geometry]), wkt, local)[0]
    strips = _implement_passes(mine["strips"], local, geometry["capacity_autumn_m2_s"])
    if geometry["planter"] is not None:
        rows = _planned_passes(strips, geometry["planter"], geometry["capacity_spring_m2_s"])
    else:
        rows = _implement_passes(mine["rows"], local, geometry["capacity_spring_m2_s"])
    shift = shift_into_frame(frame_of(strips), frame_of(rows), (centre.x, centre.y))
    facts = {
        "field_id": field[c.FIELD_ID], "farm": field.get(c.FARM) or "", "area_m2": area.area,
        "baseline_m": None if pd.isna(field[c.BASELINE_M]) else float(field[c.BASELINE_M]),
        "base_surveyed": bool(field[c.BASE_SURVEYED]), "zones": _zones_said(mine.get("zones")),
        "longitude": centre.x, "latitude": centre.y, "frame_east_m": shift[0], "frame_north_m": shift[1],
        "frames": _frames_said(strips, rows),
    }  # fmt: skip
    zones = list(to_local(mine["zones"].geometry.values, wkt, local)) if "zones" in mine else []
    barred = [(said[c.TIER], zone) for said, zone in zip(facts["zones"], zones, strict=True) if said[c.UNAVAILABLE]]
    passes = {"strip": strips, "planter": rows}
    regained = {name: regains(_ways(one), barred) if geometry["converging"] else () for name, one in passes.items()}
    facts["regains"] = {name: [list(astuple(one)) for one in found] for name, found in regained.items()}
    moved = {"strip": (0.0, 0.0), "planter": shift}
    sides = {
        name: LaidSide(one, *_row_units(
            one, area, zones, moved[name], converging=geometry["converging"], regained=regained[name],
            field_id=field[c.FIELD_ID],
        )) for name, one in passes.items()
    }  # fmt: skip
    # A planter that follows the strips has the nearest for its own, unless a difference of frames then takes it away.
    led = geometry["planter"] is not None
    by_pass_id = geometry["own_strip"] == "pass_id" and not led
    with in_field(field[c.FIELD_ID]):
        lines = own_strip_columns(sides, by_pass_id=by_pass_id, led_by_m=shift if led and shift != (0.0, 0.0) else None)
    for name, side in sides.items():
        write_frame(out / f"{name}_passes.parquet", side.passes.drop(columns="geometry"))
        write_frame(out / f"{name}_units.parquet", side.units)
        write_frame(out / f"{name}_stretches.parquet", side.stretches)
        write_frame(out / f"{name}_lines.parquet", lines[name].set_crs(local, allow_override=True))
    write_frame(out / "boundary.parquet", gpd.GeoDataFrame(geometry=[area], crs=local))
    if zones:
        write_frame(out / "zones.parquet", gpd.GeoDataFrame(geometry=zones, crs=local))
    if geometry["planned"]:
        write_frame(out / "planter_plan.parquet", rows[[c.PASS_ID, "geometry"]])
    if "checks" in mine:
        checks = mine["checks"].drop(columns="geometry").reset_index(drop=True)
        at = to_local(mine["checks"].geometry.values, wkt, local)
        write_frame(out / "checks.parquet", gpd.GeoDataFrame(checks, geometry=at, crs=local))
    write_bytes(out / "field.json", to_json(facts))


def _implement_passes(layer: gpd.GeoDataFrame, local, capacity_m2_s: float) -> gpd.GeoDataFrame:
    """One line a pass in the field's plane, with its middle time and visit."""
    shape = to_local(layer.geometry.values, layer.crs.to_wkt(), local)
    parts, owner = shapely.get_parts(shape, return_index=True)
    parts = shapely.remove_repeated_points(parts)
    whole = shapely.length(parts) > 0
    passes = layer.drop(columns="geometry").iloc[owner[whole]].reset_index(drop=True)
    parts, owner = without_turned_ends(parts[whole]), owner[whole]
    length = shapely.length(parts)
    # Parts of one pass share its time by length.
    total = np.bincount(owner, length, len(layer))[owner]
    before = before_in_owner(length, owner)
    begun, lasts = passes[c.STARTED_S].copy(), passes[c.ENDED_S] - passes[c.STARTED_S]
    passes[c.STARTED_S], passes[c.ENDED_S] = begun + before / total * lasts, begun + (before + length) / total * lasts
    out = gpd.GeoDataFrame(passes, geometry=parts, crs=local)
    return _with_clock(out, capacity_m2_s)


def _with_clock(passes: gpd.GeoDataFrame, capacity_m2_s: float) -> gpd.GeoDataFrame:
    middle = 0.5 * (passes[c.STARTED_S] + passes[c.ENDED_S]).to_numpy(float)
    width = (passes[c.ROW_COUNT] * passes[c.ROW_SPACING_M]).to_numpy(float)
    if len(passes) == 0:
        return passes.assign(**{c.TIME_S: middle, c.VISIT: 0})
    clock = clock_of(passes.geometry.to_numpy(), middle, width_m=width, capacity_m2_s=capacity_m2_s)
    return passes.assign(**{c.TIME_S: clock.time_s, c.VISIT: clock.visit})


def _planned_passes(strips: gpd.GeoDataFrame, planter: dict, capacity_m2_s: float) -> gpd.GeoDataFrame:
    """The planter's passes after the strips, or on their grid, where rows are left out."""
    if len(strips) == 0:
        return strips.copy()
    spacing = float(strips[c.ROW_SPACING_M].iloc[0])
    check_one_bar(strips, planter["row_spacing_m"])
    bar_rows = int(strips[c.ROW_COUNT].iloc[0])
    rows = int(planter["row_count"] or bar_rows)
    plan = plan_passes(strips.geometry.to_numpy(), bar_rows=bar_rows, planter_rows=rows, spacing_m=spacing)
    led = strips.iloc[plan.leader].reset_index(drop=True)
    times = dict.fromkeys((c.STARTED_S, c.ENDED_S, c.START_S), np.nan)
    led = led.assign(**{c.ROW_COUNT: rows, c.ROW_SPACING_M: spacing, c.TIER: "", c.SIGNAL_LOST: False, **times})
    if planter["frame"] is not None:  # its receiver takes the strips' coordinates for coordinates of its own frame
        led = led.assign(**{c.FRAME: planter["frame"], c.EPOCH: planter["epoch"]})
    parts, owner = shapely.get_parts(plan.line, return_index=True)
    long = shapely.length(parts) > 0.0  # what is cut out of a fold may leave a place
    parts, owner = parts[long], owner[long]
    led = led.iloc[owner].reset_index(drop=True)
    number = led.groupby(c.PASS_ID, sort=False).cumcount().astype(str)
    many = led[c.PASS_ID].duplicated(keep=False)
    led[c.PASS_ID] = led[c.PASS_ID].where(~many, led[c.PASS_ID] + "." + number)
    return _with_clock(gpd.GeoDataFrame(led, geometry=parts, crs=strips.crs), capacity_m2_s)


def _frames_said(strips: gpd.GeoDataFrame, rows: gpd.GeoDataFrame) -> list:
    return [list(frame) if (frame := frame_of(layer)) else None for layer in (strips, rows)]


def _ways(passes: gpd.GeoDataFrame) -> ReceiverWays:
    times = (passes[name].to_numpy(float) for name in (c.STARTED_S, c.ENDED_S, c.START_S))
    names = (passes[name].tolist() for name in (c.MACHINE, c.TIER))
    return ReceiverWays(passes.geometry.values, *times, _starts(passes), *names, passes[c.SIGNAL_LOST].to_numpy(bool))


def _starts(passes: gpd.GeoDataFrame) -> np.ndarray:
    """Number of the start that each pass follows: machines that are switched on at one moment have each their own."""
    return passes.groupby([c.MACHINE, c.START_S], dropna=False, sort=True).ngroup().to_numpy(np.int64)


def _zones_said(zones: gpd.GeoDataFrame | None) -> list[dict]:
    """Tier, factor and availability of each zone of the field."""
    return [] if zones is None else zones[[c.TIER, c.FACTOR, c.UNAVAILABLE]].to_dict("records")


def _row_units(
    passes: gpd.GeoDataFrame, area: shapely.Geometry, zones: list, shift_m: tuple[float, float], *, converging: bool,
    regained: Sequence[Regain], field_id: str,
) -> tuple[pd.DataFrame, gpd.GeoDataFrame, pd.DataFrame]:
    """Row units of all passes; their lines, cut to the field and into stretches, moved by `shift_m`; the stretches.

    Cutting comes first: the boundary and the zones are drawn on the ground, in nobody's frame.
    """
    pieces, tables, laid_m, before = [], [], [], 0
    shapes, counts, spacing_m = (passes[name].to_numpy() for name in ("geometry", c.ROW_COUNT, c.ROW_SPACING_M))
    since_s, start_s = np.full((len(passes), 2), np.nan), passes[c.START_S].to_numpy(float)
    if converging:
        since_s = (passes[[c.STARTED_S, c.ENDED_S]].sub(passes[c.START_S], axis=0)).to_numpy(float)
    start = _starts(passes)
    back_s = {number: by_signal([one for one in regained if one.start == number]) for number in np.unique(start).tolist()}
    for number in range(len(passes)):
        units, tight = beside(shapes[number], unit_distances(int(counts[number]), float(spacing_m[number])))
        laid_m.append(_finite_lengths(units, field_id))
        tables.append({c.PASS: np.full(len(units), number), c.UNIT: np.arange(len(units)), c.TIGHT: tight})
        shares, times = shares_of_pass(tuple(since_s[number]), [one - start_s[number] for one in back_s[start[number]]])
        cut, unit, bit = cut_at_shares(units, shares)
        pieces.append((cut, unit + before, np.full(len(cut), number), times[bit], times[bit + 1]))
        before += len(units)
    table = stacked(tables) if tables else pd.DataFrame({c.PASS: [], c.UNIT: [], c.TIGHT: []})
    nothing = [np.zeros(0, kind) for kind in (object, np.int64, np.int64, float, float)]
    cut, unit, of_pass, *since = (np.concatenate(column) for column in zip(*pieces, strict=True)) if pieces else nothing
    lines, owner, outside = clip_lines(cut, area)
    parts, line, inside = cut_at_zones(lines, zones)
    owner = owner[line]
    table[c.OUTSIDE_M] = np.bincount(unit, outside, len(table))
    inside_m = np.bincount(unit[owner], shapely.length(parts), len(table))
    _check_lengths(np.concatenate(laid_m) if laid_m else inside_m, inside_m + table[c.OUTSIDE_M].to_numpy(), field_id)
    key = pd.DataFrame({
        c.PASS: of_pass[owner], c.SINCE0_S: since[0][owner], c.SINCE1_S: since[1][owner],
        c.ZONES: [",".join(map(str, mine)) for mine in inside],
    }).astype({c.ZONES: object})  # fmt: skip
    stretches, stretch = _numbered(key, start)
    part, along = parts_along(parts, unit[owner])
    if shift_m != (0.0, 0.0):
        parts = shapely.transform(parts, lambda xy: xy + np.array(shift_m))
    for name in (c.ROW_SPACING_M, c.STRIP_WIDTH_M):
        table[name] = passes[name].to_numpy()[table[c.PASS].to_numpy(int)] if len(passes) else []
    columns = {c.ROW: unit[owner], c.PART: part, c.ALONG_M: along, c.STRETCH: stretch}
    return table, gpd.GeoDataFrame(columns, geometry=parts), stretches


def _finite_lengths(lines: np.ndarray, field_id: str) -> np.ndarray:
    """Lengths of the lines of row units [m]; one with a coordinate that is no number would be lost without a word."""
    length = shapely.length(lines)
    if not np.isfinite(length).all():
        raise CheckError(
            f"field '{field_id}': the line of a row unit has coordinates that are no numbers; "
            "this is a fault of ours, please report it with the field's strips and rows"
        )
    return length


def _check_lengths(laid_m: np.ndarray, found_m: np.ndarray, field_id: str) -> None:
    """Hold what each row has inside and outside of the field against the line that was laid out for it."""
    gap = float(np.abs(laid_m - found_m).sum())
    if gap > _LOST_M + _LOST_SHARE * float(laid_m.sum()):
        raise CheckError(
            f"field '{field_id}': rows of {laid_m.sum():.2f} m were laid out, and {found_m.sum():.2f} m of them are told as "
            "inside or outside the field; this is a fault of ours, please report it with the field's strips and rows"
        )


def _numbered(key: pd.DataFrame, start: np.ndarray) -> tuple[pd.DataFrame, np.ndarray]:
    """The stretches of all passes, one at least of each, and which one each line is of; `start` is by pass."""
    whole = pd.DataFrame({c.PASS: np.arange(len(start)), c.SINCE0_S: np.nan, c.SINCE1_S: np.nan, c.ZONES: ""})
    bare = whole[~whole[c.PASS].isin(key[c.PASS])]
    both = pd.concat([key, bare], ignore_index=True) if len(bare) else key
    columns = [c.PASS, c.SINCE0_S, c.ZONES]
    group = both.groupby(columns, dropna=False, sort=True).ngroup().to_numpy(np.int64)
    stretches = both.iloc[np.unique(group, return_index=True)[1]].reset_index(drop=True)
    follows = start[stretches[c.PASS].to_numpy(np.int64)]
    return stretches.assign(**{c.START: follows}), group[: len(key)]


if __name__ == "__main__":
    job = snakemake  # type: ignore[name-defined]  # noqa: F821
    run_step(
        lambda: run(batch=Path(job.input.key).parent, settings=Path(job.input.settings), out=Path(job.output[0]).parent),
        log=job.log[0],
    )
