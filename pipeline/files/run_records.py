"""What Snakemake has noted of a job that failed, which the next run must not believe."""

import base64
import binascii
from pathlib import Path

RECORDS = Path(".snakemake") / "metadata"


def forget_what_is_missing(records: Path = RECORDS) -> None:
    """Take away Snakemake's records of files that are not there.

    Snakemake takes away a job's output before the job begins, and when the job fails it records the checksums of its
    input all the same. By that record the next run would hold the input for unchanged, and what was made of the output
    that was there before for current: a mixture of old and new, and nothing would say so. A record of a file that is
    not there is of no use otherwise, so it can go at any time, even while a run is at work. It must go before the graph
    is built, so a dry run does this too: it is the one thing that parsing changes, and it is in Snakemake's own folder.

    Parameters
    ----------
    records : Path
        Folder of a file for each output, named by its path in base 64; a long name is parted into folders with "@"
        before theirs.
    """
    for record in sorted(records.rglob("*")):
        output = _output_of(record.relative_to(records))
        if output is not None and record.is_file() and not Path(output).exists():
            record.unlink(missing_ok=True)


def _output_of(record: Path) -> str | None:
    try:
        return base64.urlsafe_b64decode("".join(part.removeprefix("@") for part in record.parts)).decode()
    except (binascii.Error, ValueError):  # no record, or one of another version of Snakemake
        return None
