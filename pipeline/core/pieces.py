"""Planted rows in pieces, each of one class under every tier, and what is expected to miss of each piece."""

from collections.abc import Mapping
from dataclasses import dataclass, fields

import numpy as np
from scipy.special import ndtr

from pipeline.core.checked import Conditioned
from pipeline.core.lengths import class_pieces
from pipeline.core.offsets import ON_STRIP, Spans
from pipeline.core.pairs import Pairs, Places
from pipeline.core.returns import ReturnError

# Where the offset changes by less than this share of the sd, the value in the middle is the mean to 1e-8,
# and a difference of antiderivatives would be rounding.
FLAT = 1e-4
# Few enough that what is made of them on the way is small beside the spans themselves, and near the processor.
_SPANS_AT_ONCE = 65536


@dataclass(frozen=True)
class Pieces:
    """Pieces of planted row in order along the lines; arrays of shape (n,) or (n, tiers).

    Attributes
    ----------
    line, span : ndarray of int
        Planted line, and the span in which the piece starts.
    start_m, end_m : ndarray
        Distance along the planted line [m].
    classes : ndarray of uint8, shape (n, tiers)
        0 holds, 1 in doubt, 2 misses, 3 no strip, 4 crossing.
    """

    line: np.ndarray
    span: np.ndarray
    start_m: np.ndarray
    end_m: np.ndarray
    classes: np.ndarray

    def take(self, which: np.ndarray | slice) -> "Pieces":
        """The pieces at an index, mask or slice."""
        return Pieces(**{f.name: getattr(self, f.name)[which] for f in fields(self)})


def row_pieces(spans: Spans, places: Places, errors: Mapping[str, ReturnError]) -> Pieces:
    """Cut planted rows where the class of any tier changes.

    Parameters
    ----------
    spans, places : of all planted rows of a field, in order along the rows
    errors : mapping of tier id to ReturnError
        At least one tier.
    """
    pairs = Pairs.of(places, errors)
    line, start, end, span, classes = class_pieces(
        spans.offset0_m, spans.offset1_m, spans.start_m, spans.end_m, spans.row, pairs.of_place,
        spans.kind, pairs.hold_m, pairs.reach_m,
    )  # fmt: skip
    return Pieces(line, span, start, end, classes)


def miss_shares(pieces: Pieces, spans: Spans, places: Places, errors: Mapping[str, ReturnError]) -> np.ndarray:
    """Expected share of each piece off its strip under each tier; NaN without a strip or crossing one.

    Parameters
    ----------
    pieces : Pieces
        Of those spans and errors.
    spans, places, errors
        As for `row_pieces`.

    Returns
    -------
    ndarray, shape (pieces, tiers)

    Notes
    -----
    Integrated in closed form over every span of a piece, so it is exact for the piecewise linear offset
    (rounding below 1e-8).
    """
    pairs = Pairs.of(places, errors)
    return _miss_shares(pieces, spans, pairs.of_place, pairs.half_width_m, pairs.sd_m)


def checked_pieces(given: Conditioned) -> tuple[Pieces, np.ndarray]:
    """Planted rows cut where the class under one tier changes after the checks, and the expected missed share of each.

    The moved spans of `given` are those to ask for places along the rows.
    """
    spans = given.spans
    line, start, end, span, classes = class_pieces(
        spans.offset0_m, spans.offset1_m, spans.start_m, spans.end_m, spans.row, given.kind, spans.kind, given.hold_m,
        given.reach_m,
    )  # fmt: skip
    pieces = Pieces(line, span, start, end, classes)
    share = _miss_shares(pieces, spans, given.kind, given.half_width_m, given.sd_m[:, None])
    return pieces, share[:, 0]


def mean_miss_probability(
    offset0_m: np.ndarray, offset1_m: np.ndarray, half_width_m: np.ndarray, sd_m: np.ndarray
) -> np.ndarray:
    """Mean of `place_odds.miss_probability` over offsets that run linearly from one value to another.

    With G(z) = z Phi(z) + phi(z), the antiderivative of Phi, the probability at offset o integrates to
    F(o) = sd [G((o - h) / sd) - G((-o - h) / sd)]; the mean is (F(o1) - F(o0)) / (o1 - o0).

    Parameters
    ----------
    offset0_m, offset1_m, half_width_m, sd_m : ndarray, shape (n,)
        Offsets at both ends, half width less the margin, standard deviation, 0 for none [m].

    Returns
    -------
    ndarray, shape (n,)
    """
    sd = np.maximum(sd_m, 1e-12)  # a picometre stands for no error: the same formula serves
    z0, z1, h = offset0_m / sd, offset1_m / sd, half_width_m / sd
    flat = np.abs(z1 - z0) < FLAT
    middle = 0.5 * (z0 + z1)
    out = np.empty(len(z0))
    out[flat] = ndtr(middle[flat] - h[flat]) + ndtr(-middle[flat] - h[flat])
    # Without any error a place at the very edge holds, as in `miss_probability`.
    exact = flat & (np.asarray(sd_m) == 0.0)
    out[exact] = np.abs(middle[exact]) > h[exact]
    sloped = ~flat
    z0, z1, width = z0[sloped], z1[sloped], h[sloped]
    out[sloped] = (_missed_until(z1, width) - _missed_until(z0, width)) / (z1 - z0)
    return np.where(half_width_m < 0, 1.0, np.clip(out, 0.0, 1.0))


def _missed_until(z: np.ndarray, h: np.ndarray) -> np.ndarray:
    """The probability of missing, integrated from offset 0 to z, in units of the sd."""
    return _ramp(z - h) - _ramp(-z - h)


def _ramp(z: np.ndarray) -> np.ndarray:
    return z * ndtr(z) + np.exp(-0.5 * z * z) / np.sqrt(2.0 * np.pi)


def _miss_shares(
    pieces: Pieces, spans: Spans, group: np.ndarray, half_width_m: np.ndarray, sd_m: np.ndarray
) -> np.ndarray:
    """Expected missed share of each piece under each tier, shape (pieces, tiers); NaN without a strip or crossing one.

    Half width and standard deviations are those of the groups that `group` names for each span.
    """
    span = pieces.span
    last = np.append(span[1:], len(spans.row) - 1) if len(span) else span
    out = np.empty((len(span), sd_m.shape[1]))
    asked = np.cumsum(last - span + 1)  # spans looked at up to each piece
    cuts = np.searchsorted(asked, np.arange(0, asked[-1] if len(span) else 0, _SPANS_AT_ONCE))
    for some in map(slice, cuts, [*cuts[1:], len(span)]):
        piece, part, length, offset0, offset1 = _parts_on_strips(pieces.take(some), last=last[some], spans=spans)
        count, mine = len(span[some]), group[part]
        whole = np.maximum(np.bincount(piece, length, count), 1e-300)
        for k in range(out.shape[1]):
            mean = mean_miss_probability(offset0, offset1, half_width_m[mine], sd_m[mine, k])
            out[some, k] = np.bincount(piece, mean * length, count) / whole
    out[spans.kind[span] != ON_STRIP] = np.nan
    return out


def _parts_on_strips(pieces: Pieces, *, last: np.ndarray, spans: Spans) -> tuple[np.ndarray, ...]:
    """The pieces cut at the ends of spans, on strips: piece and span of each part, its length and its two offsets [m].

    `last` is the span in which each piece ends.
    """
    span, start, end = pieces.span, pieces.start_m, pieces.end_m
    count = last - span + 1
    piece = np.repeat(np.arange(len(span)), count)
    part = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count) + span[piece]
    s0, s1 = np.maximum(spans.start_m[part], start[piece]), np.minimum(spans.end_m[part], end[piece])
    keep = (spans.row[part] == spans.row[span[piece]]) & (s1 > s0) & (spans.kind[part] == ON_STRIP)
    piece, part, s0, s1 = piece[keep], part[keep], s0[keep], s1[keep]
    slope = (spans.offset1_m[part] - spans.offset0_m[part]) / spans.length_m[part]
    offset0 = spans.offset0_m[part] + slope * (s0 - spans.start_m[part])
    offset1 = spans.offset0_m[part] + slope * (s1 - spans.start_m[part])
    return piece, part, s1 - s0, offset0, offset1
