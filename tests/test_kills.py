"""Runs killed at random moments: the same command again, and the results are those of an undisturbed run."""

import pytest
from kills import Trial, summary

KILLS = 16


@pytest.mark.slow
@pytest.mark.parametrize(("change", "seed"), [("fresh", 1), ("fresh", 2), ("boundary", 1), ("tier", 1)])
def test_after_a_kill_the_same_command_gives_the_same_bytes(change, seed, tmp_path):
    kills = []
    for kill in Trial(tmp_path, change=change, seed=seed).kills(KILLS):
        print(kill, flush=True)
        kills.append(kill)
    print(summary(kills))
    assert [str(kill) for kill in kills if kill.wrong] == []
    assert len(kills) == KILLS  # more came too late otherwise
