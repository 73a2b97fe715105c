"""Note the input under the name of its content, so that the intake runs just when that name is a new one."""

from pathlib import Path

from pipeline.files.log import run_step
from pipeline.files.store import to_json, write_bytes


def run(*, files: list[str], out: Path) -> None:
    """Write the note, after all others are gone.

    Parameters
    ----------
    files : list of str
        Input files, for whoever looks at the note.
    out : Path
        The note. An older one of the same name would be older than what the intake made of another input since.
    """
    for other in out.parent.glob("*.json"):
        other.unlink()
    write_bytes(out, to_json({"files": sorted(files)}))


if __name__ == "__main__":
    job = snakemake  # type: ignore[name-defined]  # noqa: F821
    run_step(lambda: run(files=list(job.input.files), out=Path(job.output[0])), log=job.log[0])
