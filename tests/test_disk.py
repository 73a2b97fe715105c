"""A disk that is full, and one that cannot be written to: one clear error, nothing half taken for whole, and on again."""

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
from pipeline.files.raster import overlap_tiff, write_lines
from pipeline.files.store import sha256

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


def errors_in(said: str) -> list[str]:
    assert "Traceback" not in said, said
    return [line for line in said.splitlines() if line.startswith(("rowreturn: error:", "WorkflowError: rowreturn"))]


# Drivers on a disk that is filling up.


def raster(path: Path) -> None:
    grid = Grid.around((600_000, 4_600_000, 600_060, 4_600_055), cell_m=0.1)
    cells = np.random.default_rng(1).integers(0, 6, (2, grid.lines, grid.columns), np.uint8)
    with overlap_tiff(path, grid=grid, crs_wkt=CRS, bands=["a", "b"]) as out:
        write_lines(out, 0, cells)


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
            assert (error.filename, str(error.strerror)[: len(FULL)]) == (str(place / name), FULL)
            outcomes.append(None)
        assert not list(place.iterdir())
    # Refused until there is room, then whole; there is no size at which it is anything else.
    assert outcomes == sorted(outcomes, key=bool) and set(outcomes) == {None, True}
