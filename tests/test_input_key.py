"""The input's name: by content, not by times."""

import os
import platform
import zlib

import pytest

from pipeline.files import input_key as module
from pipeline.files.input_key import input_key, tell_key, told_key
from pipeline.files.provenance import versions
from pipeline.steps import inputs

CONFIG = {"title": "Invented", "raster": {"cell": "0.1 m"}}


@pytest.fixture
def file(tmp_path):
    path = tmp_path / "coop.gpkg"
    path.write_bytes(b"invented")
    return path


def test_times_play_no_part(file):
    before = input_key(CONFIG, [str(file)])
    os.utime(file, (1, 1))
    assert input_key(dict(reversed(CONFIG.items())), [str(file)]) == before


def test_content_configuration_files_and_versions_play_one(file, monkeypatch):
    names = {input_key(CONFIG, [str(file)]), input_key(CONFIG | {"title": "Other"}, [str(file)]), input_key(CONFIG, [])}
    file.write_bytes(b"Invented")
    names.add(input_key(CONFIG, [str(file)]))
    file.with_name("coop.gpkg-wal").write_bytes(b"a commit")
    names.add(input_key(CONFIG, [str(file), f"{file}-wal"]))
    monkeypatch.setattr(module, "versions", lambda: {"shapely": "0.0"})
    names.add(input_key(CONFIG, [str(file)]))
    assert len(names) == 6


def test_versions_are_of_all_that_may_change_a_byte():
    known = versions()
    assert known["Python"] == platform.python_version() and known["zlib of Python"] == zlib.ZLIB_RUNTIME_VERSION
    assert {"numpy", "shapely", "pyogrio", "jinja2", "matplotlib", "xlsxwriter"} <= set(known)


def test_a_file_that_is_not_there_is_left_to_the_intake(tmp_path):
    assert input_key(CONFIG, [str(tmp_path / "none.gpkg")]) != input_key(CONFIG, [])


def test_a_note_is_the_only_one(tmp_path):
    # An input that comes back must be noted anew: its old note is older than what was made since.
    for name in ("one", "other"):
        inputs.run(files=["coop.gpkg"], out=tmp_path / f"{name}.json")
    assert [path.name for path in tmp_path.iterdir()] == ["other.json"]


def test_jobs_of_a_cluster_go_by_the_key_they_were_told(tmp_path, monkeypatch):
    file = tmp_path / "coop.gpkg"
    file.write_bytes(b"before")
    monkeypatch.delenv("ROWRETURN_INPUT", raising=False)
    assert told_key({}, [str(file)]) == input_key({}, [str(file)])  # nobody told it
    told = tell_key({}, [str(file)])
    file.write_bytes(b"after")
    assert told_key({}, [str(file)]) == told != input_key({}, [str(file)])
