"""A generated field of 65 ha, the size at which speed is measured; seeded, so every run sees the same one."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import shapely

from pipeline.core.offsets import Spans
from pipeline.core.operations import Clock
from pipeline.core.pairs import Places
from pipeline.core.returns import ReturnError
from pipeline.core.segments import Segments
from pipeline.core.tiering import Side, Site, return_errors
from pipeline.files.catalogue import load_catalogue

CATALOGUE = Path(__file__).parents[1] / "shared" / "tiers.yaml"
INCH_M = 0.0254
SPACING_M = 30 * INCH_M
HALF_WIDTH_M = 4 * INCH_M
ROWS_PER_PASS, PASSES = 12, 88
LENGTH_M = 807.0
VERTICES_PER_ROW = 366
PASS_S = 420.0


@dataclass(frozen=True)
class BenchField:
    """Strip lines and planted rows, one line a row, and the return error under every tier.

    Attributes
    ----------
    rows, strips : ndarray of shapely.LineString, shape (lines,)
    pass_of_line : ndarray of int, shape (lines,)
        The same for rows and strips.
    errors : dict of tier id to ReturnError
    """

    rows: np.ndarray
    strips: np.ndarray
    pass_of_line: np.ndarray
    errors: dict[str, ReturnError]

    @classmethod
    def generated(cls, *, tiers: int = 8, seed: int = 20) -> "BenchField":
        """Wandering strips, and rows planted beside them a few centimetres off."""
        rng = np.random.default_rng(seed)
        y = np.linspace(0.0, LENGTH_M, VERTICES_PER_ROW)
        strip_wander = _wander(rng, y, sd_m=0.03)
        row_wander = strip_wander + _wander(rng, y, sd_m=0.06)
        common = 6.0 * np.sin(y / 210.0) + 1.5 * np.sin(y / 61.0)
        pass_of_line = np.repeat(np.arange(PASSES), ROWS_PER_PASS)
        return cls(
            _lines(common + row_wander, y), _lines(common + strip_wander, y), pass_of_line, _errors(tiers)
        )

    @property
    def row_length_m(self) -> float:
        """Length of all planted rows [m]."""
        return float(shapely.length(self.rows).sum())

    @property
    def reach_m(self) -> np.ndarray:
        """Half the row spacing, for every row [m]."""
        return np.full(len(self.rows), 0.5 * SPACING_M)

    def segments(self) -> tuple[Segments, Segments]:
        """Planted rows and strips as segments."""
        return Segments.from_lines(self.rows), Segments.from_lines(self.strips)

    def places(self, spans: Spans) -> Places:
        """What the odds need to know of the spans."""
        row = spans.row.astype(np.int64)
        strip = np.where(spans.strip >= 0, self.pass_of_line[spans.strip], 0)
        return Places(row, self.pass_of_line[row], strip, np.full(len(row), HALF_WIDTH_M))


def _wander(rng: np.random.Generator, y: np.ndarray, *, sd_m: float) -> np.ndarray:
    """Slow sideways motion of every pass [m], shape (passes, vertices)."""
    waves = rng.uniform(25.0, 200.0, (5, PASSES, 1))
    phase = rng.uniform(0.0, 2 * np.pi, (5, PASSES, 1))
    return sd_m * np.sqrt(2 / 5) * np.sin(2 * np.pi * y / waves + phase).sum(axis=0)


def _lines(aside_m: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Row lines of passes that lie `aside_m` off a straight grid, shape (passes, vertices) [m]."""
    lines = ROWS_PER_PASS * PASSES
    x = SPACING_M * np.arange(lines)[:, None] + np.repeat(aside_m, ROWS_PER_PASS, axis=0)
    return shapely.linestrings(np.stack([x, np.broadcast_to(y, x.shape)], axis=2))


def _errors(tiers: int) -> dict[str, ReturnError]:
    """Return error of the last tiers of the catalogue, the same tier in both seasons."""
    catalogue = load_catalogue(CATALOGUE).tiers
    compare = list(catalogue)[-tiers:]
    clock = Clock.from_times(PASS_S * np.arange(PASSES))
    unlogged = Side.of_passes(clock, [""] * PASSES)
    return return_errors(
        catalogue, compare=compare, autumn="same", kind="planned", strips=unlogged, rows=unlogged,
        site=Site(5000.0), steering_95_m=(0.0254, 0.0254),
    )  # fmt: skip
