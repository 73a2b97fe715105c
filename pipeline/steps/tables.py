"""The tables of all batches as one: per row, per planter pass and per field, each of them per tier, and more."""

from pathlib import Path

from pipeline.files.log import LOG, run_step
from pipeline.files.table_parts import join_parts


def run(*, figures: list[Path], results: list[Path]) -> None:
    """Put the tables together.

    Parameters
    ----------
    figures : list of Path
        Folders of that step, of all batches.
    results : list of Path
        Tables to write, by the names that the parts have.
    """
    for out in results:
        LOG.info("tables: %s", out.name)
        join_parts(sorted(figures), out.stem, out)


if __name__ == "__main__":
    job = snakemake  # type: ignore[name-defined]  # noqa: F821
    run_step(
        lambda: run(
            figures=[Path(one).parent for one in job.input.figures], results=[Path(one) for one in job.output]
        ),
        log=job.log[0],
    )  # fmt: skip
