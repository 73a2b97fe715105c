"""How large fields are, as far as the input tells before anything is computed."""

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from pipeline import columns as c
from pipeline.core.local import to_geographic

METRES_PER_DEGREE = 111_320.0


def row_lengths_m(passes: gpd.GeoDataFrame, kept_m: float) -> np.ndarray:
    """Length of all row units of each pass: that of the pass by its number of rows.

    Parameters
    ----------
    passes : GeoDataFrame
        In any CRS: of their lengths there only the shares count.
    kept_m : float
        Length of all passes over ground [m].

    Returns
    -------
    ndarray (passes,)
        [m]
    """
    length = shapely.length(passes.geometry.values)
    return kept_m * length * passes[c.ROW_COUNT].to_numpy(float) / length.sum()


def extents_m2(fields: gpd.GeoDataFrame) -> np.ndarray:
    """Area of the box around each field, which its raster covers.

    Returns
    -------
    ndarray (fields,)
        [m2]
    """
    if len(fields) == 0:
        return np.zeros(0)
    west, south, east, north = shapely.bounds(to_geographic(fields.geometry.values, fields.crs.to_wkt())).T
    wide = (east - west) * METRES_PER_DEGREE * np.cos(np.radians(0.5 * (south + north)))
    return wide * (north - south) * METRES_PER_DEGREE


def batch_sizes(
    fields: gpd.GeoDataFrame, passes: gpd.GeoDataFrame, kept_m: float, batches: dict[str, list[str]]
) -> dict[str, dict[str, float]]:
    """How large the fields of each batch are.

    Parameters
    ----------
    fields : GeoDataFrame
    passes : GeoDataFrame
        Those that are planted, with their fields.
    kept_m : float
        Length of all passes over ground [m].
    batches : dict of str to list of str
        Fields by batch.

    Returns
    -------
    dict of str to dict
        By batch `fields`, `row_km`, `row_vertices` and `extent_ha` of all its fields together, and `field_row_km`,
        `field_row_vertices` and `field_extent_ha` of the largest. Of the content alone, and rounded, so that the same
        input gives the same text.
    """
    rows = pd.DataFrame({
        c.FIELD_ID: passes[c.FIELD_ID].to_numpy(), "row_km": row_lengths_m(passes, kept_m) / 1e3,
        "row_vertices": shapely.get_num_coordinates(passes.geometry.values) * passes[c.ROW_COUNT].to_numpy(float),
    }).groupby(c.FIELD_ID).sum()  # fmt: skip
    each = rows.reindex(fields[c.FIELD_ID], fill_value=0.0).assign(extent_ha=extents_m2(fields) / 1e4)
    out = {}
    for batch, names in batches.items():
        mine = each.loc[names]
        most = mine.max().add_prefix("field_")
        sizes = mine.sum().to_dict() | most.to_dict()
        out[batch] = {"fields": len(mine)} | {name: round(float(value), 2) for name, value in sizes.items()}
    return out
