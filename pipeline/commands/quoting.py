"""Names of others in our own text: one line, and safe in YAML and in its comments."""

import re

import yaml

from pipeline.core.show import plain_text

LONGEST_NAME = 60
_PLAIN = re.compile(r"[A-Za-z_][A-Za-z0-9_./-]*")


def scalar(text: str) -> str:
    """Text as a YAML value on one line: bare where it is read back as itself, else in double quotes."""
    if _PLAIN.fullmatch(text) and yaml.safe_load(text) == text:
        return text
    return yaml.safe_dump(text, default_style='"', allow_unicode=True, width=float("inf")).strip()


def named(text: object) -> str:
    """A name in a sentence: quoted, on one line and not too long."""
    plain = plain_text(text)
    return f"'{plain if len(plain) <= LONGEST_NAME else plain[: LONGEST_NAME - 3] + '...'}'"
