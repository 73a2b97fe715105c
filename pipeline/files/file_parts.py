"""The files that make up one input: a Shapefile is several, a folder is all that lie in it."""

from collections.abc import Iterable
from pathlib import Path

# What belongs to a file of this ending, by the endings that may stand in its place.
_SIDECARS = {
    ".shp": (".shx", ".dbf", ".prj", ".cpg"),
    ".tab": (".dat", ".map", ".id", ".ind"),
    ".mif": (".mid",),
}
# Folders that are one file to GDAL.
_DATABASES = (".gdb",)


def holds_layers(folder: Path) -> bool:
    """Whether a folder is one that is read as a file: a file geodatabase, or one of Shapefiles or their like."""
    if folder.suffix.lower() in _DATABASES:
        return True
    return any(part.suffix.lower() in _SIDECARS for part in folder.iterdir())


def parts_of(name: str) -> list[str]:
    """Existing files of an input, the named one first; empty where it is none that is read.

    Parameters
    ----------
    name : str
        As the configuration says it; the parts are written in the same way.
    """
    path = Path(name)
    try:
        if path.is_dir():
            return [part.as_posix() for part in sorted(path.iterdir()) if part.is_file()] if holds_layers(path) else []
        return [name, *_beside(path, name)] if path.is_file() else []
    except (OSError, ValueError):  # no name of a file at all; reading it will say why
        return []


def size_mb(names: Iterable[str]) -> float:
    """Size of inputs with all their parts [MB]; one that is missing counts as nothing."""
    files = [Path(part) for name in names for part in parts_of(name)]
    return sum(file.stat().st_size for file in files if file.exists()) / 1e6


def _beside(path: Path, name: str) -> list[str]:
    parts = []
    if wanted := _SIDECARS.get(path.suffix.lower()):
        beside = sorted(path.parent.iterdir())
        parts = [one.as_posix() for one in beside if one.stem == path.stem and one.suffix.lower() in wanted]
    log = Path(f"{name}-wal")  # changes of a GeoPackage that its program has not yet written into it
    return parts + ([str(log)] if log.is_file() and log.stat().st_size else [])
