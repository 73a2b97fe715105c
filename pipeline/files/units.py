"""Quantities written with their unit (``30 in``, ``1 mm/km``), turned into SI numbers.

The only module that knows the units library. A quantity is one number (or a fraction such as
``1/8``) and one unit: arithmetic is refused, so a configuration cannot make the parser work hard.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING

# Imported where a unit is read: the steps have everything in SI already.
if TYPE_CHECKING:
    import pint

_NUMBER = r"[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d{1,3})?"
_QUANTITY = re.compile(rf"\s*({_NUMBER})(?:\s*/\s*(\d+\.?\d*))?\s*(.*?)\s*")
_UNIT = re.compile(r"[A-Za-z_]+(?:\s*/\s*[A-Za-z_]+)?")


@dataclass(frozen=True)
class Kind:
    """What a quantity measures: its SI unit, how a person may write it, and in which units limits are told.

    Attributes
    ----------
    name, si_unit : str
    examples : tuple of str
        Two units.
    shown : tuple of (str, float)
        Units with their size in SI, the smallest first; none where SI is what people write.
    """

    name: str
    si_unit: str
    examples: tuple[str, str]
    shown: tuple[tuple[str, float], ...] = ()

    def written(self, number: object) -> str:
        """Return the two usual ways to write `number` in this kind."""
        return f"'{number} {self.examples[0]}' or '{number} {self.examples[1]}'"

    def told(self, si: float) -> str:
        """A quantity in the largest of the units shown of which it is at least one: `24 h`, `0.5 s`."""
        return " ".join(self._told(si))

    def told_range(self, low: float, high: float) -> str:
        """From where to where, the unit once where it is the same: `0.1 to 500 ha/h`, `1 s to 24 h`."""
        (first, unit), (last, last_unit) = self._told(low), self._told(high)
        return f"{first} to {last} {unit}" if unit == last_unit else f"{first} {unit} to {last} {last_unit}"

    def _told(self, si: float) -> tuple[str, str]:
        units = self.shown or ((self.si_unit, 1.0),)
        unit, size = next((one for one in reversed(units) if abs(si) >= one[1]), units[0])
        return f"{si / size:g}", unit


LENGTH = Kind("length", "m", ("m", "in"))
TIME = Kind("time", "s", ("min", "s"), (("s", 1.0), ("min", 60.0), ("h", 3600.0)))
ANGLE = Kind("angle", "degree", ("deg", "rad"), (("deg", 1.0),))
SPEED = Kind("speed", "m/s", ("m/s", "km/h"))
GROWTH = Kind("length per length", "m/m", ("mm/km", "in/mile"))
MASS = Kind("mass", "kg", ("t", "lb"))
VOLUME = Kind("volume", "m**3", ("bu", "l"))
AREA = Kind("area", "m**2", ("ha", "ac"))
YIELD_MASS = Kind("mass per area", "kg/m**2", ("t/ha", "lb/ac"))
YIELD_VOLUME = Kind("volume per area", "m**3/m**2", ("bu/ac", "l/ha"))
FIELD_CAPACITY = Kind("area per time", "m**2/s", ("ha/h", "ac/h"), (("ha/h", 1e4 / 3600.0),))


@cache
def _registry() -> pint.UnitRegistry:
    import pint

    registry = pint.UnitRegistry()
    registry.define("@alias acre = ac")  # the library itself reads "ac" as an atto-light-speed
    return registry


def to_si(value: object, *, kind: Kind) -> float:
    """Parse a quantity with its unit.

    Parameters
    ----------
    value : object
        What the YAML file holds; only text with a number and a unit is accepted.
    kind : Kind
        What it must measure.

    Returns
    -------
    float
        In the SI unit of `kind`.

    Raises
    ------
    ValueError
        If there is no unit, no number, an unknown unit, the wrong kind, or the value is not finite.
        The message says how to write it; the caller adds file and key.
    """
    is_quantity = isinstance(value, (int, float, str)) and not isinstance(value, bool)
    if not is_quantity:
        raise ValueError(
            f"{value!r}: expected a {kind.name} with its unit; write for example {kind.written(1)}"
        )
    match = _QUANTITY.fullmatch(str(value))
    if match is None:
        raise ValueError(
            f"'{value}' is not a {kind.name}; expected a finite number and a unit, as in {kind.written(1)}"
        )
    number, divisor, unit = match.groups()
    if not unit:
        raise ValueError(f"{value!r} has no unit; write for example {_rewritten(value, kind=kind)}")
    try:
        si = _number(number, divisor) * _si_per_unit(unit, kind=kind, example=f"as in {kind.written(1)}")
    except ValueError as error:
        raise ValueError(f"'{value}': {error}") from None
    if not math.isfinite(si):
        raise ValueError(f"'{value}' is not a finite number; expected one with a unit, as in {kind.written(1)}")
    return si


def check_unit(unit: str, *, kind: Kind) -> None:
    """Refuse what is no unit of that kind, where a unit stands by itself.

    Raises
    ------
    ValueError
        With two that are.
    """
    example = f"as {' or '.join(kind.examples)}"
    if not _UNIT.fullmatch(unit.strip()):
        raise ValueError(f"'{unit}' is not a unit; expected one, {example}")
    _si_per_unit(unit.strip(), kind=kind, example=example)


def _number(number: str, divisor: str | None) -> float:
    if divisor is None:
        return float(number)
    if float(divisor) == 0.0:
        raise ValueError("divides by zero; expected a plain number and a unit")
    return float(number) / float(divisor)


def _rewritten(value: object, *, kind: Kind) -> str:
    """Write a bare number with units; an assumed metre is also given in inches where it is one."""
    if kind is LENGTH and isinstance(value, (int, float)):
        inches = f"{value / 0.0254:.4g}" if value < 5 else f"{value:g}"
        return f"'{value} m' or '{inches} in'"
    return kind.written(value)


def _si_per_unit(unit: str, *, kind: Kind, example: str) -> float:
    if not _UNIT.fullmatch(unit):
        raise ValueError(f"'{unit}' is not a unit; expected one number and one unit, {example}")
    import pint

    registry = _registry()
    try:
        found = registry.Quantity(1.0, registry.parse_units(unit))
        return float(found.to(kind.si_unit).magnitude)
    except pint.DimensionalityError:
        fault, wanted = f"'{unit}' is not a unit of {kind.name}", "one"
    except (pint.UndefinedUnitError, pint.OffsetUnitCalculusError):
        fault, wanted = f"unknown unit '{unit}'", f"a unit of {kind.name}"
    hint = f" (did you mean '{unit.lower()}'?)" if _measures(unit.lower(), kind) else ""
    raise ValueError(f"{fault}{hint}; expected {wanted}, {example}")


def _measures(unit: str, kind: Kind) -> bool:
    """Whether it is a unit of that kind."""
    import pint

    try:
        return _registry().parse_units(unit).is_compatible_with(kind.si_unit)
    except pint.UndefinedUnitError:
        return False
