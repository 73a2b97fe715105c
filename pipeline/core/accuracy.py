"""Conversion of published accuracy measures to a one-dimensional 95 % bound over two visits.

All factors are those of a circular normal with the same standard deviation sigma on each axis,
whose radius is Rayleigh distributed: P(radius <= r) = 1 - exp(-r^2 / (2 sigma^2)).

References
----------
.. [1] F. van Diggelen, "GPS Accuracy: Lies, Damn Lies, and Statistics", GPS World, January 1998 (read in reprint).
"""

from __future__ import annotations

import math
from types import MappingProxyType

from pipeline.errors import ConfigError, did_you_mean

#: Two-sided 95 % point of the standard normal.
Z95 = 1.959963984540054

#: A row that lies on a limit but for the rounding of its coordinates is on the near side of it [m]. Rows planned on their
#: strips lie just there where a tier's error is half a strip, as with 4 in and strips of 8 in.
ON_LIMIT_M = 1e-6

#: How many sigma (per axis) a figure of each measure stands for.
SIGMAS_OF_MEASURE = MappingProxyType(
    {
        "cross_track_95": Z95,
        "r95_2d": math.sqrt(-2.0 * math.log(0.05)),
        "drms2": 2.0 * math.sqrt(2.0),
        "rms_2d": math.sqrt(2.0),
        "cep": math.sqrt(2.0 * math.log(2.0)),
    }
)

#: Factor from one visit against truth to the difference of two independent visits.
RETURNS_OF_BASIS = MappingProxyType({"return": 1.0, "absolute": math.sqrt(2.0)})


def cross_track_95(value: float, *, measure: str, basis: str) -> float:
    """Convert an accuracy figure to the cross-track 95 % bound of a return.

    Parameters
    ----------
    value : float
        The figure as published, any unit of length (or length per length); zero or more.
    measure : str
        One of `SIGMAS_OF_MEASURE`: ``cross_track_95``, ``r95_2d``, ``drms2``, ``rms_2d``, ``cep``.
    basis : str
        ``return`` (difference of two visits) or ``absolute`` (one visit against truth).

    Returns
    -------
    float
        In the unit of `value`.

    Raises
    ------
    ConfigError
        If the measure or the basis is unknown, or the value is negative or not finite.
    """
    _refuse_unknown(measure, SIGMAS_OF_MEASURE, what="accuracy measure")
    _refuse_unknown(basis, RETURNS_OF_BASIS, what="basis")
    if not (math.isfinite(value) and value >= 0.0):
        raise ConfigError(f"accuracy figure {value}: expected a finite number, zero or more")
    sigma = value / SIGMAS_OF_MEASURE[measure]
    return Z95 * sigma * RETURNS_OF_BASIS[basis]


def _refuse_unknown(name: str, known: MappingProxyType[str, float], *, what: str) -> None:
    if name not in known:
        raise ConfigError(f"unknown {what} '{name}': {did_you_mean(str(name), known)}")
