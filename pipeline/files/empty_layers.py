"""Layers without a feature, with all their columns: what each kind of layer has, whatever lies in the fields."""

import geopandas as gpd
import numpy as np

from pipeline import columns as c

_TEXT, _NUMBER, _WHOLE, _YES_OR_NO = object, float, np.int64, bool
_UNIT = {c.FIELD_ID: _TEXT, c.PASS_ID: _TEXT, c.UNIT: _WHOLE}
_BAND = {c.FIELD_ID: _TEXT, c.TIER: _TEXT, c.PASS_ID: _TEXT, c.HALF_WIDTH_M: _NUMBER, c.AREA_M2: _NUMBER}
_COLUMNS = {
    "strip_lines": _UNIT | {c.STRIP_WIDTH_M: _NUMBER, c.LENGTH_M: _NUMBER},
    "row_lines": _UNIT | {
        c.PART: _WHOLE, c.START_M: _NUMBER, c.END_M: _NUMBER, c.LENGTH_M: _NUMBER, c.SINCE_START_S: _NUMBER,
        c.STRIP_SINCE_START_S: _NUMBER, c.ZONES: _TEXT,
    },
    "hold_bands": _BAND,
    "reach_bands": _BAND,
    "checked_row_lines": {
        c.FIELD_ID: _TEXT, c.TIER: _TEXT, c.PASS_ID: _TEXT, c.UNIT: _WHOLE, c.CLASS: _TEXT, c.MISS_SHARE: _NUMBER,
        c.LENGTH_M: _NUMBER,
    },
    "checks": {
        c.FIELD_ID: _TEXT, c.CHECK: _TEXT, c.MEASURED_M: _NUMBER, c.SIGNED: _YES_OR_NO, c.TAPE_ERROR_M: _NUMBER,
        c.OFFSET_M: _NUMBER,
    },
    "next_checks": {
        c.FIELD_ID: _TEXT, c.TIER: _TEXT, c.DIG_PLACE: _WHOLE, c.PASS_ID: _TEXT, c.UNIT: _WHOLE, c.SHARE_SD: _NUMBER,
        c.LEFT_SD: _NUMBER,
    },
    "shifted_lines": {c.FIELD_ID: _TEXT, c.TIER: _TEXT, c.PASS_ID: _TEXT, c.EAST_M: _NUMBER, c.NORTH_M: _NUMBER},
}  # fmt: skip
# After these, once for each tier.
_BY_TIER = {"row_lines": {c.CLASS: _TEXT, c.MISS: _NUMBER}, "checks": {c.LEFT_OUT_Z: _NUMBER}}


def columns_of(kind: str, tiers: list[str]) -> list[str]:
    """Names of all columns of a layer, the geometry last."""
    return [*_types(kind, tiers), "geometry"]


def empty_layer(kind: str, tiers: list[str], crs) -> gpd.GeoDataFrame:
    """A layer of that kind without a feature.

    Parameters
    ----------
    kind : str
        Name of the layer, such as ``row_lines``.
    tiers : list of str
        In the order compared.
    crs
        As geopandas takes it.
    """
    columns = {name: np.zeros(0, one) for name, one in _types(kind, tiers).items()}
    return gpd.GeoDataFrame(columns, geometry=np.zeros(0, object), crs=crs)


def _types(kind: str, tiers: list[str]) -> dict[str, type]:
    by_tier = {c.under(name, tier): one for tier in tiers for name, one in _BY_TIER.get(kind, {}).items()}
    return _COLUMNS[kind] | by_tier
