"""One invented tier that converges after a start, passes with times, in files and without, and R(t) written out."""

import geopandas as gpd
import numpy as np
import pandas as pd
from helpers import INCH, Z
from workflow import one_tier

from pipeline.core.operations import Clock
from pipeline.core.stretches import Stretches
from pipeline.core.tiering import Side

HALF_WIDTH_M = 4 * INCH
REPEATABLE_M, START_M, CONVERGES_S = 3 * INCH, 1.0, 600.0
MORNING = pd.Timestamp("2026-04-20T08:00:00Z")
PASS_S = 60.0


def catalogue(folder, **more) -> str:
    """One invented tier: 3 in, 1 m at switch-on, ten minutes to converge."""
    return one_tier(folder, **({"id": "slow", "pass_to_pass": "1 in", "repeatable": "3 in", "convergence": "10 min"} | more))


def times(frame: gpd.GeoDataFrame, starts_s: list[float]) -> gpd.GeoDataFrame:
    """Passes of a minute each, begun so many seconds after eight."""
    begun = [MORNING + pd.Timedelta(seconds=s) for s in starts_s]
    return frame.assign(T0=begun, T1=[time + pd.Timedelta(seconds=PASS_S) for time in begun])


def sd_after(seconds):
    """R(t) written out: R falls after a start; only one of the two visits, half the variance, has one."""
    r = REPEATABLE_M + (START_M - REPEATABLE_M) * np.exp(-3 * seconds / CONVERGES_S)
    return np.sqrt(0.5 * r**2 + 0.5 * REPEATABLE_M**2) / Z


def side(names, *, since=None, start=None, zones=None, times=None, lost=None, regains=(), start_s=0.0) -> Side:
    """An operation of passes by the names of their tiers, each in one stretch; all starts are at `start_s`."""
    count = len(names)
    since = np.full((count, 2), np.nan) if since is None else np.array(since, float)
    stretches = Stretches(
        np.arange(count), since, np.zeros(count, np.int64) if start is None else np.array(start), zones or ((),) * count,
        since + start_s, tuple(lost or [""] * count), tuple(regains),
    )  # fmt: skip
    clock = Clock(np.zeros(count) if times is None else np.array(times, float), np.zeros(count, np.int64))
    return Side(clock, names, stretches)
