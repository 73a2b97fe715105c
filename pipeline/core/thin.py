"""Offsets along rows with as few places as a picture needs: piecewise linear, never farther off than told."""

from dataclasses import dataclass

import numba
import numpy as np

from pipeline.core.cut import SLIVER_M
from pipeline.core.offsets import Spans


@dataclass(frozen=True)
class Runs:
    """Unbroken parts of planted lines with one key each, and the places along them; arrays of shape (runs,) first.

    Attributes
    ----------
    line, key : ndarray of int, shape (runs,)
        Planted line, and the key that its spans share.
    count : ndarray of int, shape (runs,)
        Number of places, two at least.
    along_m, offset_m : ndarray, shape (places,)
        Distance along the row and offset there [m]; between two places the offset is linear.
    """

    line: np.ndarray
    key: np.ndarray
    count: np.ndarray
    along_m: np.ndarray
    offset_m: np.ndarray


def thin_offsets(spans: Spans, key: np.ndarray, *, tolerance_m: float) -> Runs:
    """Offsets along the rows with places left out where the rest tell them.

    Parameters
    ----------
    spans : Spans
        In order along the lines.
    key : ndarray of int, shape (n,)
        What spans must share to be joined; below zero the offset means nothing, and only the ends are kept.
    tolerance_m : float
        No place is farther off than this [m].

    Returns
    -------
    Runs

    Notes
    -----
    One pass along each line: from the last place kept, a cone holds the slopes that pass all places since within the
    tolerance; the first place outside it makes the one before it a place to keep.
    """
    line, runs, count, along, offset = _thin(
        spans.row, key, spans.start_m, spans.end_m, spans.offset0_m, spans.offset1_m, tolerance_m
    )
    return Runs(line, runs, count, along, offset)


@numba.njit(cache=True, nogil=True)
def _thin(line, key, start, end, offset0, offset1, tolerance):
    total = len(line)
    run_line, run_key, run_count = (np.empty(total, np.int64), np.empty(total, np.int64), np.zeros(total, np.int64))
    along, offset = np.empty(2 * total), np.empty(2 * total)
    runs = places = 0
    low, high = -np.inf, np.inf
    for i in range(total):
        told = key[i] >= 0
        begins = i == 0 or line[i] != line[i - 1] or key[i] != key[i - 1] or start[i] - end[i - 1] > SLIVER_M
        if begins or (told and abs(offset0[i] - offset1[i - 1]) > tolerance):
            run_line[runs], run_key[runs], run_count[runs] = line[i], key[i], 1
            along[places], offset[places] = start[i], offset0[i] if told else 0.0
            runs, places, fresh = runs + 1, places + 1, True
        else:
            fresh = False
        here, value = end[i], offset1[i] if told else 0.0
        # The last place written stands until one that the cone still allows takes its place.
        anchor = places - 1 if fresh else places - 2
        run = max(here - along[anchor], SLIVER_M)
        slope = (value - offset[anchor]) / run
        if told and not fresh:
            # Where a span begins a little aside of where the one before it ended, both are places to pass.
            reach = max(start[i] - along[anchor], SLIVER_M)
            begun = (offset0[i] - offset[anchor]) / reach
            low, high = max(low, begun - tolerance / reach), min(high, begun + tolerance / reach)
        if not fresh and not low <= slope <= high:
            anchor, run = places - 1, max(here - along[places - 1], SLIVER_M)
            slope, fresh = (value - offset[anchor]) / run, True
        if fresh:
            low, high = -np.inf, np.inf
            places += 1
            run_count[runs - 1] += 1
        along[places - 1], offset[places - 1] = here, value
        low, high = max(low, slope - tolerance / run), min(high, slope + tolerance / run)
    return run_line[:runs], run_key[:runs], run_count[:runs], along[:places], offset[:places]
