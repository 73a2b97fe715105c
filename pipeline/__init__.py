"""Rowreturn: which rows will stand on autumn's strips in spring."""

from pathlib import Path

__version__ = "0.1.0"
#: The folder that holds this package, and beside it the catalogue and the curves that come with it.
PROJECT = Path(__file__).resolve().parents[1]
