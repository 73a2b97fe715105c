"""Numbers as a page carries them: whole, as differences, packed by zlib and written as text; names and addresses."""

import base64
import hashlib
import json
import zlib
from urllib.parse import quote

import numpy as np
import shapely

#: Beside the packed texts of a batch's fields: what the matrix, and the words about each of them, are made of.
SUMMARIES = "fields.json"


def packed(value: object) -> str:
    """JSON, packed, as base64: what a page unpacks by itself. Equal values give equal text."""
    text = json.dumps(value, separators=(",", ":"), sort_keys=True, ensure_ascii=False, allow_nan=False)
    return base64.b64encode(zlib.compress(text.encode(), 6)).decode()


def unpacked(text: str) -> object:
    """The value of such a text."""
    return json.loads(zlib.decompress(base64.b64decode(text)))


def csp_hash(text: str) -> str:
    """What a page's policy names a script or a style by that stands in it as this text."""
    return f"sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}"


def field_anchor(field_id: str) -> str:
    """Where changes.html tells first of a field, as part of an address; `field_id` as the tables have it."""
    return f"field-{quote(field_id, safe='')}"


def address_of(folder: str) -> str:
    """A folder's name as part of an address, and as an id in a page: encoded as the page encodes what it finds there."""
    return quote(folder, safe="()")


def whole(values: np.ndarray, *, unit: float) -> np.ndarray:
    """Values in whole units, shape as given."""
    return np.round(np.asarray(values, float) / unit).astype(np.int64)


def steps(values: np.ndarray, *, unit: float = 1.0) -> list[int]:
    """Differences from each value to the next in whole units, the first from zero; adding up makes no error grow."""
    return np.diff(whole(values, unit=unit), prepend=0).tolist()


def coordinates(shapes: np.ndarray, *, origin: tuple[float, float], unit: float) -> dict:
    """Lines as counts of their vertices and steps from vertex to vertex, along all of them.

    Parameters
    ----------
    shapes : ndarray of LineString or LinearRing
    origin : tuple of float
        Place that counts as zero [m].
    unit : float
        [m].
    """
    xy = shapely.get_coordinates(shapes) - np.array(origin)
    return {
        "n": shapely.get_num_coordinates(shapes).tolist(), "x": steps(xy[:, 0], unit=unit), "y": steps(xy[:, 1], unit=unit),
        "unit": unit,
    }  # fmt: skip


def rings(shape: shapely.Geometry) -> np.ndarray:
    """Rings of a polygon, or of several."""
    polygons = shapely.get_parts(shape)
    return np.concatenate([shapely.get_exterior_ring(polygons), *(list(one.interiors) for one in polygons)])


def sparse(table: np.ndarray, *, first: int, total_units: float = 1e6) -> dict:
    """Lines of a table of lengths from the first to the last that is not zero, in units of a millionth of all.

    Parameters
    ----------
    table : ndarray, shape (n, bins)
        [m].
    first : int
        What the first bin stands for; told as it is.
    """
    unit = max(float(table.sum()) / total_units, 1e-9)
    numbers = whole(table, unit=unit)
    begins, count, values = [], [], []
    for line in numbers:
        held = np.flatnonzero(line)
        low, high = (int(held[0]), int(held[-1]) + 1) if len(held) else (0, 0)
        begins.append(low)
        count.append(high - low)
        values.append(line[low:high])
    flat = np.concatenate(values).tolist() if values else []
    return {"first": first, "unit": unit, "from": begins, "n": count, "v": flat}
