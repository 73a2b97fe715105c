"""Reference frames: how far the coordinates of spring lie from those of autumn, by PROJ at the field.

PROJ's own choice between two frames may be a transformation that does nothing: it calls some of them "ballpark",
others not (GDA94 to WGS 84 (G2296) goes by the WGS 84 of the 1980s). So the way is laid down here instead, each
step of it a transformation that EPSG publishes (`FRAMES`).
"""

from functools import lru_cache

import numpy as np
from pyproj import Transformer
from pyproj.enums import TransformDirection

from pipeline.core.frame_names import FRAMES, why_no_frame
from pipeline.core.local import GRS80
from pipeline.core.show import epoch_text
from pipeline.errors import InputError

# The frame in which a place of each region stays where it is, by which coordinates go from one epoch to another.
# ETRF2014 for Europe: it differs from ITRF2014 by the motion of the plate and nothing else.
_STILL = {"North America": "NAD83(2011)", "Europe": "ETRF2014", "Australia": "GDA2020"}

Place = tuple[float, float, float]


def frame_shift(
    longitude: float, latitude: float, *, autumn: tuple[str, float], spring: tuple[str, float]
) -> tuple[float, float]:
    """How far spring coordinates must be moved, east and north [m], to lie in autumn's frame and epoch.

    Coordinates of two dates in frames of the whole earth are carried onto the plate at their own epoch and off it
    at the other's, so the motion of the plate between the two visits is part of the shift. A place keeps its
    coordinates in a frame that is fixed to its plate: there the epoch has no part, the other side's counts, and
    between two such frames (which may drift apart by a millimetre a year) the middle of both.

    Parameters
    ----------
    longitude, latitude : float
        Of the field [degrees].
    autumn, spring : tuple of frame name and epoch [decimal year]

    Raises
    ------
    InputError
        If a frame is unknown or fixed to another plate, or no plate motion is known at the place.
    """
    for name, _ in (autumn, spring):
        if name not in FRAMES:
            raise InputError(f"frame '{name}' {why_no_frame(name)}")
    if autumn == spring or (autumn[0] == spring[0] and FRAMES[autumn[0]].plate):
        return 0.0, 0.0
    for name, _ in (autumn, spring):
        _check_plate(name, longitude, latitude)
    there = _moved(longitude, latitude, autumn, spring)
    azimuth, _, distance = GRS80.inv(longitude, latitude, there[1], there[0])
    return float(distance * np.sin(np.radians(azimuth))), float(distance * np.cos(np.radians(azimuth)))


def carried(place: Place, *, source: str, target: str, epoch: float) -> Place:
    """A place of one frame in another at one epoch.

    Parameters
    ----------
    place : tuple
        Latitude, longitude [degrees] and height above the ellipsoid [m].
    source, target : str
        Names in `FRAMES`.
    epoch : float
        Decimal year.
    """
    up, down = _way(source), _way(target)
    for name in (one for one in up if one not in down):
        place = _step(name).transform(*place, epoch, direction=TransformDirection.INVERSE)[:3]
    for name in (one for one in reversed(down) if one not in up):
        place = _step(name).transform(*place, epoch)[:3]
    return place


def _moved(longitude: float, latitude: float, autumn: tuple[str, float], spring: tuple[str, float]) -> Place:
    """Latitude, longitude [degrees] and height [m] in autumn's frame of what has these in spring's."""
    dates = {epoch for name, epoch in (autumn, spring) if FRAMES[name].plate is None}
    here = (latitude, longitude, 0.0)
    if len(dates) == 2:
        still = _still(longitude, latitude, autumn, spring)
        there = carried(here, source=spring[0], target=still, epoch=spring[1])
        return carried(there, source=still, target=autumn[0], epoch=autumn[1])
    epoch = dates.pop() if dates else 0.5 * (autumn[1] + spring[1])
    return carried(here, source=spring[0], target=autumn[0], epoch=epoch)


def _still(longitude: float, latitude: float, *sides: tuple[str, float]) -> str:
    region = _region(longitude, latitude)
    if region is None:
        raise InputError(
            f"no plate motion is known at {latitude:.3f}, {longitude:.3f}, so {' and '.join(_said(one) for one in sides)} "
            "cannot be joined; give both layers in one frame that is fixed to the plate, or at one epoch"
        )
    return _STILL[region]


def _check_plate(name: str, longitude: float, latitude: float) -> None:
    plate = FRAMES[name].plate
    if plate is not None and plate != _region(longitude, latitude):
        raise InputError(
            f"frame '{name}' is fixed to the plate of {plate}, but the field lies at {latitude:.3f}, {longitude:.3f}; "
            "expected a frame of that place, or one of the whole earth, such as ITRF2020"
        )


def _region(longitude: float, latitude: float) -> str | None:
    """The plate, roughly; Hawaii is not on North America's."""
    if -170 < longitude < -50 and latitude > (40 if longitude < -130 else 14):
        return "North America"
    if -25 < longitude < 45 and latitude > 34:
        return "Europe"
    if 110 < longitude < 156 and -45 < latitude < -9:
        return "Australia"
    return None


def _said(side: tuple[str, float]) -> str:
    return f"{side[0]} at {epoch_text(side[1])}"


def _way(name: str) -> list[str]:
    """The frame itself and those by which it is reached, without the last."""
    by = FRAMES[name].by
    return [] if by is None else [name, *_way(by)]


@lru_cache(maxsize=len(FRAMES))
def _step(name: str) -> Transformer:
    """Into the frame from the one by which it is reached, the same operation in both directions."""
    frame = FRAMES[name]
    return Transformer.from_crs(FRAMES[str(frame.by)].code, frame.code, allow_ballpark=False)
