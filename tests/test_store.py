"""Files and folders are there as a whole or not at all, whatever was left by a process that was killed."""

import errno
import os
import shutil
from pathlib import Path
from types import SimpleNamespace

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from geopandas.testing import assert_geodataframe_equal

from pipeline.errors import CheckError
from pipeline.files import disk
from pipeline.files.store import read_arrays, read_frame, read_geo, whole_file, whole_folder, write_frame


def names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def fail(step, error: Exception, *, inside: str = "") -> None:
    """Write a half of something, then come upon an error."""
    with step as unfinished:
        (unfinished / inside).write_text("half")
        raise error


def test_a_folder_takes_the_place_of_the_one_before_as_a_whole(tmp_path):
    home = tmp_path / "odds" / "b0"
    for name in ("rows", "passes"):
        with whole_folder(home) as filled:
            (filled / name).write_text(name)
            assert not (home / name).exists()
    assert names(home) == ["passes"]
    assert names(home.parent) == ["b0"]


def test_a_folder_whose_filling_fails_leaves_the_one_before(tmp_path):
    with whole_folder(tmp_path / "b0") as filled:
        (filled / "rows").write_text("before")
    with pytest.raises(CheckError):
        fail(whole_folder(tmp_path / "b0"), CheckError("no"), inside="rows")
    assert (tmp_path / "b0" / "rows").read_text() == "before"
    assert names(tmp_path) == ["b0"]


OTHERS = [".unfinished-1-other-tables.gpkg", ".unfinished-1-tables.gpkg.zip"]


@pytest.mark.parametrize("step", [whole_file, whole_folder])
def test_what_killed_processes_left_of_the_same_goes_and_of_others_stays(tmp_path, step):
    # This process may have the number of one that was killed, and a database its journal beside it.
    mine = f".unfinished-{os.getpid()}-tables.gpkg"
    for name in (mine, f"{mine}-journal", ".unfinished-1-tables.gpkg", *OTHERS):
        (tmp_path / name).write_text("half")
    folder = tmp_path / ".unfinished-2-tables.gpkg"
    folder.mkdir()
    (folder / "rows").write_text("half")
    with step(tmp_path / "tables.gpkg") as unfinished:
        assert unfinished.name == mine
        assert names(tmp_path) == sorted([*OTHERS, *([mine] if step is whole_folder else [])])
        if step is whole_file:
            unfinished.write_text("whole")
    assert names(tmp_path) == [*OTHERS, "tables.gpkg"]


def test_a_folder_of_a_longer_name_is_left_to_the_job_that_fills_it(tmp_path):
    # Batches keep their fields in one folder, and two of them are at work at a time.
    with whole_folder(tmp_path / "F10") as other:
        (other / "rows").write_text("of F10")
        with whole_folder(tmp_path / "F1") as mine:
            (mine / "rows").write_text("of F1")
    assert (tmp_path / "F10" / "rows").read_text() == "of F10"
    assert names(tmp_path) == ["F1", "F10"]


def write(path: Path, error: Exception) -> Exception:
    """What a writer's error becomes."""
    with pytest.raises((OSError, RuntimeError, CheckError)) as raised:
        fail(whole_file(path), error)
    assert names(path.parent) == []
    return raised.value


@pytest.fixture
def room(monkeypatch):
    """Set how much room the disk has [bytes]."""

    def set_room(free: int) -> None:
        monkeypatch.setattr(shutil, "disk_usage", lambda folder: SimpleNamespace(free=free))

    return set_room


def test_an_error_of_the_system_gets_the_name_of_the_file(tmp_path):
    told = write(tmp_path / "a.csv", OSError(errno.ENOSPC, "long story"))
    assert (told.errno, told.filename, told.strerror) == (28, str(tmp_path / "a.csv"), "No space left on device")
    other = FileNotFoundError(errno.ENOENT, "No such file", "rows.parquet")
    assert write(tmp_path / "a.csv", other) is other


def test_an_error_of_a_library_is_the_disk_s_where_that_is_full(tmp_path, room):
    error = RuntimeError("cannot\n rollback")
    room(disk.SPARE_BYTES)
    assert write(tmp_path / "a.gpkg", error) is error
    room(disk.SPARE_BYTES - 1)
    told = write(tmp_path / "a.gpkg", error)
    assert (told.errno, told.filename) == (errno.ENOSPC, str(tmp_path / "a.gpkg"))
    assert told.strerror == "No space left on device (cannot rollback)"
    refused = CheckError("two routes differ")
    assert write(tmp_path / "a.tif", refused) is refused


def test_a_driver_that_says_nothing_is_not_believed_on_a_full_disk(tmp_path, room):
    file = tmp_path / "a.tif"
    file.write_bytes(bytes(disk.SPARE_BYTES + 5))
    room(disk.SPARE_BYTES + 5)
    disk.check_room(file)
    room(disk.SPARE_BYTES + 4)
    with pytest.raises(OSError, match="No space left on device"):
        disk.check_room(file)


def test_tables_are_read_as_their_own_libraries_read_them(tmp_path):
    shapes = [shapely.Point(1, 2), None, shapely.LineString([(0, 0), (1, 1)])]
    columns = {"id": ["a", None, "c"], "share": [0.5, np.nan, 1.0], "count": [1, 2, 3], "tight": [True, False, True]}
    table = pd.DataFrame(columns)
    for crs in ("EPSG:26915", None):
        path = tmp_path / "lines.parquet"
        write_frame(path, gpd.GeoDataFrame(table, geometry=shapes, crs=crs)[["id", "geometry", "share", "count", "tight"]])
        ours, theirs = read_geo(path), gpd.read_parquet(path)
        assert_geodataframe_equal(ours.dropna(), theirs.dropna())
        assert (ours.crs, list(ours), list(ours.geometry.isna())) == (theirs.crs, list(theirs), [False, True, False])
    write_frame(tmp_path / "rows.parquet", table)
    pd.testing.assert_frame_equal(read_frame(tmp_path / "rows.parquet"), pd.read_parquet(tmp_path / "rows.parquet"))
    assert list(read_frame(tmp_path / "rows.parquet", columns=["share"])) == ["share"]


def test_columns_of_numbers_come_as_arrays_of_their_own(tmp_path):
    count = 1_300_000  # more than one part of the file
    number = np.arange(count, dtype=np.int32)
    columns = {"row": number, "kind": np.zeros(count, np.uint8), "start_m": np.sqrt(number)}
    table = pd.DataFrame(columns)
    write_frame(tmp_path / "spans.parquet", table)
    found, theirs = read_arrays(tmp_path / "spans.parquet"), pd.read_parquet(tmp_path / "spans.parquet")
    assert list(found) == list(theirs)
    for name, values in found.items():
        assert values.dtype == theirs[name].dtype
        np.testing.assert_array_equal(values, theirs[name].to_numpy())
        assert values.flags.writeable
        assert values.flags.owndata
