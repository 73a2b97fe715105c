"""Files of a field among the results: what is made there, missed, described and taken away.

Only the rules that write a lost one again name them besides.
"""

from pathlib import Path

RASTER, SHEETS = "overlap.tif", ("sheet.png", "sheet.pdf")


def homes_of_fields(results: Path) -> Path:
    """The folder that has one of each field in it."""
    return results / "fields"


def raster_of(results: Path, field: str) -> Path:
    """The overlap raster of a field, given the name of its folder."""
    return homes_of_fields(results) / field / RASTER


def sheets_of(results: Path, field: str) -> list[Path]:
    """The same field's sheet, as PNG and as PDF."""
    return [homes_of_fields(results) / field / name for name in SHEETS]
