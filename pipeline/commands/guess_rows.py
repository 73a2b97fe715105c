"""Row count and spacing of an implement from the distance between its neighbouring passes."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipeline.core.show import INCH_M

#: Usual spacings [m] as they are written, the likeliest first.
SPACINGS = {
    "30 in": 30 * INCH_M, "75 cm": 0.75, "20 in": 20 * INCH_M, "50 cm": 0.5, "22 in": 22 * INCH_M, "15 in": 15 * INCH_M,
    "45 cm": 0.45, "36 in": 36 * INCH_M, "38 in": 38 * INCH_M, "70 cm": 0.7, "60 cm": 0.6, "80 cm": 0.8, "90 cm": 0.9,
    "100 cm": 1.0, "40 in": 40 * INCH_M,
}  # fmt: skip
#: Usual numbers of row units, the likeliest first.
COUNTS = (12, 16, 24, 8, 6, 18, 36, 4, 32, 48)
#: A distance fits within this share: loggers wander by a few centimetres in some ten metres.
FITS_WITHIN = 0.01
#: Share of the passes that must lie at one distance.
AGREE = 0.5
#: Passes nearer to one another than this are single rows [m].
SINGLE_BELOW_M = 1.3


@dataclass(frozen=True)
class RowsGuess:
    """How an implement's rows are spaced; a value of None was not found."""

    row_count: int | None
    row_spacing: str | None
    why: str


def guess_rows(distances_m: pd.Series, counts: pd.Series | None, spacings_m: pd.Series | None) -> RowsGuess:
    """Guess what is not known of row count and spacing.

    Parameters
    ----------
    distances_m : Series
        From each pass to its neighbour [m]; NaN where there is none.
    counts, spacings_m : Series or None
        What the layer says of each pass, if it does.

    Returns
    -------
    RowsGuess
    """
    found = distances_m.dropna()
    if len(found) < 2:
        return RowsGuess(None, None, "too few passes lie beside one another to measure their distance")
    if counts is not None:
        return _spacing_of(found, counts.reindex(found.index))
    width_m = float(found.median())
    if (np.abs(found / width_m - 1) > 3 * FITS_WITHIN).mean() > 1 - AGREE:
        apart = f"{found.min():.2f} to {found.max():.2f} m"
        return RowsGuess(None, None, f"neighbouring passes lie {apart} apart, most of them at no one distance")
    if spacings_m is not None:
        return _count_of(width_m, float(spacings_m.median()))
    return _both_of(width_m)


def _spacing_of(found: pd.Series, counts: pd.Series) -> RowsGuess:
    each_m = (found / counts).dropna()
    if len(each_m) == 0:
        return RowsGuess(None, None, "the passes that have a neighbour have no row count")
    spacing_m = float(each_m.median())
    measured = f"neighbouring passes lie {found.median():.2f} m apart, which is {spacing_m:.3f} m a row"
    name = usual(spacing_m)
    if name is None:
        return RowsGuess(None, None, f"{measured}; that is no usual spacing")
    return RowsGuess(None, name, f"{measured}; the nearest usual spacing, measured on {len(each_m)} passes")


def _count_of(width_m: float, spacing_m: float) -> RowsGuess:
    count = round(width_m / spacing_m)
    measured = f"neighbouring passes lie {width_m:.2f} m apart, with rows every {spacing_m:.3f} m"
    if count < 1 or abs(count * spacing_m / width_m - 1) > 2 * FITS_WITHIN:
        return RowsGuess(None, None, f"{measured}; that is no whole number of rows")
    return RowsGuess(count, None, measured)


def _both_of(width_m: float) -> RowsGuess:
    measured = f"neighbouring passes lie {width_m:.3g} m apart"
    if width_m < SINGLE_BELOW_M:
        return RowsGuess(1, usual(width_m) or f"{width_m:.3f} m", f"{measured}, so each is a single row")
    fits = [
        (count, name) for name, spacing_m in SPACINGS.items() for count in COUNTS
        if abs(count * spacing_m / width_m - 1) <= FITS_WITHIN
    ]  # fmt: skip
    if not fits:
        return RowsGuess(None, None, f"{measured}, no usual number of rows at a usual spacing")
    others = ", ".join(f"{count} x {name}" for count, name in fits[1:5])
    also = f"; so would {others} be" if others else ""
    return RowsGuess(*fits[0], f"{measured}, which is {fits[0][0]} x {fits[0][1]}{also}")


def usual(spacing_m: float) -> str | None:
    """The usual spacing that a measured one is [m], as it is written; None where it is none."""
    name = min(SPACINGS, key=lambda name: abs(SPACINGS[name] / spacing_m - 1))
    return name if abs(SPACINGS[name] / spacing_m - 1) <= FITS_WITHIN else None
