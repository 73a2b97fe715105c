"""Whether a folder of results is what its manifest says, and whether its inputs and programs still are."""

import os
from pathlib import Path

from pipeline.errors import CheckError, InputError
from pipeline.files.cost_models import NO_RESPONSE
from pipeline.files.opening import hashes_of
from pipeline.files.provenance import MANIFEST, made_with, result_hashes
from pipeline.files.store import read_json, sha256
from pipeline.files.texts import shown

_CODE = "code"
# Of a hash its beginning is enough to read.
_HASH_SHOWN = 12


def verify(results: Path, *, project: Path) -> str:
    """Hold a folder of results against its manifest, its inputs and the programs installed.

    Parameters
    ----------
    results : Path
        Inputs of relative names are sought from the folder that it lies in, where the run worked.
    project : Path
        The folder that holds the code and the shipped catalogue.

    Returns
    -------
    str
        That all is as the manifest says.

    Raises
    ------
    InputError
        Without a manifest that can be read.
    CheckError
        With one line for each thing that differs.
    """
    said = read_manifest(results)
    home = Path(os.path.abspath(results)).parent  # where the run worked, even if the folder is a link
    found = [
        *_differences("result", said["outputs"], result_hashes(results), "not in the manifest"),
        *_differences("input", _plain(said["inputs"]), _plain(_inputs(said, home, project)), "new since the run"),
        *_programs(said, made_with(project)),
    ]
    if found:
        count = f"{len(found)} thing{'s' * (len(found) > 1)}"
        raise CheckError("\n".join([f"{results}: {count} not as its manifest says", *found]))
    return f"{results}: as its manifest says"


def read_manifest(results: Path) -> dict:
    """The manifest of a folder of results, looked over as far as this command uses it."""
    path = results / MANIFEST
    if not path.is_file():
        raise InputError(f"{path}: there is no such file; name the folder of results of a run that came to its end")
    try:
        said = read_json(path)
        whole = all(_is_texts(said[key]) for key in ("outputs", "inputs", "versions")) and all(
            isinstance(said[key], str) for key in ("rowreturn", "code_sha256", "python")
        )
        _catalogue(said), _curves(said), _files(said)
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
        whole = False
    if not whole:
        raise InputError(f"{path}: found no manifest of this version of Rowreturn; run the workflow again to have one")
    return said


def _is_texts(value: object) -> bool:
    return isinstance(value, dict) and all(isinstance(one, str) for one in value.values())


def _catalogue(said: dict) -> str:
    return str(said["configuration"]["tiers"]["catalogue"])


def _curves(said: dict) -> str:
    """The file of response curves, if one was read."""
    response = (said["configuration"].get("costs") or {}).get("response", {})
    return "" if response.get("curve", NO_RESPONSE) == NO_RESPONSE else str(response["file"])


def _files(said: dict) -> list[str]:
    """Input files by the names that the configuration has for them."""
    layers = said["configuration"]["inputs"].values()
    return sorted({str(layer["file"]) for layer in layers if layer and layer.get("file")})


def _inputs(said: dict, home: Path, project: Path) -> dict[str, str]:
    """Hashes of the inputs as they lie there now, by the names that the manifest has for them."""
    out = {}
    for name in _files(said):
        # The parts of a file are named in the way it is: relative to where the run worked.
        parts = hashes_of([str(home / name)])
        relative = not Path(name).is_absolute()
        out |= {Path(part).relative_to(home).as_posix() if relative else part: one for part, one in parts.items()}
    for name in filter(None, (_catalogue(said), _curves(said))):
        places = [place / name for place in (home, project) if (place / name).is_file()]
        out |= {name: sha256(places[0])} if places else {}
    return out


def _plain(hashes: dict[str, str]) -> dict[str, str]:
    """By names without "./", which the parts of a file are written without."""
    return {Path(name).as_posix(): one for name, one in hashes.items()}


def _differences(kind: str, said: dict[str, str], found: dict[str, str], new: str) -> list[str]:
    lines = [f"{kind} missing: {shown(name)}" for name in sorted(said.keys() - found.keys())]
    lines += [f"{kind} changed: {shown(name)}" for name in sorted(said) if name in found and found[name] != said[name]]
    return lines + [f"{kind} {new}: {shown(name)}" for name in sorted(found.keys() - said.keys())]


def _programs(said: dict, here: dict) -> list[str]:
    names = {"rowreturn": "Rowreturn", "code_sha256": _CODE, "python": "Python"}
    pairs = [(text, said[key], here[key]) for key, text in names.items()]
    versions = said["versions"] | here["versions"]
    pairs += [(name, said["versions"].get(name, "none"), here["versions"].get(name, "none")) for name in sorted(versions)]
    differ = [(name, _HASH_SHOWN if name == _CODE else None, old, new) for name, old, new in pairs if old != new]
    return [f"version differs: {shown(name)} was {shown(old[:most])}, is {new[:most]}" for name, most, old, new in differ]
