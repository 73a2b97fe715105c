"""The workflow on a cluster: through the profile for Slurm, on a real Slurm of one node."""

import os
import shutil
import signal
import subprocess
import time
from contextlib import ExitStack
from pathlib import Path

import pytest
from slurm import NoSlurmError, jobs, one_node
from workflow import PROJECT, begin, config, hashes, passes_of, snakemake, write_coop

pytestmark = [pytest.mark.slow, pytest.mark.xdist_group("slurm")]

SETTINGS = config(Path()) | {"report": {"sheets": "all"}}
# The profile as it is; only that so small a run need not wait so long before it asks how its jobs are.
PROFILE = (
    "--workflow-profile", str(PROJECT / "profiles" / "slurm"), "--slurm-init-seconds-before-status-checks", "1",
    "--seconds-between-status-checks", "1",
)  # fmt: skip
LONGEST_S = 900


@pytest.fixture(scope="module")
def cluster(tmp_path_factory):
    """Slurm on this machine."""
    with ExitStack() as stack:
        try:
            stack.enter_context(one_node(tmp_path_factory.mktemp("slurm")))
        except NoSlurmError as error:
            pytest.skip(f"Slurm cannot run here: {error}")
        yield


def running_batch(folder: Path, run: subprocess.Popen) -> str:
    """Number of a batch's job that has come as far as measuring offsets."""
    until = time.monotonic() + LONGEST_S
    while run.poll() is None and time.monotonic() < until:
        if list((folder / "work" / "log" / "offsets").glob("*.log")):
            at_work = [number for number, job in jobs().items() if job["state"] == "RUNNING" and "batch" in job["of"]]
            if at_work:
                return at_work[0]
        time.sleep(0.2)
    raise AssertionError("no batch was seen at work")


def megabytes(job: dict[str, str]) -> int:
    """Memory that a job asked for."""
    return int(job["memory"].removesuffix("M"))


def test_a_run_on_slurm_with_a_killed_job_gives_the_bytes_of_a_local_run(cluster, tmp_path):
    folders = {name: tmp_path / name for name in ("local", "slurm")}
    file = write_coop(tmp_path, rows=passes_of(shift_m=0.05))
    for folder in folders.values():
        folder.mkdir()
        shutil.copyfile(file, folder / file.name)
    said = tmp_path / "said.txt"
    run = begin(SETTINGS, folders["slurm"], said, *PROFILE, cores=1)
    try:
        killed = running_batch(folders["slurm"], run)
        subprocess.run(["scancel", "--full", "--signal=KILL", killed], check=True)
        local = snakemake(SETTINGS, folders["local"])
        assert run.wait(timeout=LONGEST_S) == 0, said.read_text()
    finally:
        if run.poll() is None:
            os.killpg(run.pid, signal.SIGKILL)
            run.wait()
    assert local.returncode == 0, local.stdout
    known, text = jobs(), said.read_text()
    assert "Trying to restart job" in text, text
    assert known[killed]["state"] in ("CANCELLED", "FAILED"), known
    # One for the intake, one for each of the two batches, one for what collects them; and the killed one once more.
    done = {number: job for number, job in known.items() if job["state"] == "COMPLETED"}
    assert len(known) == 5 and len(done) == 4, known
    again = done[max(number for number, job in done.items() if "batch" in job["of"])]
    assert megabytes(again) == 2 * megabytes(known[killed]), known
    assert hashes(folders["slurm"] / "results") == hashes(folders["local"] / "results")
