"""Which field a feature belongs to, and which batch a field belongs to."""

import hashlib
import re
import unicodedata
from collections.abc import Iterable, Iterator
from dataclasses import replace
from itertools import groupby

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from shapely import STRtree

from pipeline import columns as c
from pipeline.errors import InputError
from pipeline.files.field_parts import parts_in_fields
from pipeline.files.layers import Layer
from pipeline.files.texts import id_text, shown

MOST_IN_BATCH = 80
# Boundaries from two surveys of one fence overlap by slivers; more than this share of a field is a slip.
OVERLAP_SHARE = 0.001
# What a folder's name may have beside letters and digits of any script: nothing that a shell, a disk or the workflow
# reads as a sign of its own.
_PLAIN_SIGNS = set(" ._-()+")
# Longest name taken as it is [bytes]: some disks end at 143, and a file named by it has up to 29 more while it is written.
_LONGEST_NAME = 110
# Names that some systems keep for devices, whatever follows the point.
_DEVICE = re.compile(r"(con|prn|aux|nul|(com|lpt)[\d¹²³]) *(\.|$)", re.IGNORECASE)


def batches_of(field_ids: Iterable[str]) -> dict[str, list[str]]:
    """Fields by batch: by the first bits of a hash of the id, as few of them as keep batches small enough.

    A field that comes or goes touches the batch it is in, which may be cut in two or be joined with its sister, and no
    other.

    Parameters
    ----------
    field_ids : iterable of str

    Returns
    -------
    dict of str to list of str
        Two batches at least where the hashes allow it, so that two cores have work.
    """
    return {f"b{bits}": names for bits, names in _split(sorted((_bits(one), one) for one in field_ids), 1)}


def _bits(field_id: str) -> str:
    number = int.from_bytes(hashlib.sha256(field_id.encode()).digest()[:8], "big")
    return f"{number:064b}"[::-1]


def _split(fields: list[tuple[str, str]], length: int) -> Iterator[tuple[str, list[str]]]:
    for bits, together in groupby(fields, key=lambda field: field[0][:length]):
        mine = list(together)
        if len(mine) <= MOST_IN_BATCH or length == len(mine[0][0]):
            yield bits, sorted(name for _, name in mine)
        else:
            yield from _split(mine, length + 1)


def field_folder(field_id: str) -> str:
    """A folder name for a field id: as it is where that is safe everywhere, else marked with a hash."""
    if _safe_as_name(field_id):
        return field_id
    plain = re.sub(r"[^A-Za-z0-9_-]", "_", field_id)
    # The hash comes before the first point, since CON.txt is a device as much as CON is.
    return f"{plain.lstrip('-_')[:60] or 'field'}-{hashlib.sha256(field_id.encode()).hexdigest()[:8]}"


def _safe_as_name(text: str) -> bool:
    # Letters of more than one code point are joined by some disks, and left apart by others.
    whole = unicodedata.is_normalized("NFC", text) and all(one.isalnum() or one in _PLAIN_SIGNS for one in text)
    short = 0 < len(text.encode()) <= _LONGEST_NAME
    return whole and short and text[0] not in " .-" and text[-1] not in " ." and not _DEVICE.match(text)


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
        ids = [shown(name) for name in layer.kept[c.FIELD_ID].iloc[[one[k], other[k]]]]
        raise InputError(
            f"inputs.fields: {layer.place}: the boundaries of '{ids[0]}' and '{ids[1]}' overlap by "
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
    named = lines[c.FIELD_ID].map(id_text) if c.FIELD_ID in lines else pd.Series(None, index=lines.index, dtype=object)
    areas = np.asarray(fields.geometry.to_crs(lines.crs).values, object)
    named = named.to_numpy(dtype=object, copy=True)
    named_ones, open_ones = np.flatnonzero(pd.notna(named)), np.flatnonzero(pd.isna(named))
    shape = np.asarray(lines.geometry.values, object)
    parts = parts_in_fields(shape[open_ones], areas, lines.crs)
    lost = np.setdiff1d(open_ones, open_ones[parts.line])
    unknown = named_ones[~pd.Series(named[named_ones]).isin(fields[c.FIELD_ID]).to_numpy()]
    outside = np.setdiff1d(named_ones[~_touches(shape[named_ones], named[named_ones], fields, areas)], unknown)
    reasons = np.full(len(lines), "", object)
    for rows, reason in (
        (unknown, [f"names field '{shown(name)}', which is not among the fields" for name in named[unknown]]),
        (lost, "lies in no field"),
        (outside, "lies outside the field it names"),
    ):
        reasons[rows] = reason
    whole = named_ones[reasons[named_ones] == ""]
    which = np.concatenate([whole, open_ones[parts.line]])
    kept = lines.iloc[which].set_geometry(np.concatenate([shape[whole], parts.shape]), crs=lines.crs)
    kept = kept.assign(**{c.FIELD_ID: np.concatenate([named[whole], fields[c.FIELD_ID].to_numpy(object)[parts.field]])})
    kept = _with_times(kept, np.concatenate([np.tile([[0.0, 1.0]], (len(whole), 1)), parts.share]))
    return replace(layer.reject(reasons != "", reasons), kept=kept.iloc[np.argsort(which, kind="stable")])


def _with_times(kept: gpd.GeoDataFrame, share: np.ndarray) -> gpd.GeoDataFrame:
    """Parts with the times of their share of the line."""
    if c.STARTED_S not in kept:
        return kept
    begun, lasted = kept[c.STARTED_S].to_numpy(float), (kept[c.ENDED_S] - kept[c.STARTED_S]).to_numpy(float)
    return kept.assign(**{c.STARTED_S: begun + share[:, 0] * lasted, c.ENDED_S: begun + share[:, 1] * lasted})


def _touches(shape: np.ndarray, named: np.ndarray, fields: gpd.GeoDataFrame, areas: np.ndarray) -> np.ndarray:
    home = pd.Index(fields[c.FIELD_ID]).get_indexer(named)  # -1 where unknown, which no line touches
    return (home >= 0) & shapely.intersects(shape, areas[home])
