"""Which way lines run at places along them."""

import numpy as np
import shapely

# Rows at more than this to a strip cross it, and passes at more than this to another lie beside none of it [deg].
CROSSING_ANGLE_DEG = 20.0


def ahead(lines: np.ndarray, at_m: np.ndarray) -> np.ndarray:
    """Direction of each line at a place along it, over a metre where there is one.

    Parameters
    ----------
    lines : ndarray of LineString, broadcast against `at_m`
    at_m : ndarray
        Distance along each line [m].

    Returns
    -------
    ndarray, shape of `at_m` and (2,)
        Unit vectors.
    """
    length = shapely.length(lines)
    ends = [shapely.line_interpolate_point(lines, np.clip(at_m + by, 0.0, length)) for by in (-0.5, 0.5)]
    step = np.stack([shapely.get_x(ends[1]) - shapely.get_x(ends[0]), shapely.get_y(ends[1]) - shapely.get_y(ends[0])], -1)
    return step / np.maximum(np.hypot(step[..., 0], step[..., 1]), 1e-12)[..., None]
