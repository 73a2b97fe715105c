"""Shapes as one writer would have written them: formats differ in which way a ring goes round and what is a collection."""

import numpy as np
import shapely

_COLLECTIONS = (4, 5, 6)


def single_parts(shape: np.ndarray) -> np.ndarray:
    """Collections of one part as that part.

    Read from a Shapefile, one part comes as that part; a GeoPackage's layer may have it as a collection.
    """
    alone = np.isin(shapely.get_type_id(shape), _COLLECTIONS) & (shapely.get_num_geometries(shape) == 1)
    return np.where(alone, shapely.get_geometry(shape, 0), shape)


def polygons_in_one_writing(shape: np.ndarray) -> np.ndarray:
    """The same polygons, whatever corner their rings began at, whichever way these went round, in whatever order."""
    return shapely.normalize(single_parts(shape))
