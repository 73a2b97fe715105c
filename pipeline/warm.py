"""Compile the kernels once, at installation, so that no run waits for it: `python -m pipeline.warm`."""

import numpy as np
import shapely

from pipeline.core.agreement import agreement
from pipeline.core.cells import Cells
from pipeline.core.odds import judge
from pipeline.core.offsets import CROSSING_ANGLE_DEG, measure_offsets
from pipeline.core.overlap import Bands, Grid, Lines, count_cells
from pipeline.core.pairs import Places
from pipeline.core.pieces import row_pieces
from pipeline.core.point_log import PointLog, passes_of
from pipeline.core.returns import Clock, OperationError, ReturnError
from pipeline.core.segments import Segments
from pipeline.core.tier import TierSpread


def main() -> None:
    """Run every kernel on one strip of 30 m."""
    segments = Segments.from_lines(np.array([shapely.LineString([(0, 0), (15, 0.02), (30, 0)])]))
    reach, key, one = np.full(1, 0.4), np.full(1, -1, np.int64), np.zeros(1, np.int64)
    spans = measure_offsets(segments, segments, reach_m=reach, row_key=key, strip_key=key)
    zeros = np.zeros(len(spans.row), np.int64)
    places = Places(zeros, zeros, zeros, np.full(len(zeros), 0.1))
    clock = Clock(np.zeros(1), one)
    side = OperationError.under(clock, [TierSpread(0.02, 0.01, 0.01, 1800.0, False)])
    errors = {"tier": ReturnError(side, side, wander_sd_m=0.01)}
    judge(spans, places, errors, rows=1, passes=1, spacing_m=0.8, seed=1)
    row_pieces(spans, places, errors)
    lines = Lines(segments, segments, Cells.over(segments.xy, size=1.0), reach, key, key)
    bands = Bands(one, one, one, np.full(1, 0.1), np.full((1, 1, 1), 0.02))
    grid, counted = Grid.around((0, -1, 30, 1), cell_m=0.5), np.zeros((1, 1, 6))
    window = np.zeros((1, grid.lines, grid.columns), np.uint8)
    count_cells(lines, bands, grid, first_line=0, window=window, counted=counted, crossing_deg=CROSSING_ANGLE_DEG)
    agreement(spans, places, errors, counted, cell_m=0.5)
    log = [(x, 0.0) for x in range(20)] + [(x, 9.0) for x in range(20, 0, -1)]
    passes_of(PointLog(np.array(log), time_s=np.arange(40.0), setting=one.repeat(40)))


if __name__ == "__main__":
    main()
