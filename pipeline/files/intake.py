"""Input layers in our own terms: values checked feature by feature, fields assigned, nothing lost."""

from collections.abc import Collection
from dataclasses import dataclass, replace

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from pipeline import columns as c
from pipeline.core.local import to_geographic
from pipeline.errors import CheckError, InputError, did_you_mean
from pipeline.files.fields import assign_fields
from pipeline.files.layers import POINTS, POLYGONS, Layer, read_layer
from pipeline.files.point_passes import read_passes
from pipeline.files.units import LENGTH, to_si

_LINE_COLUMNS = (
    c.FIELD_ID, c.PASS_ID, c.ROW_COUNT, "row_spacing", "started_at", "ended_at", c.TIER, c.FRAME, c.EPOCH, c.FIX,
)  # fmt: skip
# What a row unit can be, [least, most]; outside it is a slip of the unit.
LIMITS = {c.ROW_COUNT: (1, 120), c.ROW_SPACING_M: (0.1, 5.0), c.STRIP_WIDTH_M: (0.02, 5.0)}
_LINE_OUT = [
    c.FIELD_ID, c.PASS_ID, c.ROW_COUNT, c.ROW_SPACING_M, c.STRIP_WIDTH_M, c.STARTED_S, c.ENDED_S, c.TIER, c.FRAME,
    c.EPOCH,
]  # fmt: skip


@dataclass(frozen=True)
class Source:
    """One layer of the configuration, constants by the names that columns have."""

    file: str
    layer: str | None
    columns: dict
    constants: dict

    @classmethod
    def of(cls, layer) -> "Source":
        """From the configuration's model of a layer."""
        constants = {name.removesuffix("_m"): value for name, value in layer.constants.given().items()}
        return cls(layer.file, layer.layer, dict(layer.columns), constants)


def read_fields(layer) -> Layer:
    """Boundaries with a unique text `field_id`.

    Raises
    ------
    InputError
        If ids are missing or used twice, or no boundary is left.
    """
    found = read_layer(Source.of(layer), role="fields", kind=POLYGONS, known=(c.FIELD_ID, c.FARM, c.GROWER))
    place = f"inputs.fields: {found.file}, layer '{found.layer}'"
    if c.FIELD_ID not in found.kept:
        raise InputError(f"{place}: no column is mapped to field_id; add columns: {{field_id: YOUR_COLUMN}}")
    found = found.reject(found.kept[c.FIELD_ID].isna().to_numpy(), "has no field_id")
    kept = found.kept.assign(**{c.FIELD_ID: found.kept[c.FIELD_ID].astype(str)})
    twice = kept[c.FIELD_ID][kept[c.FIELD_ID].duplicated(keep=False)]
    if len(twice):
        raise InputError(
            f"{place}: features {', '.join(map(str, twice.index[:4]))} share the field_id '{twice.iloc[0]}'; "
            "expected one feature a field, dissolve them or rename one"
        )
    if len(kept) == 0:
        raise InputError(f"{place}: no boundary can be used; first reason: {found.rejects[c.REASON].iloc[0]}")
    for name in (c.FARM, c.GROWER):
        kept[name] = kept[name].fillna("").astype(str) if name in kept else ""
    return replace(found, kept=kept)


def read_lines(layer, *, role: str, fields: gpd.GeoDataFrame) -> Layer:
    """Implement passes or single lines of `strips` or `rows`, with every value checked.

    Raises
    ------
    InputError
        If a column that is needed is neither mapped nor given as a constant, or a time is unreadable.
    """
    known = (*_LINE_COLUMNS, "strip_width") if role == "strips" else _LINE_COLUMNS
    found = read_passes(Source.of(layer), layer.log, role=role, known=known)
    place = f"inputs.{role}: {found.file}, layer '{found.layer}'"
    needed = [c.ROW_COUNT, "row_spacing", *(["strip_width"] if role == "strips" else [])]
    for name in needed:
        if name not in found.kept:
            raise InputError(f"{place}: {name} is neither mapped nor a constant; add it under columns or constants")
    found = _with_numbers(found, place)
    found = assign_fields(found, fields)
    kept = found.kept.copy()
    for name in (c.TIER, c.FRAME, c.PASS_ID):
        kept[name] = kept[name].map(_text) if name in kept else ""
    kept[c.EPOCH] = pd.to_numeric(kept[c.EPOCH], errors="coerce") if c.EPOCH in kept else np.nan
    for ours, theirs in ((c.STARTED_S, "started_at"), (c.ENDED_S, "ended_at")):
        kept[ours] = _seconds(kept[theirs], place, theirs) if theirs in kept else np.nan
    _check_frames(kept, place)
    _fill_times(kept)
    return replace(found, kept=_with_names(_in_order(kept[[*_LINE_OUT, "geometry"]])))


def read_bases(layer) -> Layer:
    """Surveyed points of RTK bases."""
    return read_layer(Source.of(layer), role="bases", kind=POINTS, known=(c.BASE_ID, c.SURVEYED))


def with_baselines(fields: gpd.GeoDataFrame, bases: gpd.GeoDataFrame | None) -> gpd.GeoDataFrame:
    """Fields with the distance from their middle to the nearest base [m] (missing without bases)."""
    if bases is None or len(bases) == 0:
        return fields.assign(**{c.BASELINE_M: np.nan})
    from pyproj import Geod

    middle = shapely.centroid(to_geographic(fields.geometry.values, fields.crs.to_wkt()))
    posts = shapely.get_coordinates(to_geographic(bases.geometry.values, bases.crs.to_wkt()))
    here = shapely.get_coordinates(middle)
    distance = [Geod(ellps="GRS80").inv(*np.broadcast_arrays(x, y, *posts.T))[2].min() for x, y in here]
    return fields.assign(**{c.BASELINE_M: np.round(distance, 3)})


def balance(layer: Layer, role: str) -> dict:
    """What became of a layer's features; the run stops if they do not add up.

    Raises
    ------
    CheckError
        If read is not kept + rejected.
    """
    kept, rejected = layer.kept_features, len(layer.rejects)
    if layer.read != kept + rejected:
        raise CheckError(f"{role}: {layer.read} features read, {kept} kept and {rejected} rejected do not add up")
    metres = {} if layer.points is None else {"passes": len(layer.kept)}
    if role != "bases" and kept:
        geod = layer.kept.crs.get_geod()
        shape = to_geographic(layer.kept.geometry.values, layer.kept.crs.to_wkt())
        if role != "fields":
            metres |= {"kept_m": round(sum(geod.geometry_length(line) for line in shape), 3)}
    return {"file": layer.file, "layer": layer.layer, "read": layer.read, "kept": kept, "rejected": rejected, **metres}


def _with_numbers(found: Layer, place: str) -> Layer:
    """Counts and lengths as numbers in SI; a value outside the limits rejects its feature."""
    kept = found.kept.copy()
    kept[c.ROW_COUNT] = pd.to_numeric(kept[c.ROW_COUNT], errors="coerce")
    for theirs, ours in (("row_spacing", c.ROW_SPACING_M), ("strip_width", c.STRIP_WIDTH_M)):
        kept[ours] = _lengths(kept[theirs], place, theirs) if theirs in kept else np.nan
    found = replace(found, kept=kept)
    for name, (low, high) in LIMITS.items():
        if name == c.STRIP_WIDTH_M and "strip_width" not in found.kept:
            continue
        value = found.kept[name].to_numpy(float)
        bad = ~((value >= low) & (value <= high))
        reasons = np.array([f"{name} is {v:g}, expected {low:g} to {high:g}" for v in value], object)
        found = found.reject(bad, reasons)
    return replace(found, kept=found.kept.astype({c.ROW_COUNT: np.int64}))


def _lengths(values: pd.Series, place: str, name: str) -> pd.Series:
    """Lengths of a column [m]; an unreadable one is an error, since it is a slip of the whole column."""
    try:
        return values.map(_length)
    except ValueError:
        for feature, value in values.items():
            try:
                _length(value)
            except ValueError as error:
                raise InputError(f"{place}: feature {feature} has {name} '{value}': {error}") from error
        raise


def _length(value: object) -> float:
    """A length of a column: numbers are metres, text carries its unit."""
    if value is None or pd.isna(value):
        return float("nan")
    if isinstance(value, str):
        return to_si(value, kind=LENGTH)
    return float(value)  # type: ignore[arg-type]


def _text(value: object) -> str:
    if value is None or pd.isna(value):
        return ""
    return str(int(value)) if isinstance(value, float) and value.is_integer() else str(value).strip()


def _seconds(times: pd.Series, place: str, name: str) -> pd.Series:
    """UTC seconds since 1970; a missing time stays missing."""
    try:
        moments = pd.to_datetime(times, utc=True)
    except (ValueError, TypeError) as error:
        raise InputError(f"{place}: {name} cannot be read as time ({error}); expected ISO 8601 in UTC") from error
    return (moments - pd.Timestamp("1970-01-01", tz="UTC")) / pd.Timedelta(seconds=1)


def _fill_times(kept: gpd.GeoDataFrame) -> None:
    """A pass with one of its two times is taken to be there at that time: a pass lasts minutes, drift longer."""
    kept[c.ENDED_S] = kept[c.ENDED_S].fillna(kept[c.STARTED_S])
    kept[c.STARTED_S] = kept[c.STARTED_S].fillna(kept[c.ENDED_S])


def check_tiers(layer: Layer, role: str, known: Collection[str]) -> None:
    """Refuse a logged tier that the catalogue does not have.

    Raises
    ------
    InputError
        With the feature and the nearest known tier.
    """
    named = layer.kept[c.TIER]
    unknown = ~named.isin([*known, ""])
    if unknown.any():
        place = f"inputs.{role}: {layer.file}, layer '{layer.layer}', feature {layer.kept.index[unknown.to_numpy()][0]}"
        name = named[unknown].iloc[0]
        raise InputError(f"{place}: tier '{name}' is not in the catalogue; {did_you_mean(name, known)}")


def _check_frames(kept: gpd.GeoDataFrame, place: str) -> None:
    bare = (kept[c.FRAME] != "") & kept[c.EPOCH].isna()
    if bare.any():
        raise InputError(
            f"{place}: feature {kept.index[bare.to_numpy()][0]} has frame '{kept[c.FRAME][bare].iloc[0]}' but no epoch; "
            "a frame is a realisation with a date, add the epoch as a decimal year"
        )
    many = kept.groupby(c.FIELD_ID)[[c.FRAME, c.EPOCH]].nunique(dropna=False).max(axis=1)
    if (many > 1).any():
        raise InputError(
            f"{place}: field '{many.index[many > 1][0]}' has passes in several frames or epochs; expected one a field, "
            "split the layer or transform it"
        )


def _with_names(kept: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Passes without a number get one of ours, counted in each field in our own order."""
    number = (kept.groupby(c.FIELD_ID).cumcount() + 1).astype(str)
    return kept.assign(**{c.PASS_ID: kept[c.PASS_ID].where(kept[c.PASS_ID] != "", c.UNNAMED + number)})


def _in_order(kept: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Sorted by content, so that the order of the features in the file has no part in any figure."""
    key = kept.assign(wkb=shapely.to_wkb(shapely.normalize(kept.geometry.values)))
    order = key.sort_values([c.FIELD_ID, c.STARTED_S, c.PASS_ID, "wkb"], kind="stable").index
    return kept.loc[order]
