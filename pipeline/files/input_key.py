"""One name for all that the intake reads: equal content has an equal name, whatever times its files bear."""

import hashlib
import json
import os
from collections.abc import Iterable
from pathlib import Path

from pipeline.files.provenance import versions
from pipeline.files.store import sha256

_TOLD = "ROWRETURN_INPUT"


def input_key(config: dict, files: Iterable[str]) -> str:
    """Name of the content of a configuration, of input files and of the libraries that read them.

    Parameters
    ----------
    config : dict
        As in YAML.
    files : iterable of str
        All files that are read, as the configuration has their names.

    Returns
    -------
    str
        In hexadecimal.
    """
    content = {"config": config, "files": {name: _hash(name) for name in sorted(files)}, "versions": versions()}
    text = json.dumps(content, sort_keys=True, default=str)  # a YAML date is no JSON, and no fault of this place
    return hashlib.sha256(text.encode()).hexdigest()[:32]


def tell_key(config: dict, files: Iterable[str]) -> str:
    """`input_key`, handed down to the jobs that this process starts."""
    os.environ[_TOLD] = input_key(config, files)
    return os.environ[_TOLD]


def told_key(config: dict, files: Iterable[str]) -> str:
    """The key that this job of a cluster was told; each would else read the whole input only to know its name."""
    return os.environ.get(_TOLD) or input_key(config, files)


def _hash(name: str) -> str:
    try:
        return sha256(Path(name))
    except OSError as error:  # the intake says what is wrong with it
        return f"unreadable: {error.strerror}"
