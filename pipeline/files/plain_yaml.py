"""YAML as the project reads it: plain values, and a key written twice is an error."""

from __future__ import annotations

from collections.abc import Hashable
from pathlib import Path
from typing import Any

import yaml

from pipeline.errors import ConfigError


class _UniqueKeyLoader(yaml.SafeLoader):
    """A safe loader; YAML itself would let the last of two equal keys win in silence."""

    def construct_mapping(self, node: yaml.MappingNode, deep: bool = False) -> dict[Hashable, Any]:
        seen: set[str] = set()
        for key_node, _ in node.value:
            if key_node.value in seen and key_node.tag != "tag:yaml.org,2002:merge":
                raise yaml.constructor.ConstructorError(
                    None, None, f"the key '{key_node.value}' is written twice; keep one", key_node.start_mark
                )
            seen.add(str(key_node.value))
        return super().construct_mapping(node, deep=deep)


def read_yaml(path: Path) -> Any:
    """Read one YAML document.

    Raises
    ------
    ConfigError
        If the file is missing, unreadable, not YAML, or has a key twice in one mapping.
    """
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise ConfigError(f"{path}: cannot be read ({error}); expected a YAML file, check the path") from None
    try:
        return yaml.load(text, Loader=_UniqueKeyLoader)
    except yaml.MarkedYAMLError as error:
        line = "" if error.problem_mark is None else f", line {error.problem_mark.line + 1}"
        raise ConfigError(f"{path}{line}: {error.problem or error}; correct the YAML there") from None
    except (yaml.YAMLError, TypeError, ValueError) as error:
        raise ConfigError(f"{path}: not readable as YAML ({error})") from None
