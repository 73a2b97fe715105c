"""Two runs at once in one folder, and a run that comes upon a job of a killed one."""

import os
import signal
import time
from collections.abc import Callable, Iterable
from pathlib import Path

import pytest
from kills import jobs_of
from workflow import begin, config, hashes, passes_of, snakemake, write_coop

SETTINGS = config(Path())


def wait_for(what: Callable[[], object]) -> None:
    """Wait until something is so, for a minute at most."""
    until = time.monotonic() + 60
    while not what():
        assert time.monotonic() < until, "waited in vain"
        time.sleep(0.05)


@pytest.fixture
def run(tmp_path):
    """A run at work in `tmp_path/"folder"`, one of its jobs seen; what it says is in `said.txt`."""
    (tmp_path / "folder").mkdir()
    write_coop(tmp_path / "folder", rows=passes_of(shift_m=0.05))
    started = begin(SETTINGS, tmp_path / "folder", tmp_path / "said.txt")
    wait_for(lambda: jobs_of(started.pid) or started.poll() is not None)
    yield started
    if jobs_of(started.pid) or started.poll() is None:  # the test has failed
        os.killpg(started.pid, signal.SIGKILL)
    started.wait()


def signal_all(jobs: Iterable[int], what: signal.Signals) -> None:
    for job in jobs:
        os.kill(job, what)


def undisturbed(folder: Path, home: Path) -> dict[str, str]:
    """Hashes of the results of a run with the same input in a folder of its own."""
    home.mkdir()
    (home / "coop.gpkg").write_bytes((folder / "coop.gpkg").read_bytes())
    done = snakemake(SETTINGS, home)
    assert done.returncode == 0, done.stdout
    return hashes(home / "results")


@pytest.mark.slow
def test_a_second_run_is_refused_while_the_first_is_at_work(run, tmp_path):
    folder, jobs = tmp_path / "folder", jobs_of(run.pid)
    signal_all(jobs, signal.SIGSTOP)  # or it may have ended by the time the other begins
    second, dry = snakemake(SETTINGS, folder), snakemake(SETTINGS, folder, "-n")
    signal_all(jobs, signal.SIGCONT)
    assert second.returncode != 0
    told = [line for line in second.stdout.splitlines() if line.startswith("rowreturn: error: ")]
    assert len(told) == 1 and "Traceback" not in second.stdout, second.stdout
    assert told[0].startswith(f"rowreturn: error: another run is at work in this folder (process {run.pid})")
    assert dry.returncode == 0 and "This was a dry-run" in dry.stdout, dry.stdout
    assert run.wait(timeout=280) == 0, (tmp_path / "said.txt").read_text()
    assert hashes(folder / "results") == undisturbed(folder, tmp_path / "other")
    again = snakemake(SETTINGS, folder)
    assert again.returncode == 0 and "Nothing to be done" in again.stdout, again.stdout


@pytest.mark.slow
def test_a_job_of_a_killed_run_is_waited_for_and_nothing_begins_before_it_has_ended(run, tmp_path):
    folder, said = tmp_path / "folder", tmp_path / "again.txt"
    # A job that has opened its log has taken its lock before.
    wait_for(lambda: list((folder / "work" / "log" / "offsets").glob("*.log")) and jobs_of(run.pid))
    left = jobs_of(run.pid)
    signal_all(left, signal.SIGSTOP)
    run.kill()
    again = begin(SETTINGS, folder, said)
    try:
        wait_for(lambda: "a job of an earlier run is still at work" in said.read_text())
        assert jobs_of(again.pid) == {}
        signal_all(left, signal.SIGCONT)
        assert again.wait(timeout=280) == 0, said.read_text()
    finally:
        if again.poll() is None:
            os.killpg(again.pid, signal.SIGKILL)
    assert jobs_of(run.pid) == {}
    assert hashes(folder / "results") == undisturbed(folder, tmp_path / "other")


@pytest.mark.slow
def test_a_job_that_leaves_a_queue_after_another_run_has_the_folder_takes_nothing_away(tmp_path, monkeypatch):
    write_coop(tmp_path, rows=passes_of(shift_m=0.05))
    done = snakemake(SETTINGS, tmp_path)
    assert done.returncode == 0, done.stdout
    before = hashes(tmp_path / "results")
    # What an executor starts on a node; such a job begins by removing the output that it is to make.
    job = ("--mode", "remote", "--no-hooks", "--force", "--allowed-rules", "tables", "--target-jobs", "tables:")
    (tmp_path / "work" / "run.lock").write_text("999999\n")
    monkeypatch.setenv("ROWRETURN_RUN", "999998")
    late = snakemake(SETTINGS, tmp_path, *job)
    assert late.returncode != 0
    told = "rowreturn: error: the run that began this job (process 999998) has ended, and process 999999 has the folder"
    assert told in late.stdout and "Traceback" not in late.stdout, late.stdout
    assert hashes(tmp_path / "results") == before
    monkeypatch.setenv("ROWRETURN_RUN", "999999")
    due = snakemake(SETTINGS, tmp_path, *job)
    assert due.returncode == 0 and "Putting the tables of all batches together" in due.stdout, due.stdout
    assert hashes(tmp_path / "results") == before
