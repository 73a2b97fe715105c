"""A field as `passes` laid it out: tables and lines, without figures."""

from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd

from pipeline import columns as c
from pipeline.files.store import read_frame, read_geo, read_json

# Folder in that of `bands` for the pieces of row that the sheets draw, one table a field.
PIECES = "pieces"


@dataclass(frozen=True)
class LaidOut:
    """Rows and strips of one field."""

    folder: Path

    @cached_property
    def facts(self) -> dict:
        """field.json."""
        return read_json(self.folder / "field.json")

    @cached_property
    def rows(self) -> pd.DataFrame:
        """One line a planted row: pass, unit, outside_m ..."""
        return read_frame(self.folder / "planter_units.parquet")

    @cached_property
    def strips(self) -> pd.DataFrame:
        """One line a strip."""
        return read_frame(self.folder / "strip_units.parquet")

    @cached_property
    def planter_passes(self) -> pd.DataFrame:
        """One line a planter pass."""
        return read_frame(self.folder / "planter_passes.parquet")

    @cached_property
    def strip_passes(self) -> pd.DataFrame:
        """One line a strip pass."""
        return read_frame(self.folder / "strip_passes.parquet")

    def lines(self, name: str) -> gpd.GeoDataFrame:
        """Lines of ``planter`` or ``strip``, each with the row (of its table) it is a part of."""
        return read_geo(self.folder / f"{name}_lines.parquet")

    @cached_property
    def planter_lines(self) -> gpd.GeoDataFrame:
        """The planted lines, kept for a step that asks for them again and again."""
        return self.lines("planter")

    @cached_property
    def row_of_line(self) -> np.ndarray:
        """Planted row of each planted line."""
        return self._rows_of("planter")

    @cached_property
    def strip_of_line(self) -> np.ndarray:
        """Strip of each strip line."""
        return self._rows_of("strip")

    def stretches(self, name: str) -> pd.DataFrame:
        """Stretches of the passes of ``planter`` or ``strip``: pass, time since the start at both ends, zones."""
        return read_frame(self.folder / f"{name}_stretches.parquet")

    def checks(self) -> gpd.GeoDataFrame | None:
        """Ground checks in the field's plane; None where the run has none."""
        path = self.folder / "checks.parquet"
        return read_geo(path) if path.exists() else None

    def of_line(self, name: str, column: str) -> np.ndarray:
        """A column of the lines of ``planter`` or ``strip``, such as the stretch that each is of."""
        return read_frame(self.folder / f"{name}_lines.parquet", columns=[column])[column].to_numpy()

    def _rows_of(self, name: str) -> np.ndarray:
        return self.of_line(name, c.ROW).astype(np.int64)


def unit_columns(field: LaidOut, units: pd.DataFrame, passes: pd.DataFrame, unit: np.ndarray) -> dict:
    """Field, pass and row unit of each line, given which row of `units` it belongs to."""
    number = units[c.PASS].to_numpy(np.int64)[unit]
    names = passes[c.PASS_ID].astype(str).to_numpy(object)
    return {
        c.FIELD_ID: np.full(len(unit), field.facts["field_id"], object), c.PASS_ID: names[number],
        c.UNIT: units[c.UNIT].to_numpy(np.int64)[unit],
    }  # fmt: skip
