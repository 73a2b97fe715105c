"""Coarser versions of a raster of classes, in which rows a cell wide neither break up nor vanish."""

import numba
import numpy as np


def halved(cells: np.ndarray) -> np.ndarray:
    """Cells of twice the size.

    Parameters
    ----------
    cells : ndarray of uint8, shape (bands, lines, columns)
        Class codes; 0 is a cell without a planted row.

    Returns
    -------
    ndarray of uint8, shape (bands, half the lines, half the columns), rounded up
        Of the two by two cells under each that have a row the class that most of them have; of equally many the
        higher code, as where rows share a cell.
    """
    bands, lines, columns = cells.shape
    out = np.empty((bands, (lines + 1) // 2, (columns + 1) // 2), np.uint8)
    _halve(cells, out)
    return out


@numba.njit(cache=True, nogil=True)
def _halve(cells, out):
    lines, columns = cells.shape[1:]
    none = np.zeros(columns, np.uint8)
    for band in range(cells.shape[0]):
        for line in range(out.shape[1]):
            upper = cells[band, 2 * line]
            lower = cells[band, 2 * line + 1] if 2 * line + 1 < lines else none
            for column in range(columns // 2):  # without a branch, so that many columns are worked at a time
                left = 2 * column
                out[band, line, column] = _commonest(upper[left], upper[left + 1], lower[left], lower[left + 1])
            if columns % 2:
                out[band, line, columns // 2] = max(upper[columns - 1], lower[columns - 1])


@numba.njit(cache=True)
def _commonest(a, b, c, d):
    """The commonest of four codes that is not 0, of equally many the highest."""
    a, b, c, d = min(a, b), max(a, b), min(c, d), max(c, d)
    highest, least = max(b, d), min(a, c)
    low, high = min(b, d), max(a, c)
    second, third = max(low, high), min(low, high)
    # Another is commoner than the highest only where that stands alone, and two or three of it are alike.
    other = second if second == third else (third if third == least else np.uint8(0))
    return other if (second != highest) & (other != 0) else highest
