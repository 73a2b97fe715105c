"""Layers of places rather than passes: ground checks, and zones in which a tier is worse."""

from collections.abc import Collection
from dataclasses import replace

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from pipeline import columns as c
from pipeline.core.checks import LEAST_TAPE_M, MOST_TAPE_M
from pipeline.core.local import EARTH_RADIUS_M
from pipeline.core.signals import EVERY_TIER
from pipeline.errors import InputError, did_you_mean
from pipeline.files.layers import POINTS, POLYGONS, Layer, read_layer
from pipeline.files.texts import shown, text_of
from pipeline.files.values import booleans_of, lengths_of

# A tier's error may be multiplied by so much at most, as in the configuration.
FACTORS = (1.0, 100.0)
# Farther than this from its strip no seed row was measured with a tape [m].
FARTHEST_M = 5.0
# Of a zone so much is kept beyond the box about a field [m]: rows end at the boundary, and planes differ a little.
NEAR_M = 50.0
_UNIT = "a bare number counts as metres, others under inputs.checks.units (as in tape_error: in)"


def read_checks(source, *, fields: gpd.GeoDataFrame) -> Layer:
    """Ground checks with `field_id`, `measured_m`, `signed`, `tape_error_m` and the planter's `pass_id` where it is told.

    Parameters
    ----------
    source : Source
    fields : GeoDataFrame
        With `field_id`; a check belongs to the field that it lies in, and one that lies in none is a reject.

    Raises
    ------
    InputError
        If a check has no tape error, no measured value or two of them, or one that cannot be.
    """
    columns = (c.OFFSET, c.DISTANCE, c.TAPE_ERROR)
    found = read_layer(source, role="checks", kind=POINTS, known=(*columns, c.PASS_ID), may_be_empty=True)
    place = f"inputs.checks: {found.place}"
    kept = found.kept.copy()
    offset, distance, tape = (_lengths(kept, name, place) for name in columns)
    both, neither = np.isfinite(offset) & np.isfinite(distance), ~np.isfinite(offset) & ~np.isfinite(distance)
    measured = np.where(np.isfinite(offset), offset, distance)
    unmapped = "" if {c.OFFSET, c.DISTANCE} & set(kept) else "; name the layer's column of it under inputs.checks.columns"
    few_m, many_m = LEAST_TAPE_M * (1.0 - 1e-9), MOST_TAPE_M * (1.0 + 1e-9)
    for bad, value, said in (
        (neither, None, f"has neither offset nor distance; expected one of them, from the strip to the seed row{unmapped}"),
        (both, None, "has an offset and a distance; expected one of them: offset where the side is known, else distance"),
        (distance < 0, distance, "is a negative distance; expected zero or more, or an offset, which has a sign"),
        (np.abs(measured) > FARTHEST_M, measured, f"is more than {FARTHEST_M:g} m from its strip; {_UNIT}"),
        (~np.isfinite(tape), None, "has no tape_error; expected its 95 % error, as a column or a constant (as in 1 in)"),
        (tape < few_m, tape, f"is a tape_error below 0.1 mm; {_UNIT}"),
        (tape > many_m, tape, f"is a tape_error above {MOST_TAPE_M:g} m; {_UNIT}"),
    ):  # fmt: skip
        _refuse(kept, bad, place, said, value)
    kept = kept.assign(**{c.MEASURED_M: measured, c.SIGNED: np.isfinite(offset), c.TAPE_ERROR_M: tape})
    home = _home(kept, fields)
    found = replace(found, kept=kept).reject(home < 0, "lies in no field")
    kept, home = found.kept, home[home >= 0]
    kept = kept.assign(**{
        c.FIELD_ID: fields[c.FIELD_ID].to_numpy(object)[home], c.CHECK: kept.index.astype(str),
        c.PASS_ID: kept[c.PASS_ID].map(text_of) if c.PASS_ID in kept else "",
    })  # fmt: skip
    shape = shapely.point_on_surface(kept.geometry.values)  # of several points in one feature, one
    return replace(found, kept=kept.set_geometry(shape, crs=kept.crs)[
        [c.FIELD_ID, c.CHECK, c.MEASURED_M, c.SIGNED, c.TAPE_ERROR_M, c.PASS_ID, "geometry"]
    ])  # fmt: skip


def in_order(checks: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Checks sorted by what was measured where, so that their order in the file has no part in any figure.

    Parameters
    ----------
    checks : GeoDataFrame
        Points, as `read_checks` has them. The number of a check in the file comes last, for those alike in all else.
    """
    key = pd.DataFrame(checks.drop(columns="geometry")).reset_index(drop=True)
    key[["x", "y"]] = shapely.get_coordinates(checks.geometry.values)
    names = [c.FIELD_ID, "x", "y", c.MEASURED_M, c.SIGNED, c.TAPE_ERROR_M, c.PASS_ID, c.CHECK]
    return checks.iloc[key.sort_values(names, kind="stable").index]


def read_zones(source, *, fields: gpd.GeoDataFrame, tiers: Collection[str]) -> Layer:
    """Zones with `tier`, `factor` and `unavailable`; one that touches no field is a reject.

    Parameters
    ----------
    source : Source
    fields : GeoDataFrame
    tiers : collection of str
        Ids that the catalogue has.

    Raises
    ------
    InputError
        If a zone names no tier or an unknown one, or says neither factor nor unavailable.
    """
    found = read_layer(source, role="zones", kind=POLYGONS, known=(c.TIER, c.FACTOR, c.UNAVAILABLE), may_be_empty=True)
    place = f"inputs.zones: {found.place}"
    kept = found.kept.copy()
    named = (kept[c.TIER] if c.TIER in kept else pd.Series("", index=kept.index)).map(text_of).fillna("")
    unknown = ~named.isin([*tiers, EVERY_TIER])
    if unknown.any():
        name = named[unknown].iloc[0]
        hint = did_you_mean(name, [*tiers, EVERY_TIER]) if name else f"expected a tier's id, or {EVERY_TIER} for all"
        feature = kept.index[unknown.to_numpy()][0]
        raise InputError(f"{place}: feature {feature}: tier '{shown(name)}' is not in the catalogue; {hint}")
    gone = booleans_of(kept, c.UNAVAILABLE, place, otherwise=False)
    said = kept[c.FACTOR] if c.FACTOR in kept else pd.Series(np.nan, index=kept.index)
    factor, given = pd.to_numeric(said, errors="coerce").to_numpy(float), said.notna().to_numpy()
    low, high = FACTORS
    wild = given & ~((factor >= low) & (factor <= high))
    if wild.any():
        wrong = shown(text_of(said[wild].iloc[0]))
        _refuse(kept, wild, place, f"has factor {wrong}; expected a number from {low:g} to {high:g}")
    _refuse(kept, ~given & ~gone, place, "has neither factor nor unavailable; expected one of them")
    kept = kept.assign(**{c.TIER: named, c.FACTOR: np.where(given, factor, 1.0), c.UNAVAILABLE: gone})
    found = replace(found, kept=kept[[c.TIER, c.FACTOR, c.UNAVAILABLE, "geometry"]])
    shape = kept.geometry.to_crs(fields.crs).values
    near = shapely.STRtree(fields.geometry.values).query(shape, predicate="intersects")[0]
    return found.reject(~np.isin(np.arange(len(kept)), near), "touches no field")


def of_fields(layer: gpd.GeoDataFrame, fields: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """What lies of the zones near every field that they touch, with its `field_id`, in an order of content.

    Parameters
    ----------
    layer, fields : GeoDataFrame
        Zones of any size; only what lies in the box about a field, and 50 m around it, is kept there.

    Returns
    -------
    GeoDataFrame
        In the fields' CRS, one line a zone and field.
    """
    shape = layer.geometry.to_crs(fields.crs).values
    zone, field = shapely.STRtree(fields.geometry.values).query(shape, predicate="intersects")
    near = shapely.normalize(_polygons(shapely.intersection(np.asarray(shape[zone], object), _boxes(fields)[field])))
    out = layer.iloc[zone].set_geometry(near, crs=fields.crs)
    out = out.assign(**{c.FIELD_ID: fields[c.FIELD_ID].to_numpy(object)[field]})
    key = pd.DataFrame(out.drop(columns="geometry")).assign(wkb=shapely.to_wkb(near))
    by = [c.FIELD_ID, c.TIER, c.FACTOR, c.UNAVAILABLE, "wkb"]
    return out.iloc[key.reset_index(drop=True).sort_values(by, kind="stable").index]


def _boxes(fields: gpd.GeoDataFrame) -> np.ndarray:
    """Boxes about the fields, larger by `NEAR_M` on each side, in the fields' CRS."""
    west, south, east, north = shapely.bounds(fields.geometry.values).T
    wide = high = NEAR_M / fields.crs.axis_info[0].unit_conversion_factor
    if fields.crs.is_geographic:  # then the unit is one of radians
        high = high / EARTH_RADIUS_M
        wide = high / np.cos(np.radians(np.minimum(np.maximum(np.abs(south), np.abs(north)), 89.0)))
    return shapely.box(west - wide, south - high, east + wide, north + high)


def _polygons(shapes: np.ndarray) -> np.ndarray:
    """What has an area of each shape; not the lines and points in which shapes only touch."""
    parts, owner = shapely.get_parts(shapes, return_index=True)
    flat = shapely.get_dimensions(parts) == 2
    return shapely.multipolygons(parts[flat], indices=owner[flat])


def _lengths(kept: gpd.GeoDataFrame, name: str, place: str) -> np.ndarray:
    if name not in kept:
        return np.full(len(kept), np.nan)
    return lengths_of(kept[name], place, name).to_numpy(float)


def _home(kept: gpd.GeoDataFrame, fields: gpd.GeoDataFrame) -> np.ndarray:
    """Number of the field that each point lies in, -1 in none."""
    points = shapely.point_on_surface(kept.geometry.to_crs(fields.crs).values)
    point, field = shapely.STRtree(fields.geometry.values).query(points, predicate="intersects")
    home = np.full(len(kept), -1, np.int64)
    home[point[::-1]] = field[::-1]
    return home


def _refuse(kept: gpd.GeoDataFrame, bad: np.ndarray, place: str, said: str, value_m: np.ndarray | None = None) -> None:
    if np.any(bad):
        first = int(np.argmax(bad))
        found = "" if value_m is None else f": {value_m[first]:g} m"
        raise InputError(f"{place}: feature {kept.index[first]}{found} {said}")
