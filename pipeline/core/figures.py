"""Figures of rows added up to passes and fields."""

import numpy as np
import pandas as pd

from pipeline import columns as c

_SUMS = [
    c.ROW_COUNT, c.ROW_LENGTH_M, c.HOLDS_M, c.DOUBT_M, c.MISSES_M, c.NO_STRIP_M, c.CROSSING_M, c.OUTSIDE_M,
    c.EXPECTED_MISS_M, c.MISS_ANY_M, c.ROWS_MISSED, c.RASTER_HOLDS_M, c.RASTER_DOUBT_M, c.RASTER_MISSES_M,
    c.TOLERANCE_M,
]  # fmt: skip

_SHARES = (c.EXPECTED_MISS_SHARE, c.P10, c.P50, c.P90, c.CHECKED_SHARE, *c.CHECKED_SHARES)


def without_empty_shares(figures: pd.DataFrame) -> pd.DataFrame:
    """Figures with no share where no row stands by a strip: of no length there is none, and 0 would read as a good one."""
    judged = figures[[c.HOLDS_M, c.DOUBT_M, c.MISSES_M]].sum(axis=1) > 0.0
    return figures.assign(**{name: figures[name].where(judged) for name in _SHARES if name in figures})


def summed(rows: pd.DataFrame, keys: list[str]) -> pd.DataFrame:
    """One line for each value of `keys`: lengths and counts added up, the longest run of all, shares anew.

    Parameters
    ----------
    rows : DataFrame
        Lines of planted rows; columns of the raster route may be missing.
    keys : list of str
    """
    grouped = rows.groupby(keys, sort=False)
    out = grouped[[name for name in _SUMS if name in rows]].sum()
    # A field without checks has no figures after them, not zero metres.
    checked = [name for name in c.CHECKED_SUMS if name in rows]
    out[checked] = grouped[checked].sum(min_count=1)
    out[c.LONGEST_RUN_M] = grouped[c.LONGEST_RUN_M].max()
    return with_shares(out.reset_index())


def of_fields(facts: pd.DataFrame, rows: pd.DataFrame) -> pd.DataFrame:
    """Figures of fields under each tier; a field without planted rows keeps its line, with nothing in it.

    Parameters
    ----------
    facts : DataFrame
        One line a field and tier: what rows do not add up to.
    rows : DataFrame
        As for `summed`.
    """
    keys = [c.FIELD_ID, c.TIER]
    whole = facts.merge(summed(rows, keys), on=keys, how="left", validate="one_to_one")
    figures = [name for name in whole if name not in facts and name not in c.CHECKED_FIELD]
    return whole.fillna(dict.fromkeys(figures, 0))


def with_shares(table: pd.DataFrame) -> pd.DataFrame:
    """The expected missed share of the length on strips, and how far the two routes differ, of the row length."""
    on_strips = table[[c.HOLDS_M, c.DOUBT_M, c.MISSES_M]].to_numpy()
    table = table.assign(
        **{c.EXPECTED_MISS_SHARE: table[c.EXPECTED_MISS_M] / np.maximum(on_strips.sum(axis=1), 1e-9)}
    )
    if c.CHECKED_SUMS[0] in table:
        checked = table[c.CHECKED_SUMS].to_numpy()
        table = table.assign(**{c.CHECKED_SHARE: checked[:, 3] / np.maximum(checked[:, :3].sum(axis=1), 1e-9)})
    if c.RASTER_HOLDS_M not in table:
        return table
    raster = table[[c.RASTER_HOLDS_M, c.RASTER_DOUBT_M, c.RASTER_MISSES_M]].to_numpy()
    length = np.maximum(table[c.ROW_LENGTH_M], 1e-9)
    return table.assign(**{
        c.RASTER_GAP_SHARE: np.abs(raster - on_strips).max(axis=1) / length,
        c.RASTER_TOLERANCE_SHARE: table[c.TOLERANCE_M] / length,
    })  # fmt: skip
