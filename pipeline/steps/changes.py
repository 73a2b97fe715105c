"""What changed between the last run and this one; then this one is the last."""

from pathlib import Path

from pipeline.files.changes import changes_between
from pipeline.files.field_contents import contents_of
from pipeline.files.last_run import RunState, keep, last_state
from pipeline.files.log import LOG, run_step
from pipeline.files.store import to_json, write_csv


def run(*, table: Path, config: Path, tiers: Path, keys: list[Path], last: Path, out: Path) -> None:
    """Write changes.csv.

    Parameters
    ----------
    table : Path
        field_tier.csv.
    config, tiers : Path
        What `intake` wrote.
    keys : list of Path
        The key of every batch; its layers lie beside it.
    last : Path
        Folder that keeps what the last run came to. It is brought up to date before `out` is written, for a run that
        is killed in between writes `out` the same again.
    out : Path
        The table of changes.
    """
    known = last_state(last)
    contents = contents_of({key.parent.name: key.parent for key in keys}, known.batches if known else {})
    parts = {"table": table, "config": config, "tiers": tiers}
    now = RunState(contents=to_json(contents), **{name: path.read_bytes() for name, path in parts.items()})
    changes = changes_between(keep(last, now), now)
    LOG.info("changes: %d lines", len(changes))
    write_csv(out, changes)


if __name__ == "__main__":
    job = snakemake  # type: ignore[name-defined]  # noqa: F821
    run_step(
        lambda: run(
            table=Path(job.input.table), config=Path(job.input.config), tiers=Path(job.input.tiers),
            keys=[Path(p) for p in job.input.batch_keys], last=Path("work/last"), out=Path(job.output[0]),
        ),
        log=job.log[0],
    )  # fmt: skip
