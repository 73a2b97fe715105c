"""The tables as a workbook, for whoever opens them in a spreadsheet."""

from pathlib import Path

from pipeline.files.log import LOG, run_step
from pipeline.files.store import read_json
from pipeline.files.table_words import reading_order
from pipeline.files.workbook import write_workbook


def run(*, tables: list[Path], report: Path, out: Path) -> None:
    """Write rowreturn.xlsx.

    Parameters
    ----------
    tables : list of Path
        All CSV files of the results.
    report : Path
        Settings.
    out : Path
        The workbook.
    """
    LOG.info("workbook: %d tables", len(tables))
    said = read_json(report)
    write_workbook(out, sorted(tables, key=reading_order), title=said["title"], units=said["units"])


if __name__ == "__main__":
    job = snakemake  # type: ignore[name-defined]  # noqa: F821
    run_step(
        lambda: run(
            tables=[Path(one) for one in job.input.tables], report=Path(job.input.report), out=Path(job.output[0])
        ),
        log=job.log[0],
    )  # fmt: skip
