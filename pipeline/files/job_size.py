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


# Memory was measured by `python -m bench.jobs`, nothing kept of an earlier run: peak of a process. In MiB, smallest and
# largest of two batches of the demo (4,590 km of rows, 468,000 row vertices, 5 tiers, cells of 0.2 m), two of an invented
# co-op of 60 fields (13,974 km, 8 tiers, cells of 0.1 m) and two of 12 of its fields with a vertex every 2 m (1,637 km,
# 825,000 row vertices): passes 263 to 314, offsets 350 to 449, odds 415 to 547, overlap 595 to 1,453, bands 463 to 786,
# sheets 345 to 428; of the first two runs figures 193 to 604, layers 535 and 493. Memory by the rates is 5 % short at
# worst; rasters take less since.
# Processor time, the start of the process in it, by the same command later, on a machine that others were at work on: the
# two batches of the demo; of that co-op, 33 and 27 fields; and of 66 fields of 2 ha, 2 tiers, cells of 0.5 m, 37 and 29:
# passes    1.3, 2.0;   4.2, 3.5;  3.8, 3.1 s
# offsets   1.5, 2.3;   3.0, 2.9;  2.0, 1.9
# odds      4.2, 7.0;   9.4, 7.9;  4.1, 3.7
# overlap   2.6, 5.9;  23.3, 25.0; 3.1, 2.8
# figures   1.3, 1.5;   3.3, 2.9;  1.3, 1.2
# bands     3.5, 10.8; 13.5, 13.7; 4.9, 4.5
# page_parts 1.5, 2.9;  3.3, 3.3;  2.6, 2.6
# sheets    2.8, 5.0 of the demo; what collects them all, without its start: layers 1.4, 2.3 and 0.6, workbook 6.6, 2.8 and
# 4.1, the rest less than 0.1. Stretches of passes were half as many then; the rates have room for that. The few seconds of
# a workbook of any size are not in them.
# Collecting 5,000 fields of 2 ha, 2 tiers, no costs took at most: layers 64 s and 466 MiB, workbook 9 s and 29, report 4 s
# and 271, tables 4 s and 108, manifest 4 s and 130, changes 3 s and 172, datapackage 1 s and 26. Choosing for 1,875 farms,
# the demo's 625 times over, 5,000 fields and 5 tiers: 26 s and 104 MiB more than it began with.
# Steps go field by field, so most memory is for the largest field; what is of a whole batch, or of all, is gathered.
RATES = {
    "passes": Rate(270, {"field_kvertex": 0.3}, {"fields": 0.05, "km": 0.00015, "kvertex": 0.001}),
    "offsets": Rate(360, {"field_kvertex": 0.4, "field_km": 0.1}, {"fields": 0.01, "km": 0.0002, "kvertex": 0.0005}),
    "odds": Rate(370, {"field_km_tier": 0.025, "field_kvertex": 0.5}, {"fields": 0.07, "km_tier": 1.5e-4, "kvertex": 0.008}),
    "overlap": Rate(
        460, {"field_megacell_tier": 1.7, "field_kvertex": 0.4}, {"fields": 0.04, "megacell_tier": 0.004, "kvertex": 0.006}
    ),
    "bands": Rate(430, {"km_tier": 0.006, "kvertex_tier": 0.12}, {"fields": 0.09, "km_tier": 0.0002, "kvertex_tier": 0.003}),
    "sheets": Rate(340, {"km_tier": 0.002, "kvertex": 0.1}, {"sheet_tier": 0.07}),
    "page_parts": Rate(330, {"field_kvertex": 0.5, "km_tier": 0.006}, {"fields": 0.03, "km": 0.00015, "kvertex": 0.002}),
    "figures": Rate(270, {"km_tier": 0.006}, {"km_tier": 0.00004}),
    "tables": Rate(100, {}, {"km_tier": 0.00002}),
    "choice": Rate(150, {"sheet_tier": 0.01}, {"sheet_tier": 0.001}),
    "layers": Rate(
        320, {"batch_km_tier": 0.004, "batch_kvertex_tier": 0.12}, {"fields": 0.01, "km_tier": 2e-5, "kvertex_tier": 5e-4}
    ),
    "datapackage": Rate(100, {}, {"km_tier": 0.00001}),
    "workbook": Rate(100, {}, {"fields": 0.002, "km_tier": 0.00001}),
    "changes": Rate(270, {"field_kvertex": 0.3}, {"km": 0.00005}),
    "report": Rate(280, {"km": 0.0005}, {"fields": 0.001}),
    "manifest": Rate(270, {}, {"km_tier": 0.00002}),
    # 20 million vertices, 320 MB of coordinates, take 1.5 GiB; a packed file holds several times its size.
    "intake": Rate(300, {"input_mb": 12.0}, {"input_mb": 1.0}),
}  # fmt: skip
#: Steps that have a job for every batch; the others have one in a run.
OF_A_BATCH = ("passes", "offsets", "odds", "overlap", "bands", "sheets", "page_parts", "figures")


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


def run_seconds(amounts: Mapping[str, float], *, batches: int) -> float:
    """Processor time of all jobs of a run by the amounts of all its batches together [s]."""
    return sum(
        job_seconds(step, amounts) + START_S * (batches - 1 if step in OF_A_BATCH and batches else 0) for step in RATES
    )


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
