"""A report of a small invented co-op, by the steps in a row, and a co-op with names that no page should trust."""

from pathlib import Path

import geopandas as gpd
import pytest
import shapely
from helpers import INCH
from workflow import boundaries, config, layer_of, pass_lines, take_in, write_coop

from pipeline.files.store import to_json
from pipeline.steps import bands, choice, odds, offsets, page_parts, passes, report

TIER_SETTINGS = "settings/tiers.json"
CHOICE = ("choice", "parts", "sensitivity")
# Names that would be markup, script, a formula or the end of a script, were they not text.
NAMES = ["<img src=x onerror=alert(1)>", "=cmd|' /C calc'!A1", "\"'></script><script>alert(2)</script>", "Süd (40)"]
FARMS = ["Cattail <i>Bend</i>", "Cattail <i>Bend</i>", "</script>Slough", "Sand & Reed"]
COSTS = {
    "currency": "USD", "crop": {"price": "4 USD/bu"}, "response": {"curve": "yuma_2007"},
    "tiers": {"sbas": {"fee": "0 USD"}, "rtk_base": {"fee": "1200 USD"}},
}  # fmt: skip


@pytest.fixture(scope="module")
def coop(tmp_path_factory) -> Path:
    """Such a report."""
    return write_invented(tmp_path_factory.mktemp("coop"))


def write_invented(folder: Path) -> Path:
    """Report of four fields with such names, and what tiers cost; the planter of one field lies 3 in aside."""
    fields = boundaries(2)
    shapes = [*fields.geometry, *(shapely.transform(one, lambda xy: xy + [800.0, 0.0]) for one in fields.geometry)]
    fields = layer_of(shapes, FIELD=NAMES, FARM=FARMS)
    lines = [(line, f"P{k}") for n in range(4) for k, line in enumerate(pass_lines(n))]
    strips = layer_of([line for line, _ in lines], PASS=[name for _, name in lines])
    aside = [3 * INCH if n == 1 else 0.0 for n in range(4) for _ in range(4)]
    moved = [shapely.transform(line, lambda xy, by=by: xy + [0.0, by]) for (line, _), by in zip(lines, aside, strict=True)]
    write_coop(folder, fields=fields, strips=strips, rows=strips.set_geometry(moved, crs=strips.crs))
    settings = config(folder) | {"title": "<b>Invented</b> & sons", "costs": COSTS}
    return write_report(folder, settings) / "report.html"


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
        odds.run(**laid, tiers=at["tiers"], losses=at["losses"], out=made["odds"])
        bands.run(**laid, tiers=at["tiers"], crs_from=at["crs"], out=made["bands"])
        page_parts.run(
            **laid, odds=made["odds"], bands=made["bands"], tiers=at["tiers"], units=at["units"], out=made["page_parts"]
        )
        parts.append(made["page_parts"])
    tables = {name: work / f"{name}.csv" for name in CHOICE}
    choice.run(odds=sorted((work / "odds").iterdir()), settings=at["choice"], **tables)
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
        choice=(work / "choice.csv", work / "sensitivity.csv", work / "settings/choice.json"),
    )  # fmt: skip
    return results
