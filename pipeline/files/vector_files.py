"""Opening an input file, whatever its format, as features with what a reader should know of them."""

from collections.abc import Iterable
from pathlib import Path

from pipeline.errors import MOST_NAMED, InputError, did_you_mean
from pipeline.files import csv_layers
from pipeline.files.opening import layers_of
from pipeline.files.parquet_layers import read_parquet_layer
from pipeline.files.reading import Features, read_columns
from pipeline.files.texts import shown

PARQUET = (".parquet", ".geoparquet", ".pq")


def is_text_table(path: Path) -> bool:
    """Whether a file is a table of text, whose coordinates are columns."""
    return path.suffix.lower() in csv_layers.SUFFIXES


def is_whole(path: Path) -> bool:
    """Whether a file is one layer, of a format that is not read by GDAL."""
    return is_text_table(path) or path.suffix.lower() in PARQUET


def layer_names(path: Path, place: str) -> list[str]:
    """Names of a file's layers; parameters and errors as of `layer_name`."""
    return [path.stem] if is_whole(path) else layers_of(path, place)


def layer_name(path: Path, layer: str | None, place: str) -> str:
    """The layer to read, after everything that can be said against the file.

    Parameters
    ----------
    path : Path
        As `opening.resting` gives it.
    layer : str or None
        Name in the configuration.
    place : str
        Key and file, for messages.

    Raises
    ------
    InputError
        If the file is not one that we read, or the layer is missing or ambiguous.
    """
    names = layer_names(path, place)
    if layer is None and len(names) == 1:
        return names[0]
    if layer is None:
        listed = ", ".join(map(shown, names[:MOST_NAMED])) or "none"
        raise InputError(f"{place} has several layers; name one with 'layer:'. Known: {listed}")
    if layer not in names:
        raise InputError(f"{place} has no layer '{shown(layer)}'; {did_you_mean(layer, names)}")
    return layer


def read_features(path: Path, layer: str, source, place: str, wanted: Iterable[str] | None) -> Features:
    """Features of a layer, arcs as chords, and notes on what was done to them.

    Parameters
    ----------
    path : Path
    layer : str
    source : Source
        With `columns` and `encoding`.
    place : str
        For errors.
    wanted : iterable of str or None
        Names of the columns that are needed, as the file has them; None for all that hold plain values.

    Raises
    ------
    InputError
        If the file cannot be read or has no geometry, or `columns` names coordinates of a file that has geometries.
    """
    if is_text_table(path):
        return csv_layers.read_csv_layer(path, source, place)
    lone = next((name for name in ("x", "y", "wkt") if name in source.columns), None)
    if lone is not None:
        raise InputError(f"{place}: columns: {lone} is for text tables only; the file has its own geometry, remove it")
    if path.suffix.lower() in PARQUET:
        return read_parquet_layer(path, place, wanted)
    return read_columns(path, layer, place, wanted, encoding=source.encoding)
