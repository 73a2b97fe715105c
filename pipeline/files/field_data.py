"""A field as the steps after `offsets` see it: laid out and measured."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from pipeline import columns as c
from pipeline.core.offsets import Spans
from pipeline.core.operations import Clock
from pipeline.core.pairs import Places
from pipeline.core.returns import ReturnError
from pipeline.core.tiering import return_errors
from pipeline.files.laid_out import LaidOut
from pipeline.files.settings import Settings
from pipeline.files.store import read_frame


@dataclass(frozen=True)
class FieldData(LaidOut):
    """Rows, strips and spans of one field."""

    spans: Spans

    @classmethod
    def read(cls, folder: Path, offsets: Path) -> "FieldData":
        """From the folders of `passes` and `offsets`."""
        table = read_frame(offsets / f"{folder.name}.parquet")
        # Copies: pandas lends its arrays for reading only, and kernels would be compiled once more for such.
        return cls(folder, Spans(**{name: np.array(table[name]) for name in table}))

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
