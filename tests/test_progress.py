"""How far a run is: what is said, and when, by a clock of the test."""

import logging

import pytest

from pipeline.files.progress import SAY_EVERY_S, Pace, counted, line
from pipeline.files.run_progress import RunJob, RunProgress, tell


class Clock:
    """Time that only goes on when it is told to."""

    now_s = 100.0

    def __call__(self) -> float:
        return self.now_s


@pytest.mark.parametrize(
    ("count", "total", "seconds", "share", "said"),
    [
        # 12 of 54 in 24 s: 30 a minute, and 42 more take 84 s.
        (12, 54, 24.0, None, "12 of 54 fields, 30 a minute, about 80 s left"),
        # A quarter of the work in 10 min: three quarters take 30.
        (100, 1000, 600.0, 0.25, "100 of 1,000 fields, 10 a minute, about 30 min left"),
        (1, 400, 60.0, None, "1 of 400 fields, 1.0 a minute, about 6.7 h left"),
        # Work is done, though no field as a whole.
        (0, 54, 30.0, 0.5, "0 of 54 fields, about 30 s left"),
        (0, 54, 30.0, None, "0 of 54 fields"),
    ],
)
def test_a_line_says_pace_and_time_left(count, total, seconds, share, said):
    assert line(count, total, "fields", seconds=seconds, share=share) == said


def test_short_work_says_nothing_and_long_work_not_too_often():
    clock, said = Clock(), []
    pace = Pace(said.append, clock=clock)
    for number in range(100):
        pace.at(number, 100, "fields")
        clock.now_s += 1.0
    assert len(said) == int(99 // SAY_EVERY_S)
    clock.now_s += 100.0
    pace.at(100, 100, "fields")
    assert len(said) == int(99 // SAY_EVERY_S)  # what is done needs no word


def test_counted_gives_every_item_and_tells_the_log(caplog, monkeypatch):
    clock = Clock()
    monkeypatch.setattr("pipeline.files.progress.Pace", lambda say: Pace(say, clock=clock))
    with caplog.at_level(logging.INFO):
        for _ in counted(list("abc"), "odds", "fields", log=logging.getLogger("rowreturn")):
            clock.now_s += 20.0
    # After 20 s one of three, after 40 s two of three.
    assert caplog.messages == [
        "odds: 1 of 3 fields, 3.0 a minute, about 40 s left", "odds: 2 of 3 fields, 3.0 a minute, about 20 s left",
    ]  # fmt: skip


def test_a_batch_is_done_when_none_of_its_jobs_is_open():
    clock, said = Clock(), []
    pace = Pace(said.append, clock=clock)
    clock.now_s += 60.0
    jobs = [
        RunJob("b0", 10.0, True), RunJob("b0", 20.0, True), RunJob("b1", 10.0, True), RunJob("b1", 20.0, False),
        RunJob(None, 20.0, False),
    ]  # fmt: skip
    tell(jobs, {"b0": 40, "b1": 50, "b2": 60}, pace)
    # Half of the work (40 of 80) in a minute; b2 has no job in this run.
    assert said == ["40 of 90 fields in 1 of 2 batches, 40 a minute, about 60 s left"]


def test_nothing_is_said_before_batches_are_known_and_no_fault_of_it_ends_a_run(capsys, monkeypatch):
    monkeypatch.setattr(logging, "raiseExceptions", True)  # else not even the fault itself is told
    clock, said = Clock(), []
    tell([RunJob(None, 1.0, True)], {}, Pace(said.append, clock=clock))
    handler = RunProgress(lambda: 1 / 0, dict, said.append)
    handler._pace._said_s -= 2 * SAY_EVERY_S
    record = logging.LogRecord("snakemake", logging.INFO, "", 0, "", (), None)
    record.event = "progress"
    handler.handle(record)
    assert said == []
    assert "ZeroDivisionError" in capsys.readouterr().err
