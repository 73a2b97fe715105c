"""What one input layer holds, once it is read: plain values that text and JSON are made of."""

import re

import numpy as np
import pandas as pd
import shapely
from shapely.geometry.polygon import orient

from pipeline import columns as c
from pipeline.commands.bounded import Sample, rejected_ids
from pipeline.commands.guess_columns import name_score
from pipeline.core.local import to_geographic
from pipeline.core.show import epoch_text
from pipeline.files.layer_models import LAYER_COLUMNS
from pipeline.files.layers import Layer

FORMATS = {"GPKG": "GeoPackage", "ESRI Shapefile": "Shapefile", "Parquet": "GeoParquet"}
#: Our names that a look-alike among their columns is worth a word for.
TELLING = (c.FIELD_ID, c.FARM, c.GROWER, c.PASS_ID, c.STARTED_AT, c.ENDED_AT, c.ROW_COUNT, c.ROW_SPACING, c.STRIP_WIDTH,
           c.TIER, c.FRAME, c.EPOCH)  # fmt: skip
FIRST_REJECTS = 5


def layer_facts(given, layer: Layer, account: dict, sample: Sample | None) -> dict:
    """Describe a layer.

    Parameters
    ----------
    given : pipeline.files.layer_models.Layer
        What the configuration says of it.
    layer : Layer
        As the intake's code read it.
    account : dict
        From `balance`.
    sample : Sample or None
        Where the layer is too big to be read in full.
    """
    kept = layer.kept
    format_name = sample.format if sample else layer.format
    authority = kept.crs.to_authority()
    facts = {
        "file": given.file, "layer": sample.layer if sample else layer.layer,
        "format": FORMATS.get(format_name, format_name),
        "crs": kept.crs.name, "crs_code": ":".join(authority) if authority else None,
        "features": sample.of if sample else account["read"], "read": account["read"], "kept": account["kept"],
        "rejected_count": account["rejected"], "passes": len(kept) if c.ROW_COUNT in kept else None,
        "vertices": int(shapely.get_num_coordinates(kept.geometry.values).sum()),
        "rejected": _rejected(layer, sample), **_columns(given, list(layer.theirs)),
    }  # fmt: skip
    if c.ROW_COUNT in kept:
        return facts | {"length_m": account.get("kept_m", 0.0)} | _line_facts(kept)
    if c.FARM in kept:
        return facts | {"area_m2": _area_m2(kept), "farms": sorted(set(kept[c.FARM]) - {""})}
    return facts


def _area_m2(fields) -> float:
    geod = fields.crs.get_geod()
    shapes = to_geographic(fields.geometry.values, fields.crs.to_wkt())
    parts = [orient(part) for part in shapely.get_parts(shapes)]
    return float(sum(abs(geod.geometry_area_perimeter(part)[0]) for part in parts))


def _line_facts(kept) -> dict:
    started, ended = kept[c.STARTED_S].min(), kept[c.ENDED_S].max()
    frames = kept[[c.FRAME, c.EPOCH]].astype({c.EPOCH: object})
    named = [f"{frame} at {epoch_text(epoch)}" for frame, epoch in frames.itertuples(index=False) if frame]
    return {
        "first": _day(started), "last": _day(ended), "without_times": int(kept[c.STARTED_S].isna().sum()),
        "row_counts": _distinct(kept[c.ROW_COUNT]), "row_spacings_m": _distinct(kept[c.ROW_SPACING_M].round(6)),
        "strip_widths_m": _distinct(kept[c.STRIP_WIDTH_M].dropna().round(6)),
        "tiers": _distinct(kept[c.TIER][kept[c.TIER] != ""]), "frames": _distinct(pd.Series(named, dtype=object)),
        "without_frame": int((kept[c.FRAME] == "").sum()), "fields": int(kept[c.FIELD_ID].nunique()),
    }  # fmt: skip


def _distinct(values: pd.Series) -> list[list]:
    """Each value with the number of passes that have it, the commonest first."""
    counts = values.value_counts(sort=True)
    return [[value.item() if isinstance(value, np.generic) else value, int(count)] for value, count in counts.items()]


def _day(seconds: float) -> str | None:
    return None if pd.isna(seconds) else f"{pd.Timestamp(seconds, unit='s'):%Y-%m-%d}"


def _rejected(layer: Layer, sample: Sample | None) -> list[dict]:
    """Rejects by reason; reasons that differ only in a number or a name are one, told by the first."""
    if len(layer.rejects) == 0:
        return []
    rejects = layer.rejects if sample is None else layer.rejects.assign(**{c.REASON: sample.reasons(layer.rejects)})
    alike = rejects[c.REASON].map(lambda reason: re.sub(r"'.*'|-?\d[\d.eE+-]*", "#", reason))
    out = []
    for _, group in rejects.groupby(alike, sort=False):
        first = rejected_ids(sample, [str(feature) for feature in group[c.FEATURE].iloc[:FIRST_REJECTS]])
        out.append({"reason": group[c.REASON].iloc[0], "count": len(group), "first_features": first})
    return sorted(out, key=lambda one: -one["count"])


def _columns(given, theirs: list[str]) -> dict:
    """What each of our names is taken from, which of their columns nothing uses, and which of these look like ours."""
    theirs = [str(name) for name in theirs]
    constants = {name.removesuffix("_m"): value for name, value in given.constants.given().items()}
    known = LAYER_COLUMNS[type(given).__name__]
    mapped = {ours: given.columns.get(ours, ours if ours in theirs else None) for ours in known}
    unused = [name for name in theirs if name not in mapped.values()]
    return {
        "columns": {ours: column for ours, column in mapped.items() if column is not None},
        "constants": {ours: value for ours, value in constants.items() if ours in known},
        "missing": [ours for ours in known if mapped[ours] is None and ours not in constants],
        "unused": unused,
        "alike": {
            ours: name for ours in TELLING if ours in known and mapped[ours] is None
            for name in unused if name_score(name, ours) >= (3 if ours in constants else 2)
        },
    }  # fmt: skip
