"""Compile the kernels once, at installation, so that no run waits for it: `python -m pipeline.warm`.

Every step is run on a field of an acre: a kernel is compiled for the types that a run hands it, and a run knows
them best. Fonts are found and modules compiled on the way.
"""

import tempfile
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from pipeline import PROJECT
from pipeline.steps import bands, intake, odds, offsets, overlap, page_parts, passes, sheets

CRS = "EPSG:26915"
WEST, SOUTH = 430_000.0, 4_690_000.0
IMPLEMENT = {"row_count": 4, "row_spacing": "0.762 m"}


def main() -> None:
    """Run every step that has kernels."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        farm = _write_farm(folder / "farm.gpkg")
        intake.run(config=_config(farm), source="warm", work=folder)
        settings = {path.stem: path for path in (folder / "settings").glob("*.json")}
        for batch in sorted((folder / "intake").iterdir()):
            _run_batch(batch, folder, settings)


def _run_batch(batch: Path, folder: Path, settings: dict[str, Path]) -> None:
    laid = {"passes": folder / "passes", "offsets": folder / "offsets"}
    passes.run(batch=batch, settings=settings["geometry"], out=laid["passes"])
    offsets.run(passes=laid["passes"], out=laid["offsets"])
    odds.run(**laid, tiers=settings["tiers"], losses=settings["losses"], out=folder / "odds")
    results = folder / "results"
    overlap.run(
        **laid, tiers=settings["tiers"], raster=settings["raster"], results=results, out=folder / "overlap.parquet"
    )
    bands.run(**laid, tiers=settings["tiers"], crs_from=settings["crs"], out=folder / "bands")
    page_parts.run(
        **laid, odds=folder / "odds", bands=folder / "bands", tiers=settings["tiers"], units=settings["units"],
        out=folder / "page_parts",
    )  # fmt: skip
    sheets.run(
        passes=laid["passes"], bands=folder / "bands", odds=folder / "odds", tiers=settings["tiers"],
        report=settings["report"], results=results, out=folder / "sheets.json",
    )  # fmt: skip


def _config(farm: Path) -> dict:
    lines = {"file": str(farm), "columns": {"started_at": "T0", "ended_at": "T1"}}
    return {
        "title": "Warm",
        "inputs": {
            "fields": {"file": str(farm), "layer": "fields"},
            "strips": lines | {"layer": "lines", "constants": IMPLEMENT | {"strip_width": "0.2 m"}},
            "rows": {"file": str(farm), "layer": "points", "columns": {"started_at": "T0"}, "constants": IMPLEMENT},
        },
        "tiers": {"catalogue": str(PROJECT / "shared" / "tiers.yaml"), "compare": ["ppp_decimetre", "rtk_base"]},
        "costs": {
            "currency": "USD", "crop": {"price": "1 USD/bu"}, "response": {"curve": "yuma_2007"},
            "tiers": {"ppp_decimetre": {"fee": "0 USD"}, "rtk_base": {"fee": "1 USD"}},
        },
        "judging": {"steering": {"autumn": "1 in", "spring": "1 in"}},
    }  # fmt: skip


def _write_farm(path: Path) -> Path:
    """One field with two passes, a little bent: as lines, which are the strips, and as a log, which are the rows."""
    field = shapely.box(WEST, SOUTH, WEST + 80, SOUTH + 50)
    along = np.linspace(-2, 82, 15)
    shape = [shapely.LineString(np.c_[WEST + along, SOUTH + y + 0.1 * np.sin(along / 9)]) for y in (10.0, 13.048)]
    start = pd.Timestamp("2025-10-20T15:00:00Z")
    times = {"T0": [start, start + pd.Timedelta("2min")], "T1": [start + pd.Timedelta("1min"), start + pd.Timedelta("3min")]}
    gpd.GeoDataFrame({"field_id": ["acre"]}, geometry=[field], crs=CRS).to_file(path, layer="fields")
    gpd.GeoDataFrame(times, geometry=shape, crs=CRS).to_file(path, layer="lines")
    logged = np.concatenate([shapely.line_interpolate_point(line, np.arange(0.0, 84.0, 2.0)) for line in shape])
    seconds = pd.to_timedelta(np.concatenate([np.arange(42), 120 + np.arange(42)]), unit="s")
    gpd.GeoDataFrame({"T0": start + seconds}, geometry=logged, crs=CRS).to_file(path, layer="points")
    return path


if __name__ == "__main__":
    main()
