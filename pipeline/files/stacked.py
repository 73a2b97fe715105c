"""Tables put together from columns: one frame at the end, since each costs as much as thousands of its figures."""

from collections.abc import Iterable, Mapping

import numpy as np
import pandas as pd


def stacked(parts: Iterable[Mapping[str, object]]) -> pd.DataFrame:
    """A table of the lines of all parts, one part below the other.

    Parameters
    ----------
    parts : iterable of mapping of str to ndarray or scalar
        Columns of each part, the same in all; the first is an array, and a scalar stands for as many.
    """
    filled = [_filled(part) for part in parts]
    return pd.DataFrame({name: np.concatenate([part[name] for part in filled]) for name in filled[0]})


def _filled(part: Mapping[str, object]) -> dict[str, np.ndarray]:
    lines = len(np.asarray(next(iter(part.values()))))
    return {name: _column(value, lines) for name, value in part.items()}


def _column(value: object, lines: int) -> np.ndarray:
    if isinstance(value, str):  # else numpy would make it text of one length
        return np.full(lines, value, object)
    return np.asarray(value) if np.ndim(value) else np.full(lines, value)
