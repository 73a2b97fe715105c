"""The odds of one field: its spans judged by parts of rows, then its passes and the whole over joint draws."""

from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np

from pipeline.core.draws import BLOCK, FIELD_DRAWS, PASS_DRAWS, JointErrors, StandardDraws
from pipeline.core.field_loss import FieldLoss, LossTable, levels_of
from pipeline.core.filled import Drawn, RowFigures
from pipeline.core.lengths import length_within, longest_run
from pipeline.core.offsets import ON_STRIP, Spans
from pipeline.core.pairs import Pairs, Places
from pipeline.core.percentiles import percentiles_of_draws
from pipeline.core.place_odds import miss_any_probability, miss_probability
from pipeline.core.reduced import Reduced, Scale, wander_odds
from pipeline.core.response import Response
from pipeline.core.returns import ReturnError
from pipeline.core.shift_table import ShiftTable


@dataclass(frozen=True)
class FieldOdds:
    """The spans of a field, in order of their rows, and what all of its parts share.

    `odds` holds, by kind of pair and bin of offset, the odds off the own strip under every tier, then those off
    any strip; `moved_odds`, by half width and true offset, the odds that the wander alone leaves; `mean_normal` is
    that of every pair. `waited` are the errors that losses go by, with `waited_pairs`, or none where they are the same.
    """

    spans: Spans
    places: Places
    errors: list[ReturnError]
    pass_of_row: np.ndarray
    pairs: Pairs
    mean_normal: np.ndarray
    scale: Scale
    odds: np.ndarray
    kind_of_pair: np.ndarray
    moved_odds: np.ndarray
    width_of_pair: np.ndarray
    seed: int
    waited: list[ReturnError]
    waited_pairs: Pairs

    @classmethod
    def of(
        cls, spans: Spans, places: Places, errors: dict[str, ReturnError], *, pass_of_row: np.ndarray, spacing_m: float,
        seed: int, waited: dict[str, ReturnError],
    ) -> "FieldOdds":  # fmt: skip
        """Of spans in any order; arguments as of `odds.judge`."""
        if np.any(places.row[1:] < places.row[:-1]):
            order = np.argsort(places.row, kind="stable")
            spans, places = spans.take(order), places.take(order)
        pairs = Pairs.of(places, errors)
        wander = next(iter(errors.values())).wander_sd_m
        scale = Scale.over(spans, half_width_m=pairs.half_width_m, wander_sd_m=wander)
        return cls(
            spans, places, list(errors.values()), pass_of_row, pairs,
            pairs.mean_normals(spans.normal_x, spans.normal_y, spans.length_m), scale,
            *_odds_by_offset(pairs, scale, spacing_m), *wander_odds(pairs, scale, wander), seed,
            list(waited.values()), Pairs.of(places, waited) if waited else pairs,
        )  # fmt: skip

    def judge_rows(self, part: slice, first_errors: Future[list[JointErrors]], rows: RowFigures) -> ShiftTable:
        """Put the figures of the rows of a part into `rows`; returns the passes' shift table."""
        spans, row, pair, pairs = self.spans.take(part), self.places.row[part], self.pairs.of_place[part], self.pairs
        first_row = row[0]
        count, tiers = int(row[-1] - first_row) + 1, len(self.errors)
        mine, row = slice(first_row, first_row + count), row - first_row
        on = spans.kind == ON_STRIP
        if not on.all():
            spans, row, pair = spans.take(on), row[on], pair[on]
        length = np.bincount(row, spans.length_m, count)
        within = length_within(
            spans.offset0_m, spans.offset1_m, spans.length_m, pair, row,
            np.column_stack([pairs.hold_m, pairs.reach_m]), count,
        )  # fmt: skip
        rows.whole_m[mine] = length
        rows.holds_m[:, mine], rows.within_m[:, mine] = within[:, :tiers].T, within[:, tiers:].T
        rows.run_m[:, mine] = longest_run(
            spans.offset0_m, spans.offset1_m, spans.start_m, spans.end_m, pair, row, pairs.even_m, count
        ).T
        reduced = Reduced.of(spans, row, pair, self.scale, mean=self.mean_normal)
        group = reduced.groups
        expected = reduced.expected(self.odds, self.kind_of_pair[group.pair])
        for k in range(tiers):
            rows.expected_m[k, mine] = np.bincount(group.owner, expected[:, k], count)
            rows.anywhere_m[k, mine] = np.bincount(group.owner, expected[:, tiers + k], count)
        table = reduced.missed_by_shift(self.moved_odds, self.width_of_pair[group.pair])
        rows.share[:, :, mine] = table.shares_of_one(pairs, count)
        some, several = table.several(count)
        for k in range(tiers):
            rows.share[k][:, first_row + some] = percentiles_of_draws(
                several.under(pairs, first_errors.result()[k], len(some)), length[some]
            )
        return ShiftTable.merged([table], [self.pass_of_row[first_row + group.owner]], mean=self.mean_normal)

    def loss_table(self, response: Response, spacing_m: float) -> LossTable:
        """What the field's rows lose as they move."""
        return LossTable.of(
            self.spans, self.pairs, self.scale, mean=self.mean_normal, response=response,
            wander_sd_m=self.errors[0].wander_sd_m, spacing_m=spacing_m,
        )  # fmt: skip

    def judge_passes(
        self, tables: list[ShiftTable], *, first_errors: list[JointErrors], passes: int, pool: ThreadPoolExecutor,
        losing: LossTable | None,
    ) -> tuple[np.ndarray, np.ndarray, list[FieldLoss | None]]:  # fmt: skip
        """Percentiles of the missed share of passes, (tiers, 3, passes), and of the field, (tiers, 3), and its losses.

        `first_errors` are those of the first block. Where machines wait, losses and what is missed beside them have
        errors of their own.
        """
        tiers = len(self.errors)
        if not tables:
            return np.zeros((tiers, 3, passes)), np.zeros((tiers, 3)), self._losses(losing, Drawn.of(tiers, 0))
        table = ShiftTable.merged(tables, [one.groups.owner for one in tables], mean=self.mean_normal)
        length = table.lengths(passes)
        some, several = table.several(passes)
        drawn = Drawn.of(tiers, len(some))

        def judge_block(block: int) -> None:
            draws, standard = slice(block * BLOCK, (block + 1) * BLOCK), self.draws_of_block(block)
            for k, one in enumerate(standard.each(self.errors) if block else first_errors):
                missed = table.under(self.pairs, one, passes)
                drawn.field[k, draws] = missed.sum(axis=0, dtype=float)
                if draws.stop <= PASS_DRAWS:
                    drawn.passes[k, :, draws] = missed[some]
                if losing and not self.waited:
                    drawn.lose(k, draws, drawn.field[k, draws], losing, self.pairs, one)
            if losing:
                for k, one in enumerate(standard.each(self.waited)):
                    missed = table.under(self.pairs, one, passes).sum(axis=0, dtype=float)
                    drawn.lose(k, draws, missed, losing, self.pairs, one)

        list(pool.map(judge_block, range(FIELD_DRAWS // BLOCK)))
        pass_share = table.shares_of_one(self.pairs, passes)
        pass_share[:, :, some] = list(pool.map(lambda one: percentiles_of_draws(one, length[some]), drawn.passes))
        field_share = percentiles_of_draws(drawn.field, np.full(tiers, length.sum())).T
        return pass_share, field_share, self._losses(losing, drawn)

    def _losses(self, losing: LossTable | None, drawn: Drawn) -> list[FieldLoss | None]:
        """Losses under every tier."""
        if losing is None:
            return [None] * len(drawn.loss)
        expected, beyond_m, beyond = losing.expected(self.waited_pairs)
        levels, missed = ([levels_of(one) for one in draws] for draws in (drawn.loss, drawn.waited))
        own = losing.expected_own(self.waited_pairs)
        figures = zip(expected, own, beyond_m, beyond, levels, missed, strict=True)
        return [FieldLoss(*one) for one in figures]

    def draws_of_block(self, block: int) -> StandardDraws:
        """One block of the draws, from which the joint errors of the passes are made."""
        return StandardDraws.seeded(self.errors, draws=BLOCK, seed=self.seed, block=block)


def _odds_by_offset(pairs: Pairs, scale: Scale, spacing_m: float) -> tuple[np.ndarray, np.ndarray]:
    """Odds off the own and off any strip for every distinct half width and sds, and the one of each pair.

    Returns
    -------
    odds : ndarray, shape (kinds, bins, 2 * tiers)
    kind : ndarray of int, shape (pairs,)
    """
    key = np.column_stack([pairs.half_width_m, pairs.sd_m])
    kinds, kind = np.unique(np.round(key * 1e9), axis=0, return_inverse=True)
    odds = np.empty((len(kinds), scale.bins, 2 * pairs.sd_m.shape[1]))
    for number, (half_width, *sds) in enumerate(kinds * 1e-9):
        own = miss_probability(scale.offset_m[:, None], half_width, np.array(sds))
        anywhere = [miss_any_probability(scale.offset_m, half_width, sd, spacing_m) for sd in sds]
        odds[number] = np.column_stack([own, *anywhere])
    return odds, kind.ravel()
