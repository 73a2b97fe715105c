"""Records that Snakemake has of outputs which are not there, or of jobs that have not ended."""

import base64
from pathlib import Path

from pipeline.files.run_records import BEGUN, RECORDS, forget_unfinished


def write_record(name: str, longest: int = 254) -> Path:
    """A record where Snakemake (9.27, `persistence.file`) has it."""
    text = base64.urlsafe_b64encode(name.encode()).decode()
    parts = [text[at : at + longest] for at in range(0, len(text), longest)]
    path = RECORDS.joinpath(*("@" + part for part in parts[:-1]), parts[-1])
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text("{}")
    return path


def test_only_records_of_files_that_are_not_there_go(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    long = "results/fields/" + "long" * 50 + "/overlap.tif"
    Path("work/odds/b0").mkdir(parents=True)
    for name in ("work/odds/b0/listed.json", "results/field_tier.csv"):
        Path(name).parent.mkdir(exist_ok=True)
        Path(name).write_text("")
    kept = [write_record(name) for name in ("work/odds/b0/listed.json", "results/field_tier.csv")]
    gone = [write_record(name) for name in ("work/odds/b1/listed.json", "work/odds/b10/listed.json", long)]
    other = RECORDS / "no base 64"
    other.write_text("")
    forget_unfinished()
    assert [path.exists() for path in [*kept, other]] == [True] * 3
    assert [path.exists() for path in gone] == [False] * 3


def test_the_record_of_an_output_whose_job_never_ended_goes(tmp_path, monkeypatch):
    # Killed between the output's putting in place and its record: what is recorded is of the run before.
    monkeypatch.chdir(tmp_path)
    records = []
    for name in ("work/bands/b0/listed.json", "work/bands/b1/listed.json"):
        Path(name).parent.mkdir(parents=True)
        Path(name).write_text("")
        records.append(write_record(name))
    mark = BEGUN / records[1].relative_to(RECORDS)
    mark.parent.mkdir(parents=True)
    mark.write_text("{}")
    forget_unfinished()
    assert [record.exists() for record in records] == [True, False]
    assert mark.exists()


def test_nothing_to_forget(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    forget_unfinished()
    assert not list(tmp_path.iterdir())
