"""Figures as people read them: in the units asked for, with no more digits than they deserve."""

import math
import re
from decimal import ROUND_HALF_UP, Decimal

INCH_M = 0.0254
FOOT_M = 0.3048
MILE_M = 1609.344
ACRE_M2 = 4046.8564224
HECTARE_M2 = 10_000.0
# A share nearer to nothing or to all than this is the rounding of sums.
ROUNDING = 1e-7
# Less than this is less than one per cent when it is rounded.
SLIGHT = 0.005
_SIX, _TENTH, _ONE = Decimal("1e-6"), Decimal("0.1"), Decimal(1)
UNIT_SYSTEMS = ("us", "metric")
NOTHING, MINUS = "\u2013", "\u2212"
# A no-break space, so that a number never parts from its unit at the end of a line.
GAP = "\u00a0"
WINDS = ("N", "NNE", "NE", "ENE", "E", "ESE", "SE", "SSE", "S", "SSW", "SW", "WSW", "W", "WNW", "NW", "NNW")


def length_text(length_m: float, *, units: str) -> str:
    """Measured length, about two digits below ten of a unit: `1.0 in`, `21 in`, `3.3 ft`, `8.1 mi`.

    Parameters
    ----------
    length_m : float
        Length [m]; NaN gives a dash.
    units : {"us", "metric"}
        Report units.

    Raises
    ------
    ValueError
        If `units` is neither.
    """
    _check(units)
    if not math.isfinite(length_m):
        return NOTHING
    value, unit = _scaled_length(length_m, units=units)
    return f"{_short(value)}{GAP}{unit}"


def distance_text(length_m: float, *, units: str) -> str:
    """Distance to a base or a neighbour, in miles or kilometres: `8.1 mi`, `13 km`."""
    _check(units)
    if not math.isfinite(length_m):
        return NOTHING
    size_m, unit = (MILE_M, "mi") if units == "us" else (1000.0, "km")
    return f"{_short(length_m / size_m)}{GAP}{unit}"


def width_text(width_m: float, *, units: str) -> str:
    """Nominal width of a strip or a row spacing, as the machine's plate says it: `30 in`, `76.2 cm`."""
    _check(units)
    if not math.isfinite(width_m):
        return NOTHING
    size_m, unit = (INCH_M, "in") if units == "us" else (0.01, "cm")
    return f"{width_m / size_m:.3g}{GAP}{unit}"


def direction_text(east: float, north: float) -> str:
    """Compass direction of a way, in degrees from north and as a wind: `125 deg (SE)`; a dash if it leads nowhere."""
    if not math.isfinite(east + north) or east == north == 0:
        return NOTHING
    degrees = math.degrees(math.atan2(east, north)) % 360
    return f"{round(degrees) % 360} deg ({WINDS[round(degrees / 22.5) % 16]})"


def shift_text(east_m: float, north_m: float, *, units: str) -> str:
    """Shift between frames in words: `1.35 m towards 125 deg (SE)`, `4.43 ft towards 125 deg (SE)`.

    Parameters
    ----------
    east_m, north_m : float
        Its parts [m]; one that is not finite gives a dash.
    units : {"us", "metric"}
        Report units.
    """
    size_m = math.hypot(east_m, north_m)
    size = shift_length_text(size_m, units=units)
    nowhere = not math.isfinite(size_m) or size.startswith("less")
    return size if nowhere else f"{size} towards {direction_text(east_m, north_m)}"


def shift_length_text(size_m: float, *, units: str) -> str:
    """Length of a shift between frames, finer than `length_text`: frames are known to the centimetre or better.

    In metres to the centimetre, below a decimetre to the millimetre; in feet to the hundredth, below two feet in inches
    to the tenth.
    """
    _check(units)
    if not math.isfinite(size_m):
        return NOTHING
    if units == "us":
        inches = f"{size_m / INCH_M:.1f}"
        small = "less than 0.1 in" if inches == "0.0" else f"{inches} in"
        return small if size_m < 2 * FOOT_M else f"{size_m / FOOT_M:.2f} ft"
    small = "less than 1 mm" if size_m < 0.0005 else f"{1000 * size_m:.0f} mm"
    return small if size_m < 0.0995 else f"{size_m:.2f} m"


def epoch_text(epoch: float) -> str:
    """Epoch of coordinates, a decimal year with a decimal at least: `2010.0`, `2026.33`."""
    text = f"{epoch:g}"
    return text if "." in text else f"{text}.0"


def area_text(area_m2: float, *, units: str) -> str:
    """Area in acres or hectares: `3.4 ac`, `158 ac`, `64.0 ha`; whole ones from 10 acres or 100 hectares on."""
    _check(units)
    if not math.isfinite(area_m2):
        return NOTHING
    size_m2, unit = (ACRE_M2, "ac") if units == "us" else (HECTARE_M2, "ha")
    value = area_m2 / size_m2
    # Judged after rounding, so that 99.96 reads 100 and not 100.0.
    digits = 1 if round(value, 1) < (10 if units == "us" else 100) else 0
    return f"{value:,.{digits}f}{GAP}{unit}"


def share_text(share: float) -> str:
    """Share as a whole per cent; what is little but not nothing stays visible as `<1 %`.

    Parameters
    ----------
    share : float
        Share, 0 to 1; NaN gives a dash.
    """
    number = _per_cent(share)
    return number if number == NOTHING else f"{number}{GAP}%"


def read_share(share: float) -> float:
    """A share as all that people read is made of: six decimals, near nothing and near all three digits of what is left.

    Whatever is rounded further comes from this, so that the same share reads the same in every table and page. Rounding
    what is rounded changes nothing.

    Parameters
    ----------
    share : float
        Share, 0 to 1; NaN stays NaN.
    """
    if not math.isfinite(share):
        return share
    if SLIGHT <= share <= 1.0 - SLIGHT:
        # The figure the machine holds, exactly, and half up, as JavaScript's toFixed has it: `round` goes to the even.
        return float(Decimal(share).quantize(_SIX, ROUND_HALF_UP))
    small = float(f"{min(share, 1.0 - share):.3g}")  # never halfway: no such binary fraction is that little
    return small if share < SLIGHT else round(1.0 - small, 12)


def share_range_text(low: float, high: float) -> str:
    """Range of shares in whole per cent: `3-18 %` with an en dash, `<1 to 18 %`, or one figure where both read alike."""
    first, last = _per_cent(low), _per_cent(high)
    if NOTHING in (first, last):
        return NOTHING
    if first == last:
        return f"{last}{GAP}%"
    between = "\u2013" if (first + last).isdigit() else f"{GAP}to{GAP}"
    return f"{first}{between}{last}{GAP}%"


def count_text(count: float) -> str:
    """Number of things with thousands marked: `1,104`."""
    return f"{round(count):,}" if math.isfinite(count) else NOTHING


def so_many(number: int, one: str, many: str = "") -> str:
    """Things with their number: `1 field`, `1,104 fields`; `many` where more of them are not called `one` with an s."""
    return f"{number:,} {one if number == 1 else many or f'{one}s'}"


def amount_text(amount: Decimal, *, digits: int | None = None) -> str:
    """Money in whole units, half up, with thousands marked: `1,235`.

    Parameters
    ----------
    amount : Decimal
        As it is written, so that what is halfway there is halfway here.
    digits : int, optional
        No more of them than these: three make `27,800` of 27,808.54.
    """
    place = 0 if digits is None else max(amount.adjusted() - digits + 1, 0)
    # Once, from the amount itself: by way of whole units 9,994.50 would become 10,000.
    rounded = amount.quantize(Decimal(1).scaleb(place), ROUND_HALF_UP)
    return f"{abs(rounded) if rounded == 0 else rounded:,f}".replace("-", MINUS)


def plain_text(text: object) -> str:
    """Any name on one line: white space joined, control characters dropped."""
    # White space other than the no-break space, which holds numbers to their units.
    joined = re.sub(r"[^\S\u00a0]+", " ", str(text)).strip()
    return "".join(letter for letter in joined if letter.isprintable() or letter == GAP)


def _per_cent(share: float) -> str:
    if not math.isfinite(share):
        return NOTHING
    read = read_share(share)
    if ROUNDING <= read < SLIGHT:
        return "<1"
    if 1.0 - SLIGHT <= read <= 1.0 - ROUNDING:
        return ">99"
    # 0.145 is held as a little less than it reads; what is halfway as it reads is rounded up.
    return str(math.floor(round(100.0 * read, 9) + 0.5))


def _scaled_length(length_m: float, *, units: str) -> tuple[float, str]:
    size_m = abs(length_m)
    if units == "us":
        if size_m < 2 * FOOT_M:
            return length_m / INCH_M, "in"
        return (length_m / FOOT_M, "ft") if size_m < MILE_M else (length_m / MILE_M, "mi")
    if size_m < 1:
        return length_m * 100, "cm"
    return (length_m, "m") if size_m < 1000 else (length_m / 1000, "km")


def _short(value: float) -> str:
    # Judged after rounding, so that 9.96 reads 10 and not 10.0; and half up, as JavaScript's toFixed has it.
    held = Decimal(value)
    rounded = held.quantize(_TENTH, ROUND_HALF_UP)
    text = f"{rounded:z}" if abs(rounded) < 10 else f"{held.quantize(_ONE, ROUND_HALF_UP):,}"
    return text.replace("-", MINUS)


def _check(units: str) -> None:
    if units not in UNIT_SYSTEMS:
        raise ValueError(f"report units are {' or '.join(UNIT_SYSTEMS)}, not {units!r}")
