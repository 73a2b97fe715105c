"""Geometries from the bytes of a file: bytes that are no geometry are told apart, none of them can end the process.

GEOS reads collections by calling itself, so that some 40,000 of them inside one another (a blob of 360 kB)
overrun the stack. Only points, lines, polygons and flat collections of them are handed to it.
"""

import struct
from dataclasses import dataclass

import numpy as np
import shapely

_SIMPLE, _MULTI = (1, 2, 3), {4: 1, 5: 2, 6: 3}
#: Kinds that have arcs in them (OGC 06-103r4, table 7).
CURVES = {8: "CIRCULARSTRING", 9: "COMPOUNDCURVE", 10: "CURVEPOLYGON", 11: "MULTICURVE", 12: "MULTISURFACE"}
OTHER = "geometry is a collection or another kind that is not used here"
NO_WKB = "geometry is not well-known binary"


@dataclass(frozen=True)
class Shapes:
    """What blobs are, arrays of shape (n,).

    Attributes
    ----------
    shapes : ndarray of Geometry or None
        In two dimensions.
    faults : ndarray of str or None
        Why a blob is no geometry.
    curves : ndarray of int
        Kind of a curve, which is for GDAL to straighten; 0 for all else.
    high, measured : ndarray of bool
        Had Z, had M.
    """

    shapes: np.ndarray
    faults: np.ndarray
    curves: np.ndarray
    high: np.ndarray
    measured: np.ndarray

    @classmethod
    def joined(cls, parts: list["Shapes"]) -> "Shapes":
        """Those of several batches, one behind the other."""
        none = cls(*(np.zeros(0, kind) for kind in (object, object, int, bool, bool)))
        return cls(*(np.concatenate([getattr(one, name) for one in [none, *parts]]) for name in cls.__dataclass_fields__))


@dataclass(frozen=True)
class _Head:
    """Byte order, kind (0 where there is no head), whether there is Z and M, and the place behind the head."""

    order: str
    kind: int
    high: bool
    measured: bool
    end: int

    @property
    def point_bytes(self) -> int:
        return 8 * (2 + self.high + self.measured)


def shapes_of(blobs: np.ndarray) -> Shapes:
    """Read well-known binary.

    Parameters
    ----------
    blobs : ndarray of bytes or None, shape (n,)
    """
    known = {start: _head(start or b"") for start in {blob and blob[:5] for blob in blobs}}  # few, and often alike
    heads = [known[blob and blob[:5]] for blob in blobs]
    curves = np.array([head.kind if head.kind in CURVES else 0 for head in heads], int)
    there = np.not_equal(blobs, None)
    faults = np.array([_fault(*one) if one[0] is not None else None for one in zip(blobs, heads, strict=True)], object)
    fit = np.equal(faults, None) & (curves == 0)
    shapes = np.full(len(blobs), None, object)
    with np.errstate(invalid="ignore"):  # coordinates that are no numbers are told by the caller
        shapes[fit] = shapely.from_wkb(blobs[fit], on_invalid="ignore")
    for k in np.flatnonzero(fit & there & np.equal(shapes, None)):
        faults[k] = _why(blobs[k])
    high, measured = (np.array([getattr(head, name) for head in heads], bool) for name in ("high", "measured"))
    shapes[high | measured] = shapely.force_2d(shapes[high | measured])
    return Shapes(shapes, faults, curves, high, measured)


def _why(blob: bytes) -> str:
    try:
        shapely.from_wkb(blob)
    except shapely.errors.ShapelyError as error:
        return f"geometry cannot be read: {(str(error).partition(': ')[2] or str(error)).strip()}"
    return "geometry cannot be read"


def _head(blob: bytes, start: int = 0) -> _Head:
    if len(blob) < start + 5 or blob[start] not in (0, 1):
        return _Head("<", 0, high=False, measured=False, end=start)
    order = "<" if blob[start] else ">"
    (code,) = struct.unpack_from(order + "I", blob, start + 1)
    thousands, kind = divmod(code & 0xFFFF, 1000)
    high, measured = bool(code >> 31) or thousands in (1, 3), bool(code >> 30 & 1) or thousands in (2, 3)
    return _Head(order, kind, high, measured, start + 5 + 4 * (code >> 29 & 1))


def _fault(blob: bytes, head: _Head) -> str | None:
    if head.kind in _SIMPLE or head.kind in CURVES:
        return None
    if head.kind not in _MULTI:
        return NO_WKB if head.kind == 0 or head.kind > 17 else OTHER
    try:
        (count,) = struct.unpack_from(head.order + "I", blob, head.end)
        at = head.end + 4
        for _ in range(count):
            part = _head(blob, at)
            if part.kind != _MULTI[head.kind]:
                return NO_WKB if part.kind == 0 else OTHER
            at = _behind(blob, part)
    except struct.error:
        return "geometry cannot be read: it ends too early"
    return None


def _behind(blob: bytes, head: _Head) -> int:
    """Place behind a simple geometry."""
    at, rings = head.end, 1
    if head.kind == 1:
        return at + head.point_bytes
    if head.kind == 3:
        (rings,) = struct.unpack_from(head.order + "I", blob, at)
        at += 4
    for _ in range(rings):
        (count,) = struct.unpack_from(head.order + "I", blob, at)
        at += 4 + head.point_bytes * count
    return at
