"""Reference frames by name: the realisations that are known, how people spell them, and what is no frame."""

import re
from typing import NamedTuple

from pipeline.errors import did_you_mean


class Frame(NamedTuple):
    """A concrete realisation.

    Attributes
    ----------
    code : int
        Geographic 3-D CRS of the EPSG registry.
    by : str or None
        The frame by which it is reached; EPSG publishes a transformation between the two. None for the last.
    plate : str or None
        The part of the world whose plate it is fixed to; None for a frame of the whole earth, in which every
        place moves.
    """

    code: int
    by: str | None = None
    plate: str | None = None


# A WGS 84 (Gn) is taken for the ITRF that it was aligned to, as PROJ and common practice do: EPSG says so with
# transformations of zeros, good to 1 cm. Asked for the way from one to NAD83(CSRS) or GDA, PROJ may do nothing at all.
FRAMES = {
    "ITRF2014": Frame(7912),
    "ITRF2008": Frame(7911, "ITRF2014"),
    "ITRF2020": Frame(9989, "ITRF2014"),
    "WGS 84 (G2139)": Frame(9754, "ITRF2014"),
    "WGS 84 (G2296)": Frame(10605, "ITRF2020"),
    "NAD83(2011)": Frame(6319, "ITRF2014", "North America"),
    "NAD83(CSRS)v7": Frame(8254, "ITRF2014", "North America"),
    "NAD83(CSRS)v8": Frame(10413, "ITRF2020", "North America"),
    "ETRF2000": Frame(7931, "ITRF2014", "Europe"),
    "ETRF2014": Frame(8403, "ITRF2014", "Europe"),
    "ETRF2020": Frame(10570, "ITRF2020", "Europe"),
    "GDA94": Frame(4939, "ITRF2014", "Australia"),
    "GDA2020": Frame(7843, "ITRF2014", "Australia"),
}
# Names of whole families, and how the names of their members begin. PROJ joins a family to its members, and to
# other families, by doing nothing: up to two metres are passed over.
_FAMILIES = {
    "wgs84": "wgs84", "epsg4326": "wgs84", "epsg4979": "wgs84", "nad83": "nad83", "epsg4269": "nad83",
    "nad83csrs": "nad83csrs", "epsg4617": "nad83csrs", "etrs89": "etrf", "etrf": "etrf", "epsg4258": "etrf",
    "itrf": "itrf", "gda": "gda",
}  # fmt: skip


def frame_named(text: str) -> str | None:
    """Name in `FRAMES` of a frame as people spell it, such as ``nad83 (2011)`` or ``ETRS89/ETRF2000``.

    Parameters
    ----------
    text : str
        Case, white space, brackets and dashes do not matter.

    Returns
    -------
    str or None
        None for what names no single frame.
    """
    return _BY_KEY.get(_key(text).replace("etrs89etrf", "etrf"))


def is_family(text: str) -> bool:
    """Whether a name is of several frames that differ from one another."""
    return _key(text) in _FAMILIES


def why_no_frame(text: str) -> str:
    """What is wrong with a name that `frame_named` does not know, to follow it in a message."""
    family = _FAMILIES.get(_key(text))
    if family is None:
        return f"is unknown; {did_you_mean(text, FRAMES)}"
    members = sorted(name for key, name in _BY_KEY.items() if key.startswith(family))
    return f"is a family of frames that differ from one another, not one; expected one of {', '.join(members)}"


def _key(text: str) -> str:
    bare = re.sub(r"[\s()\[\]/_.,:-]+", "", text).casefold()
    return re.sub(r"^(wgs|nad|etrs|gda)19(?=\d\d)", r"\1", bare)


_BY_KEY = {_key(name): name for name in FRAMES}
