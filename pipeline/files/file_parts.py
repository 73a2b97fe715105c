"""The files that make up one input: a Shapefile is several, a folder is all that lie in it."""

import hashlib
from pathlib import Path

# What belongs to a file of this ending, by the endings that may stand in its place.
_SIDECARS = {
    ".shp": (".shx", ".dbf", ".prj", ".cpg"),
    ".tab": (".dat", ".map", ".id", ".ind"),
    ".mif": (".mid",),
}


def parts_of(name: str) -> list[str]:
    """Existing files of an input, the named one first; empty where it does not exist.

    Parameters
    ----------
    name : str
        As the configuration says it; the parts are written in the same way.
    """
    path = Path(name)
    if path.is_dir():
        return [part.as_posix() for part in sorted(path.rglob("*")) if part.is_file()]
    if not path.exists():
        return []
    parts = [name]
    if wanted := _SIDECARS.get(path.suffix.lower()):
        beside = sorted(path.parent.iterdir())
        parts += [one.as_posix() for one in beside if one.stem == path.stem and one.suffix.lower() in wanted]
    log = f"{name}-wal"  # changes of a GeoPackage that its program has not yet written into it
    return parts + ([log] if Path(log).exists() else [])


def sha256_of(name: str) -> dict[str, str]:
    """SHA-256 of each part of an input, in hexadecimal, by its name."""
    hashes = {}
    for part in parts_of(name):
        with Path(part).open("rb") as stream:
            hashes[part] = hashlib.file_digest(stream, "sha256").hexdigest()
    return hashes
