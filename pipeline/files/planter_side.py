"""What the planter's side of a field must have in common with its strips: one bar to plan on, a frame to join."""

import geopandas as gpd
import numpy as np

from pipeline import columns as c
from pipeline.core.frames import frame_shift
from pipeline.errors import InputError

# Spacings that differ by less are the same, written in different units.
SAME_SPACING_M = 0.001


def check_one_bar(strips: gpd.GeoDataFrame, planter_spacing_m: float | None) -> None:
    """A planter can be planned only on strips of one bar, at the bar's own spacing.

    Parameters
    ----------
    strips : GeoDataFrame
        Passes of one field, at least one.
    planter_spacing_m : float or None
        What the configuration says of the planter [m]; None means the bar's own.

    Raises
    ------
    InputError
        With the field and both spacings.
    """
    field_id = strips[c.FIELD_ID].iloc[0]
    if strips[c.ROW_COUNT].nunique() > 1 or np.ptp(strips[c.ROW_SPACING_M]) > SAME_SPACING_M:
        raise InputError(f"field '{field_id}': strips of several bars, so no planter can be planned; give inputs.rows")
    spacing_m = float(strips[c.ROW_SPACING_M].iloc[0])
    if abs(spacing_m - (planter_spacing_m or spacing_m)) > SAME_SPACING_M:
        raise InputError(
            f"field '{field_id}': inputs.rows.constants.row_spacing is {planter_spacing_m:g} m, the strips' is "
            f"{spacing_m:g} m; expected the same where there is no rows layer"
        )


def frame_of(passes: gpd.GeoDataFrame) -> tuple[str, float] | None:
    """The one frame and epoch of a layer's passes in a field; None where none is said."""
    said = passes[[c.FRAME, c.EPOCH]].drop_duplicates()
    if len(said) == 0 or said[c.FRAME].iloc[0] == "":
        return None
    return str(said[c.FRAME].iloc[0]), float(said[c.EPOCH].iloc[0])


def shift_into_frame(
    autumn: tuple[str, float] | None, spring: tuple[str, float] | None, place: tuple[float, float]
) -> tuple[float, float]:
    """How far the planter's lines are moved so that they lie in the strips' frame [m]; not at all if one is unknown.

    Raises
    ------
    InputError
        If nothing joins the two.
    """
    if autumn is None or spring is None:
        return 0.0, 0.0
    return frame_shift(*place, autumn=autumn, spring=spring)
