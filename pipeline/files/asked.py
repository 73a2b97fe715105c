"""What is asked of a field beside its odds: starts and waiting, zones, moved bases, and what would be enough."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd

from pipeline import columns as c
from pipeline.core.accuracy import Z95
from pipeline.core.converging import WAITS_S, early_share, planned_start_miss_m
from pipeline.core.offsets import ON_STRIP
from pipeline.core.pairs import Places, unique_keys
from pipeline.core.returns import ReturnError
from pipeline.core.tier import BASE_FRAME
from pipeline.core.tiering import (
    AS_IN_SPRING,
    SURVEYED,
    Felt,
    Side,
    lost_by_log,
    made_under,
    since_signal,
    strips_made_under,
)
from pipeline.core.what_if import PairLengths
from pipeline.files.field_data import FieldData
from pipeline.files.settings import Settings
from pipeline.files.stacked import stacked

# A zone is felt where the error is larger for it by more than a hundredth: what is left behind it fades for hours.
_FELT = 1.01


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

    @cached_property
    def settled(self) -> dict[str, ReturnError]:
        """Errors as if every receiver had been left to converge."""
        return self.field.errors(self.judging, settled=True)

    @cached_property
    def waited(self) -> dict[str, ReturnError]:
        """Errors after the waiting that the costs pay for; none where it changes nothing.

        Nothing changes where nobody waits, rows are in the ground already, no time tells of a start, or the strips alone
        have times and are made as they are.
        """
        sides = [self.field.planter_side, *([self.field.strip_side] if self.judging.autumn == AS_IN_SPRING else [])]
        share = self.judging.waited_share
        if share == 0.0 or self.judging.kind == SURVEYED or not any(self._timed(side) for side in sides):
            return {}
        return self.field.errors(self.judging, waited_share=share)

    def missed_after_waiting_m(self, tier: str, otherwise_m: float) -> float:
        """Expected missing length after that waiting [m]."""
        if not self.waited:
            return otherwise_m
        return float(self.lengths.expected_miss_m(self.waited[tier]).sum())

    def by_tier(self) -> list[dict]:
        """Columns of the table of fields, one line a tier."""
        lengths = self.lengths
        by_pair = lengths.length_m.sum(axis=1)
        settled = self.settled
        open_land = self.field.errors(self.judging, zones=False) if self.field.facts["zones"] else self.errors
        out = []
        for tier, error in self.errors.items():
            sds = [one.sd(lengths.strip_pass, lengths.planter_pass) for one in (error, open_land[tier])]
            missed, in_zone = lengths.missed_m(sds[0]), sds[0] > _FELT * sds[1]
            out.append({
                c.BASE: self._base(tier), **self._early(lengths, by_pair, tier),
                c.CONVERGING_MISS_M: missed.sum() - lengths.expected_miss_m(settled[tier]).sum(),
                c.PLANNED_START_MISS_M: self._planned_m(tier),
                c.ZONE_M: lengths.length_m[in_zone].sum(), c.ZONE_MISS_M: missed[in_zone].sum(),
                c.MIDDLE_95_M: _middle(Z95 * sds[0], by_pair), c.LARGEST_REPEATABLE_M: self._largest_repeatable_m,
                c.NARROWEST_STRIP_M: lengths.narrowest_strip_m(
                    self.judging.enough_share, error, row_margin_m=self.judging.row_margin_m
                ),
            })  # fmt: skip
        return out

    def by_row(self, tier: str) -> dict:
        """Columns of the table of rows: length that was laid, or strips it stands on made, too early; largest error."""
        places, length, rows = *self._on_strips, len(self.field.rows)
        early = np.maximum(self._rows_early(tier)[places.planter_pass], self._strips_early(tier)[places.strip_pass])
        worst = np.zeros(rows)
        np.maximum.at(worst, places.row, Z95 * self.errors[tier].sd(places.strip_pass, places.planter_pass))
        return {c.CONVERGING_M: np.bincount(places.row, length * early, rows), c.WORST_95_M: worst}

    @cached_property
    def _on_strips(self) -> tuple[Places, np.ndarray]:
        """Places on strips, each row and pair of passes once, and the row length of each [m]."""
        spans = self.field.spans
        on = spans.kind == ON_STRIP
        places = self.places.take(on)
        first, one = unique_keys(places.row, places.planter_pass, places.strip_pass)
        return places.take(first), np.bincount(one, spans.length_m[on], len(first))

    def waiting(self) -> pd.DataFrame:
        """Missing length that the planter would avoid by waiting after each of its starts, known or planned."""
        columns = [c.FIELD_ID, c.FARM, c.TIER, c.WAIT_MIN, c.AVOIDED_M]
        if self.judging.kind == SURVEYED or self.lengths.total_m == 0.0:
            return pd.DataFrame({name: [] for name in columns})
        timed = self._timed(self.field.planter_side)
        missed = np.stack([self._missed_after(wait_s) for wait_s in WAITS_S]) if timed else self._planned_after()
        tiers = np.array(list(self.errors), object)
        return stacked(
            {
                c.FIELD_ID: np.full(len(tiers), self.field.facts["field_id"], object), c.FARM: self.field.facts["farm"],
                c.TIER: tiers, c.WAIT_MIN: round(wait_s / 60), c.AVOIDED_M: missed[0] - now,
            }
            for wait_s, now in zip(WAITS_S, missed, strict=True)
        )[columns]  # fmt: skip

    def _missed_after(self, wait_s: float) -> np.ndarray:
        """Expected missing length of the rows whose start is known, had the planter waited, by tier [m]."""
        near = self.lengths.take(np.isfinite(self.field.planter_side.stretches.since_s[:, 0])[self.lengths.planter_pass])
        errors = self.field.errors(self.judging, wait_s=wait_s)
        return np.array([near.expected_miss_m(error).sum() for error in errors.values()])

    def _planned_after(self) -> np.ndarray:
        """What the planter's planned starts cost, had it waited after each, (waits, tiers) [m]."""
        return np.column_stack([self._planned_of_rows(tier, waits_s=WAITS_S) for tier in self.errors])

    @staticmethod
    def _timed(side: Side) -> bool:
        return bool(np.isfinite(side.stretches.since_s).any())

    def _base(self, tier: str) -> str:
        """What is known of the base that a tier goes by; nothing where it goes by none."""
        if self.judging.tiers[tier].frame != BASE_FRAME or self.field.facts["baseline_m"] is None:
            return ""
        return c.SURVEYED_BASE if self.field.facts["base_surveyed"] else c.NOT_SURVEYED

    def _early(self, lengths: PairLengths, by_pair: np.ndarray, tier: str) -> dict:
        rows, strips = self._rows_early(tier)[lengths.planter_pass], self._strips_early(tier)[lengths.strip_pass]
        return {c.CONVERGING_ROW_M: by_pair @ rows, c.CONVERGING_STRIP_M: by_pair @ strips}

    @cached_property
    def _largest_repeatable_m(self) -> float:
        """Asked once: the tiers of a field have the same wander and machine bias, and nothing else has a part in it."""
        one = next(iter(self.errors.values()))
        other_sd_m = float(np.hypot(one.wander_sd_m, one.machine_sd_m))
        return self.lengths.largest_repeatable_m(self.judging.enough_share, other_sd_m=other_sd_m)

    def _rows_early(self, tier: str) -> np.ndarray:
        """How much of each stretch of planter pass was laid before the tier's figures held, 0 to 1."""
        return self._early_on(self.field.planter_side, made_under(self.field.planter_side, tier))

    def _strips_early(self, tier: str) -> np.ndarray:
        """How much of each stretch of strip was made before the figures of its own tier held, 0 to 1."""
        return self._early_on(self.field.strip_side, self._autumns(tier))

    def _autumns(self, tier: str) -> list[str]:
        """Tier that each stretch of strip was made with."""
        return strips_made_under(self.field.strip_side, self.judging.autumn, compared=tier)

    def _early_on(self, side: Side, names: list[str]) -> np.ndarray:
        if self.judging.kind == SURVEYED:  # lies where it was measured, whatever its receiver did
            return np.zeros(len(names))
        stretches = since_signal(names, side.stretches)
        early = early_share(stretches, np.array([self.judging.tiers[name].convergence_s for name in names]))
        return np.where(lost_by_log(names, stretches), 1.0, early)

    def _planned_m(self, tier: str) -> float:
        """Row length expected to miss because of starts that no times tell of; 0 where times do."""
        if self.judging.kind == SURVEYED:
            return 0.0
        more_m = 0.0
        if not self._timed(self.field.planter_side):
            more_m += float(self._planned_of_rows(tier)[0])
        if not self._timed(self.field.strip_side):
            more_m += float(self._planned_of(self.field.strip_side, self._autumns(tier), self.lengths.strip_pass, tier)[0])
        # Each operation's starts are reckoned as if the other had none, so together they may come to more than there is.
        return min(more_m, self.lengths.total_m - float(self.lengths.expected_miss_m(self.errors[tier]).sum()))

    def _planned_of_rows(self, tier: str, *, waits_s: Sequence[float] = (0.0,)) -> np.ndarray:
        """The same of the planter's starts, for each wait."""
        side = self.field.planter_side
        return self._planned_of(side, made_under(side, tier), self.lengths.planter_pass, tier, waits_s=waits_s)

    def _planned_of(
        self, side: Side, names: list[str], of_pair: np.ndarray, tier: str, *, waits_s: Sequence[float] = (0.0,)
    ) -> np.ndarray:
        """The same of one operation: tier of each of its stretches, and which of them each pair has."""
        felt, out = Felt.under(names, side.stretches, self.field.site(self.judging).zones), np.zeros(len(waits_s))
        kinds = list(zip(names, felt.factor.tolist(), felt.lost.tolist(), strict=True))
        for name, factor, lost in dict.fromkeys(kinds):
            if lost:  # a receiver without its tier is as far off as after a start in any case
                continue
            mine = np.array([one == (name, factor, lost) for one in kinds], bool)[of_pair]
            out += planned_start_miss_m(
                self.lengths.take(mine), self.settled[tier], self.judging.tiers[name],
                baseline_m=self.field.facts["baseline_m"], waits_s=waits_s, factor=factor,
                starts_per_s=self.judging.starts_per_day / self.judging.working_day_s,
            )  # fmt: skip
        return out


def _middle(value: np.ndarray, weight: np.ndarray) -> float:
    """What half of the weight does not pass; NaN without any."""
    if not weight.any():
        return float("nan")
    return float(np.quantile(value, 0.5, method="inverted_cdf", weights=weight))
