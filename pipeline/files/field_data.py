"""A field as the steps after `passes` see it."""

from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd

from pipeline import columns as c
from pipeline.core.offsets import Spans
from pipeline.core.pairs import Places
from pipeline.core.returns import Clock, ReturnError
from pipeline.core.tiering import return_errors
from pipeline.files.settings import Settings
from pipeline.files.store import read_frame, read_geo, read_json


@dataclass(frozen=True)
class FieldData:
    """Rows, strips and spans of one field."""

    folder: Path
    spans: Spans

    @classmethod
    def read(cls, folder: Path, offsets: Path) -> "FieldData":
        """From the folders of `passes` and `offsets`."""
        table = read_frame(offsets / f"{folder.name}.parquet")
        # Copies: pandas lends its arrays for reading only, and kernels would be compiled once more for such.
        return cls(folder, Spans(**{name: np.array(table[name]) for name in table}))

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
    def row_of_line(self) -> np.ndarray:
        """Planted row of each planted line."""
        return self.lines("planter")[c.ROW].to_numpy(np.int64)

    @cached_property
    def strip_of_line(self) -> np.ndarray:
        """Strip of each strip line."""
        return self.lines("strip")[c.ROW].to_numpy(np.int64)

    def half_width_m(self, row_margin_m: float) -> np.ndarray:
        """Return h of each strip [m] (DESIGN section 2)."""
        return 0.5 * self.strips[c.STRIP_WIDTH_M].to_numpy(float) - row_margin_m

    def places(self, row_margin_m: float) -> Places:
        """Row, passes and half width of each span (of strip 0 where there is none)."""
        row = self.row_of_line[self.spans.row]
        planter_pass = self.rows[c.PASS].to_numpy(np.int64)[row]
        if len(self.strips) == 0:
            nothing = np.zeros(len(row), np.int64)
            return Places(row, planter_pass, nothing, nothing.astype(float))
        strip = self.strip_of_line[np.maximum(self.spans.strip, 0)] if len(self.strip_of_line) else np.zeros(len(row), int)
        return Places(
            row, planter_pass, self.strips[c.PASS].to_numpy(np.int64)[strip], self.half_width_m(row_margin_m)[strip]
        )

    def errors(self, settings: Settings) -> dict[str, ReturnError]:
        """Return error of the field under each tier compared."""
        sides = [
            (Clock(t["time_s"].to_numpy(float), t["visit"].to_numpy(np.int64)), t[c.TIER].tolist())
            for t in (self.strip_passes, self.planter_passes)
        ]
        return return_errors(
            settings.tiers, compare=settings.compare, autumn=settings.autumn, kind=settings.kind, strips=sides[0],
            rows=sides[1], baseline_m=self.facts["baseline_m"], steering_95_m=settings.steering_95_m,
        )  # fmt: skip
