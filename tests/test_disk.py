"""A disk that is full, and one that cannot be written to: one clear error, nothing half taken for whole, and on again."""

import re
import shutil
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import shapely
from workflow import CRS, config, hashes, passes_of, snakemake, write_coop

from pipeline.core.overlap import Grid
from pipeline.files.geopackage import write_geopackage
from pipeline.files.raster import overlap_tiff
from pipeline.files.store import remove, sha256

FULL = "No space left on device"
SETTINGS = config(Path()) | {"report": {"sheets": "all"}, "raster": {"cell": "0.2 m"}}


def mount(*words: str | Path) -> None:
    subprocess.run(["mount", *map(str, words)], check=True, capture_output=True)


@pytest.fixture
def disk() -> Iterator[Callable[..., None]]:
    """Mounts things for as long as the test lasts; skips it where that is not allowed."""
    mounted: list[Path] = []

    def put(place: Path, *words: str | Path) -> None:
        place.mkdir(exist_ok=True)
        try:
            mount(*words, place)
        except (OSError, subprocess.CalledProcessError) as error:
            pytest.skip(f"mounting is not allowed here: {getattr(error, 'stderr', error)}")
        mounted.append(place)

    yield put
    for place in reversed(mounted):
        subprocess.run(["umount", place], check=True)


@pytest.fixture(scope="module")
def undisturbed(tmp_path_factory) -> tuple[Path, dict[str, str]]:
    """A folder in which the co-op ran with all the room it wanted, and the hashes of its results."""
    folder = tmp_path_factory.mktemp("roomy")
    write_coop(folder, rows=passes_of(shift_m=0.05))
    done = snakemake(SETTINGS, folder)
    assert done.returncode == 0, done.stdout
    return folder, hashes(folder / "results")


def errors_of(done: subprocess.CompletedProcess) -> list[str]:
    """The errors of ours that a failed run ended with."""
    assert done.returncode != 0, done.stdout
    assert "Traceback" not in done.stdout, done.stdout
    found = [line for line in done.stdout.splitlines() if line.startswith("rowreturn: error: ")]
    assert found, done.stdout
    return found


def failed_rules(done: subprocess.CompletedProcess) -> set[str]:
    """Names of the rules whose jobs failed."""
    return set(re.findall(r"^Error in rule (\w+):", done.stdout, re.MULTILINE))


# Drivers on a disk that is filling up.


def raster(path: Path) -> None:
    grid = Grid.around((600_000, 4_600_000, 600_060, 4_600_055), cell_m=0.1)
    cells = np.random.default_rng(1).integers(0, 6, (2, grid.lines, grid.columns), np.uint8)
    with overlap_tiff(path, grid=grid, crs_wkt=CRS, bands=["a", "b"]) as out:
        out.write(0, cells)


def geopackage(path: Path) -> None:
    at = np.random.default_rng(1).random((2500, 4, 2))
    lines = gpd.GeoDataFrame({"field_id": ["F"] * len(at)}, geometry=list(shapely.linestrings(at)), crs=CRS)
    write_geopackage(path, [("one", "LineString", lines), ("two", "LineString", lines)], crs=CRS)


@pytest.mark.parametrize(("write", "name"), [(raster, "a.tif"), (geopackage, "a.gpkg")])
def test_what_a_driver_wrote_is_whole_or_refused_however_much_room_there_was(write, name, tmp_path, disk):
    write(tmp_path / name)
    whole, size_kb = sha256(tmp_path / name), (tmp_path / name).stat().st_size // 1024
    place, outcomes = tmp_path / "disk", []
    disk(place, "-t", "tmpfs", "-o", "size=16k", "tmpfs")
    for room_kb in range(16, 4 * size_kb + 1024, max(size_kb // 8, 16)):
        mount("-o", f"remount,size={room_kb}k", place)
        try:
            write(place / name)
            outcomes.append(sha256(place / name) == whole)
            (place / name).unlink()
        except OSError as error:
            outcomes.append(f"{error.filename}: {error.strerror}"[: len(f"{place / name}: {FULL}")])
        assert not list(place.iterdir())
    # Refused until there is room, then whole; there is no size at which it is anything else.
    whole_from = outcomes.index(True)
    assert outcomes == [f"{place / name}: {FULL}"] * whole_from + [True] * (len(outcomes) - whole_from)
    assert whole_from > 5


# The workflow on a disk that is full, and made larger bit by bit.


def fill_up(home: Path, place: Path, sizes: tuple[str, ...], undisturbed: tuple[Path, dict[str, str]]) -> set[str]:
    """Run again and again with the disk at `place` made as large as each size says, at last with all the room wanted.

    Returns
    -------
    set of str
        Names of the rules that failed.
    """
    failed = set()
    for size in sizes:
        mount("-o", f"remount,size={size}", place)
        done = snakemake(SETTINGS, home)
        assert all(FULL in line for line in errors_of(done)), done.stdout
        assert sha256(home / "coop.gpkg") == sha256(undisturbed[0] / "coop.gpkg")
        failed |= failed_rules(done)
    mount("-o", "remount,size=64m", place)
    done = snakemake(SETTINGS, home)
    assert done.returncode == 0, done.stdout
    assert hashes(home / "results") == undisturbed[1]
    return failed


@pytest.mark.slow
def test_a_working_folder_on_a_full_disk(tmp_path, disk, undisturbed):
    disk(tmp_path / "home", "-t", "tmpfs", "-o", "size=300k", "tmpfs")
    shutil.copyfile(undisturbed[0] / "coop.gpkg", tmp_path / "home" / "coop.gpkg")
    sizes = ("150k", "300k", "500k", "900k", "1400k", "2500k")
    failed = fill_up(tmp_path / "home", tmp_path / "home", sizes, undisturbed)
    assert len(failed) >= 3 and {"intake", "overlap"} <= failed


@pytest.mark.slow
def test_results_on_a_full_disk(tmp_path, disk, undisturbed):
    shutil.copyfile(undisturbed[0] / "coop.gpkg", tmp_path / "coop.gpkg")
    disk(tmp_path / "results", "-t", "tmpfs", "-o", "size=64k", "tmpfs")
    failed = fill_up(tmp_path, tmp_path / "results", ("64k", "1200k"), undisturbed)
    assert {"overlap", "layers"} <= failed


@pytest.mark.slow
def test_no_room_for_what_snakemake_notes(tmp_path, disk, undisturbed):
    home = tmp_path / "home"
    disk(home, "-t", "tmpfs", "-o", "size=216k", "tmpfs")
    shutil.copyfile(undisturbed[0] / "coop.gpkg", home / "coop.gpkg")
    for name in ("work", "results"):
        # Snakemake takes away folders that a failed run leaves empty, which it cannot where they are mounted.
        (tmp_path / name / "something").mkdir(parents=True)
        disk(home / name, "--bind", tmp_path / name)
    fill_up(home, home, ("216k", "280k"), undisturbed)


# What cannot be written to.


@pytest.mark.slow
@pytest.mark.parametrize(
    ("place", "lost", "said"),
    [
        (".", ["results/row_tier.csv"], "{home} cannot be written to; "),
        ("results", ["results/row_tier.csv"], "{home}/results cannot be written to; "),
        # Where only a step comes upon it: the rasters are to be counted anew.
        ("results/fields/F0", ["results/row_tier.csv", "work/overlap", "work/kept"], "results/fields/F0/overlap.tif: Read-"),
    ],
)
def test_what_cannot_be_written_to_is_named_and_stays_as_it_is(place, lost, said, tmp_path, disk, undisturbed):
    home = tmp_path / "home"
    shutil.copytree(undisturbed[0], home, copy_function=shutil.copy2)
    for name in lost:  # so that there is something to do
        remove(home / name)
    before = hashes(home / "results")
    disk(home / place, "--bind", home / place)
    mount("-o", "remount,ro,bind", home / place)
    done = snakemake(SETTINGS, home)
    errors = errors_of(done)
    assert [line.startswith("rowreturn: error: " + said.format(home=home)) for line in errors] == [True], errors
    assert hashes(home / "results") == before
    mount("-o", "remount,rw,bind", home / place)
    done = snakemake(SETTINGS, home)
    assert done.returncode == 0, done.stdout
    assert hashes(home / "results") == undisturbed[1]
