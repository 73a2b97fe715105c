"""Runs that are killed: the same command again, and the results are those of an undisturbed run."""

from collections.abc import Iterable

import pytest
from kills import Kill, Trial, summary

KILLS = 15
# What runs anew where a boundary has moved, and where a tier has another figure.
RUN_ANEW = {
    "boundary": (
        "inputs", "intake", "passes", "offsets", "odds", "overlap", "bands", "tables", "layers", "sheets", "changes",
        "manifest",
    ),
    "tier": ("odds", "overlap", "bands", "tables", "sheets"),
}  # fmt: skip


def all_the_same(kills: Iterable[Kill], count: int) -> None:
    """Every kill hit something, and no run after one came to anything else than an undisturbed one."""
    seen = []
    for kill in kills:
        print(kill, flush=True)
        seen.append(kill)
    print(summary(seen))
    assert [str(kill) for kill in seen if kill.wrong] == []
    assert len(seen) == count  # others came too late


@pytest.mark.slow
@pytest.mark.parametrize("change", ["fresh", "boundary", "tier"])
def test_whatever_is_killed_and_when(change, tmp_path):
    all_the_same(Trial(tmp_path, change=change, seed=1).kills(KILLS), KILLS)


@pytest.mark.slow
@pytest.mark.parametrize("change", ["boundary", "tier"])
def test_a_job_of_each_rule_that_runs_anew_is_killed(change, tmp_path):
    rules = RUN_ANEW[change]
    all_the_same(Trial(tmp_path, change=change, seed=1).kill_jobs_of(rules), len(rules))
