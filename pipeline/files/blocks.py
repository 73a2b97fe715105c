"""A layer's geometries piece by piece: what a check makes of them never takes the room of the layer again."""

from collections.abc import Iterator

import numpy as np
import shapely

# Vertices looked at in one go: 16 MB of coordinates.
BLOCK_VERTICES = 1_000_000


def blocks(shape: np.ndarray) -> Iterator[tuple[int, np.ndarray]]:
    """First index and geometries of blocks, each of about `BLOCK_VERTICES` or of a single larger geometry."""
    shape = np.asarray(shape, object)
    if len(shape) == 0:
        return
    number = np.cumsum(shapely.get_num_coordinates(shape) + 1) // BLOCK_VERTICES
    first = np.flatnonzero(np.diff(number, prepend=-1))
    for start, end in zip(first, [*first[1:], len(shape)], strict=True):
        yield int(start), shape[start:end]
