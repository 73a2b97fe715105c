"""A field's logged rows as the audit takes them: samples by whole passes and pairs of visits, and what is odd about them."""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from pipeline import columns as c
from pipeline.core.audit_promise import Laid
from pipeline.core.audit_samples import Samples, samples_of
from pipeline.core.offsets import ON_STRIP
from pipeline.core.pairs import Places
from pipeline.files.field_data import FieldData

# A bar this much wider than the planter has more than one planter pass on a strip pass.
_WIDER = 1.1


@dataclass(frozen=True)
class Day:
    """A pair of visits; dates in UTC, nothing where the logs have no times."""

    planted: str
    built: str


@dataclass(frozen=True)
class Logged:
    """Logged rows of one field.

    Attributes
    ----------
    samples : Samples
    laid : Laid
        Everything that lies on strips, of all rows.
    days : tuple of Day
        By number; the planter's visits in order, and in each the strips'.
    share_a_strip : int
        Planter passes that one strip pass holds; 1 unless the planter is narrower than the bar.
    """

    samples: Samples
    laid: Laid
    days: tuple[Day, ...]
    share_a_strip: int

    @classmethod
    def of(cls, field: FieldData, places: Places) -> "Logged":
        """From the spans of a field."""
        spans, row = field.spans, places.row
        on = spans.kind == ON_STRIP
        planter_pass = field.rows[c.PASS].to_numpy(np.int64)[row]
        strip_pass = np.zeros(len(row), np.int64)
        strip_pass[on] = field.strips[c.PASS].to_numpy(np.int64)[field.strip_of_line[spans.strip[on]]]
        visits = np.zeros((len(row), 2), np.int64)
        visits[:, 0] = field.planter_passes[c.VISIT].to_numpy(np.int64)[planter_pass]
        visits[on, 1] = field.strip_passes[c.VISIT].to_numpy(np.int64)[strip_pass[on]]
        pairs, number = np.unique(visits[on], axis=0, return_inverse=True)
        day = np.zeros(len(row), np.int64)
        day[on] = number.ravel()
        # A pass cut into stretches is still one pass to the audit, and its unbroken parts are one piece.
        whole = Places(row, planter_pass, strip_pass, places.half_width_m)
        parts = replace(spans, row=_unbroken(field)[spans.row])
        dates = [_dates(passes) for passes in (field.planter_passes, field.strip_passes)]
        left = spans.heading[:, None] * np.column_stack([spans.normal_x, spans.normal_y])
        laid = Laid(
            spans.length_m[on], places.strip_pass[on], places.planter_pass[on], planter_pass[on], day[on], left[on]
        )
        return cls(
            samples_of(parts, whole, day=day), laid, tuple(Day(dates[0][a], dates[1][b]) for a, b in pairs), _share(field)
        )


def _unbroken(field: FieldData) -> np.ndarray:
    """Number of the unbroken part of a row that each planted line is of."""
    row, part = field.row_of_line, field.of_line("planter", c.PART).astype(np.int64)
    return np.cumsum((np.diff(row, prepend=-1) != 0) | (np.diff(part, prepend=-1) != 0)) - 1


def _dates(passes: pd.DataFrame) -> list[str]:
    """UTC date on which each visit began; "" where the clock does not go by logged times."""
    count = int(passes[c.VISIT].max()) + 1 if len(passes) else 0
    begun = passes[c.STARTED_S].to_numpy(float)
    if not np.isfinite(begun + passes[c.ENDED_S].to_numpy(float)).all():
        return [""] * count
    first = [begun[passes[c.VISIT].to_numpy() == visit].min() for visit in range(count)]
    return [pd.Timestamp(second, unit="s").date().isoformat() for second in first]


def _share(field: FieldData) -> int:
    """Planter passes on one strip pass, by their usual widths."""
    bar, planter = (
        float((passes[c.ROW_COUNT] * passes[c.ROW_SPACING_M]).median()) if len(passes) else np.nan
        for passes in (field.strip_passes, field.planter_passes)
    )
    return int(np.ceil(bar / planter - 1e-6)) if bar > _WIDER * planter else 1
