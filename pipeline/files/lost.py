"""Files that a run made and somebody took away since: the workflow makes them again, one by one.

Which fields there are is known to the intake alone, and how many pages the report has to its step: so a batch's rasters
and sheets, and the pages of farms, are no outputs that Snakemake could miss by itself.
"""

from pathlib import Path

from pipeline.files.field_files import raster_of, sheets_of
from pipeline.files.store import read_json


def lost_files(batches: dict[str, list[str]], *, work: Path, results: Path) -> list[str]:
    """Rasters, sheets and pages of farms that are gone.

    Parameters
    ----------
    batches : dict of batch to the folder names of its fields
    work, results : Path

    Returns
    -------
    list of str
        None of a batch whose step has yet to run, or of a field that is new in it: those are made anyway.
    """
    wanted = []
    for batch, fields in batches.items():
        if (work / "overlap" / f"{batch}.parquet").exists():
            old = [name for name in fields if (work / "offsets" / batch / f"{name}.parquet").exists()]
            wanted += [raster_of(results, name) for name in old]
        drawn = _drawn(work / "sheets" / f"{batch}.json", work / "settings" / "report.json")
        wanted += [file for name in fields if name in drawn for file in sheets_of(results, name)]
    pages = work / "report.json"
    if pages.exists() and (results / "report.html").exists():
        wanted += [results / "report" / f"{name}.html" for name in read_json(pages)["pages"]]
    return [path.as_posix() for path in wanted if not path.exists()]


def _drawn(said: Path, report: Path) -> set[str]:
    """Fields with a sheet; none where other sheets are asked for by now."""
    if not said.exists() or not report.exists() or said.stat().st_mtime < report.stat().st_mtime:
        return set()
    return set(read_json(said)["sheets"])
