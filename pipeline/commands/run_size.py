"""How large a run will be: counted where that is cheap, else estimated from measured rates."""

from pipeline import columns as c
from pipeline.files.config import Config
from pipeline.files.field_sizes import batch_sizes, extents_m2, row_lengths_m
from pipeline.files.fields import batches_of
from pipeline.files.file_parts import size_mb
from pipeline.files.job_size import amounts_of, run_seconds
from pipeline.files.taking import Taken

# The workflow itself, from its start to its end [s].
WORKFLOW_S = 6.0
# ASSUME: megabytes that a run leaves in `work/` and `results/`, by `du`, fitted to the three runs that the rates of
# `job_size` are from: the demo 314 MB, 60 fields of a co-op 650 MB, 66 small ones 77 MB.
MEGABYTES = {
    "run": 10.0, "fields": 0.5, "km": 0.017, "km_tier": 0.0022, "kvertex_tier": 0.07, "megacell_tier": 0.01, "sheet": 0.42,
}  # fmt: skip
HOW = "measured rates, one core; twice or half of it is no surprise"


def run_size(settings: Config, taken: Taken, scale: dict[str, float]) -> dict:
    """Estimate a run.

    Parameters
    ----------
    settings : Config
    taken : Taken
    scale : dict of role to float
        Features in the layer for each one read; 1 where a layer was read in full.

    Returns
    -------
    dict
        Fields, batches, row length [m], cells, processor time [s] and disk [bytes].
    """
    role = "rows" if "rows" in taken.layers else "strips"
    laid = taken.layers[role].kept
    used = taken.fields if role in scale else taken.fields[taken.fields[c.FIELD_ID].isin(laid[c.FIELD_ID])]
    kept_m, times = taken.account[role]["kept_m"], scale.get(role, 1.0)
    cell_m, tiers = settings.raster.cell_m, len(taken.compare)
    amounts = amounts_of(batch_sizes(used, laid, kept_m, batches_of(used[c.FIELD_ID])), tiers=tiers, cell_m=cell_m)
    amounts |= {name: times * amounts[name] for name in ("km", "km_tier", "kvertex", "kvertex_tier")}
    batches = len(batches_of(taken.fields[c.FIELD_ID]))
    sheets = len(used) if settings.report.sheets == "all" else 0
    amounts |= {"run": 1.0, "sheet": sheets, "sheet_tier": tiers * sheets, "input_mb": size_mb(settings.inputs.files)}
    return {
        "fields": len(taken.fields), "batches": batches, "tiers": tiers,
        "row_length_m": times * float(row_lengths_m(laid, kept_m).sum()),
        "cells": round(float(extents_m2(used).sum()) / cell_m**2), "cell_m": cell_m, "sheets": sheets,
        "processor_seconds": WORKFLOW_S + run_seconds(amounts, batches=batches),
        "disk_bytes": 1e6 * sum(rate * amounts[name] for name, rate in MEGABYTES.items()), "how": HOW,
    }  # fmt: skip
