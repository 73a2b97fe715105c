"""How far two independent routes may differ, and how far they do."""

from dataclasses import dataclass

import numpy as np

from pipeline.core.lengths import class_pieces, length_within
from pipeline.core.offsets import ON_STRIP, Spans
from pipeline.core.pairs import Pairs, Places
from pipeline.core.returns import ReturnError

# Bisector and nearest point measure a bend a little differently; offsets this near a limit may fall either way.
BEND_M = 0.0005


@dataclass(frozen=True)
class RouteAgreement:
    """Exact against raster for one tier.

    Attributes
    ----------
    gap_m : float
        Largest difference of a class's length in the field [m].
    tolerance_m : float
        What the cell size allows in the field [m].
    tolerance_by_row_m : ndarray, shape (rows,)
        The same for each row; they add up to the field's.
    """

    gap_m: float
    tolerance_m: float
    tolerance_by_row_m: np.ndarray


def route_agreement(
    spans: Spans, places: Places, errors: dict[str, ReturnError], counted: np.ndarray, *, cell_m: float
) -> dict[str, RouteAgreement]:
    """Compare both routes, tier by tier.

    Parameters
    ----------
    spans, places : the exact route's spans
    errors : dict of tier id to ReturnError
    counted : ndarray, shape (tiers, rows, 6)
        Length by class code of the raster [m], in the order of `errors`.
    cell_m : float
        Cell size [m].

    Notes
    -----
    A cell gives the whole of its piece of row to the class at the middle of the piece, so it is wrong only
    where the class changes inside the cell, and then by half the diagonal at most: cell / sqrt(2). The
    tolerance is that times the number of changes and of row ends, plus the length within `BEND_M` of a limit.
    """
    rows = counted.shape[1]
    pairs = Pairs.of(places, errors)
    hold, reach = pairs.hold_m, pairs.reach_m
    on = spans.kind == ON_STRIP
    within = length_within(
        spans.offset0_m[on], spans.offset1_m[on], spans.length_m[on], pairs.of_place[on], places.row[on],
        np.column_stack([hold + BEND_M, hold - BEND_M, reach + BEND_M, reach - BEND_M]), rows,
    ).reshape(rows, 4, len(errors))  # fmt: skip
    unsure = within[:, 0] - within[:, 1] + within[:, 2] - within[:, 3]
    out = {}
    for number, tier in enumerate(errors):
        _, start, end, span, classes = class_pieces(
            spans.offset0_m, spans.offset1_m, spans.start_m, spans.end_m, spans.row, pairs.of_place, spans.kind,
            hold[:, [number]], reach[:, [number]],
        )  # fmt: skip
        exact = np.bincount(classes[:, 0], end - start, 5)
        changes = np.bincount(places.row[span], minlength=rows)
        tolerance = cell_m / np.sqrt(2.0) * (changes + 1) + unsure[:, number]
        gap = np.abs(counted[number, :, 1:].sum(axis=0) - exact).max(initial=0.0)
        out[tier] = RouteAgreement(float(gap), float(tolerance.sum()), tolerance)
    return out
