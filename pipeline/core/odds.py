"""What a field's tiers come to: class lengths, expected missing rows and the spread of the missed share."""

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np

from pipeline.core.accuracy import Z95
from pipeline.core.lengths import length_within, longest_run
from pipeline.core.offsets import CROSSING, NO_STRIP, ON_STRIP, Spans
from pipeline.core.place_odds import even_odds_offset, miss_any_probability, miss_probability
from pipeline.core.reduced import Places, Reduced, ShiftTable, unique_rows
from pipeline.core.returns import ReturnError, StandardDraws

PERCENTILES = (10.0, 50.0, 90.0)
# The draws that a percentile needs to be good to 1 point (0.3 on average) in a field; rows and passes, of
# which there are many, get the first of the same draws.
FIELD_DRAWS = 16384
ROW_DRAWS = 1024
_TIERS_AT_ONCE = 2


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


def apart_lengths(spans: Spans, row: np.ndarray, rows: int) -> tuple[np.ndarray, np.ndarray]:
    """Length without a strip and length crossing strips, (rows,) each [m]."""
    no_strip, crossing = (np.bincount(row, spans.length_m * (spans.kind == kind), rows) for kind in (NO_STRIP, CROSSING))
    return no_strip, crossing


def class_limits(error: ReturnError, places: Places) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Limits of the classes for every distinct (pair, half width).

    Returns
    -------
    group : ndarray of int, shape (n,)
        Which limits apply to each place.
    hold, reach, even : ndarray, shape (groups,)
        Holds up to |offset| <= hold; misses beyond reach; missing is likelier than not beyond even [m].
    """
    pair, strip_pass, planter_pass, half_width = _pairs(places)
    group, *limits = _limits_of(error.sd(strip_pass, planter_pass), half_width)
    return group[pair], *limits


def _pairs(places: Places) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Distinct pairs of passes and half widths: the one of each place, and the passes and width of each."""
    key = np.column_stack([places.strip_pass, places.planter_pass, np.round(places.half_width_m * 1e9)])
    _, first, pair = unique_rows(key.astype(np.int64))
    return pair, places.strip_pass[first], places.planter_pass[first], places.half_width_m[first]


def _limits_of(sd: np.ndarray, half_width_m: np.ndarray) -> tuple[np.ndarray, ...]:
    """Limits of the classes of pairs, grouped: see `class_limits`."""
    # Float noise between equal tiers is no difference: limits are grouped to a nanometre.
    key = np.column_stack([np.round(half_width_m * 1e9), np.round(sd * 1e9)]).astype(np.int64)
    packed = key[:, 0] * (key[:, 1].max(initial=0) + 1) + key[:, 1]
    _, first, group = np.unique(packed, return_index=True, return_inverse=True)
    half_width, sd = half_width_m[first], sd[first]
    even = np.array([even_odds_offset(h, s) for h, s in zip(half_width, sd, strict=True)])
    return group.ravel(), half_width - Z95 * sd, half_width + Z95 * sd, even


def judge(
    spans: Spans,
    places: Places,
    errors: dict[str, ReturnError],
    *,
    rows: int,
    passes: int,
    spacing_m: float,
    seed: int,
) -> dict[str, Judgement]:
    """Judge all tiers of a field from the same offsets.

    Parameters
    ----------
    spans : Spans
        All spans of the field, in order along the rows.
    places : Places
        Of those spans; only the ones on a strip are looked at for strip pass and width.
    errors : dict of tier id to ReturnError
    rows, passes : int
        Number of planted rows and of planter passes.
    spacing_m : float
        Row spacing of the strips [m], for the odds of any strip.
    seed : int

    Returns
    -------
    dict of tier id to Judgement
    """
    on = spans.kind == ON_STRIP
    held, held_places = spans.take(on), places.take(on)
    by_row = Reduced.of(held, held_places)
    by_pair = by_row.by_pair()
    lengths = _Lengths(spans, places, held, held_places, _pairs(held_places), rows)
    shares = _Shares.of(by_row, by_pair, errors, rows=rows, passes=passes, seed=seed)

    def under(error: ReturnError) -> Judgement:
        sd = error.sd(by_row.strip_pass, by_row.planter_pass)
        exact = np.all(sd == 0.0)
        holds, doubt, misses, run, bare = lengths.under(error)
        expected = np.bincount(by_row.row, by_row.expected(miss_probability, sd), rows)
        anywhere = by_row.expected(lambda o, h, s: miss_any_probability(o, h, s, spacing_m), sd)
        return Judgement(
            holds, doubt, misses, bare if exact else expected, np.bincount(by_row.row, anywhere, rows), run,
            *shares.under(error),
        )  # fmt: skip

    # Tiers stand alone and nearly all of their time is compiled. Two at a time: each holds all its draws.
    with ThreadPoolExecutor(_TIERS_AT_ONCE) as pool:
        return dict(zip(errors, pool.map(under, errors.values()), strict=True))


@dataclass(frozen=True)
class _Lengths:
    """The spans of a field, asked for lengths under one tier after the other."""

    spans: Spans
    places: Places
    held: Spans
    held_places: Places
    pairs: tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]
    rows: int

    def under(self, error: ReturnError) -> tuple[np.ndarray, ...]:
        """Lengths that hold, are in doubt and miss, the longest run, and the bare geometry's misses."""
        pair, strip_pass, planter_pass, half_width = self.pairs
        group, hold, reach, even = _limits_of(error.sd(strip_pass, planter_pass), half_width)
        group = group[pair]
        bare = (hold + reach) / 2.0
        limits = np.column_stack([hold, reach, bare])
        held = self.held
        within = length_within(
            held.offset0_m, held.offset1_m, held.length_m, group, self.held_places.row, limits, self.rows
        )
        whole = np.bincount(self.held_places.row, held.length_m, self.rows)
        run = longest_run(
            held.offset0_m, held.offset1_m, held.start_m, held.end_m, held.row, group, even[:, None],
            np.ones(len(held.row), np.bool_), int(self.spans.row.max(initial=-1)) + 1,
        )[:, 0]  # fmt: skip
        by_row = np.zeros(self.rows)
        part_row = np.zeros(len(run), np.int64)
        part_row[self.spans.row] = self.places.row
        np.maximum.at(by_row, part_row, run)
        return within[:, 0], within[:, 1] - within[:, 0], whole - within[:, 1], by_row, whole - within[:, 2]


@dataclass(frozen=True)
class _Shares:
    """Missed shares under joint draws: tables and standard normals shared by all tiers."""

    by_row: Reduced
    by_pair: Reduced
    row_table: ShiftTable
    pair_table: ShiftTable
    draws: StandardDraws
    rows: int
    passes: int

    @classmethod
    def of(cls, by_row: Reduced, by_pair: Reduced, errors: dict, *, rows: int, passes: int, seed: int) -> "_Shares":
        any_error = next(iter(errors.values()))
        sources = (
            max(int(e.autumn.source.max(initial=0)) for e in errors.values()) + 1,
            max(int(e.spring.source.max(initial=0)) for e in errors.values()) + 1,
        )
        draws = StandardDraws.seeded(
            any_error.autumn.clock, any_error.spring.clock, sources=sources, draws=FIELD_DRAWS, seed=seed
        )
        wander = any_error.wander_sd_m
        tables = by_row.missed_by_shift(wander), by_pair.missed_by_shift(wander)
        return cls(by_row, by_pair, *tables, draws, rows, passes)

    def under(self, error: ReturnError) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Percentiles of the missed share of rows, passes and field."""
        autumn, spring, machine = self.draws.errors(error)
        pairs = self.pair_table.under(self.by_pair, (autumn, spring, machine), self.by_pair.row, self.passes)
        few = (autumn[:, :, :ROW_DRAWS].copy(), spring[:, :, :ROW_DRAWS].copy(), machine[:ROW_DRAWS].copy())
        rows = self.row_table.under(self.by_row, few, self.by_row.row, self.rows)
        pass_length = np.bincount(self.by_pair.row, self.by_pair.length_m.sum(axis=1), self.passes)
        row_length = np.bincount(self.by_row.row, self.by_row.length_m.sum(axis=1), self.rows)
        total = max(pass_length.sum(), 1e-9)
        field = np.percentile(pairs.sum(axis=0) / total, PERCENTILES)
        return _percentiles(rows, row_length), _percentiles(pairs, pass_length), np.clip(field, 0.0, 1.0)


def _percentiles(missed: np.ndarray, length: np.ndarray) -> np.ndarray:
    """Percentiles of missed / length over draws, shape (3, owners); 0 where there is no length."""
    # Sharing out after the percentiles is the same and spares a copy of all draws.
    found = np.percentile(missed, PERCENTILES, axis=1, overwrite_input=True)
    return np.clip(found / np.maximum(length, 1e-9), 0.0, 1.0)
