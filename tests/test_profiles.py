"""The profiles: Snakemake takes their options, and what jobs ask for holds nothing back on one machine."""

import pytest
import yaml
from workflow import PROJECT, config, snakemake, write_coop

pytestmark = pytest.mark.slow


@pytest.mark.parametrize("name", ["default", "slurm", "kubernetes"])
def test_a_profile_has_options_that_there_are(name, tmp_path):
    write_coop(tmp_path)
    profile = PROJECT / "profiles" / name
    planned = snakemake(config(tmp_path, planter=False), tmp_path, "-n", "--workflow-profile", str(profile))
    assert planned.returncode == 0 and "This was a dry-run" in planned.stdout, planned.stdout


def test_no_profile_lets_snakemake_lock_the_folder_or_use_half_a_result():
    for file in (PROJECT / "profiles").glob("*/config.yaml"):
        said = yaml.safe_load(file.read_text())
        assert said["nolock"] and said["rerun-incomplete"], file


def test_the_pod_has_the_memory_and_cores_that_its_profile_gives_out():
    home = PROJECT / "profiles" / "kubernetes"
    profile, job = (yaml.safe_load((home / name).read_text()) for name in ("config.yaml", "job.yaml"))
    (container,) = job["spec"]["template"]["spec"]["containers"]
    asked = container["resources"]["requests"]
    memory_mb = int(asked["memory"].removesuffix("Gi")) * 2**30 / 1e6
    assert profile["cores"] < int(asked["cpu"])
    assert int(profile["resources"][0].removeprefix("mem_mb=")) < memory_mb
    assert "--workflow-profile profiles/kubernetes" in container["args"][0]


def test_steps_that_ask_for_more_memory_than_there_is_run_all_the_same(tmp_path):
    write_coop(tmp_path)
    done = snakemake(config(tmp_path, planter=False), tmp_path, "results/field_tier.csv", "--resources", "mem_mb=100")
    assert done.returncode == 0, done.stdout
