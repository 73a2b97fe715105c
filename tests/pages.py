"""A report of a small invented co-op, by the steps in a row."""

from pathlib import Path

import geopandas as gpd
from workflow import take_in

from pipeline.files.store import to_json
from pipeline.steps import bands, odds, offsets, page_parts, passes, report

TIER_SETTINGS = "settings/tiers.json"


def write_report(folder: Path, settings: dict) -> Path:
    """Run what the report is made of; returns the folder of results."""
    work = take_in(settings, folder)
    at = {path.stem: path for path in (work / "settings").glob("*.json")}
    parts = []
    for file in sorted((work / "intake").glob("*/fields.parquet")):
        batch = file.parent
        if not len(gpd.read_parquet(file)):
            continue
        made = {name: work / name / batch.name for name in ("passes", "offsets", "odds", "bands", "page_parts")}
        laid = {name: made[name] for name in ("passes", "offsets")}
        passes.run(batch=batch, settings=at["geometry"], out=made["passes"])
        offsets.run(passes=made["passes"], out=made["offsets"])
        odds.run(**laid, tiers=at["tiers"], out=made["odds"])
        bands.run(**laid, tiers=at["tiers"], crs_from=at["crs"], out=made["bands"])
        page_parts.run(
            **laid, odds=made["odds"], bands=made["bands"], tiers=at["tiers"], report=at["report"], out=made["page_parts"]
        )
        parts.append(made["page_parts"])
    return join(folder, parts)


def join(folder: Path, parts: list[Path], *, only: str | None = None) -> Path:
    """Run the report's own step on the parts of all batches."""
    work, results = folder / "work", folder / "results"
    drawn = work / "sheets.json"
    drawn.write_bytes(to_json({"sheets": []}))
    report.run(
        parts=parts, sheets=[drawn], notes=work / "settings/notes.json", rejects=work / "rejects.parquet",
        tiers=work / TIER_SETTINGS, report=work / "settings/report.json", results=results,
        out=None if only else work / "report.json", only=only,
    )  # fmt: skip
    return results
