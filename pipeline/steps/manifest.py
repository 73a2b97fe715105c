"""What a run was made from: inputs by hash, configuration, versions, seeds, and what was kept and rejected."""

import shutil
from pathlib import Path
from unicodedata import normalize

from pipeline import PROJECT
from pipeline.errors import CheckError
from pipeline.files.field_files import homes_of_fields, raster_of
from pipeline.files.kept import prune
from pipeline.files.log import run_step
from pipeline.files.provenance import made_with, result_hashes
from pipeline.files.settings import Settings
from pipeline.files.store import left_by_kills, read_json, remove, to_json, write_bytes


def run(*, intake: Path, config: Path, tiers: Path, pages: Path, results: Path, out: Path) -> None:
    """Write manifest.json.

    Parameters
    ----------
    intake, config, tiers : Path
        What `intake` wrote.
    pages : Path
        report.json of `report`: the pages beside the first.
    results : Path
        Folder whose files are listed with their hashes.
    out : Path
        The manifest.
    """
    taken, judging = read_json(intake), Settings.read(tiers)
    fields = {name for names in taken["batches"].values() for name in names}
    clear(results, work=intake.parent, fields=fields, pages=set(read_json(pages)["pages"]))
    check_rasters(results, fields)
    drift = [name for name in judging.compare if judging.tiers[name].spread(None).drift_rules]
    notes = taken["notes"] + [
        f"tier {name}, at the base: the drift within the pass-to-pass figure alone would exceed the repeatable "
        "figure, so the repeatable figure rules and no bias of the day is left" for name in drift
    ]  # fmt: skip
    write_bytes(out, to_json(made_with(PROJECT) | {
        "inputs": taken["inputs"], "layers": taken["layers"], "configuration": read_json(config),
        "tiers": read_json(tiers), "seed": judging.seed, "batches": taken["batches"], "notes": notes,
        "outputs": result_hashes(results),
    }))  # fmt: skip


def clear(results: Path, *, work: Path, fields: set[str], pages: set[str]) -> None:
    """Take away what killed jobs, and fields and pages of farms that are gone, have left.

    Parameters
    ----------
    results, work : Path
    fields : set of str
        Folders of the fields that there are.
    pages : set of str
        Pages beside the report, without their ending.
    """
    for left in left_by_kills(results):
        remove(left)
    prune(work, fields)
    _clear_pages(results / "report", {f"{name}.html" for name in pages})
    _clear_fields(homes_of_fields(results), fields)


def _clear_pages(home: Path, wanted: set[str]) -> None:
    if not home.exists():
        return
    for file in sorted(home.iterdir()):
        if file.name not in wanted:
            remove(file)
    if not wanted:
        remove(home)


def _clear_fields(home: Path, wanted: set[str]) -> None:
    for folder in sorted(home.iterdir()) if home.exists() else ():
        if normalize("NFC", folder.name) not in wanted:  # some disks take letters with marks apart
            shutil.rmtree(folder)


def check_rasters(results: Path, fields: set[str]) -> None:
    """Refuse to sign for a raster that is not there.

    Raises
    ------
    CheckError
        With the first of them.
    """
    lost = [raster for name in sorted(fields) if not (raster := raster_of(results, name)).exists()]
    if lost:
        raise CheckError(f"{lost[0]} went missing while the workflow ran; run it again")


if __name__ == "__main__":
    job = snakemake  # type: ignore[name-defined]  # noqa: F821
    run_step(
        lambda: run(
            intake=Path(job.input.intake), config=Path(job.input.config), tiers=Path(job.input.tiers),
            pages=Path(job.input.pages), results=Path("results"), out=Path(job.output[0]),
        ),
        log=job.log[0],
    )  # fmt: skip
