"""Which field a feature belongs to, and which batch a field belongs to."""

import hashlib
import re

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from shapely import STRtree

from pipeline import columns as c
from pipeline.files.layers import Layer, blocks
from pipeline.files.texts import id_text

FIELDS_PER_BATCH = 40
FEWEST_BATCHES = 2
# Names that some systems keep for devices, whatever follows the point.
_DEVICE = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)(\.|$)", re.IGNORECASE)


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
    ours = plain == field_id and 0 < len(plain) <= 80 and plain[0] not in ".-" and plain[-1] != "."
    if ours and not _DEVICE.match(plain):
        return plain
    # The hash comes before the first point, since CON.txt is a device as much as CON is.
    return f"{plain.replace('.', '_').lstrip('-_')[:60] or 'field'}-{hashlib.sha256(field_id.encode()).hexdigest()[:8]}"


def assign_fields(layer: Layer, fields: gpd.GeoDataFrame) -> Layer:
    """Give every line its field: the one it names, else the one that holds most of its length.

    Parameters
    ----------
    layer : Layer
    fields : GeoDataFrame
        With `field_id`.

    Returns
    -------
    Layer
        A feature that names an unknown field, or lies in none, is a reject.
    """
    lines = layer.kept
    named = lines[c.FIELD_ID].map(id_text) if c.FIELD_ID in lines else pd.Series(None, index=lines.index, dtype=object)
    known = set(fields[c.FIELD_ID])
    open_ones = named.isna().to_numpy()
    named = named.to_numpy(dtype=object, copy=True)
    shapely.prepare(np.asarray(fields.geometry.values))
    touching, tree = np.zeros(len(lines), bool), STRtree(fields.geometry.values)
    for first, block in blocks(lines.geometry.values):  # transformed lines are a copy, never held of a whole layer
        part = slice(first, first + len(block))
        shape = np.asarray(gpd.GeoSeries(block, crs=lines.crs).to_crs(fields.crs).values)
        named[part][open_ones[part]] = _by_length(shape[open_ones[part]], fields, tree)
        touching[part] = _touches(shape, named[part], fields)
    unknown = np.array([name is not None and name not in known for name in named], dtype=bool)
    lost = np.array([name is None for name in named], dtype=bool)
    outside = ~unknown & ~lost & ~touching
    out = Layer(lines.assign(**{c.FIELD_ID: named}), layer.rejects, layer.read, layer.file, layer.layer)
    for mask, reason in (
        (unknown, "names a field that is not among the fields"),
        (lost, "lies in no field"),
        (outside, "lies outside the field it names"),
    ):
        remaining = np.isin(lines.index, out.kept.index)
        out = out.reject(mask[remaining], reason)
    return out


def _by_length(shape: np.ndarray, fields: gpd.GeoDataFrame, tree: STRtree) -> np.ndarray:
    out = np.full(len(shape), None, object)
    line, area = tree.query(shape, predicate="intersects")
    areas, ids = np.asarray(fields.geometry.values), fields[c.FIELD_ID].to_numpy(object)
    inside = shapely.length(shape[line])
    cut = ~shapely.covers(areas[area], shape[line])  # most lines lie in their field as a whole
    inside[cut] = shapely.length(shapely.intersection(shape[line[cut]], areas[area[cut]]))
    order = np.argsort(inside, kind="stable")  # the longest is written last, and stays
    for k in order[inside[order] > 0]:
        out[line[k]] = ids[area[k]]
    return out


def _touches(shape: np.ndarray, named: np.ndarray, fields: gpd.GeoDataFrame) -> np.ndarray:
    area = fields.set_index(c.FIELD_ID).geometry.reindex(named).values
    return shapely.intersects(shape, area)
