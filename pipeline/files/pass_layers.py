"""A layer of strips or rows: lines as they are, points as the passes of a log."""

from dataclasses import replace

import numpy as np
import shapely

from pipeline.files.layer_models import POINT_COLUMNS, LogModel
from pipeline.files.layers import LINES, LINES_OR_POINTS, Layer, read_layer
from pipeline.files.signal_lost import with_signal


def read_passes(source, log: LogModel, *, role: str, known: tuple[str, ...]) -> Layer:
    """Passes of a layer of lines as they are, or of a layer of points as rebuilt from it.

    A layer that holds any line is one of lines: a point in it is a reject.

    Raises
    ------
    InputError
        As `read_layer` and `with_signal`; also if no pass can be made of the points, or a time, speed or heading is
        unreadable.
    """
    found = read_layer(source, role=role, kind=LINES_OR_POINTS, known=(*known, *POINT_COLUMNS))
    place = f"inputs.{role}: {found.place}"
    line = np.isin(shapely.get_type_id(found.kept.geometry.values), LINES)
    if line.any() or len(found.kept) == 0:
        found = found.reject(~line, "geometry is not of the kind expected here, lines")
        found = with_signal(found, source.fix_holds, place, of_points=False)
        return replace(found, kept=found.kept.drop(columns=[*POINT_COLUMNS], errors="ignore"))
    # Whoever has lines does without the kernels of logs.
    from pipeline.files.point_passes import passes_from_points

    return passes_from_points(with_signal(found, source.fix_holds, place, of_points=True), log, place=place)
