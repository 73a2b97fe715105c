"""The benchmark's own parts: both sides of a ratio give the same figures, and what does not is told."""

import resource
import subprocess
import sys
from dataclasses import replace

import matplotlib.image
import numpy as np
import pyogrio
import pytest
import shapely

from bench import cost, memory, postgis, routes, scale, sheet
from bench.field import SPACING_M, BenchField
from bench.run import SAME_SHARE, check_lengths, check_shares
from bench.table import Goal, least_worked, timed, waited_for
from pipeline.files.sheet import PAPERS_MM
from pipeline.files.sheet_words import DPI, MM_PER_INCH


@pytest.fixture(scope="module")
def few() -> BenchField:
    """Two passes of the field that is timed, under its two best tiers."""
    whole = BenchField.generated(tiers=2)
    return replace(whole, rows=whole.rows[:24], strips=whole.strips[:24], pass_of_line=whole.pass_of_line[:24])


def test_the_field_has_the_size_that_is_said():
    whole = BenchField.generated(tiers=1)
    area_m2 = shapely.convex_hull(shapely.multilinestrings(whole.rows)).area
    assert area_m2 / 10_000 == pytest.approx(65, rel=0.03)  # the rows wander by some metres as one
    assert len(whole.rows) * SPACING_M == pytest.approx(805, rel=0.01)


def test_every_route_gives_the_lengths_of_ours(few):
    judged, alone = routes.exact(few), routes.lengths_alone(few)
    for tier in few.errors:
        for outside in (routes.union_difference(few, tier), routes.tree_of_buffers(few, tier), alone[tier]):
            check_lengths(judged[tier], outside, total_m=few.row_length_m)
    counted = routes.raster(few)
    lengths = np.column_stack([counted[:, 1], counted[:, 2], counted[:, 3:].sum(axis=1)])
    check_shares(lengths, judged, total_m=few.row_length_m, most=SAME_SHARE)
    assert lengths.sum(axis=1) == pytest.approx([few.row_length_m] * len(few.errors), rel=1e-6)


def test_postgis_gives_the_lengths_of_ours(few):
    judged = routes.exact(few)
    try:
        with postgis.started() as server:
            postgis.load(server, few)
            for tier in few.errors:
                check_lengths(judged[tier], postgis.differences(server, few, tier), total_m=few.row_length_m)
    except postgis.NoServerError as error:
        pytest.skip(str(error))


def test_sides_that_differ_end_the_benchmark(few):
    tier, one = next(iter(routes.exact(few).items()))
    total = few.row_length_m
    outside = [total - one.holds_m.sum(), total - (one.holds_m + one.doubt_m).sum()]
    check_lengths(one, outside, total_m=total)
    for wrong in ([outside[0] + 0.002 * total, outside[1]], [outside[0], outside[1] - 0.002 * total]):
        with pytest.raises(SystemExit, match="differ by 0.2"):
            check_lengths(one, wrong, total_m=total)
    cells = np.array([[one.holds_m.sum(), one.doubt_m.sum(), outside[1]]])
    check_shares(cells, {tier: one}, total_m=total, most=1e-6)
    with pytest.raises(SystemExit, match="differ by 2.0 points"):
        check_shares(cells + 0.02 * total * np.array([1, -1, 0]), {tier: one}, total_m=total, most=0.019)


def test_ratios_are_read_both_ways():
    assert (Goal(25).ratio(50.0, 2.0), str(Goal(25))) == (25.0, ">= 25")
    assert (Goal(3, faster=False).ratio(2.0, 5.0), str(Goal(3, faster=False))) == (2.5, "<= 3")


def test_times_are_of_what_was_asked():
    calls = iter([3, 1, 2])
    seconds, last = timed(lambda: next(calls), repeats=3)
    assert (last, list(calls)) == (2, [])
    assert 0 <= seconds < 1
    # Work costs processor time, sleep does not.
    assert least_worked(lambda: sum(range(300_000)), repeats=2) > least_worked(lambda: None, repeats=2)


def test_a_child_s_exit_code_comes_with_what_it_used():
    process = subprocess.Popen([sys.executable, "-c", "len(b'x' * (8 * 10**8)); sum(range(10**6)); raise SystemExit(3)"])
    used = waited_for(process.pid)
    process.returncode = used.exit_code
    assert used.exit_code == 3 and used.seconds > 0
    # 8e8 bytes are 763 MiB; this process, from which it was forked, may have taken more before.
    mine_mib = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    assert 763 < used.peak_mib < max(800, mine_mib + 1)


def test_an_empty_page_has_the_size_of_a_sheet(tmp_path):
    sheet.empty(tmp_path, "a4")
    picture = matplotlib.image.imread(tmp_path / "empty.png")
    wide, high = (size / MM_PER_INCH * DPI for size in PAPERS_MM["a4"])
    assert picture.shape[:2] == (pytest.approx(high, abs=1), pytest.approx(wide, abs=1))
    assert (tmp_path / "empty.pdf").read_bytes().startswith(b"%PDF")


def test_a_square_field_has_its_hectares(tmp_path):
    memory.write_square(tmp_path, hectares=9, vertex_m=10)
    said = {name: pyogrio.read_dataframe(tmp_path / memory.FILE, layer=name) for name in ("fields", "strips", "planter")}
    assert said["fields"].geometry.area.sum() == pytest.approx(90_000)
    assert said["strips"].geometry.length.sum() * memory.ROWS * memory.SPACING_M == pytest.approx(90_000, rel=0.04)
    assert len(said["planter"]) == len(said["strips"])


def ratios(printed: str) -> dict[str, list[float]]:
    """Theirs, ours and ratio of the lines of a printed table."""
    cells_of = [line.strip("|\n ").split("|") for line in printed.splitlines() if line.startswith("|")]
    lines = [[cell.strip() for cell in cells] for cells in cells_of]
    return {name: [float(cell.replace(",", "")) for cell in cells[:3]] for name, *cells in lines if name[:3] != "---"}


@pytest.mark.slow
def test_what_a_field_costs_is_measured_on_the_same_bytes(capsys):
    cost.warm_up()
    cost.against_disk(fields=1)
    cost.tiers_beside_one(fields=1)
    sheet.against_empty(tiers=2, fields=1)
    found = ratios(capsys.readouterr().out)
    assert len(found) == 2 + 6 + 1
    for theirs, ours, ratio in found.values():
        assert ratio == pytest.approx(ours / theirs, rel=0.02)


@pytest.mark.slow
def test_bytes_that_a_run_did_not_write_end_the_benchmark(tmp_path):
    ours, theirs = tmp_path / "ours", tmp_path / "theirs"
    for home, text in ((ours, b"1\n"), (theirs, b"1\n")):
        home.mkdir()
        (home / "field_tier.csv").write_bytes(text)
    cost._check_same(ours, theirs)
    (theirs / "field_tier.csv").write_bytes(b"2\n")
    with pytest.raises(SystemExit, match="field_tier.csv"):
        cost._check_same(ours, theirs)


@pytest.mark.slow
def test_memory_is_that_of_each_step_s_own_process():
    found = memory.peaks(2, vertex_m=10)
    assert set(found) == set(memory.STEPS)
    # A job of a small field takes what its imports take: more than Python alone, less than a large field's.
    assert all(60 < mib < 800 for mib in found.values())


@pytest.mark.slow
def test_a_whole_run_is_timed_with_all_its_jobs():
    one = scale.whole_run(1)
    assert one.seconds > 5  # the jobs' own start alone
    assert one.per_hectare == pytest.approx(one.seconds / one.hectares)
    assert one.peak_mib > 100  # its libraries alone
    few = scale.whole_run(1, small=True)
    assert few.hectares == pytest.approx(one.hectares / 10, rel=1e-3)  # outlines are rounded to a centimetre
