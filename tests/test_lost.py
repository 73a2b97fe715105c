"""Which results count as lost: made once, still wanted, gone."""

import os

import pytest

from pipeline.files.lost import lost_files
from pipeline.files.store import to_json, write_bytes

BATCHES = {"b0": ["A", "B"], "b1": ["C"]}


@pytest.fixture
def made(tmp_path):
    """A finished run: rasters of all fields, sheets of A and C."""
    files = ["work/settings/report.json", "work/overlap/b0.parquet", "work/overlap/b1.parquet"]
    files += [f"work/offsets/{batch}/{name}.parquet" for batch, names in BATCHES.items() for name in names]
    files += [f"results/fields/{name}/overlap.tif" for name in "ABC"]
    files += [f"results/fields/{name}/sheet.{kind}" for name in "AC" for kind in ("png", "pdf")]
    for name in files:
        write_bytes(tmp_path / name, b"")
    write_bytes(tmp_path / "work/sheets/b0.json", to_json({"sheets": ["A"]}))
    write_bytes(tmp_path / "work/sheets/b1.json", to_json({"sheets": ["C"]}))
    return tmp_path


def lost(folder, batches=BATCHES) -> list[str]:
    found = lost_files(batches, work=folder / "work", results=folder / "results")
    return [os.path.relpath(path, folder / "results" / "fields") for path in found]


def test_nothing_is_lost_after_a_run_or_before_one(made, tmp_path_factory):
    assert lost(made) == []
    assert lost(tmp_path_factory.mktemp("empty")) == []


@pytest.mark.parametrize("name", ["A/overlap.tif", "B/overlap.tif", "C/sheet.png", "A/sheet.pdf"])
def test_a_file_that_is_gone(made, name):
    (made / "results" / "fields" / name).unlink()
    assert lost(made) == [name]


def test_a_batch_whose_step_has_yet_to_run_makes_its_files_itself(made):
    for name in ("overlap.tif", "sheet.png"):
        (made / "results/fields/C" / name).unlink()
    (made / "work/overlap/b1.parquet").unlink()
    (made / "work/sheets/b1.json").unlink()
    assert lost(made) == []


def test_a_new_field_and_one_that_left_are_not_lost(made):
    (made / "results/fields/A/sheet.png").unlink()
    (made / "results/fields/B/overlap.tif").unlink()
    assert lost(made, {"b0": ["NEW"], "b1": ["C"]}) == []


def test_sheets_are_not_lost_where_others_are_asked_for_since(made):
    (made / "results/fields/A/sheet.png").unlink()
    later = (made / "work/sheets/b0.json").stat().st_mtime + 10
    os.utime(made / "work/settings/report.json", (later, later))
    assert lost(made) == []
