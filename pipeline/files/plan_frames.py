"""Of what frame and date the numbers are to which a planter steers, and those that its receiver gives under a tier."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import pandas as pd

from pipeline import columns as c
from pipeline.core.frame_names import frame_named
from pipeline.core.tier import BASE_FRAME, Tier
from pipeline.core.tiering import AS_IN_SPRING, AS_LOGGED
from pipeline.files.config import Config
from pipeline.files.frame_notes import Side, frames_by_field
from pipeline.files.layers import Layer

# ASSUME: strips are planted half a year after they were built [years].
AUTUMN_TO_SPRING = 0.5
# ASSUME: the year of the planting where nothing in the input tells it. Never that of the clock: same input, same notes.
SPRING = 2026.0
_YEAR_S = 365.25 * 86_400.0


class Plan(NamedTuple):
    """The frame of a field's plan.

    Attributes
    ----------
    frame : str
        A name in `FRAMES`, `BASE_FRAME`, or that of a network which is unknown here.
    epoch : float
        Decimal year.
    stated : bool
        Whether a layer says so; otherwise it is the frame of the tier that the strips were built with.
    """

    frame: str
    epoch: float
    stated: bool


@dataclass(frozen=True)
class PlanFrames:
    """What a run says of the frames and dates of its strips and of its plan.

    Attributes
    ----------
    autumn : str
        `tiers.autumn`.
    frames : mapping of tier id to frame
    strips, rows : dict of field id to frame and epoch
        As the layers state them; rows are None where there is no layer of them.
    built : dict of field id to set of tier id
        What the strips of a field say they were made with, "" where one does not.
    built_at : dict of field id to decimal year
        Of the field's latest strip; NaN where none has a time.
    planted_at : float
        By the latest time of the rows, else of the strips; NaN where there are none.
    """

    autumn: str
    frames: Mapping[str, str]
    strips: dict[str, Side]
    rows: dict[str, Side] | None
    built: dict[str, set[str]]
    built_at: dict[str, float]
    planted_at: float

    @classmethod
    def of(cls, settings: Config, layers: dict[str, Layer], tiers: Mapping[str, Tier]) -> "PlanFrames":
        """From layers as kept, with fields assigned and one frame a field and layer."""
        strips, rows = layers["strips"].kept, layers["rows"].kept if "rows" in layers else None
        built_at = decimal_year(strips.groupby(c.FIELD_ID)[c.ENDED_S].max())
        planted_at = np.nan if rows is None else float(decimal_year(rows[c.ENDED_S]).max())
        return cls(
            autumn=settings.tiers.autumn,
            frames={name: frame_named(tier.frame) or tier.frame for name, tier in tiers.items()},
            strips=frames_by_field(strips),
            rows=None if rows is None else frames_by_field(rows),
            built=strips.groupby(c.FIELD_ID)[c.TIER].agg(set).to_dict(),
            built_at=built_at.to_dict(),
            planted_at=planted_at if np.isfinite(planted_at) else float(built_at.max()) + AUTUMN_TO_SPRING,
        )

    @property
    def fields(self) -> list[str]:
        """Those with strips and, where there is a layer of rows, with rows."""
        return sorted(self.strips if self.rows is None else self.strips.keys() & self.rows.keys())

    def plan(self, field_id: str, frame: str) -> Plan | None:
        """The plan's frame in a field if spring's tier works in `frame`; None where nothing can be said of the two."""
        autumn = self._autumn_frame(field_id, frame)
        if frame == BASE_FRAME and autumn in (BASE_FRAME, None):
            return None  # one base in both operations, or nobody knows
        stated = self._rows_side(field_id) or self.strips[field_id]
        if stated is not None:
            return Plan(*stated, stated=True)
        built_at = self.built_at[field_id]
        built_at = built_at if np.isfinite(built_at) else self._spring() - AUTUMN_TO_SPRING
        return None if autumn is None else Plan(autumn, built_at, stated=False)

    def epoch(self, field_id: str, frame: str, plan: Plan) -> float:
        """Decimal year at which the receiver of a tier that works in `frame` gives coordinates."""
        rows = self._rows_side(field_id)
        if np.isfinite(self.planted_at):
            return self.planted_at
        # Nobody plants before the date of the plan.
        return rows[1] if rows is not None and rows[0] == frame else max(SPRING, plan.epoch)

    def _rows_side(self, field_id: str) -> Side:
        return None if self.rows is None else self.rows[field_id]

    def _spring(self) -> float:
        return self.planted_at if np.isfinite(self.planted_at) else SPRING

    def _autumn_frame(self, field_id: str, spring: str) -> str | None:
        """The one frame of the tiers that the strips were built with; None for several."""
        if self.autumn == AS_IN_SPRING:
            return spring
        if self.autumn != AS_LOGGED:
            return self.frames[self.autumn]
        found = {self.frames[name] if name else spring for name in self.built[field_id]}
        return found.pop() if len(found) == 1 else None


def decimal_year(seconds: pd.Series) -> pd.Series:
    """Seconds since 1970 as decimal years, to the hundredth: in that time a plate moves by less than a millimetre."""
    return (1970.0 + seconds.astype(float) / _YEAR_S).round(2)
