"""One run at a time in a folder, and none beside a job of a run that was killed."""

import errno
import fcntl
import os
import subprocess
import sys
import time

import pytest
from workflow import PROJECT

from pipeline.errors import BusyError, RowreturnError
from pipeline.files.folder_lock import check_writable, lock_job, lock_run

HOLD = "from pathlib import Path; from pipeline.files.folder_lock import {0}; {0}(Path('work')); print('held', flush=True); "


@pytest.fixture
def holder(tmp_path):
    """Starts another process that takes a lock in the folder and does something more; waits until it has it."""
    started = []

    def start(lock: str, then: str) -> subprocess.Popen:
        command = [sys.executable, "-c", HOLD.format(lock) + then]
        environment = os.environ | {"PYTHONPATH": str(PROJECT)}
        started.append(subprocess.Popen(command, cwd=tmp_path, stdout=subprocess.PIPE, text=True, env=environment))
        assert started[-1].stdout.readline() == "held\n"
        return started[-1]

    yield start
    for one in started:
        one.kill()
        one.wait()
        one.stdout.close()


def test_a_second_run_is_refused_and_told_what_to_do(tmp_path, holder):
    first = holder("lock_run", "import time; time.sleep(60)")
    with pytest.raises(BusyError) as error:
        lock_run(tmp_path / "work")
    assert str(error.value) == (
        f"another run is at work in this folder (process {first.pid}); wait until it ends, or stop it, and give the same "
        "command again. To have two at once, give each a folder of its own with --directory"
    )


def test_a_killed_run_leaves_no_lock(tmp_path, holder):
    first = holder("lock_run", "import time; time.sleep(60)")
    first.kill()
    first.wait()
    lock_run(tmp_path / "work")


def test_a_job_left_behind_is_waited_for(tmp_path, holder, capsys):
    holder("lock_job", "import time; time.sleep(3)")
    begun = time.monotonic()
    lock_run(tmp_path / "work")
    assert time.monotonic() - begun > 1.0
    assert "a job of an earlier run is still at work" in capsys.readouterr().out


def test_a_job_that_comes_late_leaves_the_folder_to_the_next_run(tmp_path, holder, monkeypatch):
    monkeypatch.setenv("ROWRETURN_RUN", "12345")  # killed while its job was still starting
    lock_job(tmp_path / "a folder that no run has")
    now = holder("lock_run", "import time; time.sleep(60)")
    with pytest.raises(BusyError, match=rf"process 12345\) has ended, and process {now.pid} has the folder"):
        lock_job(tmp_path / "work")
    monkeypatch.setenv("ROWRETURN_RUN", str(now.pid))
    lock_job(tmp_path / "work")


def test_jobs_of_one_run_do_not_hinder_each_other(holder):
    holder("lock_job", "import time; time.sleep(60)")
    holder("lock_job", "")


@pytest.mark.parametrize("refusal", [errno.ENOLCK, errno.ENOSYS])
def test_a_file_system_without_locks_is_no_reason_not_to_run(tmp_path, monkeypatch, refusal):
    def refuse(handle, how):
        raise OSError(refusal, os.strerror(refusal))

    monkeypatch.setattr(fcntl, "flock", refuse)
    lock_run(tmp_path / "work")
    lock_job(tmp_path / "work")


def test_another_refusal_of_a_lock_is_told(tmp_path, monkeypatch):
    def refuse(handle, how):
        raise OSError(errno.EIO, os.strerror(errno.EIO))

    monkeypatch.setattr(fcntl, "flock", refuse)
    with pytest.raises(OSError, match=os.strerror(errno.EIO)):
        lock_run(tmp_path / "work")


def test_a_folder_that_cannot_be_written_to_is_named(tmp_path, monkeypatch):
    # Whoever runs the tests may be allowed everything, so the system's answer is given for it.
    monkeypatch.setattr(os, "access", lambda path, how: path.name != "results")
    (tmp_path / "results").mkdir()
    check_writable(tmp_path, tmp_path / "work")
    with pytest.raises(RowreturnError, match=r"results cannot be written to; expected a folder for work and results\."):
        check_writable(tmp_path, tmp_path / "work", tmp_path / "results")
