"""A real Slurm of one node on this machine: munged, slurmctld and slurmd as Debian packages them."""

import fcntl
import os
import secrets
import shutil
import socket
import subprocess
import tempfile
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

#: The executor takes SLURM_CONF out of the environment of a job's step, so this place is the only one.
CONF = Path("/etc/slurm/slurm.conf")
OURS = "# Written by a test of Rowreturn, which takes it away again.\n"
PROGRAMS = ("munged", "slurmctld", "slurmd", "sbatch", "srun", "squeue", "scancel", "scontrol")
STARTS_WITHIN_S = 20.0


class NoSlurmError(Exception):
    """Slurm cannot run here."""


@contextmanager
def one_node(home: Path) -> Iterator[None]:
    """Slurm, until the block ends.

    Parameters
    ----------
    home : Path
        Empty folder for keys, state and logs.

    Raises
    ------
    NoSlurmError
        With the reason, if it cannot run here.
    """
    if missing := [name for name in PROGRAMS if shutil.which(name) is None]:
        raise NoSlurmError(f"{', '.join(missing)} not found; Debian has them in slurm-wlm and munge")
    if os.geteuid() != 0:
        raise NoSlurmError("only root can start it")
    with ExitStack() as stack:
        stack.enter_context(_alone())
        stack.enter_context(_configuration(home))
        socket_of_munge, key = home / "munge.socket", home / "munge.key"
        key.touch(mode=0o600)
        key.write_bytes(secrets.token_bytes(128))
        files = {name: home / f"munged.{name}" for name in ("pid", "log", "seed")}
        # By force: its folder is closed to others, and none but root has anything to do here.
        stack.enter_context(_daemon(home, "munged", [
            "--foreground", "--force", f"--socket={socket_of_munge}", f"--key-file={key}", f"--pid-file={files['pid']}",
            f"--log-file={files['log']}", f"--seed-file={files['seed']}",
        ], until=socket_of_munge.exists))  # fmt: skip
        stack.enter_context(_daemon(home, "slurmctld", ["-D"], until=lambda: _says("scontrol", "ping", what="is UP")))
        stack.enter_context(_daemon(home, "slurmd", ["-D"], until=lambda: _says("sinfo", "-ho%T", what="idle")))
        # Before its daemon goes, or the processes of a job would outlive the test.
        stack.callback(subprocess.run, ["scancel", "--full", "--signal=KILL", "--partition=all"], check=False)
        yield


def jobs() -> dict[str, dict[str, str]]:
    """What Slurm knows of the jobs of the last minutes, by number: `state`, `memory`, `limit` and what it is `of`."""
    names = ("state", "memory", "limit", "of")
    said = subprocess.run(
        ["squeue", "--states=all", "--noheader", "--format=%i|%T|%m|%l|%k"], capture_output=True, text=True, check=True
    )
    lines = (line.split("|") for line in said.stdout.splitlines())
    return {number: dict(zip(names, words, strict=True)) for number, *words in lines}


@contextmanager
def _alone() -> Iterator[None]:
    """One at a time on a machine, since the configuration has one place; the system takes the lock of a killed test back."""
    with (Path(tempfile.gettempdir()) / "rowreturn-slurm.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        yield


@contextmanager
def _configuration(home: Path) -> Iterator[None]:
    if CONF.exists() and not CONF.read_text().startswith(OURS):
        raise NoSlurmError(f"{CONF} is of somebody else's Slurm")
    CONF.write_text(OURS + _configured(home))
    try:
        yield
    finally:
        CONF.unlink()


def _configured(home: Path) -> str:
    """Cores and memory are given out as on a cluster; no accounts, no cgroups, no mail."""
    host, memory_mb = socket.gethostname().partition(".")[0], os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE") >> 20
    for name in ("state", "spool"):
        (home / name).mkdir()
    said = {
        "ClusterName": "rowreturn", "SlurmctldHost": f"{host}(127.0.0.1)", "SlurmUser": "root",
        "AuthInfo": f"socket={home / 'munge.socket'}", "StateSaveLocation": home / "state",
        "SlurmdSpoolDir": home / "spool", "SlurmctldPidFile": home / "slurmctld.pid", "SlurmdPidFile": home / "slurmd.pid",
        "SlurmctldPort": _free_port(), "SlurmdPort": _free_port(),
        "ProctrackType": "proctrack/linuxproc", "TaskPlugin": "task/affinity", "MpiDefault": "none",
        "SelectType": "select/cons_tres", "SelectTypeParameters": "CR_Core_Memory",
        "AccountingStorageType": "accounting_storage/none", "JobAcctGatherType": "jobacct_gather/none",
        "SchedulerParameters": "batch_sched_delay=0,sched_interval=1",
        # On a busy machine a run takes longer than the five minutes that ended jobs are remembered for otherwise.
        "MinJobAge": 7200,
    }  # fmt: skip
    lines = [f"{name}={value}" for name, value in said.items()]
    lines.append(f"NodeName={host} NodeAddr=127.0.0.1 CPUs={os.cpu_count()} RealMemory={memory_mb * 9 // 10}")
    lines.append("PartitionName=all Nodes=ALL Default=YES MaxTime=INFINITE State=UP")
    return "\n".join(lines) + "\n"


def _free_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return one.getsockname()[1]


@contextmanager
def _daemon(home: Path, name: str, arguments: list[str], *, until) -> Iterator[None]:
    """A daemon that has come up by itself; `NoSlurmError` with its last words where it does not."""
    said = home / f"{name}.said"
    with said.open("wb") as stream:
        process = subprocess.Popen([name, *arguments], stdout=stream, stderr=subprocess.STDOUT)
    try:
        ends = time.monotonic() + STARTS_WITHIN_S
        while not until():
            if process.poll() is not None or time.monotonic() > ends:
                raise NoSlurmError(f"{name} does not start: {' '.join(said.read_text(errors='replace').split()[-60:])}")
            time.sleep(0.1)
        yield
    finally:
        process.terminate()
        try:
            process.wait(timeout=20)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()


def _says(*command: str, what: str) -> bool:
    return what in subprocess.run(command, capture_output=True, text=True, check=False).stdout
