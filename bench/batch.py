"""The steps of a batch called as the rules call them, one after the other in this process."""

import tempfile
from collections.abc import Callable, Iterable
from functools import partial
from importlib import import_module
from pathlib import Path

import yaml

from bench.coop import CONFIG
from bench.table import inside
from pipeline.files.kept import Kept
from pipeline.files.store import read_json

STEPS = ("passes", "offsets", "odds", "overlap", "figures", "bands", "page_parts", "sheets")
WORKBOOK = "rowreturn.xlsx"
TABLES = ("field_tier", "row_tier", "pass_tier", "waiting", "shift", "audit")


def step_of(step: str, batch: str, *, work: Path, out: Path, results: Path, kept: bool) -> Callable[[], None]:
    """A call of a step of one batch.

    Parameters
    ----------
    step, batch : str
    work : Path
        Where the steps before it have left what they made.
    out : Path
        Folder or file to write.
    results : Path
    kept : bool
        Whether what is made of each field is kept besides, as a run does.
    """
    module = import_module(f"pipeline.steps.{step}")
    settings = {path.stem: path for path in (work / "settings").glob("*.json")}
    made = {name: work / name / batch for name in ("passes", "offsets", "odds", "bands")}
    laid = {"passes": made["passes"], "offsets": made["offsets"], "tiers": settings["tiers"]}
    reads = {
        "passes": {"batch": work / "intake" / batch, "settings": settings["geometry"]},
        "offsets": {"passes": made["passes"]},
        "odds": laid | {"losses": settings["losses"]},
        "overlap": laid | {"raster": settings["raster"], "results": results},
        "figures": {"odds": made["odds"], "overlap": work / "overlap" / f"{batch}.parquet"},
        "bands": laid | {"crs_from": settings["crs"]},
        "page_parts": made | {"tiers": settings["tiers"], "units": settings["units"]},
        "sheets": {name: made[name] for name in ("passes", "bands", "odds")}
        | {"tiers": settings["tiers"], "report": settings["report"], "results": results},
    }[step]
    keeps = {
        "odds": ("tiers", "losses"), "overlap": ("tiers", "raster"), "page_parts": ("tiers",), "sheets": ("tiers", "report"),
    }.get(step)  # fmt: skip
    if kept and keeps:
        reads["kept"] = Kept.of_step(step, *(settings[name] for name in keeps), work=work)
    return partial(module.run, **reads, out=out)


def run_step(step: str, folder: Path, batch: str) -> None:
    """Run a step of a batch in its place: what it makes is there for those after it."""
    work = folder / "work"
    out = work / step / (f"{batch}.parquet" if step == "overlap" else f"{batch}.json" if step == "sheets" else batch)
    step_of(step, batch, work=work, out=out, results=folder / "results", kept=True)()


def run_aside(step: str, folder: Path, batch: str) -> None:
    """Run a step of a batch into a folder that is thrown away; with nothing kept."""
    with tempfile.TemporaryDirectory(dir=folder) as home:
        aside = Path(home)
        step_of(step, batch, work=folder / "work", out=aside / "out", results=aside / "results", kept=False)()


def take_in(folder: Path, **changed: dict) -> None:
    """Run the intake of a co-op; `changed` are sections of its configuration, to be put in place of the written ones."""
    config = yaml.safe_load((folder / CONFIG).read_text()) | changed
    with inside(folder):
        import_module("pipeline.steps.intake").run(config=config, source=CONFIG, work=Path("work"))


def batches_of(folder: Path) -> list[str]:
    """Batches that the intake has made."""
    return sorted(read_json(folder / "work" / "intake.json")["batches"])


def run_batches(folder: Path, steps: Iterable[str]) -> None:
    """Run steps of all batches, each on all batches before the next."""
    for step in steps:
        for batch in batches_of(folder):
            run_step(step, folder, batch)


def collect(folder: Path) -> None:
    """Put what all batches have come to into `results`, as a run does at its end."""
    work, results, batches = folder / "work", folder / "results", batches_of(folder)
    settings = {path.stem: path for path in (work / "settings").glob("*.json")}
    import_module("pipeline.steps.tables").run(
        figures=[work / "figures" / batch for batch in batches], results=[results / f"{name}.csv" for name in TABLES]
    )
    import_module("pipeline.steps.layers").run(
        bands=[work / "bands" / batch for batch in batches], passes=[work / "passes" / batch for batch in batches],
        rejects=work / "rejects.parquet", summary=results / "field_tier.csv", crs_from=work / "settings" / "crs.json",
        out=results / "rowreturn.gpkg", lines_out=results / "shifted_lines.gpkg", rejects_out=results / "rejects.csv",
    )  # fmt: skip
    import_module("pipeline.steps.report").run(
        parts=[work / "page_parts" / batch for batch in batches], sheets=[], rejects=work / "rejects.parquet",
        **{name: settings[name] for name in ("notes", "tiers", "report")}, results=results, out=work / "report.json",
    )  # fmt: skip
    for step, name in (("workbook", WORKBOOK), ("datapackage", "datapackage.json")):
        tables = sorted(results.glob("*.csv"))
        import_module(f"pipeline.steps.{step}").run(tables=tables, report=settings["report"], out=results / name)
