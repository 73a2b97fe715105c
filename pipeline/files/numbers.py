"""Numbers as people write them: a decimal comma, thousands set apart, the unit behind."""

import re

_NUMBER = re.compile(r"[-+]?(?:\d[\d.,]*|[.,]\d+)(?:[eE][-+]?\d{1,3})?")
_GROUPED = {
    ",": re.compile(r"[-+]?\d{1,3}(?:\.\d{3})*,\d+"),
    ".": re.compile(r"[-+]?\d{1,3}(?:,\d{3})*\.\d+"),
}


def plain_number(text: str) -> str:
    """A number with a decimal point and nothing between its digits; other text as it is.

    One comma alone is a decimal comma, never a mark of thousands. Where there are commas and points the last
    mark is the decimal one.

    Examples
    --------
    >>> plain_number("0,762"), plain_number("1.234,5"), plain_number("1,234.5")
    ('0.762', '1234.5', '1234.5')
    """
    said = text.strip()
    if _GROUPED[","].fullmatch(said):
        return said.replace(".", "").replace(",", ".")
    if _GROUPED["."].fullmatch(said):
        return said.replace(",", "")
    return said.replace(",", ".") if said.count(",") == 1 and "." not in said else said


def number_of(text: str) -> float | None:
    """The number that a text is; None where it is none."""
    said = plain_number(text)
    if not _NUMBER.fullmatch(said):
        return None
    try:
        return float(said)
    except ValueError:
        return None


def split_unit(text: str) -> tuple[str, str]:
    """Number, with a decimal point, and what stands behind it: ``0,762 m`` is ``0.762`` and ``m``."""
    match = _NUMBER.match(text.strip())
    if match is None:
        return text, ""
    return plain_number(match.group()), text.strip()[match.end() :].strip()
