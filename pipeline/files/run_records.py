"""What Snakemake has noted of a job that did not end well, which the next run must not believe."""

import base64
import binascii
from pathlib import Path

RECORDS = Path(".snakemake") / "metadata"
# A mark for each output of a job that has begun, under the same names as the records; it goes when the job ends.
BEGUN = Path(".snakemake") / "incomplete"


def forget_unfinished(records: Path = RECORDS, begun: Path = BEGUN) -> None:
    """Take away Snakemake's records of files that are not there, and of those whose job has begun and not ended.

    Snakemake takes away a job's output before the job begins, and when the job fails it records the checksums of its
    input all the same. By that record the next run would hold the input for unchanged, and what was made of the output
    that was there before for current: a mixture of old and new, and nothing would say so.

    If it is killed itself when the output is in place and before that is noted, the record is of the run before. Marks
    of unfinished jobs are heeded only where the graph is known at the start, and ours grows behind a checkpoint: an input
    that then goes back to what it was would be held for what the output was made of. Without a record times decide, and
    outputs are put in place as a whole, so their times are right.

    A record of such a file is of no use otherwise, so it can go at any time, even while a run is at work. It must go
    before the graph is built, so a dry run does this too: it is the one thing that parsing changes, and it is in
    Snakemake's own folder.

    Parameters
    ----------
    records, begun : Path
        Folders of a file for each output, named by its path in base 64; a long name is parted into folders with "@"
        before theirs.
    """
    for record in sorted(records.rglob("*")):
        name = record.relative_to(records)
        output = _output_of(name)
        if output is None or not record.is_file():
            continue
        if not Path(output).exists() or (begun / name).exists():
            record.unlink(missing_ok=True)


def _output_of(record: Path) -> str | None:
    try:
        return base64.urlsafe_b64decode("".join(part.removeprefix("@") for part in record.parts)).decode()
    except (binascii.Error, ValueError):  # no record, or one of another version of Snakemake
        return None
