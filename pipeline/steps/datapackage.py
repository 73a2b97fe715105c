"""What the tables hold, for machines: names, types, units and meanings of their columns."""

from pathlib import Path

from pipeline.files.data_package import data_package
from pipeline.files.log import LOG, run_step
from pipeline.files.store import read_json, to_json, write_bytes


def run(*, tables: list[Path], report: Path, out: Path) -> None:
    """Write datapackage.json.

    Parameters
    ----------
    tables : list of Path
        All CSV files of the results.
    report : Path
        Settings.
    out : Path
        The description, in the same folder.
    """
    LOG.info("datapackage: %d tables", len(tables))
    write_bytes(out, to_json(data_package(tables, title=read_json(report)["title"])))


if __name__ == "__main__":
    job = snakemake  # type: ignore[name-defined]  # noqa: F821
    run_step(
        lambda: run(
            tables=[Path(one) for one in job.input.tables], report=Path(job.input.report), out=Path(job.output[0])
        ),
        log=job.log[0],
    )  # fmt: skip
