"""The compilation at installation: it must go through, or nothing can be installed."""

from pipeline import warm


def test_every_step_runs_on_an_acre():
    warm.main()
