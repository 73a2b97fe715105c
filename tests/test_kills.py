"""Runs killed at random moments: the same command again, and the results are those of an undisturbed run."""

import pytest
from kills import Trial, summary


@pytest.mark.slow
@pytest.mark.parametrize(
    ("change", "seed", "count"), [("fresh", 1, 16), ("fresh", 2, 16), ("boundary", 1, 16), ("tier", 1, 16)]
)
def test_after_a_kill_the_same_command_gives_the_same_bytes(change, seed, count, tmp_path):
    kills = []
    for kill in Trial(tmp_path, change=change, seed=seed).kills(count):
        print(kill, flush=True)
        kills.append(kill)
    print(summary(kills))
    assert [str(kill) for kill in kills if kill.wrong] == []
    assert len(kills) == count  # more came too late otherwise
