"""What the page shows of every field of a batch: map, reduced form and tables as packed text, and a summary."""

from functools import partial
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from pipeline import columns as c
from pipeline.core.figures import of_fields, without_empty_shares
from pipeline.files.field_data import FieldData
from pipeline.files.kept import Kept, hash_of
from pipeline.files.log import LOG, WORK, run_step
from pipeline.files.page_code import SUMMARIES
from pipeline.files.page_field import field_summary, field_text, lengths_by_class
from pipeline.files.page_tables import field_tables
from pipeline.files.settings import Settings, fields_of
from pipeline.files.sheet_extra import in_plane
from pipeline.files.store import hash_of_files, listed_folder, read_frame, read_geo, read_json, to_json

_LAYERS, _TABLES = ("checks", "next_checks"), ("fields", "waiting", "shift")


def run(
    *, passes: Path, offsets: Path, odds: Path, bands: Path, tiers: Path, units: Path, out: Path,
    kept: Kept | None = None,
) -> None:  # fmt: skip
    """Make the page's part of all fields of a batch.

    Parameters
    ----------
    passes, offsets, odds, bands : Path
        Folders of those steps.
    tiers, units : Path
        Settings.
    out : Path
        Folder to fill with a text a field, and `SUMMARIES`.
    kept : Kept, optional
        What was made before.
    """
    judging, shown_in = Settings.read(tiers), read_json(units)["units"]
    layers = [read_geo(bands / f"{name}.parquet") for name in _LAYERS]
    tables = {name: read_frame(odds / f"{name}.parquet") for name in _TABLES}
    rows = read_frame(odds / "rows.parquet")
    tables["fields"] = without_empty_shares(of_fields(tables["fields"], rows.assign(**{c.ROW_COUNT: 1})))
    by_field = {name: dict(tuple(table.groupby(c.FIELD_ID, sort=False))) for name, table in tables.items()}
    none = pd.DataFrame()
    summaries = []
    with listed_folder(out) as filled:
        for folder in fields_of(passes):
            field = FieldData.read(folder, offsets)
            name = field.facts["field_id"]
            figures, waiting, shift = (by_field[table].get(name, none).to_dict("records") for table in _TABLES)
            places = [in_plane(layer, field) for layer in layers]
            said = {
                "tables": field_tables(
                    figures, waiting, shift, *places, spacing_m=_spacing_m(field), judging=judging, units=shown_in
                ),
                "lengths": lengths_by_class(figures), "marks": _marks(*places),
            }  # fmt: skip
            make = partial(_text, field, judging, said)
            made_of = f"{hash_of_files(folder, offsets / f'{folder.name}.parquet')} {hash_of(to_json(said).decode())}"
            text = kept.tables(folder.name, made_of, make) if kept else make()
            (filled / f"{folder.name}.txt").write_text(text["page"]["text"].iloc[0])
            summaries.append(field_summary(field, figures, units=shown_in))
        (filled / SUMMARIES).write_bytes(to_json(summaries))


def _spacing_m(field: FieldData) -> float:
    """Of the strips' rows [m]; without strips no width is asked for."""
    return float(field.strips[c.ROW_SPACING_M].median()) if len(field.strips) else np.inf


def _text(field: FieldData, judging: Settings, said: dict) -> dict[str, pd.DataFrame]:
    LOG.info("page_parts: %s", field.folder.name)
    return {"page": pd.DataFrame({"text": [field_text(field, judging, **said)]})}


def _marks(checks: gpd.GeoDataFrame, digs: gpd.GeoDataFrame) -> dict:
    """Where it was dug, and by tier where to dig next."""
    by_tier = digs.sort_values(c.DIG_PLACE).groupby(c.TIER, sort=True) if len(digs) else ()
    return {
        "dug": shapely.get_coordinates(checks.geometry.values).tolist(),
        "next": {tier: shapely.get_coordinates(one.geometry.values).tolist() for tier, one in by_tier},
    }


if __name__ == "__main__":
    job = snakemake  # type: ignore[name-defined]  # noqa: F821
    run_step(
        lambda: run(
            **{name: Path(job.input[name]).parent for name in ("passes", "offsets", "odds", "bands")},
            tiers=Path(job.input.tiers), units=Path(job.input.units), out=Path(job.output[0]).parent,
            kept=Kept.of_step("page_parts", Path(job.input.tiers), work=Path(WORK)),
        ),
        log=job.log[0],
    )  # fmt: skip
