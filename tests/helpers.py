"""Small invented fields, and the formula of DEVELOPERS.md, "The model", written a second time, dense and plain."""

from dataclasses import dataclass

import numpy as np
import shapely

from pipeline.core.draws import JointErrors, StandardDraws
from pipeline.core.odds import Judgement, apart_lengths, judge
from pipeline.core.offsets import Spans, measure_offsets
from pipeline.core.operations import Clock, OperationError
from pipeline.core.pairs import Places
from pipeline.core.returns import ReturnError
from pipeline.core.segments import Segments
from pipeline.core.tier import Tier

INCH = 0.0254
SPACING_M = 30 * INCH
Z = 1.959963984540054


def tier(
    *, repeatable_m: float, pass_to_pass_m: float = 0.0, correlation_s: float = 3600.0, id: str = "t"
) -> Tier:
    """A tier with these 95 % figures and nothing else to it."""
    return Tier(
        id=id, name="Invented", pass_to_pass_m=pass_to_pass_m, repeatable_m=repeatable_m, baseline_growth=0.0,
        range_m=None, convergence_s=0.0, start_error_m=0.0, correlation_time_s=correlation_s, frame="base",
    )  # fmt: skip


def tier_without_error() -> Tier:
    """A tier with no error at all, which reproduces the bare geometry."""
    return tier(repeatable_m=0.0, id="exact")


def drawn_errors(error: ReturnError, *, draws: int, seed: int = 3) -> JointErrors:
    """Joint draws under one tier."""
    return StandardDraws.seeded([error], draws=draws, seed=seed).errors([error])[0]


def drift_and_bias_var(one: Tier) -> tuple[float, float]:
    """Variance of one visit's drift and of one visit's bias [m^2], straight from a tier's figures."""
    sigma_p, sigma_r = one.pass_to_pass_m / Z, one.repeatable_m / Z
    drift = sigma_p**2 / (2.0 * (1.0 - np.exp(-900.0 / one.correlation_time_s)))
    if 2.0 * drift > sigma_r**2:
        return sigma_r**2 / 2.0, 0.0
    return drift, (sigma_r**2 - 2.0 * drift) / 2.0


@dataclass(frozen=True)
class Field:
    """Planted lines and strip lines, each a row of its own; passes and times by line."""

    rows: np.ndarray
    strips: np.ndarray
    row_pass: np.ndarray
    strip_pass: np.ndarray
    row_time_s: np.ndarray  # by planter pass
    strip_time_s: np.ndarray  # by strip pass
    spacing_m: float = SPACING_M

    @classmethod
    def of(
        cls, rows, strips, *, step_s: float = 600.0, row_pass=None, strip_pass=None, spacing_m=SPACING_M
    ) -> "Field":
        """Every line a pass of its own unless said otherwise, laid `step_s` one after the other [s]."""
        row_pass = np.arange(len(rows)) if row_pass is None else np.asarray(row_pass)
        strip_pass = np.arange(len(strips)) if strip_pass is None else np.asarray(strip_pass)
        return cls(
            np.array(rows, object), np.array(strips, object), row_pass, strip_pass,
            step_s * np.arange(row_pass.max() + 1.0), step_s * np.arange(strip_pass.max() + 1.0), spacing_m,
        )  # fmt: skip

    def spans(self) -> Spans:
        """Offsets of the rows."""
        return measure_offsets(
            Segments.from_lines(self.rows), Segments.from_lines(self.strips),
            reach_m=np.full(len(self.rows), 0.5 * self.spacing_m),
        )  # fmt: skip

    def places(self, spans: Spans, half_width_m: float) -> Places:
        """What the odds need to know of the spans."""
        return Places(
            spans.row.astype(np.int64), self.row_pass[spans.row],
            np.where(spans.strip >= 0, self.strip_pass[spans.strip], 0),
            np.full(len(spans.row), half_width_m),
        )  # fmt: skip

    def error(self, one: Tier, *, steering_95_m: float = 0.0) -> ReturnError:
        """Return error under one tier in both operations."""
        spread = one.spread()
        operations = [
            OperationError.under(Clock.from_times(times), [spread] * len(times))
            for times in (self.strip_time_s, self.row_time_s)
        ]
        return ReturnError(*operations, wander_sd_m=steering_95_m / Z)

    def judge(
        self, *tiers: Tier, half_width_m: float, steering_95_m: float = 0.0, seed: int = 1
    ) -> list[Judgement]:
        """Judgements under each tier."""
        spans = self.spans()
        errors = {f"t{k}": self.error(one, steering_95_m=steering_95_m) for k, one in enumerate(tiers)}
        found = judge(
            spans, self.places(spans, half_width_m), errors, pass_of_row=self.row_pass,
            passes=len(self.row_time_s), spacing_m=self.spacing_m, seed=seed,
        )  # fmt: skip
        return list(found.values())

    def apart(self) -> tuple[float, float]:
        """Length without a strip and length that crosses strips, of the whole field [m]."""
        spans = self.spans()
        return tuple(float(part.sum()) for part in apart_lengths(spans, spans.row, len(self.rows)))

    def moved(self, move) -> "Field":
        """The field with another map of coordinates."""
        rows, strips = (shapely.transform(lines, move) for lines in (self.rows, self.strips))
        return Field(
            rows, strips, self.row_pass, self.strip_pass, self.row_time_s, self.strip_time_s, self.spacing_m
        )


def straight(
    count: int, *, shift_m=0.0, slope_m: float = 0.0, length_m: float = 100.0, spacing_m=SPACING_M, **how
) -> Field:
    """Parallel strips along x; each row lies from `shift - slope` to `shift + slope` beside its own."""
    y = spacing_m * np.arange(count)
    shift = np.broadcast_to(shift_m, count)
    strips = [shapely.LineString([(0, v), (length_m, v)]) for v in y]
    rows = [
        shapely.LineString([(0, v + s - slope_m), (length_m, v + s + slope_m)])
        for v, s in zip(y, shift, strict=True)
    ]
    return Field.of(rows, strips, spacing_m=spacing_m, **how)


def wave(x: np.ndarray, *, height_m: float = 2.0, period_m: float = 60.0) -> np.ndarray:
    """A sinus, the shape of a wavy pass [m]."""
    return height_m * np.sin(2 * np.pi * np.asarray(x) / period_m)
