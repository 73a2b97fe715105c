"""How far a run is: batches done of all, fields a minute, time left."""

import logging
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass

from pipeline.files.progress import Pace


@dataclass(frozen=True)
class RunJob:
    """A job of this run.

    Attributes
    ----------
    batch : str or None
        The batch it is of; None where it is of all.
    seconds : float
        About what it takes on one core [s]; only set beside the others' it counts.
    finished : bool
    """

    batch: str | None
    seconds: float
    finished: bool


class RunProgress(logging.Handler):
    """Listens to Snakemake: after a job has ended, says now and then how far the run is.

    Parameters
    ----------
    jobs : callable
        Gives the jobs of this run as they are then; the intake adds to them.
    fields : callable
        Gives the number of fields of each batch.
    say : callable
        Takes the line.
    """

    def __init__(
        self, jobs: Callable[[], Iterable[RunJob]], fields: Callable[[], Mapping[str, int]], say: Callable[[str], object]
    ) -> None:  # fmt: skip
        super().__init__(logging.INFO)
        self._jobs, self._fields, self._pace = jobs, fields, Pace(say)

    def emit(self, record: logging.LogRecord) -> None:
        """Snakemake tells of its progress after every job."""
        if getattr(record, "event", None) == "progress" and self._pace.due():
            try:
                tell(list(self._jobs()), self._fields(), self._pace)
            except Exception:  # how far it is, is no reason to end a run
                self.handleError(record)


def tell(jobs: list[RunJob], fields: Mapping[str, int], pace: Pace) -> None:
    """Say how many batches and fields are done; nothing while no batch is known."""
    batches = {job.batch for job in jobs if job.batch is not None}
    open_ones = {job.batch for job in jobs if job.batch is not None and not job.finished}
    if not batches:
        return
    done, whole = (sum(fields.get(batch, 0) for batch in some) for some in (batches - open_ones, batches))
    total_s = sum(job.seconds for job in jobs)
    share = sum(job.seconds for job in jobs if job.finished) / total_s if total_s else 0.0
    pace.at(done, whole, f"fields in {len(batches - open_ones):,} of {len(batches):,} batches", share=share)
