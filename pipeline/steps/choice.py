"""Which tier is enough: what every tier costs each field, farm and the co-op, and what that hangs on."""

from contextlib import ExitStack
from pathlib import Path

from pipeline import columns as c
from pipeline.files.choice_lines import choice_lines
from pipeline.files.choice_parts import flip_lines, part_lines
from pipeline.files.choice_tables import CoopSums, table_of
from pipeline.files.farm_choice import FarmChoice
from pipeline.files.farm_stakes import farms
from pipeline.files.log import LOG, run_step
from pipeline.files.store import read_json


def run(*, odds: list[Path], settings: Path, choice: Path, parts: Path, sensitivity: Path) -> None:
    """Choose for all farms.

    Parameters
    ----------
    odds : list of Path
        Folders of that step, of all batches.
    settings : Path
        choice.json.
    choice, parts, sensitivity : Path
        Tables to write; without costs they have a header only.
    """
    said = read_json(settings)
    costs = said["costs"]
    currency = costs["currency"] if costs else ""
    with ExitStack() as stack:
        totals, amounts, flips = (
            stack.enter_context(table_of(path, columns, currency))
            for path, columns in ((choice, c.CHOICE), (parts, c.CHOICE_PARTS), (sensitivity, c.CHOICE_FLIPS))
        )
        if costs is None:
            LOG.info("choice: the configuration has no costs, so nothing is chosen")
            return
        coop = CoopSums(costs)
        for farm in farms([one / "losses.parquet" for one in sorted(odds)], costs):
            one = FarmChoice.of(farm, costs)
            totals.add(choice_lines(one, said["units"]))
            amounts.add(part_lines(one))
            flips.add(flip_lines(one))
            coop.add(one)
        totals.add(coop.lines())
        amounts.add(coop.parts())


if __name__ == "__main__":
    job = snakemake  # type: ignore[name-defined]  # noqa: F821
    run_step(
        lambda: run(
            odds=[Path(one).parent for one in job.input.odds], settings=Path(job.input.settings),
            choice=Path(job.output.choice), parts=Path(job.output.parts), sensitivity=Path(job.output.sensitivity),
        ),
        log=job.log[0],
    )  # fmt: skip
