"""Read, check and split the input: one folder a batch of fields, rewritten only where its content changed."""

import json
import os
import shutil
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from pipeline import PROJECT, __version__
from pipeline import columns as c
from pipeline.core.local import datum_name
from pipeline.core.tier import Tier
from pipeline.core.tiering import PLANNED
from pipeline.files.account import account_lines
from pipeline.files.catalogue import tier_to_json
from pipeline.files.config import Config, catalogue_path, config_from_dict
from pipeline.files.cost_settings import choice_settings, loss_settings
from pipeline.files.field_sizes import batch_sizes
from pipeline.files.fields import batches_of, field_folder
from pipeline.files.layers import Layer
from pipeline.files.log import LOG, run_step
from pipeline.files.number_notes import number_notes
from pipeline.files.provenance import versions
from pipeline.files.responses import response_files
from pipeline.files.spots import in_order, of_fields
from pipeline.files.store import remove, sha256, to_json, write_bytes, write_frame
from pipeline.files.taking import take_in

# Steps that leave something for each batch.
BATCHED = ("passes", "offsets", "odds", "overlap", "figures", "bands", "sheets", "page_parts")


def run(*, config: dict, source: str, work: Path) -> None:
    """Take in all layers.

    Parameters
    ----------
    config : dict
        As in YAML.
    source : str
        Its file name, for messages.
    work : Path
        Folder for intermediates.
    """
    settings = config_from_dict(config, source=source)
    taken = take_in(settings, project=PROJECT)
    layers, fields = taken.layers, taken.fields
    for line in account_lines(taken.account):
        LOG.info("intake: %s", line)
    notes = taken.notes + number_notes(settings, layers)
    for note in notes:
        LOG.warning("intake: note: %s", note)
    _write_settings(settings, taken.tiers, taken.compare, work / "settings", datum=datum_name(fields.crs))
    planted = "rows" if "rows" in layers else "strips"
    plan = layers[planted].kept
    crs = to_json({"crs": fields.crs.to_wkt(), "plan_crs": plan.crs.to_wkt()})
    write_bytes(work / "settings" / "crs.json", crs, only_if_changed=True)
    batches = _write_batches(fields, layers, work / "intake")
    # What is of all batches runs anew when one of them is gone, although nothing else is new then.
    write_bytes(work / "settings" / "batches.json", to_json(sorted(batches)), only_if_changed=True)
    write_bytes(work / "settings" / "notes.json", to_json(notes), only_if_changed=True)
    _tend_batches(work, set(batches))
    rejects = _rejects(layers, fields.crs)
    write_frame(work / "rejects.parquet", rejects, only_if_changed=True)
    write_bytes(work / "intake.json", to_json({
        "batches": batches, "layers": taken.account, "inputs": taken.hashes | _catalogue_hash(settings),
        "code": __version__, "notes": notes,
        # Not in the key: how much memory a job asks for has no part in what it makes.
        "sizes": batch_sizes(fields, plan, taken.account[planted]["kept_m"], batches_of(fields[c.FIELD_ID])),
    }))  # fmt: skip


def _write_settings(settings: Config, tiers: dict[str, Tier], compare: list[str], folder: Path, *, datum: str) -> None:
    """Settings in SI, one file for each set of steps that depends on it."""
    judging, rows = settings.judging, settings.inputs.rows
    planter = None
    if rows is None or rows.file is None:
        said = rows.constants.given() if rows is not None else {}
        planter = {name: said.get(name) for name in ("row_count", "row_spacing_m", c.FRAME, c.EPOCH)}
    capacity = judging.field_capacity
    contents = {
        "geometry": {
            "own_strip": judging.own_strip, "planter": planter,
            "planned": rows is None or rows.kind == PLANNED, "converging": judging.convergence.count != "none",
            "capacity_autumn_m2_s": capacity.autumn_m2_per_s, "capacity_spring_m2_s": capacity.spring_m2_per_s,
        },
        "tiers": {
            "tiers": {name: tier_to_json(tier) for name, tier in tiers.items()}, "compare": compare,
            "autumn": settings.tiers.autumn, "kind": rows.kind if rows is not None else PLANNED,
            "row_margin_m": judging.row_margin_m, "row_miss_share": judging.row_miss_share, "seed": judging.seed,
            "steering_95_m": [judging.steering.autumn_m, judging.steering.spring_m],
            "machine_95_m": judging.machine_error_m, "base_shift_95_m": judging.base_shift_m,
            "enough_share": judging.enough_share, "next_checks": judging.next_checks,
            # Where starts are not to count, none is planned either.
            "starts_per_day": 0.0 if judging.convergence.count == "none" else judging.convergence.starts_per_day,
            "working_day_s": judging.convergence.working_day_s,
        },
        # By itself, for only the odds depend on it.
        "losses": loss_settings(settings, project=PROJECT),
        "choice": choice_settings(settings, tiers, compare, project=PROJECT),
        # Results of two versions of a library are not to be mixed.
        "versions": versions(),
        "raster": {"cell_m": settings.raster.cell_m},
        # By itself, so that another title or paper makes no field's part of the page anew.
        "units": {"units": settings.report.units},
        "report": {"title": settings.title, "units": settings.report.units, "sheets": settings.report.sheets,
                   "paper": settings.report.paper_size, "datum": datum, "catalogue": Path(settings.tiers.catalogue).name,
                   "sources": ", ".join(sorted({Path(name).name for name in settings.inputs.files}))},
    }  # fmt: skip
    for name, content in contents.items():
        write_bytes(folder / f"{name}.json", to_json(content), only_if_changed=True)
    write_bytes(folder.parent / "config.json", to_json(json.loads(settings.model_dump_json())), only_if_changed=True)


def _write_batches(fields: gpd.GeoDataFrame, layers: dict[str, Layer], folder: Path) -> dict[str, list[str]]:
    """One folder a batch, with what lies in its fields; says which field folders are in which batch."""
    fields = fields.sort_values(c.FIELD_ID)
    contents = {"strips": layers["strips"].kept}
    contents["rows"] = layers["rows"].kept if "rows" in layers else layers["strips"].kept.iloc[:0]
    if "zones" in layers:
        contents["zones"] = of_fields(layers["zones"].kept, fields)
    if "checks" in layers:
        contents["checks"] = in_order(layers["checks"].kept.to_crs(fields.crs))
    out = {}
    for batch, names in batches_of(fields[c.FIELD_ID]).items():
        mine = fields[fields[c.FIELD_ID].isin(names)]
        out[batch] = [field_folder(field_id) for field_id in mine[c.FIELD_ID]]
        for name, layer in {"fields": mine, **contents}.items():
            chosen = layer[layer[c.FIELD_ID].isin(mine[c.FIELD_ID])]
            write_frame(folder / batch / f"{name}.parquet", chosen.reset_index(drop=True), only_if_changed=True)
        for stale in {path.stem for path in (folder / batch).glob("*.parquet")} - {"fields", *contents}:
            (folder / batch / f"{stale}.parquet").unlink()
        key = {name: sha256(folder / batch / f"{name}.parquet") for name in ("fields", *contents)}
        write_bytes(folder / batch / "key.json", to_json(key), only_if_changed=True)
    for old in folder.iterdir():
        if old.name not in out:
            shutil.rmtree(old)
    return out


def _tend_batches(work: Path, wanted: set[str]) -> None:
    """Take away what batches that are gone have left.

    Not later: if this run ends early and the next has the earlier input again, the batches come back, and would be taken
    for current beside rasters and sheets that have been made of the input between.
    """
    for path in (one for step in BATCHED for one in sorted((work / step).glob("*"))):
        if path.stem not in wanted:
            remove(path)


def _rejects(layers: dict[str, Layer], crs) -> gpd.GeoDataFrame:
    """Rejects of all layers in the fields' CRS."""
    parts = [_on_earth(layer.rejects.to_crs(crs)) for layer in layers.values() if len(layer.rejects)]
    if not parts:
        return layers["fields"].rejects
    table = pd.concat(parts, ignore_index=True)
    return gpd.GeoDataFrame(table, geometry="geometry", crs=crs)


def _on_earth(rejects: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Without the geometries that have no place in the fields' CRS."""
    bounds = shapely.bounds(rejects.geometry.values)
    nowhere = np.isinf(bounds).any(axis=1)
    return rejects.set_geometry(rejects.geometry.where(~nowhere, None), crs=rejects.crs)


def _catalogue_hash(settings: Config) -> dict[str, str]:
    catalogue = catalogue_path(settings, project_root=PROJECT, working_dir=Path.cwd())
    hashes = {settings.tiers.catalogue: sha256(catalogue)}
    for file in response_files(settings.costs, project=PROJECT, working_dir=Path.cwd()):
        hashes[settings.costs.response.file] = sha256(Path(file))
    return hashes


if __name__ == "__main__":
    job = snakemake  # type: ignore[name-defined]  # noqa: F821
    said_in = os.environ.get("ROWRETURN_CONFIG", "configuration")
    run_step(lambda: run(config=job.config, source=said_in, work=Path(job.output[0]).parent), log=job.log[0])
