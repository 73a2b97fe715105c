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
from pipeline.files.store import read_json, remove, to_json, write_bytes


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
    for left in list(results.rglob(".unfinished-*")):  # by a job that was killed
        remove(left)
    fields = {name for names in taken["batches"].values() for name in names}
    prune(intake.parent, fields)
    _tend_pages(results / "report", {f"{name}.html" for name in read_json(pages)["pages"]})
    _tend_fields(results, fields)
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


def _tend_pages(home: Path, wanted: set[str]) -> None:
    """Take away pages of farms that are none any more."""
    for file in sorted(home.iterdir()) if home.exists() else ():
        if file.name not in wanted:
            remove(file)
    if home.exists() and not wanted:
        remove(home)


def _tend_fields(results: Path, wanted: set[str]) -> None:
    """Take away what fields that are gone have left; refuse to sign for a raster that is not there."""
    home = homes_of_fields(results)
    for folder in sorted(home.iterdir()) if home.exists() else ():
        if normalize("NFC", folder.name) not in wanted:  # some disks take letters with marks apart
            shutil.rmtree(folder)
    lost = [raster for name in sorted(wanted) if not (raster := raster_of(results, name)).exists()]
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
