"""Templates, styles and scripts of pages, as they lie beside the code; what a template is given is always text."""

from pathlib import Path

import jinja2

HOME = Path(__file__).with_name("pages")
WRITER = jinja2.Environment(
    autoescape=True, trim_blocks=True, lstrip_blocks=True, undefined=jinja2.StrictUndefined,
    loader=jinja2.FileSystemLoader(HOME),
)  # fmt: skip


def page_text(name: str) -> str:
    """A style or script as it is written."""
    return (HOME / name).read_text(encoding="utf-8")
