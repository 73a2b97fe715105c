"""Logged offsets as samples at an even step along each planter pass: what the audit reads."""

from dataclasses import dataclass, fields

import numpy as np

from pipeline.core.offsets import ON_STRIP, Spans
from pipeline.core.pairs import Places
from pipeline.errors import InputError

#: Step along a pass [m]: a third of the length over which steering usually wanders.
STEP_M = 5.0

# ASSUME: where a row leaves the field and comes back, the wander has forgotten itself; how far it was away is not known.
PIECE_GAP_M = 1000.0


@dataclass(frozen=True)
class Samples:
    """Logged offsets at places along planter passes; arrays of shape (n,) except where said.

    Attributes
    ----------
    offset_m : ndarray
        Logged signed offset, positive left of the strip's travel [m].
    normal : ndarray, shape (n, 2)
        Unit left normal of the strip (east, north).
    heading : ndarray of int
        +1 where the planter travels as the strip did, -1 where against it.
    planter_pass : ndarray of int
    along_m : ndarray
        Distance along the pass [m]; no two samples of a pass share one.
    day : ndarray of int
        Number of the pair of visits, autumn's and spring's.
    """

    offset_m: np.ndarray
    normal: np.ndarray
    heading: np.ndarray
    planter_pass: np.ndarray
    along_m: np.ndarray
    day: np.ndarray

    def __len__(self) -> int:
        return len(self.offset_m)

    def take(self, which: np.ndarray | slice) -> "Samples":
        """The samples at an index, mask or slice; `samples.take(samples.day == 3)` audits one day by itself."""
        return Samples(**{f.name: getattr(self, f.name)[which] for f in fields(self)})

    def in_order(self) -> "Samples":
        """The samples pass by pass, along each.

        Raises
        ------
        InputError
            If a value is not finite, a heading is neither +1 nor -1, or two samples of a pass lie at one place.
        """
        values = np.column_stack([self.offset_m, self.along_m, self.normal])
        if not np.isfinite(values).all():
            raise InputError("audit: an offset, normal or distance along a pass is not finite, expected finite numbers")
        if not np.isin(self.heading, (-1, 1)).all():
            raise InputError("audit: a heading is neither +1 nor -1, expected samples on strips only")
        out = self.take(np.lexsort((self.along_m, self.planter_pass)))
        again = (np.diff(out.planter_pass) == 0) & (np.diff(out.along_m) <= 0.0)
        if again.any():
            at = int(np.flatnonzero(again)[0])
            raise InputError(
                f"audit: planter pass {out.planter_pass[at]} has two samples at {out.along_m[at]:g} m along it, expected one"
            )
        return out


def samples_of(spans: Spans, places: Places, *, day: np.ndarray, step_m: float = STEP_M) -> Samples:
    """Offsets at an even step along one row of each planter pass.

    Parameters
    ----------
    spans : Spans, shape (n,)
    places : Places, shape (n,)
    day : ndarray of int, shape (n,)
        Pair of visits of each span; off the strips it means nothing.
    step_m : float
        Distance between samples [m].

    Returns
    -------
    Samples
        In the order of the spans; at the middles of the steps, where these lie on a strip.

    Notes
    -----
    All row units of a pass share one receiver, so their offsets are copies, and the row with the most length on
    strips speaks for its pass. Averaging the rows would add nothing and take something away: at a slanting
    boundary each row begins elsewhere along the pass, so a mean of the rows would smooth the wander.
    """
    spoken = np.flatnonzero((spans.kind == ON_STRIP) & _longest_rows(spans, places)[places.row])
    first, beyond = (np.ceil(at[spoken] / step_m - 0.5).astype(np.int64) for at in (spans.start_m, spans.end_m))
    count = beyond - first
    of = np.repeat(spoken, count)
    step = np.repeat(first - np.cumsum(count) + count, count) + np.arange(count.sum())
    # Where one span ends and the next begins, rounding may give a place to both.
    once = (np.diff(step, prepend=-1) != 0) | (np.diff(spans.row[of], prepend=-1) != 0)
    of, at_m = of[once], (step[once] + 0.5) * step_m
    share = (at_m - spans.start_m[of]) / (spans.end_m - spans.start_m)[of]
    return Samples(
        offset_m=spans.offset0_m[of] + share * (spans.offset1_m - spans.offset0_m)[of],
        normal=np.column_stack([spans.normal_x[of], spans.normal_y[of]]),
        heading=spans.heading[of].astype(np.int64),
        planter_pass=places.planter_pass[of],
        along_m=at_m + _piece_starts(spans, places)[spans.row[of]],
        day=day[of],
    )


def _longest_rows(spans: Spans, places: Places) -> np.ndarray:
    """Whether each row has the most length on strips of its pass, the first of equals; shape (rows,)."""
    rows = int(places.row.max(initial=-1)) + 1
    length_m = np.bincount(places.row, np.where(spans.kind == ON_STRIP, spans.length_m, 0.0), rows)
    of_pass = np.full(rows, -1, np.int64)
    of_pass[places.row] = places.planter_pass
    # To a micrometre: equal rows of a straight pass differ by rounding.
    order = np.lexsort((np.arange(rows), -np.round(length_m, 6), of_pass))
    longest = np.zeros(rows, bool)
    longest[order[np.diff(of_pass[order], prepend=-2) != 0]] = True
    return longest


def _piece_starts(spans: Spans, places: Places) -> np.ndarray:
    """Where along its row each planted line begins [m], its pieces one after the other; shape (lines,)."""
    lines = int(spans.row.max(initial=-1)) + 1
    end_m, row = np.zeros(lines), np.full(lines, -1, np.int64)
    np.maximum.at(end_m, spans.row, spans.end_m)
    row[spans.row] = places.row
    before_m = np.cumsum(end_m + PIECE_GAP_M) - end_m - PIECE_GAP_M
    new = np.diff(row, prepend=-2) != 0
    return before_m - np.maximum.accumulate(np.where(new, before_m, 0.0))
