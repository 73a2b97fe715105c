"""Rowreturn: which rows will stand on autumn's strips in spring."""

__version__ = "0.1.0"
