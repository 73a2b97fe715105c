"""Signed offsets of every planted row from its strips."""

from dataclasses import fields
from pathlib import Path

import numpy as np
import pandas as pd

from pipeline import columns as c
from pipeline.core.offsets import CrowdedError, Spans, measure_offsets
from pipeline.core.segments import Segments
from pipeline.errors import InputError
from pipeline.files.log import LOG, run_step
from pipeline.files.progress import counted
from pipeline.files.settings import fields_of
from pipeline.files.store import listed_folder, read_frame, read_geo, read_json, write_frame


def run(*, passes: Path, out: Path) -> None:
    """Measure all fields of a batch.

    Parameters
    ----------
    passes : Path
        Folder that `passes` wrote.
    out : Path
        Folder to fill with one table of spans a field.
    """
    with listed_folder(out) as filled:
        for folder in counted(fields_of(passes), "offsets", "fields", log=LOG):
            LOG.debug("offsets: %s", folder.name)
            try:
                spans = _measure(folder)
            except InputError as error:
                raise InputError(f"field '{read_json(folder / 'field.json')['field_id']}': {error}") from error
            write_frame(filled / f"{folder.name}.parquet", _as_table(spans))


def _as_table(spans: Spans) -> pd.DataFrame:
    """The spans as columns; not by `asdict`, which copies everything once more."""
    return pd.DataFrame({one.name: getattr(spans, one.name) for one in fields(spans)}, copy=False)


def _measure(folder: Path) -> Spans:
    lines = {name: read_geo(folder / f"{name}_lines.parquet") for name in ("planter", "strip")}
    segments = {name: Segments.from_lines(lines[name].geometry.values) for name in lines}
    # From here on the lines are their columns: the geometries of a large field take as much as the segments.
    lines = {name: one.drop(columns="geometry") for name, one in lines.items()}
    try:
        spans = measure_offsets(
            segments["planter"], segments["strip"], reach_m=lines["planter"][c.OWN_REACH_M].to_numpy(float),
            row_key=lines["planter"][c.OWN_KEY].to_numpy(np.int64), strip_key=lines["strip"][c.OWN_KEY].to_numpy(np.int64),
        )  # fmt: skip
    except CrowdedError as error:
        raise InputError(f"{_said_of_row(folder, int(lines['planter'][c.ROW].iloc[error.line]))}: {error}") from error
    del segments
    # A row that was cut into stretches is still one row: distances run on along its unbroken parts. In place, for
    # here is what a large field takes most memory for.
    along = lines["planter"][c.ALONG_M].to_numpy(float)[spans.row]
    for distance_m in (spans.start_m, spans.end_m):
        distance_m += along
    return spans


def _said_of_row(folder: Path, row: int) -> str:
    """A planted row by the names that its layer and the tables have for it."""
    unit = read_frame(folder / "planter_units.parquet").iloc[row]
    passes = read_frame(folder / "planter_passes.parquet")
    return f"planter pass '{passes[c.PASS_ID].iloc[int(unit[c.PASS])]}', row unit {int(unit[c.UNIT])}"


if __name__ == "__main__":
    job = snakemake  # type: ignore[name-defined]  # noqa: F821
    run_step(
        lambda: run(passes=Path(job.input.passes).parent, out=Path(job.output[0]).parent), log=job.log[0],
    )
