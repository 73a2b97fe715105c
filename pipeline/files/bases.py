"""RTK bases, and which of them each field goes by."""

from dataclasses import replace

import geopandas as gpd
import numpy as np
import shapely

from pipeline import columns as c
from pipeline.core.local import GRS80, to_geographic
from pipeline.errors import InputError, did_you_mean
from pipeline.files.layers import POINTS, Layer, read_layer
from pipeline.files.texts import shown, text_of
from pipeline.files.values import booleans_of


def read_bases(source) -> Layer:
    """Points of RTK bases with `base_id`, empty where they have none, and `surveyed`.

    Parameters
    ----------
    source : Source
    """
    found = read_layer(source, role="bases", kind=POINTS, known=(c.BASE_ID, c.SURVEYED), may_be_empty=True)
    surveyed = booleans_of(found.kept, c.SURVEYED, f"inputs.bases: {found.place}", otherwise=True)
    names = found.kept[c.BASE_ID].map(text_of) if c.BASE_ID in found.kept else ""
    return replace(found, kept=found.kept.assign(**{c.BASE_ID: names, c.SURVEYED: surveyed}))


def with_baselines(fields: gpd.GeoDataFrame, bases: gpd.GeoDataFrame | None) -> gpd.GeoDataFrame:
    """Fields with the distance from their middle to the base that they go by, and whether that is surveyed.

    Parameters
    ----------
    fields : GeoDataFrame
        With `base_id` where a field names its base; the others go by the nearest one, surveyed or not.
    bases : GeoDataFrame or None

    Returns
    -------
    GeoDataFrame
        With `baseline_m` [m], missing without bases, and `base_surveyed`, instead of `base_id`.

    Raises
    ------
    InputError
        If a field names a base that is not there, or one of several of that name.
    """
    named, fields = fields[[c.FIELD_ID, c.BASE_ID]], fields.drop(columns=c.BASE_ID)
    _check_named(named, [] if bases is None else bases[c.BASE_ID].tolist())
    if bases is None or len(bases) == 0:
        return fields.assign(**{c.BASELINE_M: np.nan, c.BASE_SURVEYED: True})
    here, posts = (_places(layer) for layer in (fields, bases))
    distance = np.array([GRS80.inv(*np.broadcast_arrays(x, y, *posts.T))[2] for x, y in here])
    own = named[c.BASE_ID].to_numpy(object)[:, None]
    base = np.where((own == "") | (own == bases[c.BASE_ID].to_numpy(object)), distance, np.inf).argmin(axis=1)
    return fields.assign(**{
        c.BASELINE_M: np.round(distance[np.arange(len(fields)), base], 3),
        c.BASE_SURVEYED: bases[c.SURVEYED].to_numpy(bool)[base],
    })  # fmt: skip


def _places(layer: gpd.GeoDataFrame) -> np.ndarray:
    """Longitude and latitude of the middle of each feature, shape (n, 2)."""
    return shapely.get_coordinates(shapely.centroid(to_geographic(layer.geometry.values, layer.crs.to_wkt())))


def _check_named(named: gpd.GeoDataFrame, ids: list[str]) -> None:
    known = sorted(set(ids) - {""})
    for field_id, base in named.itertuples(index=False):
        if base and ids.count(base) != 1:
            wrong = "is no base of inputs.bases" if base not in ids else f"is the name of {ids.count(base)} bases"
            mend = did_you_mean(base, known) if base not in ids else "expected one, rename the others"
            if not known:
                mend = "no bases are given: give inputs.bases, or take base_id out of inputs.fields"
            raise InputError(f"inputs.fields: field '{shown(field_id)}': base_id '{shown(base)}' {wrong}; {mend}")
