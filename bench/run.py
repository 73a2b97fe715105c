"""Time our routes and steps beside common ones, in one run; print tables of ratios.

Every ratio is printed only after both sides were found to give the same figures. Nothing is compared that is not timed in
the same run.
"""

import argparse
import sys
from collections.abc import Callable
from functools import partial

import numpy as np

from bench import cost, memory, postgis, routes, scale, sheet
from bench.field import BenchField
from bench.table import Goal, head, note, show, skipped, timed
from pipeline.core.odds import Judgement

SAME_LENGTH = 1e-3
# Cells of 0.1 m are nearly as wide as the bands of the better tiers, and GDAL decides by cell centres.
SAME_SHARE, SAME_SHARE_GDAL = 0.005, 0.1
SMALL, LARGE = (20, 160), (500, 5000)


def check_lengths(ours: Judgement, theirs: list[float], *, total_m: float) -> None:
    """Exit unless the lengths outside the bands agree to `SAME_LENGTH` of the row length."""
    holds, within = float(ours.holds_m.sum()), float((ours.holds_m + ours.doubt_m).sum())
    gap = max(abs(total_m - holds - theirs[0]), abs(total_m - within - theirs[1])) / total_m
    if gap > SAME_LENGTH:
        sys.exit(f"class lengths differ by {100 * gap:.3f} % of the row length")


def check_shares(lengths: np.ndarray, judged: dict[str, Judgement], *, total_m: float, most: float) -> None:
    """Exit where a class's share differs from that of the exact route by more than `most`; else print by how much.

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
    note(f"largest gap of a class's share to the exact route: {100 * gap:.2f} points")


def against_geopandas(field: BenchField, judged: dict[str, Judgement], ours_s: float, *, count: int) -> None:
    """Time buffer + union + difference for some tiers and scale to all by the number of bands there are.

    A tier whose error is wider than the strip has no hold band, which costs next to nothing.
    """
    bands = {tier: sum(limit > 0 for limit in routes.limits_m(field, tier)) for tier in field.errors}
    some = sorted(bands, key=lambda tier: -routes.limits_m(field, tier)[0])[:count]
    times = sum(bands.values()) / sum(bands[tier] for tier in some)
    seconds = _timed_tiers(field, routes.union_difference, some, judged) * times
    show(f"figures of 65 ha: buffer, union, difference ({len(some)} tier timed x {times:g})", seconds, ours_s, Goal(500))


def against_postgis(field: BenchField, judged: dict[str, Judgement], ours_s: float, *, alone_s: float) -> None:
    """Time buffers and differences in PostGIS for every tier, in a server that is started for it."""
    name = "the same: buffers and differences in PostGIS"
    try:
        with postgis.started() as server:
            postgis.load(server, field)
            seconds = _timed_tiers(field, partial(postgis.differences, server), list(field.errors), judged)
    except postgis.NoServerError as error:
        skipped(name, str(error))
        return
    show(name, seconds, ours_s, Goal(100))
    show("class lengths alone, of eight tiers, no odds: PostGIS", seconds, alone_s, Goal(None))


def _timed_tiers(field: BenchField, route: Callable, tiers: list[str], judged: dict[str, Judgement]) -> float:
    """Seconds that a route takes for some tiers, its lengths checked against ours."""
    total = 0.0
    for tier in tiers:
        seconds, lengths = timed(lambda tier=tier: route(field, tier))
        check_lengths(judged[tier], lengths, total_m=field.row_length_m)
        total += seconds
    return total


def core(asked: argparse.Namespace) -> None:
    """Both routes to the figures beside common ones, on a field of 65 ha; wall time."""
    field = BenchField.generated()
    routes.exact(field)
    ours_s, judged = timed(lambda: routes.exact(field), repeats=9)
    of_one = BenchField.generated(tiers=1)
    one_s, _ = timed(lambda: routes.exact(of_one), repeats=9)
    show("figures of 65 ha, eight tiers: one", one_s, ours_s, Goal(1.5, faster=False))
    if asked.union_tiers:
        against_geopandas(field, judged, ours_s, count=asked.union_tiers)
    tree_s = _timed_tiers(field, routes.tree_of_buffers, list(field.errors), judged)
    show("the same: buffers per strip with an STRtree", tree_s, ours_s, Goal(25))
    routes.lengths_alone(field)
    alone_s, alone = timed(lambda: routes.lengths_alone(field), repeats=9)
    for tier, lengths in alone.items():
        check_lengths(judged[tier], lengths, total_m=field.row_length_m)
    against_postgis(field, judged, ours_s, alone_s=alone_s)
    routes.raster(field)
    raster_s, counted = timed(lambda: routes.raster(field), repeats=3)
    gdal_s, burned = timed(lambda: routes.gdal_burns(field))
    lengths = np.column_stack([counted[:, 1], counted[:, 2], counted[:, 3:].sum(axis=1)])
    for one, most in ((lengths, SAME_SHARE), (burned, SAME_SHARE_GDAL)):
        check_shares(one, judged, total_m=field.row_length_m, most=most)
    show("raster of 0.1 m, 8 tiers: eight GDAL burns, counted", gdal_s, raster_s, Goal(10))


def fields(asked: argparse.Namespace) -> None:
    """A field's outputs beside reading and writing, a sheet beside an empty one, eight tiers beside one."""
    cost.warm_up()
    cost.against_disk()
    cost.tiers_beside_one()
    sheet.against_empty()


def peaks(asked: argparse.Namespace) -> None:
    """Memory of each step on a usual and on a very large field."""
    memory.show_peaks(65, vertex_m=2.2, most_gib=0.8)
    memory.show_peaks(1000, vertex_m=10, most_gib=1.5)


def coops(asked: argparse.Namespace) -> None:
    """Whole runs of two sizes."""
    few, many = LARGE if asked.large or asked.small_fields else SMALL
    scale.show_sizes(few, many, small=asked.small_fields)


PARTS = {
    "core": (core, "wall time [s]"), "fields": (fields, "processor time a field [s]"),
    "memory": (peaks, "peak memory [GiB]; theirs is the bound"), "coops": (coops, "processor time a hectare [s]"),
}  # fmt: skip


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("parts", nargs="*", metavar="PART", help=f"of {', '.join(PARTS)}; all unless said")
    parser.add_argument("--union-tiers", type=int, default=1, help="tiers timed through union (0: none)")
    parser.add_argument("--large", action="store_true", help=f"co-ops of {LARGE} fields, not {SMALL}: two hours and more")
    parser.add_argument("--small-fields", action="store_true", help=f"{LARGE} fields of 2 ha, two tiers: forty minutes")
    given = parser.parse_args()
    for part in given.parts or PARTS:
        if part not in PARTS:
            parser.error(f"no part {part}; expected of {', '.join(PARTS)}")
    print("2 threads; every ratio of one run")
    for part in given.parts or PARTS:
        measure, said = PARTS[part]
        head(part, said)
        measure(given)
