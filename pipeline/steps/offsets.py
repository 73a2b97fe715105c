"""Signed offsets of every planted row from its strips."""

from dataclasses import asdict
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd

from pipeline import columns as c
from pipeline.core.offsets import Spans, measure_offsets
from pipeline.core.segments import Segments
from pipeline.errors import InputError
from pipeline.files.log import LOG, run_step
from pipeline.files.store import read_frame, read_geo, read_json, write_frame

# With identity from pass numbers a row may lie this many row spacings from its strip and still be measured.
FARTHEST_OWN_STRIP = 4.0


def run(*, passes: Path, settings: Path, out: Path) -> None:
    """Measure all fields of a batch.

    Parameters
    ----------
    passes : Path
        Folder that `passes` wrote.
    settings : Path
        geometry.json.
    out : Path
        Folder to fill with one table of spans a field.
    """
    by_pass_id = read_json(settings)["own_strip"] == "pass_id"
    out.mkdir(parents=True, exist_ok=True)
    for folder in sorted(path for path in passes.iterdir() if path.is_dir()):
        LOG.info("offsets: %s", folder.name)
        write_frame(out / f"{folder.name}.parquet", pd.DataFrame(asdict(_measure(folder, by_pass_id))))


def _measure(folder: Path, by_pass_id: bool) -> Spans:
    lines = {name: read_geo(folder / f"{name}_lines.parquet") for name in ("planter", "strip")}
    units = {name: read_frame(folder / f"{name}_units.parquet") for name in ("planter", "strip")}
    spacing = units["planter"][c.ROW_SPACING_M].to_numpy(float)[lines["planter"][c.ROW]]
    segments = {name: Segments.from_lines(lines[name].geometry.values) for name in lines}
    if not by_pass_id:
        return measure_offsets(segments["planter"], segments["strip"], reach_m=0.5 * spacing)
    keys = _keys_by_pass_id(folder, units, lines)
    return measure_offsets(
        segments["planter"], segments["strip"], reach_m=FARTHEST_OWN_STRIP * spacing,
        row_key=keys["planter"], strip_key=keys["strip"],
    )  # fmt: skip


def _keys_by_pass_id(folder: Path, units: dict, lines: dict[str, gpd.GeoDataFrame]) -> dict[str, np.ndarray]:
    """Keys by which a planted row finds its strip: the same pass number, the same unit on the ground."""
    passes = {name: read_frame(folder / f"{name}_passes.parquet") for name in units}
    number = {name: k for k, name in enumerate(pd.unique(pd.concat([p[c.PASS_ID] for p in passes.values()])))}
    directions = {name: _directions(lines[name], units[name], passes[name]) for name in units}
    strip_way = dict(zip(passes["strip"][c.PASS_ID], directions["strip"], strict=True))
    rows_of = dict(zip(passes["strip"][c.PASS_ID], passes["strip"][c.ROW_COUNT], strict=True))
    keys = {}
    for name, table in units.items():
        way = directions[name]
        key = []
        for pass_number, unit in zip(table[c.PASS], table[c.UNIT], strict=True):
            one = passes[name].iloc[int(pass_number)]
            if rows_of.get(one[c.PASS_ID], one[c.ROW_COUNT]) != one[c.ROW_COUNT]:
                raise InputError(
                    f"judging.own_strip: pass_id, but pass '{one[c.PASS_ID]}' has {one[c.ROW_COUNT]} planted rows and "
                    f"{rows_of[one[c.PASS_ID]]} strips; use 'nearest' where planter and bar differ in width"
                )
            against = float(np.dot(way[int(pass_number)], strip_way.get(one[c.PASS_ID], way[int(pass_number)]))) < 0
            unit = int(one[c.ROW_COUNT]) - 1 - int(unit) if against else int(unit)
            key.append(number[one[c.PASS_ID]] * 1000 + unit)
        keys[name] = np.array(key, np.int64)[lines[name][c.ROW]]
    return keys


def _directions(lines: gpd.GeoDataFrame, units: pd.DataFrame, passes: pd.DataFrame) -> np.ndarray:
    """From first to last point of each pass's first line in the field, shape (passes, 2)."""
    out = np.zeros((len(passes), 2))
    of_pass = units[c.PASS].to_numpy(int)[lines[c.ROW]]
    for number in range(len(passes)):
        mine = np.flatnonzero(of_pass == number)
        if len(mine):
            xy = np.array(lines.geometry.values[mine[0]].coords)
            out[number] = xy[-1] - xy[0]
    return out


if __name__ == "__main__":
    job = snakemake  # type: ignore[name-defined]  # noqa: F821
    run_step(
        lambda: run(passes=Path(job.input.passes), settings=Path(job.input.settings), out=Path(job.output[0])),
        log=job.log[0],
    )
