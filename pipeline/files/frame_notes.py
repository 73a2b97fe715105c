"""What is said of the frames of strips and rows: how far apart they are, or that nobody knows."""

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from pyproj import CRS

from pipeline import columns as c
from pipeline.core.frame_names import frame_named
from pipeline.core.frames import frame_shift
from pipeline.core.local import to_geographic
from pipeline.core.show import epoch_text, shift_length_text, shift_text
from pipeline.errors import InputError
from pipeline.files.config import Config
from pipeline.files.layers import Layer
from pipeline.files.texts import fields_said

_SAME = "both are taken to be in the same frame and nothing is moved; give frame and epoch for both if they are not"
# Shifts that differ by less over the fields are told as one [m].
ALIKE_M = 0.005

Side = tuple[str, float] | None


def frame_notes(settings: Config, layers: dict[str, Layer]) -> list[str]:
    """Notes on the fields that have both strips and rows, one for each pair of frames.

    Parameters
    ----------
    settings : Config
    layers : dict of role to Layer
        As kept, with fields assigned and one frame a field and layer.

    Raises
    ------
    InputError
        If nothing joins the two frames of a field, with the field.
    """
    autumn = frames_by_field(layers["strips"].kept)
    if "rows" in layers:
        spring = frames_by_field(layers["rows"].kept)
    else:
        planter = settings.inputs.rows.constants.given() if settings.inputs.rows is not None else {}
        if c.FRAME not in planter:  # the planter follows the strips in whatever frame they are
            return []
        spring = dict.fromkeys(autumn, (planter[c.FRAME], planter[c.EPOCH]))
    pairs = {name: (autumn[name], spring[name]) for name in sorted(autumn.keys() & spring.keys())}
    if "rows" in layers and any(pair == (None, None) for pair in pairs.values()):
        _check_realisations(*(layers[role].kept.crs for role in ("strips", "rows")))
    return _unsaid_notes(pairs) + _shift_notes(pairs, layers["fields"].kept, units=settings.report.units)


def _check_realisations(strips: CRS, rows: CRS) -> None:
    """Refuse layers whose CRS name two frames that differ, where neither says its frame: nothing would move the rows.

    Names of families, such as WGS 84 and NAD83, tell nothing; `frame_notes` says that nobody knows.
    """
    theirs = [frame_named(crs.geodetic_crs.name) if crs.geodetic_crs else None for crs in (strips, rows)]
    if None in theirs or theirs[0] == theirs[1]:
        return
    raise InputError(
        f"inputs.rows: by its CRS it is in {theirs[1]}, and inputs.strips in {theirs[0]}: two frames that lie apart; "
        f"expected frame and epoch of both, as constants (frame: {theirs[1]}, epoch: 2025.3) or columns, to move the rows by"
    )


def frames_by_field(passes: pd.DataFrame) -> dict[str, Side]:
    """Frame and epoch of each field that a layer's passes say, None where none is said.

    Parameters
    ----------
    passes : DataFrame
        With one frame and epoch a field.
    """
    firsts = passes.drop_duplicates(c.FIELD_ID)[[c.FIELD_ID, c.FRAME, c.EPOCH]]
    return {name: (frame, float(epoch)) if frame else None for name, frame, epoch in firsts.itertuples(index=False)}


def field_places(fields: gpd.GeoDataFrame) -> dict[str, tuple[float, float]]:
    """Longitude and latitude [degrees] of the middle of each field."""
    places = shapely.get_coordinates(shapely.centroid(to_geographic(fields.geometry.values, fields.crs.to_wkt())))
    return {name: (float(lon), float(lat)) for name, (lon, lat) in zip(fields[c.FIELD_ID], places, strict=True)}


def _unsaid_notes(pairs: dict[str, tuple[Side, Side]]) -> list[str]:
    """Fields in which a side does not say its frame: nothing is moved there."""
    cases = {
        (True, False): "the strips name their frame and the rows do not",
        (False, True): "the rows name their frame and the strips do not",
        (False, False): "neither the strips nor the rows name their frame",
    }
    notes = []
    for case, said in cases.items():
        names = [name for name, pair in pairs.items() if tuple(side is not None for side in pair) == case]
        notes += [f"in {fields_said(names)} {said}: {_SAME}"] if names else []
    return notes


def _shift_notes(pairs: dict[str, tuple[Side, Side]], fields: gpd.GeoDataFrame, *, units: str) -> list[str]:
    """Fields whose two sides differ, with the shift of their rows."""
    place = field_places(fields)
    shifts: dict[tuple[Side, Side], dict[str, tuple[float, float]]] = {}
    for name, (autumn, spring) in pairs.items():
        if autumn is not None and spring is not None and autumn != spring:
            shifts.setdefault((autumn, spring), {})[name] = _shift(name, autumn, spring, place[name])
    return [
        f"in {fields_said(list(moved))} the rows are in {_said(spring)} and the strips in {_said(autumn)}: before matching "
        f"the rows are moved {_shift_said(np.array(list(moved.values())), units=units)}; this is a difference of datums "
        "(and plate motion), not drift"
        for (autumn, spring), moved in shifts.items()
    ]


def _shift(name: str, autumn: Side, spring: Side, place: tuple[float, float]) -> tuple[float, float]:
    try:
        return frame_shift(*place, autumn=autumn, spring=spring)
    except InputError as error:
        raise InputError(f"field '{name}': {error}") from None


def _shift_said(shifts_m: np.ndarray, *, units: str) -> str:
    """The mean over the fields, and how far single ones lie from it."""
    mean = shifts_m.mean(axis=0)
    off_m = np.hypot(*(shifts_m - mean).T).max()
    apart = f", to within {shift_length_text(off_m, units=units)} in all of them" if off_m > ALIKE_M else ""
    return shift_text(*mean, units=units) + apart


def _said(side: Side) -> str:
    return "no frame" if side is None else f"{side[0]} at {epoch_text(side[1])}"
