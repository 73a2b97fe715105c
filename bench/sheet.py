"""A sheet beside an empty figure of the same size: processor time in a process that has drawn one before."""

from pathlib import Path
from tempfile import TemporaryDirectory

from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from bench.batch import run_batches, take_in
from bench.cost import ALL_BUT_SHEETS, coop_of
from bench.table import Goal, least_worked, show, worked
from pipeline.files.sheet import PAPERS_MM, save_sheet
from pipeline.files.sheet_parts import DPI, MM_PER_INCH


def empty_sheet(folder: Path) -> None:
    """A figure of the sheet's size with nothing on it, saved as the sheet is."""
    wide, tall = PAPERS_MM["a4"]
    figure = Figure(figsize=(wide / MM_PER_INCH, tall / MM_PER_INCH), dpi=DPI, facecolor="white")
    FigureCanvasAgg(figure)
    save_sheet(figure, png=folder / "sheet.png", pdf=folder / "sheet.pdf")


def against_empty(fields: int = 6) -> None:
    """The step of sheets per field, all of it, beside empty figures."""
    with coop_of(2, seed=2) as other:
        _laid_out(other)
        run_batches(other, ["sheets"])
    with coop_of(fields) as folder, TemporaryDirectory() as home:
        _laid_out(folder)
        ours = worked(lambda: run_batches(folder, ["sheets"]))
        theirs = least_worked(lambda: empty_sheet(Path(home)), repeats=5)
    show("a sheet, PNG and PDF: an empty figure of its size, saved", theirs, ours / fields, Goal(3, faster=False))


def _laid_out(folder: Path) -> None:
    take_in(folder, report={"units": "us", "sheets": "all"})
    run_batches(folder, ALL_BUT_SHEETS)
