"""Geometries from the bytes of a file: bytes that are no geometry are told apart, none of them can end the process.

GEOS reads collections by calling itself, so that some 40,000 of them inside one another (a blob of 360 kB)
overrun the stack. Only points, lines, polygons and flat collections of them are handed to it.
"""

import struct

import numpy as np
import shapely

_SIMPLE, _MULTI = (1, 2, 3), {4: 1, 5: 2, 6: 3}
_CURVED = range(8, 13)
_OTHER = "geometry is a collection or another kind that is not used here"
NO_WKB = "geometry is not well-known binary"


def shapes_of(blobs: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Read well-known binary.

    Parameters
    ----------
    blobs : ndarray of bytes or None, shape (n,)

    Returns
    -------
    shapes : ndarray of Geometry or None, shape (n,)
        In two dimensions.
    faults : ndarray of str or None, shape (n,)
        Why a blob is no geometry.
    curved : ndarray of bool, shape (n,)
        Curves: for GDAL to straighten.
    """
    faults = np.array([None if blob is None else _fault(blob) for blob in blobs], object)
    curved = np.array([blob is not None and _head(blob)[1] in _CURVED for blob in blobs], bool)
    fit = np.equal(faults, None) & ~curved
    shapes = np.full(len(blobs), None, object)
    with np.errstate(invalid="ignore"):  # coordinates that are no numbers are told by the caller
        shapes[fit] = shapely.from_wkb(blobs[fit], on_invalid="ignore")
    there = np.not_equal(blobs, None)
    for k in np.flatnonzero(fit & there & np.equal(shapes, None)):
        faults[k] = _why(blobs[k])
    faults[curved] = None
    deep = shapely.has_z(shapes) | shapely.has_m(shapes)
    shapes[deep] = shapely.force_2d(shapes[deep])
    return shapes, faults, curved


def _why(blob: bytes) -> str:
    try:
        shapely.from_wkb(blob)
    except shapely.errors.ShapelyError as error:
        return f"geometry cannot be read: {(str(error).partition(': ')[2] or str(error)).strip()}"
    return "geometry cannot be read"


def _head(blob: bytes, start: int = 0) -> tuple[str, int, int, int]:
    """Byte order, kind, number of ordinates and place behind the head; kind 0 where there is none."""
    if len(blob) < start + 5 or blob[start] not in (0, 1):
        return "<", 0, 2, start
    order = "<" if blob[start] else ">"
    (code,) = struct.unpack_from(order + "I", blob, start + 1)
    thousands, kind = divmod(code & 0xFFFF, 1000)
    flags = (code >> 31) + (code >> 30 & 1)
    ordinates = 2 + (flags or {0: 0, 1: 1, 2: 1, 3: 2}.get(thousands, 0))
    return order, kind, ordinates, start + 5 + 4 * (code >> 29 & 1)


def _fault(blob: bytes) -> str | None:
    order, kind, _, at = _head(blob)
    if kind in _SIMPLE or kind in _CURVED:
        return None
    if kind not in _MULTI:
        return NO_WKB if kind == 0 or kind > 17 else _OTHER
    try:
        (count,) = struct.unpack_from(order + "I", blob, at)
        at += 4
        for _ in range(count):
            order, part, ordinates, at = _head(blob, at)
            if part != _MULTI[kind]:
                return NO_WKB if part == 0 else _OTHER
            at = _behind(blob, part, order, 8 * ordinates, at)
    except struct.error:
        return "geometry cannot be read: it ends too early"
    return None


def _behind(blob: bytes, kind: int, order: str, point: int, at: int) -> int:
    """Place behind a simple geometry whose head ends at `at`."""
    if kind == 1:
        return at + point
    rings = 1
    if kind == 3:
        (rings,) = struct.unpack_from(order + "I", blob, at)
        at += 4
    for _ in range(rings):
        (count,) = struct.unpack_from(order + "I", blob, at)
        at += 4 + point * count
    return at
