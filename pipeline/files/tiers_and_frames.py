"""The tiers and frames that passes say they were made with: known ones, and frames with their epochs."""

from collections.abc import Collection, Mapping
from dataclasses import replace

import geopandas as gpd

from pipeline import columns as c
from pipeline.core.frame_names import FRAMES, why_no_frame
from pipeline.core.tier import Tier
from pipeline.core.tiering import AS_LOGGED
from pipeline.errors import ConfigError, InputError, did_you_mean
from pipeline.files.layers import Layer
from pipeline.files.texts import shown


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
        place = f"inputs.{role}: {layer.place}, feature {layer.kept.index[unknown.to_numpy()][0]}"
        name = named[unknown].iloc[0]
        raise InputError(f"{place}: tier '{shown(name)}' is not in the catalogue; {did_you_mean(name, known)}")


def worst_logged(layer: Layer, tiers: Mapping[str, Tier]) -> Tier:
    """What stands for the tiers of a log where one figure is asked: the worst of them.

    Raises
    ------
    InputError
        If a pass names no tier.
    """
    bare = (layer.kept[c.TIER] == "").to_numpy()
    if bare.any():
        raise InputError(
            f"inputs.rows: {layer.place}: feature {layer.kept.index[bare][0]} names no tier, and tiers.compare has "
            "as_logged; expected one a pass, map the column or name tiers instead"
        )
    worst = max((tiers[name] for name in sorted(layer.kept[c.TIER].unique())), key=lambda tier: tier.repeatable_m)
    return replace(worst, id=AS_LOGGED, name="As logged, pass by pass")


def check_planter_frame(rows) -> None:
    """Refuse an unknown frame of a planter without a layer of its own; one in a layer is refused with its feature.

    Raises
    ------
    ConfigError
        With the frames that it may have meant.
    """
    if rows is not None and rows.file is None and rows.constants.frame not in (None, *FRAMES):
        name = rows.constants.frame
        raise ConfigError(f"configuration: inputs.rows.constants.frame: '{shown(name)}' {why_no_frame(name)}")


def check_frames(kept: gpd.GeoDataFrame, place: str) -> None:
    """Refuse passes with an unknown frame, with a frame or an epoch alone, and fields with several of them.

    Raises
    ------
    InputError
        With the feature, or the field.
    """
    unknown = ~kept[c.FRAME].isin([*FRAMES, ""])
    if unknown.any():
        name = kept[c.FRAME][unknown].iloc[0]
        raise InputError(
            f"{place}: feature {kept.index[unknown.to_numpy()][0]}: frame '{shown(name)}' {why_no_frame(name)}. Leave the "
            "frame (and its epoch) out where it is not known"
        )
    _check_frame_and_epoch(kept, place)
    wild = ((kept[c.EPOCH] < 1980) | (kept[c.EPOCH] > 2100)).to_numpy()
    if wild.any():
        raise InputError(
            f"{place}: feature {kept.index[wild][0]}: epoch is {kept[c.EPOCH][wild].iloc[0]:g}; expected a decimal year "
            "from 1980 to 2100, correct it in the layer"
        )
    many = kept.groupby(c.FIELD_ID)[[c.FRAME, c.EPOCH]].nunique(dropna=False).max(axis=1)
    if (many > 1).any():
        raise InputError(
            f"{place}: field '{many.index[many > 1][0]}' has passes in several frames or epochs; expected one a field, "
            "split the layer or transform it"
        )


def _check_frame_and_epoch(kept: gpd.GeoDataFrame, place: str) -> None:
    """Neither without the other."""
    bare = (kept[c.FRAME] != "") & kept[c.EPOCH].isna()
    if bare.any():
        raise InputError(
            f"{place}: feature {kept.index[bare.to_numpy()][0]} has frame '{kept[c.FRAME][bare].iloc[0]}' but no epoch; "
            "a frame is a realisation with a date, add the epoch as a decimal year"
        )
    lone = (kept[c.FRAME] == "") & kept[c.EPOCH].notna()
    if lone.any():
        raise InputError(
            f"{place}: feature {kept.index[lone.to_numpy()][0]} has epoch {kept[c.EPOCH][lone].iloc[0]:g} but no frame; "
            "a date alone says nothing of the coordinates, add the frame or remove the epoch"
        )
