"""Input layers in our own terms: values checked feature by feature, fields assigned, nothing lost."""

import hashlib
from dataclasses import dataclass, field, replace

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from pipeline import columns as c
from pipeline.core.frame_names import frame_named
from pipeline.core.operations import VISIT_BREAK_S
from pipeline.errors import CheckError, InputError
from pipeline.files.blocks import blocks
from pipeline.files.crs_beside import check_beside
from pipeline.files.fields import assign_fields, check_apart
from pipeline.files.layer_models import LINE_COLUMNS
from pipeline.files.layers import POLYGONS, Layer, lengths_m, read_layer
from pipeline.files.one_writing import polygons_in_one_writing, single_parts
from pipeline.files.pass_layers import read_passes
from pipeline.files.texts import control_in, id_text, shown, text_of
from pipeline.files.tiers_and_frames import check_frames
from pipeline.files.values import seconds_of, with_numbers, without_misfits

_LINE_OUT = [
    c.FIELD_ID, c.PASS_ID, c.ROW_COUNT, c.ROW_SPACING_M, c.STRIP_WIDTH_M, c.STARTED_S, c.ENDED_S, c.TIER, c.FRAME,
    c.EPOCH, c.SIGNAL_LOST, c.MACHINE,
]  # fmt: skip
_KEY_BYTES = 512

# Read is kept and rejected to this share of the length: rounding, and what `lengths_m` leaves of a geodesic's bend.
SAME_LENGTH = 1e-6


@dataclass(frozen=True)
class Source:
    """One layer of the configuration, constants by the names that columns have."""

    file: str
    layer: str | None
    columns: dict
    constants: dict
    crs: str | None = None
    units: dict = field(default_factory=dict)
    timezone: str | None = None
    encoding: str | None = None
    fix_holds: tuple[str, ...] | None = None

    @classmethod
    def of(cls, layer) -> "Source":
        """From the configuration's model of a layer."""
        constants = {name.removesuffix("_m"): value for name, value in layer.constants.given().items()}
        how = (layer.crs, dict(layer.units), layer.timezone, layer.encoding, getattr(layer, "fix_holds", None))
        return cls(layer.file, layer.layer, dict(layer.columns), constants, *how)


def read_fields(layer) -> Layer:
    """Boundaries with a unique text `field_id`, each in one writing.

    Raises
    ------
    InputError
        If ids are missing or used twice, or no boundary is left.
    """
    found = read_layer(Source.of(layer), role="fields", kind=POLYGONS, known=(c.FIELD_ID, c.FARM, c.GROWER, c.BASE_ID))
    place = f"inputs.fields: {found.place}"
    if c.FIELD_ID not in found.kept:
        raise InputError(f"{place}: no column is mapped to field_id; add columns: {{field_id: YOUR_COLUMN}}")
    found = replace(found, kept=found.kept.assign(**{c.FIELD_ID: found.kept[c.FIELD_ID].map(id_text).astype(object)}))
    found = found.reject(found.kept[c.FIELD_ID].isna().to_numpy(), "has no field_id")
    controls = found.kept[c.FIELD_ID].map(control_in).astype(object)
    said = np.array([f"field_id holds {one}, expected characters that print; rename the field" for one in controls], object)
    found = found.reject(controls.notna().to_numpy(), said)
    kept = found.kept.copy()
    twice = kept[c.FIELD_ID][kept[c.FIELD_ID].duplicated(keep=False)]
    if len(twice):
        raise InputError(
            f"{place}: features {', '.join(map(str, twice.index[:4]))} share the field_id '{shown(twice.iloc[0])}'; "
            "expected one feature a field, dissolve them or rename one"
        )
    if len(kept) == 0:
        raise InputError(f"{place}: no boundary can be used; first reason: {found.rejects[c.REASON].iloc[0]}")
    for name in (c.FARM, c.GROWER, c.BASE_ID):
        kept[name] = kept[name].map(text_of) if name in kept else ""
    shape = polygons_in_one_writing(np.asarray(kept.geometry.values, object))
    # In an order of content: what lies evenly in two fields goes to one of them, whatever the order of the features.
    found = replace(found, kept=kept.set_geometry(shape, crs=kept.crs).sort_values(c.FIELD_ID, kind="stable"))
    check_apart(found)
    return found


def read_lines(layer, *, role: str, fields: gpd.GeoDataFrame, row_margin_m: float = 0.0) -> Layer:
    """Implement passes or single lines of `strips` or `rows`, with every value checked.

    Parameters
    ----------
    layer : StripsLayer or RowsLayer
    role : str
        What the configuration calls it.
    fields : GeoDataFrame
        With `field_id`.
    row_margin_m : float
        Kept clear at each edge of a strip [m]; a strip that it leaves nothing of is a reject.

    Raises
    ------
    InputError
        If a column that is needed is neither mapped nor given as a constant, a length or time is unreadable, no value
        of `fix_holds` is there, or no feature is left.
    """
    known = (*LINE_COLUMNS, c.STRIP_WIDTH) if role == "strips" else LINE_COLUMNS
    found = read_passes(Source.of(layer), layer.log, role=role, known=known)
    place = f"inputs.{role}: {found.place}"
    check_beside(found.kept, fields, place)
    needed = [c.ROW_COUNT, c.ROW_SPACING, *([c.STRIP_WIDTH] if role == "strips" else [])]
    for name in needed:
        if name not in found.kept:
            raise InputError(f"{place}: {name} is neither mapped nor a constant; add it under columns or constants")
    found = without_misfits(with_numbers(found, place), row_margin_m)
    kept = found.kept.copy()
    for name in (c.TIER, c.FRAME, c.PASS_ID, c.MACHINE):
        kept[name] = kept[name].map(text_of) if name in kept else ""
    kept[c.FRAME] = kept[c.FRAME].map({name: frame_named(name) or name for name in kept[c.FRAME].unique()})
    kept[c.EPOCH] = pd.to_numeric(kept[c.EPOCH], errors="coerce") if c.EPOCH in kept else np.nan
    for ours, theirs in ((c.STARTED_S, c.STARTED_AT), (c.ENDED_S, c.ENDED_AT)):
        kept[ours] = seconds_of(kept[theirs], place, theirs) if theirs in kept else np.nan
    _check_order(kept, place)
    _fill_times(kept)
    found = assign_fields(replace(found, kept=kept), fields)
    if len(found.kept) == 0:
        first = found.rejects.iloc[0]
        raise InputError(f"{place}: no feature can be used; feature {first[c.FEATURE]}: {first[c.REASON]}")
    check_frames(found.kept, place)
    kept = _with_names(_in_order(found.kept[[*_LINE_OUT, "geometry"]]))
    return replace(found, kept=kept.set_geometry(single_parts(np.asarray(kept.geometry.values, object)), crs=kept.crs))


def balance(layer: Layer, role: str) -> dict:
    """What became of a layer's features, in features and metres; the run stops if they do not add up.

    Raises
    ------
    CheckError
        If read is not kept + rejected.
    """
    kept, rejected = layer.kept_features, len(layer.rejects)
    account = {
        "file": layer.file, "layer": layer.layer, "read": layer.read, "kept": kept,
        "split": int((layer.kept.index.value_counts() > 1).sum()), "rejected": rejected,
    }  # fmt: skip
    if layer.read != kept + rejected:
        raise CheckError(f"{role}: {layer.read} features read, {kept} kept and {rejected} rejected do not add up")
    if layer.read_m is not None:
        read_m, kept_m = float(layer.read_m.sum()), float(lengths_m(layer.kept.geometry.values, layer.kept.crs).sum())
        rejected_m = float(layer.read_m[layer.read_m.index.astype(str).isin(layer.rejects[c.FEATURE])].sum())
        account |= {"kept_m": round(kept_m, 3), "read_m": round(read_m, 3), "rejected_m": round(rejected_m, 3)}
        if abs(read_m - kept_m - rejected_m) > SAME_LENGTH * read_m + 0.001:
            said = f"{read_m:.3f} m read, {kept_m:.3f} m kept and {rejected_m:.3f} m rejected"
            raise CheckError(f"{role}: {said} do not add up")
    if layer.points is not None:
        account |= {"passes": len(layer.kept)}
    return account


def _check_order(kept: gpd.GeoDataFrame, place: str) -> None:
    back = (kept[c.ENDED_S] < kept[c.STARTED_S]).to_numpy()
    if back.any():
        first = kept[back].iloc[0]
        begun, ended = (shown(text_of(first[name])) for name in (c.STARTED_AT, c.ENDED_AT))
        raise InputError(
            f"{place}: feature {kept.index[back][0]}: ended_at {ended} lies before started_at {begun}; expected times in "
            "order, swap the two columns or mend the value"
        )


def with_starts(layer: Layer, fields: gpd.GeoDataFrame, *, gap_s: float) -> Layer:
    """Passes with the time at which their receiver was last switched on; none where a pass has not both of its times.

    ASSUME: each farm works with one machine, or with those that the passes name, which go from field to field (where no farm
    is named, each field has its own): a start is the first pass of a machine, and every pass after a break longer than
    `gap_s`, or than that between two visits.
    """
    kept = layer.kept
    farm = kept[c.FIELD_ID].map(fields.set_index(c.FIELD_ID)[c.FARM])
    # A field that bears the name of another one's farm has no machine in common with it.
    named, home = (farm != "").to_numpy(bool), farm.where(farm != "", kept[c.FIELD_ID]).to_numpy(object)
    start = pd.Series(np.nan, index=np.arange(len(kept)))
    begun, ended = kept[c.STARTED_S].to_numpy(float), kept[c.ENDED_S].to_numpy(float)
    for mine in start.groupby([named, home, kept[c.MACHINE].to_numpy(object)]).indices.values():
        timed = mine[np.isfinite(begun[mine])]
        order = timed[np.argsort(begun[timed], kind="stable")]
        busy_until = np.maximum.accumulate(ended[order])
        new = begun[order] - np.concatenate([[-np.inf], busy_until[:-1]]) > min(gap_s, VISIT_BREAK_S)
        start.iloc[order] = begun[order][np.maximum.accumulate(np.where(new, np.arange(len(order)), 0))]
    # A moment alone does not tell how long the receiver had been on along the pass.
    start[~(ended > begun)] = np.nan
    return replace(layer, kept=kept.assign(**{c.START_S: start.to_numpy()}))


def _fill_times(kept: gpd.GeoDataFrame) -> None:
    """A pass with one of its two times is taken to be there at that time: a pass lasts minutes, drift longer."""
    kept[c.ENDED_S] = kept[c.ENDED_S].fillna(kept[c.STARTED_S])
    kept[c.STARTED_S] = kept[c.STARTED_S].fillna(kept[c.ENDED_S])


def _with_names(kept: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Passes without a number get one of ours, counted in each field in our own order."""
    number = (kept.groupby(c.FIELD_ID).cumcount() + 1).astype(str)
    return kept.assign(**{c.PASS_ID: kept[c.PASS_ID].where(kept[c.PASS_ID] != "", c.UNNAMED + number)})


def _in_order(kept: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Sorted by content, so that the order of the features in the file has no part in any figure."""
    # The beginning of the bytes sorts as the bytes do; a hash tells apart what begins alike.
    wkb = [
        blob[:_KEY_BYTES] + hashlib.sha256(blob).digest()
        for _, block in blocks(kept.geometry.values)
        for blob in shapely.to_wkb(shapely.normalize(block))
    ]
    key = pd.DataFrame(kept.drop(columns="geometry")).assign(wkb=np.array(wkb, object), place=np.arange(len(kept)))
    return kept.iloc[key.sort_values([c.FIELD_ID, c.STARTED_S, c.PASS_ID, "wkb"], kind="stable")["place"]]
