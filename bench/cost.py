"""What a field costs in a batch: beside reading and writing alone, and under eight tiers beside one.

Fields are those of an invented co-op (`coop.py`). Processor time, all threads, in a process that has compiled and
imported everything before: as for a later field of a batch.
"""

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import pandas as pd
import pyogrio
import rasterio

from bench.batch import TABLES, WORKBOOK, collect, run_batches, take_in
from bench.coop import FILE, TIERS, write_coop
from bench.table import Goal, least_worked, show, worked
from pipeline.core.overlap import Grid
from pipeline.files.geopackage import write_geopackage
from pipeline.files.raster import overlap_tiff
from pipeline.files.store import write_bytes, write_csv
from pipeline.steps import workbook
from pipeline.steps.layers import styles

ALL_BUT_SHEETS = ("passes", "offsets", "odds", "overlap", "figures", "bands", "page_parts")
GPKGS = ("rowreturn.gpkg", "shifted_lines.gpkg")


@contextmanager
def coop_of(fields: int, *, seed: int = 1) -> Iterator[Path]:
    """A co-op in a folder that goes away."""
    with TemporaryDirectory() as home:
        write_coop(Path(home), fields=fields, seed=seed)
        yield Path(home)


def warm_up(*, steps: tuple[str, ...] = ALL_BUT_SHEETS) -> None:
    """Run two other fields through all steps, so that everything is compiled and imported for what is measured here."""
    with coop_of(2, seed=2) as folder:
        take_in(folder)
        run_batches(folder, steps)
        collect(folder)


@dataclass(frozen=True)
class Written:
    """What a run has written, in memory, with the ways to write the same once more.

    Attributes
    ----------
    tables : dict of str to DataFrame
        Cells as text.
    layers : dict of str to list
        By file: name, geometry type and table of each layer.
    rasters : dict of str to (ndarray, dict, list)
        Cells, place and tags of each field's raster.
    pages : dict of str to bytes
        The report and the description of the tables.
    report : Path
        Settings, by which the workbook is made of the tables.
    """

    tables: dict[str, pd.DataFrame]
    layers: dict[str, list[tuple]]
    rasters: dict[str, tuple[np.ndarray, dict, list[dict]]]
    pages: dict[str, bytes]
    report: Path

    @classmethod
    def by(cls, folder: Path) -> "Written":
        """What lies in the results of a co-op."""
        results = folder / "results"
        tables = {
            name: pd.read_csv(results / f"{name}.csv", dtype=str, keep_default_na=False) for name in (*TABLES, "rejects")
        }
        rasters = {}
        for path in sorted(results.glob("fields/*/overlap.tif")):
            with rasterio.open(path) as raster:
                grid = Grid(raster.transform.c, raster.transform.f, raster.res[0], raster.width, raster.height)
                how = {"grid": grid, "crs_wkt": raster.crs.to_wkt(), "bands": list(raster.descriptions)}
                rasters[path.parent.name] = raster.read(), how, [raster.tags(k) for k in raster.indexes]
        texts = [*results.rglob("*.html"), *results.glob("*.json")]
        pages = {str(path.relative_to(results)): path.read_bytes() for path in texts}
        report = folder / "work" / "settings" / "report.json"
        return cls(tables, {name: _layers(results / name) for name in GPKGS}, rasters, pages, report)

    def write(self, results: Path) -> None:
        """Write all of it by the writers that a run has."""
        for name, table in self.tables.items():
            write_csv(results / f"{name}.csv", table)
        workbook.run(tables=sorted(results.glob("*.csv")), report=self.report, out=results / WORKBOOK)
        for name, text in self.pages.items():
            write_bytes(results / name, text)
        for name, layers in self.layers.items():
            parts = [(layer, kind, table) for layer, kind, _, table in layers]
            write_geopackage(results / name, parts, crs=layers[0][2], styles=styles(list(TIERS)) if len(layers) > 1 else ())
        for name, (cells, how, tags) in self.rasters.items():
            with overlap_tiff(results / "fields" / name / "overlap.tif", **how) as raster:
                raster.write(0, cells)
                for number, said in enumerate(tags):
                    raster.cells.update_tags(number + 1, **said)


def _layers(path: Path) -> list[tuple]:
    """Name, geometry type, CRS and Arrow table of each layer."""
    out = []
    for name, kind in pyogrio.list_layers(path):
        if kind is not None:
            meta, table = pyogrio.read_arrow(path, layer=name)
            table = table.rename_columns([{meta["geometry_name"]: "geometry"}.get(one, one) for one in table.column_names])
            out.append((name, kind, meta["crs"], table))
    return out


def against_disk(fields: int = 6) -> None:
    """All outputs but the sheet beside reading the input and writing the output, per field."""
    with coop_of(fields) as folder, TemporaryDirectory() as other:
        ours = worked(lambda: _everything(folder))
        written = Written.by(folder)

        def alone() -> None:
            for name, _ in pyogrio.list_layers(folder / FILE):
                pyogrio.read_dataframe(folder / FILE, layer=name, use_arrow=True)
            written.write(Path(other))

        theirs = least_worked(alone, repeats=3)
        _check_same(folder / "results", Path(other))
        bytes_s = least_worked(lambda: _copy(folder, Path(other)), repeats=3)
    name = "a field, all but the sheet: reading and writing alone"
    show(name, theirs / fields, ours / fields, Goal(3, faster=False))
    show("the same: bare bytes, nothing parsed or compressed", bytes_s / fields, ours / fields, Goal(None, faster=False))


def _everything(folder: Path) -> None:
    take_in(folder)
    run_batches(folder, ALL_BUT_SHEETS)
    collect(folder)


def _copy(folder: Path, other: Path) -> None:
    """Read the input's bytes and write those of the results."""
    (folder / FILE).read_bytes()
    for path in (one for one in sorted((folder / "results").rglob("*")) if one.is_file()):
        (other / "bytes").write_bytes(path.read_bytes())


def _check_same(results: Path, other: Path) -> None:
    """Exit unless both sides wrote the same bytes; a GeoPackage, whose pages may lie otherwise, the same features."""
    for path in (one for one in sorted(results.rglob("*")) if one.is_file()):
        again = other / path.relative_to(results)
        if path.suffix == ".gpkg":
            pairs = zip(_layers(path), _layers(again), strict=True)
            same = all(ours[:3] == theirs[:3] and ours[3].equals(theirs[3]) for ours, theirs in pairs)
        else:
            same = again.read_bytes() == path.read_bytes()
        if not same:
            sys.exit(f"{path.name} was not written as the run has it")


def tiers_beside_one(fields: int = 6) -> None:
    """Steps from the offsets on under eight tiers beside one."""
    steps = ("offsets", "odds", "overlap", "bands", "figures")
    seconds = {}
    with coop_of(fields) as folder:
        for tiers in (TIERS[-1:], TIERS):
            take_in(folder, tiers={"compare": list(tiers), "autumn": "same"})
            run_batches(folder, ["passes"])
            seconds[len(tiers)] = [worked(_step(folder, step)) for step in steps]
    show("eight tiers, per field: one tier", *(sum(seconds[k]) / fields for k in (1, 8)), Goal(1.5, faster=False))
    for step, one, eight in zip(steps, seconds[1], seconds[8], strict=True):
        show(f"  of it {step}", one / fields, eight / fields, Goal(None, faster=False))


def _step(folder: Path, step: str) -> Callable[[], None]:
    return lambda: run_batches(folder, [step])
