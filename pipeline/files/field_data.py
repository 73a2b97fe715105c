"""A field as the steps after `offsets` see it: laid out and measured."""

from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path

import numpy as np
import pandas as pd

from pipeline import columns as c
from pipeline.core.offsets import Spans
from pipeline.core.operations import Clock
from pipeline.core.pairs import Places
from pipeline.core.regains import lost_tiers
from pipeline.core.returns import ReturnError
from pipeline.core.signals import Regain
from pipeline.core.stretches import Stretches
from pipeline.core.tiering import Side, Site, Zone, return_errors
from pipeline.files.laid_out import LaidOut
from pipeline.files.settings import Settings
from pipeline.files.store import read_arrays


@dataclass(frozen=True)
class FieldData(LaidOut):
    """Rows, strips and spans of one field."""

    spans: Spans

    @classmethod
    def read(cls, folder: Path, offsets: Path) -> "FieldData":
        """From the folders of `passes` and `offsets`."""
        return cls(folder, Spans(**read_arrays(offsets / f"{folder.name}.parquet")))

    @cached_property
    def planter_stretch(self) -> np.ndarray:
        """Stretch of each planted line."""
        return self.of_line("planter", c.STRETCH).astype(np.int64)

    @cached_property
    def strip_stretch(self) -> np.ndarray:
        """Stretch of each strip line."""
        return self.of_line("strip", c.STRETCH).astype(np.int64)

    def half_width_m(self, row_margin_m: float) -> np.ndarray:
        """Return h of each strip, half its width less the margin [m]."""
        return 0.5 * self.strips[c.STRIP_WIDTH_M].to_numpy(float) - row_margin_m

    def places(self, row_margin_m: float) -> Places:
        """Row, stretches and half width of each span (of strip 0 where there is none)."""
        row, stretch = self.row_of_line[self.spans.row], self.planter_stretch[self.spans.row]
        if len(self.strip_of_line) == 0:
            nothing = np.zeros(len(row), np.int64)
            return Places(row, stretch, nothing, nothing.astype(float))
        line = np.maximum(self.spans.strip, 0)
        return Places(row, stretch, self.strip_stretch[line], self.half_width_m(row_margin_m)[self.strip_of_line[line]])

    def errors(
        self, settings: Settings, *, wait_s: float = 0.0, waited_share: float = 0.0, settled: bool = False,
        zones: bool = True,
    ) -> dict[str, ReturnError]:  # fmt: skip
        """Return error of the field under each tier compared.

        Or what it would be, had the planter waited so long after each start, or all machines that share of the convergence
        of their tier, had every receiver settled, or were there no zones.
        """
        strips, rows = self.strip_side, self.planter_side
        if not zones:
            strips, rows = (replace(side, stretches=side.stretches.in_no_zone()) for side in (strips, rows))
        return return_errors(
            settings.tiers, compare=settings.compare, autumn=settings.autumn, kind=settings.kind,
            strips=strips, rows=rows, site=self.site(settings), steering_95_m=settings.steering_95_m,
            machine_95_m=settings.machine_95_m, wait_s=wait_s, waited_share=waited_share, settled=settled,
        )  # fmt: skip

    def site(self, settings: Settings) -> Site:
        """The field's baseline, base and zones."""
        zones = [Zone(one[c.TIER], one[c.FACTOR], one[c.UNAVAILABLE]) for one in self.facts["zones"]]
        shift_m = 0.0 if self.facts["base_surveyed"] else settings.base_shift_95_m
        return Site(self.facts["baseline_m"], shift_m, tuple(zones))

    @cached_property
    def strip_side(self) -> Side:
        """Strip passes in stretches."""
        return self._side("strip", self.strip_passes)

    @cached_property
    def planter_side(self) -> Side:
        """Planter passes in stretches."""
        return self._side("planter", self.planter_passes)

    def _side(self, name: str, passes: pd.DataFrame) -> Side:
        table, tier = self.stretches(name), passes[c.TIER].tolist()
        of_pass, since_s = table[c.PASS].to_numpy(np.int64), table[[c.SINCE0_S, c.SINCE1_S]].to_numpy(float)
        lost = lost_tiers(passes[c.SIGNAL_LOST].tolist(), tier)
        stretches = Stretches(
            of_pass, since_s, table[c.START].to_numpy(np.int64),
            zones=tuple(tuple(int(number) for number in said.split(",") if number) for said in table[c.ZONES]),
            at_s=since_s + passes[c.START_S].to_numpy(float)[of_pass, None], lost=tuple(lost[k] for k in of_pass),
            regains=tuple(Regain(*said) for said in self.facts["regains"][name]),
        )  # fmt: skip
        clock = Clock(passes[c.TIME_S].to_numpy(float), passes[c.VISIT].to_numpy(np.int64))
        return Side.of_passes(clock, tier, stretches)
