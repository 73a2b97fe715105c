"""How large a run will be: counted where that is cheap, else estimated from rates measured on the demo."""

from pipeline import columns as c
from pipeline.files.config import Config
from pipeline.files.field_sizes import extents_m2, row_lengths_m
from pipeline.files.fields import batches_of
from pipeline.files.taking import Taken

# ASSUME: rates of the demo (8 fields, 4,571 km of rows, 5 tiers, 0.2 m cells) on one core of a common server, busy
# with other work; processor time by step, kilobytes by `du`. The whole demo took 123 s of processor time, and the
# estimate of it comes to about 2 min. They say minutes or hours, not more.
SECONDS = {"km": 0.0016, "km_tier": 0.00095, "megacell_tier": 0.021, "sheet_tier": 0.42, "job": 3.0}
MEGABYTES = {"km": 0.021, "km_tier": 0.008, "megacell_tier": 0.041, "sheet": 0.42}
#: Jobs of every batch and of the whole run, each of which starts a process.
JOBS_PER_BATCH, JOBS_PER_RUN = 7, 6
HOW = "rates measured on the demo, one core; twice or half of it is no surprise"


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
    rows_m = _rows_m(taken, role) * scale.get(role, 1.0)
    every = role not in scale
    used = taken.fields[taken.fields[c.FIELD_ID].isin(taken.layers[role].kept[c.FIELD_ID])] if every else taken.fields
    cells = float(extents_m2(used).sum()) / settings.raster.cell_m**2
    batches = len(batches_of(taken.fields[c.FIELD_ID]))
    tiers, kilometres, megacells = len(taken.compare), rows_m / 1000, cells / 1e6
    sheets = len(used) if settings.report.sheets == "all" else 0
    jobs = JOBS_PER_BATCH * batches + JOBS_PER_RUN
    work = {"km": kilometres, "km_tier": kilometres * tiers, "megacell_tier": megacells * tiers}
    seconds = _sum(SECONDS, work | {"sheet_tier": sheets * min(tiers, 12), "job": jobs})
    megabytes = _sum(MEGABYTES, work | {"sheet": sheets})
    return {
        "fields": len(taken.fields), "batches": batches, "tiers": tiers, "row_length_m": rows_m, "cells": round(cells),
        "cell_m": settings.raster.cell_m, "sheets": sheets, "processor_seconds": seconds, "disk_bytes": megabytes * 1e6,
        "how": HOW,
    }  # fmt: skip


def _sum(rates: dict[str, float], amounts: dict[str, float]) -> float:
    return sum(rates[name] * amount for name, amount in amounts.items())


def _rows_m(taken: Taken, role: str) -> float:
    """Length of all row units: of the passes, each by its number of rows; a planned planter has the strips' rows."""
    return float(row_lengths_m(taken.layers[role].kept, taken.account[role]["kept_m"]).sum())
