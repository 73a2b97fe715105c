"""What a page needs to ask "what if": row length by pair and offset (`reduced`), with bins that a page can carry.

Expected lengths are read off the pairs, at the pipeline's own millimetre. The spread of the missed share is drawn from
groups of one pair and direction, at bins of `COARSE_MM`: drawing is less exact than that anyway.
"""

from dataclasses import dataclass

import numpy as np

from pipeline.core.groups import Groups
from pipeline.core.offsets import ON_STRIP, Spans
from pipeline.core.pairs import Pairs, Places
from pipeline.core.reduced import Reduced, Scale
from pipeline.core.returns import ReturnError

COARSE_MM = 5


@dataclass(frozen=True)
class PageModel:
    """Row length on strips of one field.

    Attributes
    ----------
    pairs : Pairs
        Of the spans on strips.
    pair_m : ndarray, shape (pairs, bins)
        Length by offset [m], in bins of a millimetre.
    first_mm : int
        Offset of the first of those bins [mm].
    groups : Groups
        By pair, direction and heading.
    group_m : ndarray, shape (groups, coarse bins)
        Length by offset [m], in bins of `COARSE_MM`.
    first_coarse_mm : int
        Offset of the first of those [mm].
    """

    pairs: Pairs
    pair_m: np.ndarray
    first_mm: int
    groups: Groups
    group_m: np.ndarray
    first_coarse_mm: int

    @classmethod
    def of(cls, spans: Spans, places: Places, errors: dict[str, ReturnError]) -> "PageModel":
        """Of all spans of a field; those that lie on no strip have no part in it."""
        on = np.flatnonzero(spans.kind == ON_STRIP)
        alone = np.zeros(len(on), np.int64)
        pairs = Pairs.of(places.take(on), errors)
        scale = Scale.over(spans, half_width_m=pairs.half_width_m, wander_sd_m=0.0)
        mean = pairs.mean_normals(spans.normal_x[on], spans.normal_y[on], spans.length_m[on])
        reduced = Reduced.by_parts(spans, which=on, owner=alone, pair=pairs.of_place, scale=scale, mean=mean)
        pair_m = np.zeros((len(pairs.half_width_m), scale.bins))
        np.add.at(pair_m, reduced.groups.pair, reduced.length_m)
        first = round(1000 * scale.origin_m)
        coarse, first_coarse = coarser(reduced.length_m, first)
        return cls(pairs, pair_m, first, reduced.groups, coarse, first_coarse)


def coarser(length_m: np.ndarray, first_mm: int) -> tuple[np.ndarray, int]:
    """Length by offset in bins of `COARSE_MM`, and the offset of the first [mm].

    Each bin of a millimetre is shared between its two neighbours so that its mean is kept; one of the new bins is
    centred on zero.

    Parameters
    ----------
    length_m : ndarray, shape (n, bins)
    first_mm : int
        Offset of its first bin [mm].
    """
    offset = first_mm + np.arange(length_m.shape[1])
    low = np.floor_divide(offset, COARSE_MM)
    upper = (offset - COARSE_MM * low) / COARSE_MM
    share = np.zeros((len(offset), low[-1] - low[0] + 2))
    share[np.arange(len(offset)), low - low[0]] = 1.0 - upper
    share[np.arange(len(offset)), low - low[0] + 1] += upper
    return length_m @ share, int(COARSE_MM * low[0])
