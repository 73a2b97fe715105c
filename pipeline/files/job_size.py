"""What a job asks a cluster for: memory and run time, from the size of the fields it is about.

On one machine nothing is held back by it, unless the user says how much memory there is (``--resources mem_mb=...``).
"""

from collections.abc import Mapping
from dataclasses import dataclass
from math import ceil

MIB_IN_MB = 1.048576
# ASSUME: what was measured, and half of it again. Beside the step, the two Snakemakes that start it take 240 MiB each.
ROOM, SNAKEMAKES_MIB = 1.5, 480.0
# ASSUME: a node and its disk may be this much slower; a step has some minutes at least, for they may be busy.
SLOWER, LEAST_MIN = 5.0, 3.0
# A process of Python and the libraries it loads [s].
START_S = 1.5


@dataclass(frozen=True)
class Rate:
    """What a step takes.

    Attributes
    ----------
    mib : float
        Memory for a field of an acre [MiB].
    more_mib, seconds : dict of str to float
        Memory [MiB] and processor time [s] for one of each of the `amounts`.
    """

    mib: float
    more_mib: Mapping[str, float]
    seconds: Mapping[str, float]


# Measured by `python -m bench.jobs`, nothing kept of an earlier run: peak of a process, processor time on one core. In
# MiB, smallest and largest of two batches of the demo (4,590 km of rows, 468,000 row vertices, 5 tiers, cells of 0.2 m),
# two of an invented co-op of 60 fields (13,974 km, 8 tiers, cells of 0.1 m) and two of 12 of its fields with a vertex
# every 2 m (1,637 km, 825,000 row vertices): passes 263 to 314, offsets 350 to 449, odds 415 to 547, overlap 595 to
# 1,453, bands 463 to 786, sheets 345 to 428; of the first two runs figures 193 to 604, layers 535 and 493. The 33 fields
# of the co-op's first batch took 6, 3, 20, 30, 22 and 35 s, and 3 s for figures. Memory by the rates is 5 % short at worst.
# Collecting 5,000 fields of 2 ha, 2 tiers, no costs took at most: layers 64 s and 466 MiB, workbook 9 s and 29, report 4 s
# and 271, tables 4 s and 108, manifest 4 s and 130, changes 3 s and 172, datapackage 1 s and 26. Choosing for 1,875 farms,
# the demo's 625 times over, 5,000 fields and 5 tiers: 26 s and 104 MiB more than it began with.
# Sheets have become quicker since: 0.04 to 0.06 s a field and tier, of 24 fields of that co-op (4,492 km) and of the demo.
# What a field takes however small it is: 66 fields of 2 ha, 2 tiers, cells of 0.5 m took 5, 1, 4, 3, 7 and 0.4 s.
# Steps go field by field, so most memory is for the largest field; what is of a whole batch, or of all, is gathered.
RATES = {
    "passes": Rate(270, {"field_kvertex": 0.3}, {"fields": 0.06, "km": 0.001, "kvertex": 0.005}),
    "offsets": Rate(360, {"field_kvertex": 0.4, "field_km": 0.1}, {"fields": 0.015, "km": 0.0006, "kvertex": 0.004}),
    "odds": Rate(370, {"field_km_tier": 0.025, "field_kvertex": 0.5}, {"fields": 0.06, "km_tier": 0.0004, "kvertex": 0.01}),
    "overlap": Rate(
        460, {"field_megacell_tier": 1.7, "field_kvertex": 0.4}, {"fields": 0.05, "megacell_tier": 0.02, "kvertex": 0.01}
    ),
    "bands": Rate(430, {"km_tier": 0.006, "kvertex_tier": 0.12}, {"fields": 0.1, "km_tier": 0.0006, "kvertex_tier": 0.005}),
    "sheets": Rate(340, {"km_tier": 0.002, "kvertex": 0.1}, {"sheet_tier": 0.07}),
    "page_parts": Rate(330, {"field_kvertex": 0.5, "km_tier": 0.006}, {"fields": 0.05, "km": 0.0006, "kvertex": 0.005}),
    "figures": Rate(270, {"km_tier": 0.006}, {"fields": 0.01, "km_tier": 0.0001}),
    "tables": Rate(100, {}, {"km_tier": 0.00001}),
    "choice": Rate(150, {"sheet_tier": 0.01}, {"sheet_tier": 0.001}),
    "layers": Rate(320, {"batch_km_tier": 0.004, "batch_kvertex_tier": 0.12}, {"km_tier": 0.0001, "kvertex_tier": 0.002}),
    "datapackage": Rate(100, {}, {"km_tier": 0.00002}),
    "workbook": Rate(100, {}, {"km_tier": 0.0003}),
    "changes": Rate(270, {"field_kvertex": 0.3}, {"km": 0.001}),
    "report": Rate(280, {"km": 0.0005}, {"fields": 0.002, "km": 0.0002}),
    "manifest": Rate(270, {}, {"km_tier": 0.0001}),
    # 20 million vertices, 320 MB of coordinates, take 1.5 GiB; a packed file holds several times its size.
    "intake": Rate(300, {"input_mb": 12.0}, {"input_mb": 1.0}),
}  # fmt: skip


def job_size(step: str, amounts: Mapping[str, float], *, attempt: int = 1) -> dict[str, int]:
    """What to ask for a job.

    Parameters
    ----------
    step : str
        One of `RATES`.
    amounts : dict of str to float
        By the names in `RATES`, such as `amounts_of` gives; one that is not there counts as none.
    attempt : int
        Which try it is: the second one asks for twice as much, and so on.

    Returns
    -------
    dict of str to int
        `mem_mb` [MB] and `runtime` [min].
    """
    rate = RATES[step]
    mib = ROOM * (rate.mib + _sum(rate.more_mib, amounts)) + SNAKEMAKES_MIB
    minutes = LEAST_MIN + SLOWER * _sum(rate.seconds, amounts) / 60.0
    return {"mem_mb": attempt * ceil(mib * MIB_IN_MB), "runtime": attempt * ceil(minutes)}


def job_seconds(step: str, amounts: Mapping[str, float]) -> float:
    """Processor time of a job by the same `amounts` [s]; a step whose rate nobody needs only has to be started."""
    return START_S + (_sum(RATES[step].seconds, amounts) if step in RATES else 0.0)


def _sum(rates: Mapping[str, float], amounts: Mapping[str, float]) -> float:
    return sum(rate * amounts.get(name, 0.0) for name, rate in rates.items())


def amounts_of(sizes: Mapping[str, Mapping[str, float]], *, tiers: int, cell_m: float) -> dict[str, float]:
    """What the jobs of some batches, or of all, have to go through.

    Parameters
    ----------
    sizes : dict of batch to dict
        As `field_sizes.batch_sizes` has them.
    tiers : int
        How many are compared.
    cell_m : float
        Size of a cell of the rasters [m].

    Returns
    -------
    dict of str to float
        Of everything, by bare names; of the largest batch, `batch_...`; of the largest field, `field_...`.
    """
    out = {}
    scales = {"km": ("row_km", 1.0), "kvertex": ("row_vertices", 1e-3), "megacell": ("extent_ha", 0.01 / cell_m**2)}
    for unit, (name, scale) in scales.items():
        each = [scale * size[name] for size in sizes.values()]
        most = [scale * size[f"field_{name}"] for size in sizes.values()]
        for prefix, amount in (("", sum(each)), ("batch_", max(each, default=0.0)), ("field_", max(most, default=0.0))):
            out |= {f"{prefix}{unit}": amount, f"{prefix}{unit}_tier": tiers * amount}
    fields = sum(size["fields"] for size in sizes.values())
    return out | {"fields": fields, "sheet_tier": tiers * fields}
