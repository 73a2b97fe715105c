"""The pairs of passes of a field: what each place belongs to, and how wide the classes are under each tier."""

from collections.abc import Mapping
from dataclasses import dataclass, fields
from functools import cached_property

import numba
import numpy as np

from pipeline.core.accuracy import ON_LIMIT_M, Z95
from pipeline.core.place_odds import even_odds_offset
from pipeline.core.returns import ReturnError


@dataclass(frozen=True)
class Places:
    """What the odds need to know of each span; arrays of shape (n,). Off the strips, strip pass and width mean nothing.

    Attributes
    ----------
    row : ndarray of int
        Planted row, as the tables count it.
    planter_pass, strip_pass : ndarray of int
        Number of the pass, or of the stretch of one, in the return error.
    half_width_m : ndarray
        Half strip width less the margin [m].
    """

    row: np.ndarray
    planter_pass: np.ndarray
    strip_pass: np.ndarray
    half_width_m: np.ndarray

    def take(self, which: np.ndarray | slice) -> "Places":
        """The places at an index, mask or slice."""
        return Places(**{f.name: getattr(self, f.name)[which] for f in fields(self)})


@dataclass(frozen=True)
class Pairs:
    """Distinct pairs of passes (and half widths) in a field; arrays of shape (pairs,) except where said.

    Attributes
    ----------
    of_place : ndarray of int, shape (n,)
        The pair that each place belongs to.
    strip_pass, planter_pass : ndarray of int
    half_width_m : ndarray
        Half strip width less the margin [m].
    sd_m, shift_sd_m : ndarray, shape (pairs, tiers)
        Standard deviation of the offset under each tier, with and without the wander [m].
    """

    of_place: np.ndarray
    strip_pass: np.ndarray
    planter_pass: np.ndarray
    half_width_m: np.ndarray
    sd_m: np.ndarray
    shift_sd_m: np.ndarray

    @classmethod
    def of(cls, places: Places, errors: Mapping[str, ReturnError]) -> "Pairs":
        """Pairs of some places under the return error of every tier."""
        # Float noise between equal widths is no difference: they are told apart to a nanometre.
        width = np.round(places.half_width_m * 1e9).astype(np.int64)
        first, of_place = unique_keys(places.planter_pass, places.strip_pass, width)
        strip_pass, planter_pass = places.strip_pass[first], places.planter_pass[first]
        sd, shift_sd = (
            np.column_stack([getattr(error, name)(strip_pass, planter_pass) for error in errors.values()])
            for name in ("sd", "shift_sd")
        )
        return cls(of_place, strip_pass, planter_pass, places.half_width_m[first], sd, shift_sd)

    @cached_property
    def hold_m(self) -> np.ndarray:
        """A place holds up to this |offset| [m], shape (pairs, tiers); negative where none does."""
        return self.half_width_m[:, None] - Z95 * self.sd_m + ON_LIMIT_M

    @cached_property
    def reach_m(self) -> np.ndarray:
        """A place misses beyond this |offset| [m], shape (pairs, tiers)."""
        return self.half_width_m[:, None] + Z95 * self.sd_m + ON_LIMIT_M

    @cached_property
    def even_m(self) -> np.ndarray:
        """Beyond this |offset| missing is likelier than not [m], shape (pairs, tiers); -1 where it always is."""
        return even_odds_offset(np.broadcast_to(self.half_width_m[:, None], self.sd_m.shape), self.sd_m)

    def mean_normals(self, normal_x: np.ndarray, normal_y: np.ndarray, length_m: np.ndarray) -> np.ndarray:
        """Unit mean normal of the strip of each pair, shape (pairs, 2), from those at the places, (n,) each.

        Where a pass goes round a circle it has no mean, and any direction will do.
        """
        _, east, north = sums_of_normals(self.of_place, normal_x, normal_y, length_m, len(self.sd_m))
        size = np.hypot(east, north)
        round_ = size < 1e-9
        return np.column_stack([np.where(round_, 1.0, east), north]) / np.where(round_, 1.0, size)[:, None]


@numba.njit(cache=True, nogil=True)
def sums_of_normals(owner, normal_x, normal_y, length, owners):
    """Length of every owner, and its length times the normals (east, north), shape (3, owners); arrays of shape (n,)."""
    out = np.zeros((3, owners))
    for i in range(len(owner)):
        k = owner[i]
        out[0, k] += length[i]
        out[1, k] += length[i] * normal_x[i]
        out[2, k] += length[i] * normal_y[i]
    return out


def unique_keys(*columns: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Where each distinct key is first met, and which one each place has; integer columns of one length.

    Neighbours mostly share their key, so runs are found first and only the runs are sorted.
    """
    if len(columns[0]) == 0:
        return np.zeros(0, np.int64), np.zeros(0, np.int64)
    new = np.ones(len(columns[0]), bool)
    new[1:] = columns[0][1:] != columns[0][:-1]
    for column in columns[1:]:
        new[1:] |= column[1:] != column[:-1]
    heads = np.flatnonzero(new)
    # One number a key, in the order of the keys: numpy sorts numbers far quicker than rows.
    key = np.zeros(len(heads), np.int64)
    for column in columns:
        values, rank = np.unique(column[heads], return_inverse=True)
        key = key * len(values) + rank
    _, first, member = np.unique(key, return_index=True, return_inverse=True)
    return heads[first], np.repeat(member, np.diff(heads, append=len(new)))
