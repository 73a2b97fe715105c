"""Groups of row length that draws move alike: of one row or other owner, one pair of passes and one direction."""

from dataclasses import dataclass, fields

import numba
import numpy as np

from pipeline.core.pairs import sums_of_normals, unique_keys

# Where passes curve, strips within this angle of each other share one normal. The bins are laid about the mean normal
# of a pair, so that a pair that only wavers has one.
DIRECTION_BIN_DEG = 8.0


@dataclass(frozen=True)
class Groups:
    """What groups of row share: row, pair of passes and direction; (groups,) arrays.

    Attributes
    ----------
    owner : ndarray of int
        The row, or another thing to which the group's length is counted.
    pair, heading : ndarray of int
    normal_x, normal_y : ndarray
        Unit mean normal.
    length_m : ndarray
    """

    owner: np.ndarray
    pair: np.ndarray
    heading: np.ndarray
    normal_x: np.ndarray
    normal_y: np.ndarray
    length_m: np.ndarray

    @classmethod
    def of(cls, owner, pair, heading, normal_x, normal_y, length_m, *, mean) -> tuple["Groups", np.ndarray]:
        """Groups of places that share owner, pair, heading and direction, and the group of each place.

        `mean` holds the mean normal of every pair, (pairs, 2).
        """
        first, member = unique_keys(owner, pair, heading, _sectors(normal_x, normal_y, mean, pair))
        length, east, north = sums_of_normals(member, normal_x, normal_y, length_m, len(first))
        size = np.maximum(np.hypot(east, north), 1e-300)
        return cls(owner[first], pair[first], heading[first], east / size, north / size, length), member

    @classmethod
    def merged(cls, parts: list["Groups"], owners: list[np.ndarray], *, mean: np.ndarray) -> tuple["Groups", np.ndarray]:
        """The groups of all parts that share owner, pair and direction made one, and which of them each old one is in."""
        columns = ("pair", "heading", "normal_x", "normal_y", "length_m")
        joined = [np.concatenate([getattr(one, name) for one in parts]) for name in columns]
        return cls.of(np.concatenate(owners), *joined, mean=mean)

    def take(self, which: np.ndarray) -> "Groups":
        """The groups at an index or mask."""
        return Groups(**{f.name: getattr(self, f.name)[which] for f in fields(self)})


@numba.njit(cache=True, nogil=True)
def _sectors(normal_x, normal_y, mean, pair):
    """Number of the direction bin of each normal, counted from the mean normal of its pair."""
    out = np.empty(len(normal_x), np.int64)
    count, near = round(360 / DIRECTION_BIN_DEG), np.cos(np.radians(0.4999 * DIRECTION_BIN_DEG))
    sector, last, x, y = 0, -1, 1.0, 0.0
    for i in range(len(out)):
        # Neighbours mostly share their bin, and a product is cheaper than an angle.
        if pair[i] != last or x * normal_x[i] + y * normal_y[i] < near:
            last, mean_x, mean_y = pair[i], mean[pair[i], 0], mean[pair[i], 1]
            along, across = mean_x * normal_x[i] + mean_y * normal_y[i], mean_x * normal_y[i] - mean_y * normal_x[i]
            sector = round(np.degrees(np.arctan2(across, along)) / DIRECTION_BIN_DEG)
            turn = np.radians(sector * DIRECTION_BIN_DEG)
            x, y = mean_x * np.cos(turn) - mean_y * np.sin(turn), mean_x * np.sin(turn) + mean_y * np.cos(turn)
        out[i] = sector % count
    return out
