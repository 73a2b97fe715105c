"""What is said of strips that lie beyond the range of the tier they were made under."""

from collections.abc import Mapping

import geopandas as gpd
import pandas as pd

from pipeline import columns as c
from pipeline.core.show import GAP, distance_text
from pipeline.core.tier import Tier
from pipeline.core.tiering import AS_IN_SPRING, AS_LOGGED
from pipeline.files.layers import Layer
from pipeline.files.texts import fields_said, shown


def reach_notes(
    strips: Layer, fields: gpd.GeoDataFrame, *, autumn: str, tiers: Mapping[str, Tier], units: str
) -> list[str]:
    """A note for each tier of autumn's own that is out of reach somewhere; spring's are flagged in every table.

    Parameters
    ----------
    strips : Layer
        As kept, with fields assigned.
    fields : GeoDataFrame
        With `baseline_m`.
    autumn : str
        As of `tiers.autumn`.
    tiers : mapping of str to Tier
        The whole catalogue.
    units : {"us", "metric"}
    """
    if autumn == AS_IN_SPRING:
        return []
    made = strips.kept[[c.FIELD_ID]].assign(**{c.TIER: strips.kept[c.TIER] if autumn == AS_LOGGED else autumn})
    made = made[made[c.TIER] != ""].drop_duplicates().merge(fields[[c.FIELD_ID, c.BASELINE_M]], on=c.FIELD_ID)
    notes = []
    for name, theirs in made.groupby(c.TIER):
        known = theirs[c.BASELINE_M].map(lambda metres: None if pd.isna(metres) else float(metres))
        far = sorted(shown(one) for one in theirs[c.FIELD_ID][~known.map(tiers[str(name)].in_reach).astype(bool)])
        if far:
            range_said = distance_text(tiers[str(name)].range_m or 0.0, units=units).replace(GAP, " ")
            notes.append(
                f"strips made under {tiers[str(name)].name} lie beyond its range of {range_said} in {fields_said(far)}: "
                "whatever tier is compared, their error is reckoned from the distance, and no published figure claims it"
            )
    return notes
