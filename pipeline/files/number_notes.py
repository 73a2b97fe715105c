"""What is said of pass numbers that shall tell a row's own strip and are in the planter's layer alone."""

import pandas as pd

from pipeline import columns as c
from pipeline.files.config import Config
from pipeline.files.layers import Layer
from pipeline.files.texts import fields_said, shown


def number_notes(settings: Config, layers: dict[str, Layer]) -> list[str]:
    """A note where some planter passes of a field have the number of a strip pass and others do not.

    That no number is in both ends the run (`own_strip.check_pass_ids`).

    Parameters
    ----------
    settings : Config
    layers : dict of role to Layer
        As kept, with fields assigned.
    """
    if settings.judging.own_strip != "pass_id" or "rows" not in layers:
        return []
    planted, built = (layers[role].kept[[c.FIELD_ID, c.PASS_ID]] for role in ("rows", "strips"))
    there = pd.MultiIndex.from_frame(planted).isin(pd.MultiIndex.from_frame(built))
    some = planted[c.FIELD_ID].isin(planted[c.FIELD_ID][there])
    some &= ~planted[c.PASS_ID].str.startswith(c.UNNAMED)  # of those without a number the run itself tells
    bare = planted[some & ~there].sort_values([c.FIELD_ID, c.PASS_ID])
    if not len(bare):
        return []
    ids = [shown(one) for one in bare[c.FIELD_ID].unique()]
    of = int(planted[c.FIELD_ID].isin(bare[c.FIELD_ID]).sum())
    return [
        f"judging.own_strip is pass_id, but no strip pass of the field has the number of {len(bare)} of {of} planter passes "
        f"in {fields_said(ids)}, such as '{shown(bare[c.PASS_ID].iloc[0])}' in {ids[0]}: all their rows count as no strip; "
        "where strips were built for them, write the numbers alike in both layers (a4 is not A4), or use 'nearest'"
    ]
