"""What the manifest's step takes away before it signs, and what it refuses to sign for."""

import unicodedata
from pathlib import Path

import pytest

from pipeline.errors import CheckError
from pipeline.steps.manifest import check_rasters, clear

STAY = {
    "results/field_tier.csv", "results/report.html", "results/report/north.html", "results/fields/F1/overlap.tif",
    "work/intake.json", "work/kept/odds/F1/key.json", "work/kept/sheets/F1/key.json",
}  # fmt: skip
GO = {
    "results/.unfinished-7-row_tier.csv", "results/.replaced-report/north.html",
    "results/fields/F1/.unfinished-7-sheet.png", "results/report/south.html",
    "results/fields/F2/overlap.tif", "results/fields/F2/sheet.pdf", "work/kept/odds/F2/key.json",
}  # fmt: skip


def write(home: Path, names: set[str]) -> None:
    for name in names:
        (home / name).parent.mkdir(parents=True, exist_ok=True)
        (home / name).write_text(name)


def there(home: Path) -> set[str]:
    return {path.relative_to(home).as_posix() for path in home.rglob("*") if path.is_file()}


def test_what_is_gone_or_half_written_goes_and_all_else_stays(tmp_path):
    write(tmp_path, STAY | GO)
    for _ in range(2):  # cleared twice is as cleared once
        clear(tmp_path / "results", work=tmp_path / "work", fields={"F1"}, pages={"north"})
        assert there(tmp_path) == STAY
    assert not (tmp_path / "results/fields/F2").exists()


def test_without_pages_of_farms_their_folder_goes_too(tmp_path):
    write(tmp_path, STAY | GO)
    clear(tmp_path / "results", work=tmp_path / "work", fields={"F1"}, pages=set())
    assert there(tmp_path) == STAY - {"results/report/north.html"}
    assert not (tmp_path / "results/report").exists()


def test_a_field_stays_whose_letters_the_disk_takes_apart(tmp_path):
    name = unicodedata.normalize("NFC", "\u00c9rable")
    apart = f"results/fields/{unicodedata.normalize('NFD', name)}/overlap.tif"
    write(tmp_path, {apart})
    clear(tmp_path / "results", work=tmp_path / "work", fields={name}, pages=set())
    assert there(tmp_path) == {apart}


def test_of_folders_that_are_not_there_nothing_is_taken(tmp_path):
    (tmp_path / "results").mkdir()
    clear(tmp_path / "results", work=tmp_path / "work", fields={"F1"}, pages=set())
    assert there(tmp_path) == set()


def test_a_raster_that_is_missing_is_not_signed_for(tmp_path):
    write(tmp_path, STAY)
    check_rasters(tmp_path / "results", {"F1"})
    with pytest.raises(CheckError, match=r"fields/F2/overlap\.tif went missing"):
        check_rasters(tmp_path / "results", {"F1", "F2", "F3"})
