"""The shift to give the planter's lines before planting, so that they come down where the strips are."""

from dataclasses import dataclass

import numpy as np

from pipeline.core.audit import LEAST_LEAN
from pipeline.core.checked import FieldGroups, places_of_groups, shift_weights
from pipeline.core.conditioning import Posterior
from pipeline.core.groups import Groups

# Directions of travel within so many degrees are one, and it is named if it has this share of the row length.
ONE_HEADING_DEG = 10
LEAST_SHARE = 0.05


@dataclass(frozen=True)
class ShiftToGive:
    """How far the planter's lines of a field should be moved.

    Attributes
    ----------
    east_m, north_m : float
        The shift [m].
    bearing_deg, along_m, across_m : ndarray, shape (headings,)
        Directions of travel, and the shift along each and to the left of it [m]; most of the row length first.
    whole : bool
        Whether both parts of the shift are known; with one direction of travel only the part across is, and the rest
        is left as it is.
    share_before, share_after : float
        Expected missed share of the row length without the shift and with it.
    """

    east_m: float
    north_m: float
    bearing_deg: np.ndarray
    along_m: np.ndarray
    across_m: np.ndarray
    whole: bool
    share_before: float
    share_after: float


def shift_to_give(field: FieldGroups, posterior: Posterior) -> ShiftToGive | None:
    """The shift that takes the expected offset out of a field's rows; None where no row stands on a strip.

    Parameters
    ----------
    field : FieldGroups
    posterior : Posterior
        Of one tier; without checks only the planned offsets are taken out.

    Notes
    -----
    Least squares over the row length: the shift v for which offset + mean shift + n . v is smallest. A machine bias
    changes its side with the direction of travel and is no matter of a shift.
    """
    if field.length_m == 0.0:
        return None
    table, pairs, g = field.table, field.pairs, field.table.groups
    offset = field.offset_m + posterior.moments(*places_of_groups(g, pairs))[0]
    normal = np.column_stack([g.normal_x, g.normal_y])
    move, whole = _least_squares(normal, -offset, g.length_m)
    share = [
        float((table.missed_m * shift_weights(table, pairs, posterior, moved_m=moved)).sum() / field.length_m)
        for moved in (0.0, normal @ move)
    ]
    return ShiftToGive(float(move[0]), float(move[1]), *_by_heading(g, move), whole, *share)


def _least_squares(normal: np.ndarray, wanted: np.ndarray, weight: np.ndarray) -> tuple[np.ndarray, bool]:
    """The vector v with n . v nearest to what is wanted, and whether both its parts are known."""
    total = weight.sum()
    size, direction = np.linalg.eigh(normal.T @ (normal * weight[:, None]) / total)
    toward = direction.T @ (normal.T @ (wanted * weight)) / total
    # Where normals lean the other way by less, that part of a shift is unknown, as in the audit of the logs.
    known = size > LEAST_LEAN**2
    return direction[:, known] @ (toward[known] / size[known]), bool(known.all())


def _by_heading(groups: Groups, move: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Bearings of the planter's travel, and the shift along and across each."""
    # The planter travels as the strip does, or against it; its left is the strip's left, or its right.
    left = np.column_stack([groups.normal_x, groups.normal_y]) * groups.heading[:, None]
    bearing = np.degrees(np.arctan2(left[:, 1], -left[:, 0])) % 360.0
    alike = _headings(bearing, groups.length_m)
    mean = np.array([(left[one] * groups.length_m[one, None]).sum(axis=0) for one in alike]).reshape(-1, 2)
    mean /= np.hypot(*mean.T)[:, None]
    travel = np.column_stack([mean[:, 1], -mean[:, 0]])
    return np.degrees(np.arctan2(travel[:, 0], travel[:, 1])) % 360.0, travel @ move, mean @ move


def _headings(bearing_deg: np.ndarray, length_m: np.ndarray) -> list[np.ndarray]:
    """Masks of the bearings that are one heading, most of the length first.

    Each is the fullest window over what is left by those before it: no edge that lies fixed parts one heading.
    """
    left_m, least_m, half = length_m.copy(), LEAST_SHARE * length_m.sum(), ONE_HEADING_DEG // 2
    # Window k goes from k - half to k + half degrees; this is the last one that a bearing is in.
    last = np.floor(bearing_deg + half).astype(np.int64) % 360
    out: list[np.ndarray] = []
    while True:
        by_degree = np.bincount(last, left_m, 360)
        # To a micrometre, or rounding would choose between headings of one length.
        full_m = np.round(sum(np.roll(by_degree, -k) for k in range(ONE_HEADING_DEG)), 6)
        window = int(np.argmax(full_m))
        if full_m[window] <= least_m:
            return out
        inside = ((last - window) % 360 < ONE_HEADING_DEG) & (left_m > 0.0)
        out.append(inside)
        left_m[inside] = 0.0
