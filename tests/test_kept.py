"""What is kept of a field is used again only where all it came from is the same."""

import os
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
import pytest
import shapely

from pipeline.files import kept as module
from pipeline.files.kept import Kept, hash_of, prune
from pipeline.files.store import hash_of_files


@pytest.fixture
def made(tmp_path):
    """A field's input, a file that is written beside its table, and a function that tells whether it was computed."""
    (tmp_path / "field").mkdir()
    (tmp_path / "field" / "rows.json").write_text("[1]")
    (tmp_path / "tiers.json").write_text("{}")
    beside = tmp_path / "overlap.tif"

    def computed() -> bool:
        calls = []

        def make() -> dict[str, pd.DataFrame]:
            calls.append(1)
            text = (tmp_path / "field" / "rows.json").read_text()
            beside.write_text(text)
            return {"rows": pd.DataFrame({"a": [text, None]}), "none": pd.DataFrame()}

        kept = Kept.of_step("odds", tmp_path / "tiers.json", work=tmp_path / "work")
        tables = kept.tables("F1", hash_of_files(tmp_path / "field"), make, beside=[beside])
        text = (tmp_path / "field" / "rows.json").read_text()
        assert beside.read_text() == text
        assert tables["rows"]["a"][0] == text and tables["none"].empty
        return bool(calls)

    assert computed()
    return tmp_path, computed


def test_the_same_is_not_computed_again(made):
    folder, computed = made
    os.utime(folder / "field" / "rows.json", (1, 1))
    assert not computed()


@pytest.mark.parametrize(
    "what", ["input", "another file", "name", "setting", "beside", "beside gone", "code", "version", "torn"]
)
def test_anything_else_is(made, what, monkeypatch):
    folder, computed = made
    if what == "input":
        (folder / "field" / "rows.json").write_text("[2]")
    elif what == "another file":
        (folder / "field" / "more.json").write_text("")
    elif what == "name":
        (folder / "field" / "extra").mkdir()
        (folder / "field" / "extra" / "rows.json").write_text("[1]")
    elif what == "setting":
        (folder / "tiers.json").write_text("{ }")
    elif what == "beside":
        (folder / "overlap.tif").write_text("another")
    elif what == "beside gone":
        (folder / "overlap.tif").unlink()
    elif what == "code":
        monkeypatch.setattr(module, "code_hash", lambda *_: "another")
    elif what == "version":
        monkeypatch.setattr(module, "versions", lambda: {"numpy": "0"})
    else:
        (folder / "work" / "kept" / "odds" / "F1" / "key.json").write_text('{"key"')
    assert computed()
    assert not computed()


def test_a_make_that_fails_leaves_nothing_to_be_taken_for_whole(made):
    folder, computed = made
    (folder / "field" / "rows.json").write_text("[2]")
    kept = Kept.of_step("odds", folder / "tiers.json", work=folder / "work")
    with pytest.raises(ZeroDivisionError):
        kept.tables("F1", hash_of_files(folder / "field"), lambda: 1 / 0, beside=[folder / "overlap.tif"])
    (folder / "field" / "rows.json").write_text("[1]")
    assert computed()


def test_fields_that_are_gone_go(made):
    folder, computed = made
    prune(folder / "work", {"F1"})
    assert not computed()
    prune(folder / "work", {"F2"})
    assert computed()


@dataclass(frozen=True)
class Invented:
    """Of every kind that a sheet is made of."""

    name: str = "F1"
    area: shapely.Geometry = shapely.box(0, 0, 1, 1)
    table: pd.DataFrame = field(default_factory=lambda: pd.DataFrame({"a": [1.0, np.nan], "b": ["x", None]}))
    lines: dict = field(default_factory=lambda: {"sbas": (np.zeros((2, 2)), np.zeros(2, np.uint8))})


@pytest.mark.parametrize("other", [
    {"name": "F2"}, {"area": shapely.box(0, 0, 1, 1 + 1e-12)}, {"table": pd.DataFrame({"a": [1.0, 0.0], "b": ["x", None]})},
    {"lines": {"sbas": (np.zeros((2, 2)), np.zeros(2, np.int8))}}, {"lines": {"sbas": (np.zeros(4), np.zeros(2, np.uint8))}},
    {"lines": {"rtk_base": (np.zeros((2, 2)), np.zeros(2, np.uint8))}}, {"lines": {}},
])  # fmt: skip
def test_hash_of_content_tells_every_part_apart(other):
    assert hash_of(Invented()) == hash_of(Invented()) != hash_of(Invented(**other))


def test_killed_while_the_old_is_taken_away_and_the_input_put_back(made, monkeypatch):
    folder, computed = made
    before = (folder / "field" / "rows.json").read_text()

    def killed(kept) -> None:
        (kept / "rows.parquet").unlink()
        raise KeyboardInterrupt

    (folder / "field" / "rows.json").write_text("[2]")
    with monkeypatch.context() as change:
        change.setattr(module.shutil, "rmtree", killed)
        with pytest.raises(KeyboardInterrupt):
            computed()
    (folder / "field" / "rows.json").write_text(before)
    assert computed()
