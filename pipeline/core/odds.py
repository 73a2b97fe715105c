"""What a field's tiers come to: class lengths, expected missing rows and the spread of the missed share."""

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

import numpy as np

from pipeline.core.field_loss import FieldLoss
from pipeline.core.field_odds import FieldOdds
from pipeline.core.filled import RowFigures
from pipeline.core.kernels import THREADS
from pipeline.core.lengths import length_within
from pipeline.core.offsets import CROSSING, NO_STRIP, ON_STRIP, Spans
from pipeline.core.pairs import Pairs, Places
from pipeline.core.response import Response
from pipeline.core.returns import ReturnError

# The rows of a part of the field are few enough to stay near the processor.
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
        All spans of the field; those of a row in order along it.
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
    pass_of_row = np.asarray(pass_of_row)
    rows = len(pass_of_row)
    waits = waited if response and waited else {}
    field = FieldOdds.of(
        spans, places, errors, pass_of_row=pass_of_row, spacing_m=spacing_m, seed=seed, waited=waits
    )
    by_row = RowFigures.of(len(errors), rows)
    # Parts of the field stand alone and nearly all of their time is compiled. They look at the first draws only at
    # their end.
    with ThreadPoolExecutor(THREADS) as pool:
        first = pool.submit(lambda: field.draws_of_block(0).errors(field.errors))
        parts = _parts_by_row(field.places.row)
        tables = list(pool.map(lambda part: field.judge_rows(part, first, by_row), parts))
        pass_share, field_share, losses = field.judge_passes(
            tables, first_errors=first.result(), passes=passes, pool=pool,
            losing=field.loss_table(response, spacing_m) if response else None,
        )  # fmt: skip
    whole, holds, within = by_row.whole_m, by_row.holds_m, by_row.within_m
    judged = {
        name: Judgement(
            holds[k], within[k] - holds[k], whole - within[k], by_row.expected_m[k], by_row.anywhere_m[k], by_row.run_m[k],
            by_row.share[k], pass_share[k], field_share[k], losses[k],
        )
        for k, name in enumerate(errors)
    }  # fmt: skip
    sure = [name for k, name in enumerate(errors) if not field.pairs.sd_m[:, k].any()]
    if not sure:
        return judged
    pairs, row, on = field.pairs, field.places.row, field.spans.kind == ON_STRIP
    held = _held_anywhere(field.spans.take(on), row[on], pairs.of_place[on], pairs, spacing_m=spacing_m, rows=rows)
    # Strips wider than their spacing overlap.
    off_all = np.maximum(whole - held, 0.0)
    return judged | {name: _without_error(judged[name], off_all, pass_of_row=pass_of_row, passes=passes) for name in sure}


def _held_anywhere(
    spans: Spans, row: np.ndarray, pair: np.ndarray, pairs: Pairs, *, spacing_m: float, rows: int
) -> np.ndarray:
    """Length of each row that lies on its own strip, or on one that is whole spacings from it, as it is [m].

    Of spans that lie on a strip; `row` and `pair` say to which each belongs.
    """
    far_m = max(np.abs(spans.offset0_m).max(initial=0.0), np.abs(spans.offset1_m).max(initial=0.0))
    most, half_width_m = int(np.ceil(far_m / spacing_m)), pairs.half_width_m[:, None]
    held = np.zeros(rows)
    for shift_m in spacing_m * np.arange(-most, most + 1):
        offsets = spans.offset0_m - shift_m, spans.offset1_m - shift_m
        held += length_within(*offsets, spans.length_m, pair, row, half_width_m, rows)[:, 0]
    return held


def _without_error(one: Judgement, off_all_m: np.ndarray, *, pass_of_row: np.ndarray, passes: int) -> Judgement:
    """The same where nothing is by chance: the bare geometry is what is expected, in every draw, and needs no bins."""
    whole = one.holds_m + one.doubt_m + one.misses_m

    def thrice(missed: np.ndarray, length: np.ndarray) -> np.ndarray:
        return np.tile(missed / np.maximum(length, 1e-12), (3, 1))

    by_pass = [np.bincount(pass_of_row, length, passes) for length in (one.misses_m, whole)]
    return replace(
        one, expected_miss_m=one.misses_m, expected_miss_any_m=off_all_m, row_share=thrice(one.misses_m, whole),
        pass_share=thrice(*by_pass), field_share=thrice(one.misses_m.sum(), whole.sum())[:, 0],
    )  # fmt: skip


def _parts_by_row(row: np.ndarray) -> list[slice]:
    """Parts of the spans, in order of their rows, that hold whole rows each."""
    cuts = np.searchsorted(row, row[_SPANS_AT_ONCE::_SPANS_AT_ONCE])
    edges = np.unique(np.concatenate([[0], cuts, [len(row)]]))
    return [slice(a, b) for a, b in zip(edges[:-1], edges[1:], strict=True)]
