"""What is asked of a field beside its odds: starts and waiting, zones, moved bases, and what would be enough."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd

from pipeline import columns as c
from pipeline.core.accuracy import Z95
from pipeline.core.converging import WAITS_S, laid_early, planned_miss_per_start_m
from pipeline.core.offsets import ON_STRIP
from pipeline.core.pairs import Places
from pipeline.core.returns import ReturnError
from pipeline.core.tiering import Side, made_under
from pipeline.core.what_if import PairLengths
from pipeline.files.field_data import FieldData
from pipeline.files.settings import Settings


@dataclass(frozen=True)
class Asked:
    """Answers for one field under every tier.

    Attributes
    ----------
    field : FieldData
    judging : Settings
    places : Places
        Of the field's spans.
    errors : dict of tier id to ReturnError
        As they are, with every start and zone.
    """

    field: FieldData
    judging: Settings
    places: Places
    errors: dict[str, ReturnError]

    @cached_property
    def lengths(self) -> PairLengths:
        """Row length on strips by pair and offset."""
        return PairLengths.of(self.field.spans, self.places)

    def by_tier(self) -> list[dict]:
        """Columns of the table of fields, one line a tier."""
        lengths = self.lengths
        settled = self.field.errors(self.judging, settled=True)
        open_land = self.field.errors(self.judging, zones=False) if self.field.facts["zones"] else self.errors
        out = []
        for tier, error in self.errors.items():
            sds = [one.sd(lengths.strip_pass, lengths.planter_pass) for one in (error, open_land[tier])]
            missed, in_zone = lengths.missed_m(sds[0]), ~np.isclose(*sds, rtol=1e-12, atol=0.0)
            out.append({
                c.BASE: self._base(tier), **self._early(lengths, tier),
                c.CONVERGING_MISS_M: missed.sum() - lengths.expected_miss_m(settled[tier]).sum(),
                c.PLANNED_START_MISS_M: self._planned_m(lengths, settled[tier], tier),
                c.ZONE_M: lengths.length_m[in_zone].sum(), c.ZONE_MISS_M: missed[in_zone].sum(),
                **self._enough(lengths, error),
            })  # fmt: skip
        return out

    def by_row(self, tier: str) -> dict:
        """Columns of the table of rows: length that was laid, or strips it stands on made, too early; largest error."""
        spans, rows = self.field.spans, len(self.field.rows)
        on = spans.kind == ON_STRIP
        places, length = self.places.take(on), spans.length_m[on]
        early = self._rows_early(tier)[places.planter_pass] | self._strips_early(tier)[places.strip_pass]
        bound = pd.Series(Z95 * self.errors[tier].sd(places.strip_pass, places.planter_pass))
        worst = bound.groupby(places.row).max().reindex(range(rows), fill_value=0.0)
        return {c.CONVERGING_M: np.bincount(places.row, length * early, rows), c.WORST_95_M: worst.to_numpy()}

    def waiting(self) -> pd.DataFrame:
        """Missing length that the planter would avoid by waiting after each of its starts."""
        lengths = self.lengths
        since = self.field.planter_side.stretches.since_s[:, 0]
        near = lengths.take(np.isfinite(since[lengths.planter_pass]))
        tables, at_once = [], None
        for wait_s in WAITS_S if len(near.strip_pass) and self.judging.kind != "surveyed" else ():
            errors = self.field.errors(self.judging, wait_s=wait_s)
            missed = np.array([near.expected_miss_m(error).sum() for error in errors.values()])
            at_once = missed if at_once is None else at_once
            tables.append(pd.DataFrame({
                c.FIELD_ID: self.field.facts["field_id"], c.FARM: self.field.facts["farm"], c.TIER: list(errors),
                c.WAIT_MIN: round(wait_s / 60), c.AVOIDED_M: at_once - missed,
            }))  # fmt: skip
        columns = [c.FIELD_ID, c.FARM, c.TIER, c.WAIT_MIN, c.AVOIDED_M]
        return pd.concat(tables, ignore_index=True) if tables else pd.DataFrame({name: [] for name in columns})

    def _base(self, tier: str) -> str:
        """What is known of the base that a tier goes by; nothing where it goes by none."""
        if self.judging.tiers[tier].frame != "base" or self.field.facts["baseline_m"] is None:
            return ""
        return "surveyed" if self.field.facts["base_surveyed"] else "not surveyed"

    def _early(self, lengths: PairLengths, tier: str) -> dict:
        by_pair = lengths.length_m.sum(axis=1)
        rows, strips = self._rows_early(tier)[lengths.planter_pass], self._strips_early(tier)[lengths.strip_pass]
        return {c.CONVERGING_ROW_M: by_pair[rows].sum(), c.CONVERGING_STRIP_M: by_pair[strips].sum()}

    def _enough(self, lengths: PairLengths, error: ReturnError) -> dict:
        share = self.judging.enough_share
        return {
            c.LARGEST_REPEATABLE_M: lengths.largest_repeatable_m(
                share, other_sd_m=float(np.hypot(error.wander_sd_m, error.machine_sd_m))
            ),
            c.NARROWEST_STRIP_M: lengths.narrowest_strip_m(share, error, row_margin_m=self.judging.row_margin_m),
        }

    def _rows_early(self, tier: str) -> np.ndarray:
        """Which stretches of planter passes were laid before the tier's figures held."""
        return self._early_on(self.field.planter_side, tier)

    def _strips_early(self, tier: str) -> np.ndarray:
        """Which stretches of strip were made before the figures of their own tier held."""
        return self._early_on(self.field.strip_side, tier if self.judging.autumn == "same" else self.judging.autumn, tier)

    def _early_on(self, side: Side, tier: str, otherwise: str | None = None) -> np.ndarray:
        times = [self.judging.tiers[name].convergence_s for name in made_under(side, tier, otherwise=otherwise)]
        return laid_early(side.stretches, np.array(times))

    def _planned_m(self, lengths: PairLengths, settled: ReturnError, tier: str) -> float:
        """Row length expected to miss because of starts that no times tell of; 0 where times do."""
        if self.judging.kind == "surveyed" or not len(self.field.rows):
            return 0.0
        tiers, facts = self.judging.tiers, self.field.facts
        spacing = float(self.field.rows[c.ROW_SPACING_M].median())
        out = 0.0
        for side, name, capacity in zip(
            (self.field.strip_side, self.field.planter_side), (self.judging.autumn_tier("", tier), tier),
            self.judging.capacity_m2_s, strict=True,
        ):  # fmt: skip
            if np.isfinite(side.stretches.since_s).any():
                continue
            starts = self.judging.starts_per_day * facts["area_m2"] / capacity / self.judging.working_day_s
            out += starts * planned_miss_per_start_m(
                lengths, settled, tiers[name], baseline_m=facts["baseline_m"], row_m_per_s=capacity / spacing
            )
        return out
