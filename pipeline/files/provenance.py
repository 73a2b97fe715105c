"""By what results are known again: hashes of their files, versions of packages, a hash over our own modules."""

import hashlib
import platform
import zlib
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

from pipeline import __version__
from pipeline.files.code import modules_of
from pipeline.files.store import sha256

MANIFEST = "manifest.json"
LIBRARIES = (
    "geopandas", "jinja2", "markupsafe", "matplotlib", "numba", "numpy", "pandas", "pint", "pyarrow", "pydantic", "pyogrio",
    "pyproj", "pyyaml", "rasterio", "scipy", "shapely", "snakemake", "xlsxwriter",
)  # fmt: skip
_ZLIB = "zlib of Python"
#: Steps that compute nothing: their code is in no result.
_ASIDE = ("__init__", "look")


def result_hashes(results: Path) -> dict[str, str]:
    """SHA-256 of every file of a folder but its manifest, by relative path, sorted."""
    files = sorted(path for path in results.rglob("*") if path.is_file() and path != results / MANIFEST)
    return {path.relative_to(results).as_posix(): sha256(path) for path in files}


def made_with(project: Path) -> dict:
    """Versions of this program, Python, packages and the libraries in them; one hash over the modules that the steps run.

    Parameters
    ----------
    project : Path
        The folder that holds `pipeline`.
    """
    return {
        "rowreturn": __version__, "code_sha256": code_hash(project, steps_signed_for(project)),
        "python": platform.python_version(), "versions": _packages() | _native_versions(),
    }  # fmt: skip


def versions() -> dict[str, str]:
    """Versions of all that may change a byte of the results, and is quick to ask: packages, Python and what packs for it."""
    return _packages() | {"Python": platform.python_version(), _ZLIB: zlib.ZLIB_RUNTIME_VERSION}


def _packages() -> dict[str, str]:
    return {name: _version(name) for name in LIBRARIES}


def _native_versions() -> dict[str, str]:
    """Versions of the libraries that packages bring along, or find on the system where they are built there.

    Loaded here, for only the manifest needs them: every job takes the versions of packages.
    """
    import pyogrio
    import pyproj
    import rasterio
    import shapely

    return {
        "GDAL of pyogrio": pyogrio.__gdal_version_string__, "GDAL of rasterio": rasterio.__gdal_version__,
        "GEOS of shapely": shapely.geos_version_string, "PROJ of pyproj": pyproj.proj_version_str,
        _ZLIB: zlib.ZLIB_RUNTIME_VERSION,
    }  # fmt: skip


def _version(package: str) -> str:
    try:
        return version(package)
    except PackageNotFoundError:
        return "not installed"


def code_hash(project: Path, steps: list[str]) -> str:
    """One hash over the modules that these steps run."""
    files = sorted({file for step in steps for file in modules_of(project, f"pipeline.steps.{step}")})
    named = [f"{Path(file).relative_to(project).as_posix()} {sha256(Path(file))}" for file in files]
    return hashlib.sha256("\n".join(named).encode()).hexdigest()


def steps_signed_for(project: Path) -> list[str]:
    """Names of the steps whose code is in the results, the manifest's among them."""
    return sorted(path.stem for path in (project / "pipeline" / "steps").glob("*.py") if path.stem not in _ASIDE)
