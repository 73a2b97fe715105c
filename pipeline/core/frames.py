"""Reference frames: how far the coordinates of spring lie from those of autumn, by PROJ at the field."""

from functools import lru_cache

import numpy as np
from pyproj import Geod, Transformer

from pipeline.errors import InputError

# Concrete realisations by the names that users write; geographic 3-D codes of the EPSG registry.
FRAMES = {
    "ITRF2014": 7912,
    "ITRF2020": 9989,
    "NAD83(2011)": 6319,
    "WGS 84 (G2139)": 9754,
    "ETRF2000": 7931,
    "ETRF2014": 8403,
    "GDA94": 4939,
    "GDA2020": 7843,
}
# Frames that move with a plate: a place keeps its coordinates there.
PLATE_FRAMES = ("NAD83(2011)", "ETRF2000", "ETRF2014", "GDA94", "GDA2020")


def frame_shift(
    longitude: float, latitude: float, *, autumn: tuple[str, float], spring: tuple[str, float]
) -> tuple[float, float]:
    """How far spring coordinates must be moved, east and north [m], to lie in autumn's frame and epoch.

    Coordinates of a moving frame are carried onto the plate at their own epoch and off it at the other's, so
    the motion of the plate between the two visits is part of the shift.

    Parameters
    ----------
    longitude, latitude : float
        Of the field [degrees].
    autumn, spring : tuple of frame name and epoch [decimal year]

    Raises
    ------
    InputError
        If a frame is unknown, or PROJ knows no transformation (a "ballpark" one, that does nothing, is none).
    """
    for name, _ in (autumn, spring):
        if name not in FRAMES:
            raise InputError(f"frame '{name}' is unknown; expected one of {', '.join(FRAMES)}")
    if autumn == spring or (autumn[0] == spring[0] and autumn[0] in PLATE_FRAMES):
        return 0.0, 0.0
    plate = _plate(longitude, latitude, autumn[0], spring[0])
    there = _between(spring[0], plate).transform(latitude, longitude, 0.0, spring[1])
    back = _between(plate, autumn[0]).transform(*there[:3], autumn[1])
    azimuth, _, distance = Geod(ellps="GRS80").inv(longitude, latitude, back[1], back[0])
    return float(distance * np.sin(np.radians(azimuth))), float(distance * np.cos(np.radians(azimuth)))


def _plate(longitude: float, latitude: float, *names: str) -> str:
    """The plate frame by which to go: one of those named, else the one of the region."""
    for name in names:
        if name in PLATE_FRAMES:
            return name
    if -170 < longitude < -50 and latitude > 14:
        return "NAD83(2011)"
    if -25 < longitude < 45 and latitude > 34:
        return "ETRF2000"
    if 110 < longitude < 156 and -45 < latitude < -9:
        return "GDA2020"
    raise InputError(
        f"no plate motion is known at {latitude:.3f}, {longitude:.3f}, so frames {' and '.join(names)} at different "
        "epochs cannot be joined; give both layers in a plate-fixed frame or at one epoch"
    )


@lru_cache(maxsize=64)
def _between(source: str, target: str) -> Transformer:
    found = Transformer.from_crs(FRAMES[source], FRAMES[target])
    if "Ballpark" in found.description:
        raise InputError(
            f"PROJ knows no transformation from frame {source} to {target}, only one that does nothing; "
            "give both layers in frames of the same region"
        )
    return found
