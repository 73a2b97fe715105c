"""The order in which passes are taken to have been worked where no times were logged."""

import numpy as np
import shapely

from pipeline.core.operations import Clock

# Below this share of common direction a field has none: its passes are rings.
LEAST_COMMON_DIRECTION = 0.35
# A direction and its reverse are one, so somewhere the sides of the field change places. Passes often run north and south
# but for rounding, so that is not there but 10 degrees west of it.
_FOLD = np.radians(80.0)
_RING_SHARES = (np.arange(72) + 0.5) / 72


def working_order(lines: np.ndarray) -> np.ndarray:
    """Passes from one side of the field to the other, or from the inner ring to the outer.

    Deliberately blind to the order of the features: a layer written anew in another order is the same layer.

    Parameters
    ----------
    lines : ndarray of LineString, shape (k,)
        Centre lines [m].

    Returns
    -------
    ndarray of int, shape (k,)
    """
    xy, owner = shapely.get_coordinates(lines, return_index=True)
    step = np.diff(xy, axis=0)[owner[1:] == owner[:-1]]
    length = np.hypot(step[:, 0], step[:, 1])
    doubled = np.sum(length * np.exp(2j * np.arctan2(step[:, 1], step[:, 0]))) / max(length.sum(), 1e-12)
    middle = shapely.get_coordinates(shapely.line_interpolate_point(lines, 0.5, normalized=True))
    if np.abs(doubled) < LEAST_COMMON_DIRECTION:
        place = _from_centre(lines)
    else:
        direction = (0.5 * np.angle(doubled) + _FOLD) % np.pi - _FOLD
        place = middle @ np.array([-np.sin(direction), np.cos(direction)])
    return np.lexsort([middle[:, 1], middle[:, 0], np.round(place, 3)])


def _from_centre(lines: np.ndarray) -> np.ndarray:
    """Mean distance of each line from the centre of all [m], by length: vertices lie closer in bends than elsewhere."""
    centre = shapely.centroid(shapely.multilinestrings(lines))
    places = shapely.line_interpolate_point(lines[:, None], _RING_SHARES, normalized=True)
    return shapely.distance(places, centre).mean(axis=1)


def clock_of(lines: np.ndarray, time_s: np.ndarray, *, width_m: np.ndarray, capacity_m2_s: float) -> Clock:
    """Clock of the passes: the logged times, or else the working order at the field capacity.

    Parameters
    ----------
    lines : ndarray of LineString, shape (k,)
    time_s : ndarray, shape (k,)
        Middle of each pass [s]; not finite where it was not logged.
    width_m : ndarray, shape (k,)
        Width of each pass [m].
    capacity_m2_s : float
        Field capacity of the operation [m^2/s].

    Notes
    -----
    ASSUME: where any pass of the field lacks its time, none is used; times of a part would tear the order.
    """
    if np.all(np.isfinite(time_s)):
        return Clock.from_times(time_s)
    order = working_order(lines)
    lasts = (shapely.length(lines) * width_m / capacity_m2_s)[order]
    out = np.empty(len(lines))
    out[order] = np.cumsum(lasts) - 0.5 * lasts
    return Clock(out, np.zeros(len(lines), np.int64))
