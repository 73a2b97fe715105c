"""Which field a feature belongs to, and which batch a field belongs to."""

import hashlib
import re
from dataclasses import dataclass, replace

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from shapely import STRtree

from pipeline import columns as c
from pipeline.core.cut import cut_lines
from pipeline.core.partition import share_out
from pipeline.errors import InputError
from pipeline.files.layers import Layer

FIELDS_PER_BATCH = 40
FEWEST_BATCHES = 2
# Boundaries from two surveys of one fence overlap by slivers; more than this share of a field is a slip.
OVERLAP_SHARE = 0.001
# A pass that strays into the neighbour's field for less than this stays whole.
SHORTEST_PART_M = 5.0
EARTH_RADIUS_M = 6_371_000.0


def batch_of(field_id: str, batches: int) -> str:
    """The batch of a field: a stable hash of its id, so that other fields do not move it."""
    number = int.from_bytes(hashlib.sha256(field_id.encode()).digest()[:8], "big") % batches
    return f"b{number:04d}"


def batch_count(fields: int) -> int:
    """Number of batches, a power of two, so that it seldom changes as a co-op grows."""
    wanted = max(1, -(-fields // FIELDS_PER_BATCH))
    return max(FEWEST_BATCHES, 1 << (wanted - 1).bit_length())


def field_folder(field_id: str) -> str:
    """A folder name for a field id: as it is where that is safe everywhere, else marked with a hash."""
    plain = re.sub(r"[^A-Za-z0-9._-]", "_", field_id)
    if plain == field_id and 0 < len(plain) <= 80 and not plain.startswith("."):
        return plain
    return f"{plain.lstrip('.')[:60]}-{hashlib.sha256(field_id.encode()).hexdigest()[:8]}"


def check_apart(layer: Layer) -> None:
    """Refuse boundaries that overlap: a pass there would belong to two fields.

    Raises
    ------
    InputError
        With both fields. Slivers of digitising, below `OVERLAP_SHARE` of the smaller field, are let pass.
    """
    area = layer.kept.geometry.values
    one, other = STRtree(area).query(area, predicate="intersects")
    one, other = one[one < other], other[one < other]
    shared = shapely.area(shapely.intersection(area[one], area[other]))
    share = shared / np.minimum(shapely.area(area[one]), shapely.area(area[other]))
    for k in np.flatnonzero(share > OVERLAP_SHARE)[:1]:
        ids = layer.kept[c.FIELD_ID].iloc[[one[k], other[k]]].tolist()
        raise InputError(
            f"inputs.fields: {layer.file}, layer '{layer.layer}': the boundaries of '{ids[0]}' and '{ids[1]}' overlap by "
            f"{100 * share[k]:.1f} % of the smaller one; expected fields beside one another, cut one of them back"
        )


def assign_fields(layer: Layer, fields: gpd.GeoDataFrame) -> Layer:
    """Give every line its field: the one it names, else the one in which it lies.

    Parameters
    ----------
    layer : Layer
        Lines; where they have times, the parts of a split line share them out by length.
    fields : GeoDataFrame
        With `field_id`.

    Returns
    -------
    Layer
        A line through several fields is split at their boundaries, and its parts keep the line's number in the
        index. A feature that names an unknown field, or lies in none, is a reject.
    """
    lines = layer.kept
    named = lines[c.FIELD_ID].map(_text) if c.FIELD_ID in lines else pd.Series(None, index=lines.index, dtype=object)
    areas = fields.geometry.to_crs(lines.crs).values
    named = named.to_numpy(dtype=object, copy=True)
    open_ones = pd.isna(named)
    parts, owner, home = _parts_in_fields(lines.geometry.values[open_ones], areas, lines.crs)
    unknown = ~open_ones & ~pd.Series(named).isin(fields[c.FIELD_ID]).to_numpy()
    outside = ~unknown & ~open_ones & ~_touches(lines.geometry.values, named, fields, areas)
    lost = open_ones.copy()
    lost[np.flatnonzero(open_ones)[owner]] = False
    reasons = np.full(len(lines), "", object)
    for mask, reason in (
        (unknown, "names a field that is not among the fields"),
        (lost, "lies in no field"),
        (outside, "lies outside the field it names"),
    ):
        reasons[mask] = reason
    out = layer.reject(reasons != "", reasons)
    whole = np.flatnonzero(~open_ones & (reasons == ""))
    which = np.concatenate([whole, np.flatnonzero(open_ones)[owner]])
    kept = lines.iloc[which].copy()
    kept[c.FIELD_ID] = np.concatenate([named[whole], fields[c.FIELD_ID].to_numpy(object)[home]])
    start, end = np.concatenate([np.tile([[0.0, 1.0]], (len(whole), 1)), parts.share]).T
    kept = kept.set_geometry(np.concatenate([lines.geometry.values[whole], parts.shape]), crs=lines.crs)
    if c.STARTED_S in kept:
        begun, lasted = kept[c.STARTED_S].to_numpy(float), (kept[c.ENDED_S] - kept[c.STARTED_S]).to_numpy(float)
        kept[c.STARTED_S], kept[c.ENDED_S] = begun + start * lasted, begun + end * lasted
    order = np.argsort(which, kind="stable")
    return replace(out, kept=kept.iloc[order])


@dataclass(frozen=True)
class _Parts:
    """Parts of lines, and from which share of its line's length to which each goes, (n, 2)."""

    shape: np.ndarray
    share: np.ndarray


def _parts_in_fields(shape: np.ndarray, areas: np.ndarray, crs) -> tuple[_Parts, np.ndarray, np.ndarray]:
    """Parts of lines by field, the line of each and its field; lines in no field have no part."""
    single, owner = shapely.get_parts(shape, return_index=True)
    found = share_out(single, areas, shortest=SHORTEST_PART_M / _metres_per_unit(crs))
    before = np.cumsum(shapely.length(single)) - shapely.length(single)
    before -= before[np.searchsorted(owner, owner)]  # along the whole of a line of several parts
    total = np.maximum(np.bincount(owner, shapely.length(single), len(shape)), 1e-300)
    line, home = owner[found.line], found.area
    start, end = ((before[found.line] + at) / total[line] for at in (found.start, found.end))
    untouched = np.setdiff1d(np.arange(len(single)), found.line)
    cut = cut_lines(single, found.line, found.start, found.end)
    group = pd.DataFrame({"line": line, "home": home}).groupby(["line", "home"], sort=True)
    shapes, shares, owners, homes = [], [], [], []
    longest = {}
    for (k, area), members in group.indices.items():
        longest[k] = max(longest.get(k, (0.0, -1)), (float(np.sum(end[members] - start[members])), len(shapes)))
        shapes.append(list(cut[members]))
        shares.append((start[members].min(), end[members].max()))
        owners.append(k)
        homes.append(area)
    # A part of a line that lies in no field stays with the rest of it, and counts as outside.
    for part in untouched:
        if owner[part] in longest:
            shapes[longest[owner[part]][1]].append(single[part])
    joined = np.empty(len(shapes), object)
    for k, pieces in enumerate(shapes):
        joined[k] = pieces[0] if len(pieces) == 1 else shapely.multilinestrings(pieces)
    share = np.array(shares).reshape(-1, 2)
    return _Parts(joined, share), np.array(owners, np.int64), np.array(homes, np.int64)


def _metres_per_unit(crs) -> float:
    unit = crs.axis_info[0].unit_conversion_factor
    # ASSUME: for the shortest part of a pass an arc of a great circle is near enough.
    return unit * EARTH_RADIUS_M if crs.is_geographic else unit


def _text(value: object) -> str | None:
    if value is None or pd.isna(value) or str(value).strip() == "":
        return None
    return str(int(value)) if isinstance(value, float) and value.is_integer() else str(value)


def _touches(shape: np.ndarray, named: np.ndarray, fields: gpd.GeoDataFrame, areas: np.ndarray) -> np.ndarray:
    area = pd.Series(areas, index=fields[c.FIELD_ID]).reindex(named).to_numpy(object)
    return shapely.intersects(shape, area)
