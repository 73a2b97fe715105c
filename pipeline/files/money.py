"""Money and shares as people write them: `4.20 USD/bu`, `900 USD`, `95 %`, `9 of 10`."""

from __future__ import annotations

import re
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation

from pipeline.files.numbers import split_unit

# A field's distribution is kept as some hundred levels, each a mean of its own.
MOST_SPRINGS = 0.98
# A comma before three figures is a mark of thousands to some and the decimal one to others.
_GROUPED = re.compile(r"\d{1,3},\d{3}(?![\d.,])")
_CURRENCY = re.compile(r"[A-Z]{3}")
_OF = re.compile(r"(\d{1,3}) of (\d{1,3})")
#: More than anybody pays, and few enough digits to count in cents exactly.
MOST = Decimal(10) ** 9


@dataclass(frozen=True)
class Money:
    """An amount, its currency, and for how much of what it is, such as `bu`; nothing where it is for itself."""

    amount: str
    currency: str
    per: str = ""

    @property
    def value(self) -> Decimal:
        """The amount as a decimal number, as it was written."""
        return Decimal(self.amount)


def money(value: object, *, per: tuple[str, ...] = ()) -> Money:
    """Read money.

    Parameters
    ----------
    value : object
        What the YAML file holds.
    per : tuple of str
        Examples of what it is for, such as ``bu`` and ``t``; none where it is for itself.

    Raises
    ------
    ValueError
        If it is no amount with a currency; the message says how to write it.
    """
    examples = [f"'{{}} USD{'/' if one else ''}{one}'" for one in (per or ("",))]

    def written(number: object) -> str:
        return " or ".join(one.format(number) for one in examples)

    if isinstance(value, bool) or not isinstance(value, (int, float, str)):
        raise ValueError(f"{value!r}: expected money with its currency; write for example {written(900)}")
    if grouped := _GROUPED.match(str(value).strip()):
        plain = grouped[0].replace(",", "")
        point = grouped[0].replace(",", ".")
        raise ValueError(f"'{value}': '{grouped[0]}' may be either of two amounts; write {plain}, or {point}")
    number, behind = split_unit(str(value))
    try:
        amount = Decimal(number)
    except InvalidOperation:
        raise ValueError(f"'{value}' is not money; expected a number and a currency, as in {written(900)}") from None
    if not behind:
        raise ValueError(f"{value!r} has no currency; write for example {written(value)}")
    currency, _, unit = (part.strip() for part in behind.partition("/"))
    if not _CURRENCY.fullmatch(currency):
        raise ValueError(f"'{value}': '{currency}' is no currency; expected its three capitals, as in {written(number)}")
    if bool(unit) != bool(per):
        raise ValueError(f"'{value}': expected {'money for a unit' if per else 'money alone'}, as in {written(number)}")
    if not 0 <= amount <= MOST:
        raise ValueError(f"'{value}': expected 0 to {MOST:,} {currency}")
    return Money(number, currency, unit)


def percent(value: object) -> float:
    """A share written as `95 %`.

    Raises
    ------
    ValueError
        If it is none, or not from 0 to 100 %.
    """
    if isinstance(value, (int, float, str)) and not isinstance(value, bool):
        number, behind = split_unit(str(value))
        if behind == "%":
            try:
                share = float(number) / 100.0
            except ValueError:
                share = -1.0
            if 0.0 <= share <= 1.0:
                return share
        elif not behind:
            raise ValueError(f"{value!r} has no unit; write for example '{value} %'")
    raise ValueError(f"'{value}': expected a share from 0 to 100 %, as in '95 %'")


def springs(value: object) -> float:
    """How often: `9 of 10` as a share.

    Raises
    ------
    ValueError
        If it is written otherwise, or is not more than none and less than all.
    """
    match = _OF.fullmatch(str(value).strip())
    if match is None or not 0 < int(match[1]) < int(match[2]):
        raise ValueError(f"'{value}': expected how many springs of how many, fewer than all, as in '9 of 10'")
    if int(match[1]) / int(match[2]) > MOST_SPRINGS:
        raise ValueError(f"'{value}': expected 49 of 50 at most; the distribution of a field is not known farther out")
    return int(match[1]) / int(match[2])
