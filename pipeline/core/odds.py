"""What a field's tiers come to: class lengths, expected missing rows and the spread of the missed share."""

from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np

from pipeline.core.draws import StandardDraws
from pipeline.core.field_loss import LOSS_DRAWS, FieldLoss, LossTable, levels_of
from pipeline.core.kernels import THREADS
from pipeline.core.lengths import length_within, longest_run
from pipeline.core.offsets import CROSSING, NO_STRIP, ON_STRIP, Spans
from pipeline.core.pairs import Pairs, Places
from pipeline.core.percentiles import percentiles_of_draws
from pipeline.core.place_odds import miss_any_probability, miss_probability
from pipeline.core.reduced import Reduced, Scale, ShiftTable, wander_odds
from pipeline.core.response import Response
from pipeline.core.returns import ReturnError

# The draws that a percentile needs to be good to 1 point (0.3 on average) in a field; passes and rows, of
# which there are many, get the first of the same draws.
FIELD_DRAWS = 16384
PASS_DRAWS = 4096
ROW_DRAWS = 1024
# A block of draws, and the rows of a part of the field, are small enough to stay near the processor.
BLOCK = ROW_DRAWS
_SPANS_AT_ONCE = 65536


@dataclass(frozen=True)
class Judgement:
    """Figures of one tier. Arrays have shape (rows,), except where said.

    Attributes
    ----------
    holds_m, doubt_m, misses_m : ndarray
        Length by class at the 95 % bound [m].
    expected_miss_m, expected_miss_any_m : ndarray
        Expected length off the own strip, and off any strip [m].
    longest_miss_run_m : ndarray
        Longest stretch on which missing is more likely than not [m].
    row_share, pass_share : ndarray, shape (3, rows) and (3, passes)
        10th, 50th and 90th percentile of the missed share.
    field_share : ndarray, shape (3,)
        The same of the field's missed share.
    loss : FieldLoss or None
        Where a curve of the loss was given.
    """

    holds_m: np.ndarray
    doubt_m: np.ndarray
    misses_m: np.ndarray
    expected_miss_m: np.ndarray
    expected_miss_any_m: np.ndarray
    longest_miss_run_m: np.ndarray
    row_share: np.ndarray
    pass_share: np.ndarray
    field_share: np.ndarray
    loss: FieldLoss | None = None


def apart_lengths(spans: Spans, row: np.ndarray, rows: int) -> tuple[np.ndarray, np.ndarray]:
    """Length without a strip and length crossing strips, (rows,) each [m]."""
    no_strip, crossing = (np.bincount(row, spans.length_m * (spans.kind == kind), rows) for kind in (NO_STRIP, CROSSING))
    return no_strip, crossing


def judge(
    spans: Spans,
    places: Places,
    errors: dict[str, ReturnError],
    *,
    pass_of_row: np.ndarray,
    passes: int,
    spacing_m: float,
    seed: int,
    response: Response | None = None,
    waited: dict[str, ReturnError] | None = None,
) -> dict[str, Judgement]:
    """Judge all tiers of a field from the same offsets.

    Parameters
    ----------
    spans : Spans
        All spans of the field, in order along the rows.
    places : Places
        Of those spans; only the ones on a strip are looked at for strip pass and width.
    errors : dict of tier id to ReturnError
        All with the same clocks and the same wander: they are tiers of one piece of work.
    pass_of_row : ndarray of int, shape (rows,)
        Planter pass of each planted row.
    passes : int
        Number of planter passes.
    spacing_m : float
        Row spacing of the strips [m], for the odds of any strip.
    seed : int
    response : Response, optional
        What a row loses with its distance from the strip; without it no loss is asked for.
    waited : dict of tier id to ReturnError, optional
        Errors that the losses go by, where machines wait after their starts; otherwise the same errors.

    Returns
    -------
    dict of tier id to Judgement
    """
    rows = len(pass_of_row)
    waits = waited if response and waited else {}
    field = _Field.of(
        spans, places, errors, pass_of_row=np.asarray(pass_of_row), spacing_m=spacing_m, seed=seed, waited=waits
    )
    by_row = {name: np.zeros((len(errors), rows)) for name in ("holds", "within", "run", "expected", "anywhere")}
    row_share = np.zeros((len(errors), 3, rows))
    # Parts of the field stand alone and nearly all of their time is compiled. They look at the first draws only at
    # their end.
    with ThreadPoolExecutor(THREADS) as pool:
        few = pool.submit(lambda: field.draws_of_block(0).errors(field.errors))
        tables = list(pool.map(lambda part: field.judge_rows(part, few, by_row, row_share), _parts_by_row(field.places.row)))
        loss_table = field.loss_table(response, spacing_m) if response else None
        pass_share, field_share, losses = field.judge_passes(tables, few.result(), passes, pool, loss_table)
    on = spans.kind == ON_STRIP
    whole = np.bincount(places.row[on], spans.length_m[on], rows)
    holds, within = by_row["holds"], by_row["within"]
    return {
        name: Judgement(
            holds[k], within[k] - holds[k], whole - within[k],
            # Without any error the bare geometry is the expectation, and needs no bins.
            by_row["expected"][k] if field.pairs.sd_m[:, k].any() else whole - within[k],
            by_row["anywhere"][k], by_row["run"][k], row_share[k], pass_share[k], field_share[k], losses[k],
        )
        for k, name in enumerate(errors)
    }  # fmt: skip


def _parts_by_row(row: np.ndarray) -> list[slice]:
    """Parts of the spans, in order of their rows, that hold whole rows each."""
    cuts = np.searchsorted(row, row[_SPANS_AT_ONCE::_SPANS_AT_ONCE])
    edges = np.unique(np.concatenate([[0], cuts, [len(row)]]))
    return [slice(a, b) for a, b in zip(edges[:-1], edges[1:], strict=True)]


@dataclass(frozen=True)
class _Field:
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
    ) -> "_Field":  # fmt: skip
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

    def judge_rows(
        self, part: slice, few: Future[list[tuple]], by_row: dict[str, np.ndarray], row_share: np.ndarray
    ) -> ShiftTable:
        """Put the figures of the rows of a part into `by_row` and `row_share`; returns the passes' shift table."""
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
        by_row["holds"][:, mine], by_row["within"][:, mine] = within[:, :tiers].T, within[:, tiers:].T
        by_row["run"][:, mine] = longest_run(
            spans.offset0_m, spans.offset1_m, spans.start_m, spans.end_m, pair, row, pairs.even_m, count
        ).T
        reduced = Reduced.of(spans, row, pair, self.scale, mean=self.mean_normal)
        group = reduced.groups
        expected = reduced.expected(self.odds, self.kind_of_pair[group.pair])
        for k in range(tiers):
            by_row["expected"][k, mine] = np.bincount(group.owner, expected[:, k], count)
            by_row["anywhere"][k, mine] = np.bincount(group.owner, expected[:, tiers + k], count)
        table = reduced.missed_by_shift(self.moved_odds, self.width_of_pair[group.pair])
        row_share[:, :, mine] = table.shares_of_one(pairs, count)
        some, several = table.several(count)
        for k in range(tiers):
            row_share[k][:, first_row + some] = percentiles_of_draws(
                several.under(pairs, few.result()[k], len(some)), length[some]
            )
        return ShiftTable.merged([table], [self.pass_of_row[first_row + group.owner]], mean=self.mean_normal)

    def loss_table(self, response: Response, spacing_m: float) -> LossTable:
        """What the field's rows lose as they move."""
        return LossTable.of(
            self.spans, self.places, self.pairs, self.scale, mean=self.mean_normal, response=response,
            wander_sd_m=self.errors[0].wander_sd_m, spacing_m=spacing_m,
        )  # fmt: skip

    def judge_passes(
        self, tables: list[ShiftTable], few: list[tuple], passes: int, pool: ThreadPoolExecutor, losing: LossTable | None
    ) -> tuple[np.ndarray, np.ndarray, list[FieldLoss | None]]:
        """Percentiles of the missed share of passes, (tiers, 3, passes), and of the field, (tiers, 3), and its losses.

        `few` are the errors of the first block. Where machines wait, losses and what is missed beside them have draws of
        their own.
        """
        tiers = len(self.errors)
        of_loss = np.zeros((tiers, LOSS_DRAWS))
        if not tables:
            none = np.zeros((tiers, FIELD_DRAWS))
            return np.zeros((tiers, 3, passes)), np.zeros((tiers, 3)), self._losses(losing, of_loss, none)
        table = ShiftTable.merged(tables, [one.groups.owner for one in tables], mean=self.mean_normal)
        length = table.lengths(passes)
        some, several = table.several(passes)
        of_passes = np.empty((tiers, len(some), PASS_DRAWS), np.float32)
        of_field, of_waited = np.empty((2, tiers, FIELD_DRAWS))

        def miss(now: list[tuple], draws: slice) -> None:
            for k, errors in enumerate(now):
                missed = table.under(self.pairs, errors, passes)
                of_field[k, draws] = missed.sum(axis=0, dtype=float)
                if draws.stop <= PASS_DRAWS:
                    of_passes[k, :, draws] = missed[some]

        def lose(now: list[tuple], draws: slice) -> None:
            for k, errors in enumerate(now):
                if self.waited:
                    of_waited[k, draws] = table.under(self.pairs, errors, passes).sum(axis=0, dtype=float)
                if losing and draws.stop <= LOSS_DRAWS:
                    of_loss[k, draws] = losing.under(self.pairs, errors)

        def judge_block(block: int) -> None:
            draws, standard = slice(block * BLOCK, (block + 1) * BLOCK), self.draws_of_block(block)
            now = standard.errors(self.errors) if block else few
            miss(now, draws)
            if self.waited:
                del now  # both at once would take twice the memory
                now = standard.errors(self.waited)
            lose(now, draws)

        list(pool.map(judge_block, range(FIELD_DRAWS // BLOCK)))
        pass_share = table.shares_of_one(self.pairs, passes)
        pass_share[:, :, some] = list(pool.map(lambda one: percentiles_of_draws(one, length[some]), of_passes))
        field_share = percentiles_of_draws(of_field, np.full(tiers, length.sum())).T
        return pass_share, field_share, self._losses(losing, of_loss, of_waited if self.waited else of_field)

    def _losses(self, losing: LossTable | None, of_loss: np.ndarray, of_field: np.ndarray) -> list[FieldLoss | None]:
        """Losses under every tier, from draws of them and of the missed length, (tiers, draws) each."""
        if losing is None:
            return [None] * len(of_field)
        expected, beyond_m = losing.expected(self.waited_pairs)
        levels, missed = ([levels_of(one) for one in draws] for draws in (of_loss, of_field))
        figures = zip(expected, losing.expected_own(self.waited_pairs), beyond_m, levels, missed, strict=True)
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
