"""What changed between the last run and this one; then this one is the last."""

from pathlib import Path

from pipeline.files.change_page import change_page
from pipeline.files.changes import changes_between
from pipeline.files.field_contents import contents_of
from pipeline.files.last_run import RunState, keep, last_state
from pipeline.files.log import LOG, run_step
from pipeline.files.store import read_json, to_json, write_bytes, write_csv


def run(
    *, table: Path, config: Path, tiers: Path, losses: Path, report: Path, keys: list[Path], last: Path, out: Path,
    page: Path,
) -> None:  # fmt: skip
    """Write changes.csv and changes.html.

    Parameters
    ----------
    table : Path
        field_tier.csv.
    config, tiers, losses, report : Path
        What `intake` wrote.
    keys : list of Path
        The key of every batch; its layers lie beside it.
    last : Path
        Folder that keeps what the last run came to. It is brought up to date before `out` is written, for a run that
        is killed in between writes `out` the same again.
    out : Path
        The table of changes.
    page : Path
        The same to be read.
    """
    known = last_state(last)
    contents = contents_of({key.parent.name: key.parent for key in keys}, known.batches if known else {})
    parts = {"table": table, "config": config, "tiers": tiers, "losses": losses}
    now = RunState(contents=to_json(contents), **{name: path.read_bytes() for name, path in parts.items()})
    changes = changes_between(known, now)
    # What no line tells, such as the number of a check in its file, is no change.
    before = keep(last, now, alike=known is not None and changes.empty)
    if known is None or changes.empty:
        changes = changes_between(before, now)
    LOG.info("changes: %d lines", len(changes))
    said = read_json(report)
    write_csv(out, changes)
    write_bytes(page, change_page(changes, title=said["title"], units=said["units"]).encode())


if __name__ == "__main__":
    job = snakemake  # type: ignore[name-defined]  # noqa: F821
    run_step(
        lambda: run(
            table=Path(job.input.table), config=Path(job.input.config), tiers=Path(job.input.tiers),
            losses=Path(job.input.losses), report=Path(job.input.report), page=Path(job.output.page),
            keys=[Path(p) for p in job.input.batch_keys], last=Path("work/last"), out=Path(job.output.table),
        ),
        log=job.log[0],
    )  # fmt: skip
