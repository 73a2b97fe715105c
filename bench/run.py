"""Time our routes beside common ones on a generated 65 ha field, in one run; print a table of ratios.

Every ratio is printed only after both sides were found to give the same figures.
"""

import argparse
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from statistics import median

import numpy as np

from bench import routes
from bench.field import BenchField
from pipeline.core.odds import Judgement

SAME_LENGTH = 1e-3
# Cells of 0.1 m are nearly as wide as the bands of the better tiers, and GDAL decides by cell centres.
SAME_SHARE, SAME_SHARE_GDAL = 0.005, 0.1
LINE = "| {:<46} | {:>10} | {:>10} | {:>8} | {:>6} |"


def timed(work: Callable, *, repeats: int = 1) -> tuple[float, object]:
    """Median wall time [s] and the last result."""
    seconds, result = [], None
    for _ in range(repeats):
        start = time.perf_counter()
        result = work()
        seconds.append(time.perf_counter() - start)
    return median(seconds), result


def check_lengths(ours: Judgement, theirs: list[float], *, total_m: float) -> None:
    """Exit unless the lengths outside the bands agree to `SAME_LENGTH` of the row length."""
    holds, within = float(ours.holds_m.sum()), float((ours.holds_m + ours.doubt_m).sum())
    gap = max(abs(total_m - holds - theirs[0]), abs(total_m - within - theirs[1])) / total_m
    if gap > SAME_LENGTH:
        sys.exit(f"class lengths differ by {100 * gap:.3f} % of the row length")


def share_gap(lengths: np.ndarray, judged: dict[str, Judgement], *, total_m: float, most: float) -> float:
    """Largest difference of a class's share from the exact route; exits where it is above `most`.

    Parameters
    ----------
    lengths : ndarray, shape (tiers, 3)
        Lengths or cells that hold, are in doubt and lie beyond.
    """
    exact = np.array([[one.holds_m.sum(), one.doubt_m.sum()] for one in judged.values()]) / total_m
    shares = lengths / lengths.sum(axis=1)[:, None]
    gap = float(np.abs(shares - np.column_stack([exact, 1.0 - exact.sum(axis=1)])).max())
    if gap > most:
        sys.exit(f"the classes of a raster differ by {100 * gap:.1f} points from the exact route")
    return gap


def peak_memory_mib() -> float:
    """Peak memory of a fresh process that takes the field through both our routes [MiB]."""
    done = subprocess.run(
        [sys.executable, "-m", "bench.run", "--memory"], capture_output=True, text=True, check=True
    )
    return float(done.stdout)


def print_memory() -> None:
    """Take the field through both routes and print the peak of this process [MiB]."""
    field = BenchField.generated()
    routes.exact(field)
    routes.raster(field)
    # Not the resource usage: that of a child begins with what its parent held when it was forked.
    status = Path("/proc/self/status").read_text()
    print(int(status.partition("VmHWM:")[2].split()[0]) / 1024)


def main(*, union_tiers: int) -> None:
    """Measure everything and print the table."""
    field = BenchField.generated()
    tiers = list(field.errors)
    print(f"{field.row_length_m / 1e3:.0f} km of planted rows, {len(tiers)} tiers; seconds of wall time\n")
    print(LINE.format("against", "theirs", "ours", "ratio", "goal"))
    print(LINE.format("---", "--:", "--:", "--:", "--:"))
    routes.exact(field)
    ours_s, judged = timed(lambda: routes.exact(field), repeats=9)
    tree_s = _timed_tiers(field, routes.tree_of_buffers, tiers, judged)
    _show("buffers per strip with an STRtree", tree_s, ours_s, 15)
    if union_tiers:
        _against_union(field, judged, ours_s, union_tiers)
    routes.raster(field)
    raster_s, counted = timed(lambda: routes.raster(field), repeats=3)
    gdal_s, burned = timed(lambda: routes.gdal_burns(field))
    lengths = np.column_stack([counted[:, 1], counted[:, 2], counted[:, 3:].sum(axis=1)])
    gaps = [
        100 * share_gap(one, judged, total_m=field.row_length_m, most=most)
        for one, most in ((lengths, SAME_SHARE), (burned, SAME_SHARE_GDAL))
    ]
    _show("raster 0.1 m: eight GDAL burns", gdal_s, raster_s, 5)
    print("\nlargest gap of a class's share to the exact route: ours {:.2f}, GDAL {:.2f} points".format(*gaps))
    print(f"\npeak memory of both our routes: {peak_memory_mib():.0f} MiB (goal: under 1024)")


def _against_union(field: BenchField, judged: dict[str, Judgement], ours_s: float, count: int) -> None:
    """Time buffer + union + difference for some tiers and scale to all by the number of bands there are.

    A tier whose error is wider than the strip has no hold band, which costs next to nothing.
    """
    bands = {tier: sum(limit > 0 for limit in routes.limits_m(field, tier)) for tier in field.errors}
    some = sorted(bands, key=lambda tier: -routes.limits_m(field, tier)[0])[:count]
    times = sum(bands.values()) / sum(bands[tier] for tier in some)
    seconds = _timed_tiers(field, routes.union_difference, some, judged) * times
    _show(f"buffer + union + difference ({len(some)} timed x {times:g})", seconds, ours_s, 300)


def _timed_tiers(field: BenchField, route: Callable, tiers: list[str], judged: dict[str, Judgement]) -> float:
    """Seconds that a route takes for some tiers, its lengths checked against ours."""
    total = 0.0
    for tier in tiers:
        seconds, lengths = timed(lambda tier=tier: route(field, tier))
        check_lengths(judged[tier], lengths, total_m=field.row_length_m)
        total += seconds
    return total


def _show(name: str, theirs_s: float, ours_s: float, goal: int) -> None:
    ratio = f"{theirs_s / ours_s:.1f}"
    print(LINE.format(name, f"{theirs_s:.2f}", f"{ours_s:.2f}", ratio, goal), flush=True)


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--memory", action="store_true", help="print the peak memory of our routes and end")
    parser.add_argument("--union-tiers", type=int, default=1, help="tiers timed through union (0: none)")
    given = parser.parse_args()
    if given.memory:
        print_memory()
    else:
        main(union_tiers=given.union_tiers)
