"""YAML as the project reads it: plain values, a key written twice is an error, and no text that explodes."""

from __future__ import annotations

import re
from collections.abc import Hashable, Mapping, Sequence
from pathlib import Path
from typing import Any

import yaml

from pipeline.errors import ConfigError, did_you_mean
from pipeline.files.texts import shown

# Far above any configuration or catalogue, and read in a second or two.
MOST_BYTES = 200_000
MOST_LEVELS = 20
MOST_VALUES = 20_000
_MERGE = "tag:yaml.org,2002:merge"


class _UniqueKeyLoader(yaml.SafeLoader):
    """A safe loader; YAML itself would let the last of two equal keys win in silence."""

    def construct_mapping(self, node: yaml.MappingNode, deep: bool = False) -> dict[Hashable, Any]:
        seen: set[str] = set()
        for key_node, _ in node.value:
            if not isinstance(key_node, yaml.ScalarNode):
                raise _fault("a key is a list or a mapping; expected a plain word", key_node)
            if key_node.value in seen and key_node.tag != _MERGE:
                raise _fault(f"the key '{shown(key_node.value)}' is written twice; keep one", key_node)
            seen.add(str(key_node.value))
        return super().construct_mapping(node, deep=deep)


def _fault(what: str, node: yaml.Node | yaml.Event) -> yaml.MarkedYAMLError:
    return yaml.constructor.ConstructorError(None, None, what, node.start_mark)


def read_yaml(path: Path) -> Any:
    """Read one YAML document.

    Raises
    ------
    ConfigError
        If the file is missing, unreadable, too large, not YAML, has a key twice in one mapping, or grows beyond
        measure by its anchors.
    """
    try:
        if path.exists() and not path.is_file():
            raise ConfigError(f"{path}: is no file; expected a YAML file, check the path")
        with path.open("rb") as stream:
            data = stream.read(MOST_BYTES + 1)
        text = data.decode("utf-8-sig")
    except (OSError, ValueError) as error:
        raise ConfigError(f"{path}: cannot be read ({error}); expected a YAML file, check the path") from None
    if len(data) > MOST_BYTES:
        raise ConfigError(f"{path}: is larger than {MOST_BYTES:,} bytes; expected a configuration or catalogue, check it")
    return parse_yaml(text, source=str(path))


def parse_yaml(text: str, *, source: str) -> Any:
    """Read YAML from text; `source` names it in messages.

    Raises
    ------
    ConfigError
        As `read_yaml`.
    """
    try:
        _check_levels(text)
        loader = _UniqueKeyLoader(text)
        try:
            node = loader.get_single_node()
            if node is None:
                return None
            _check_size(node)
            return loader.construct_document(node)
        finally:
            loader.dispose()
    except yaml.MarkedYAMLError as error:
        line = "" if error.problem_mark is None else f", line {error.problem_mark.line + 1}"
        said = ", ".join(part for part in (error.context, error.problem) if part) or str(error)
        raise ConfigError(f"{source}{line}: {_one_line(said)}; correct the YAML there") from None
    except (yaml.YAMLError, TypeError, ValueError, OverflowError, AttributeError, KeyError) as error:
        raise ConfigError(f"{source}: not readable as YAML ({_one_line(str(error))})") from None


def _one_line(text: str) -> str:
    return re.sub(r"\s+", " ", text).strip()[:300]


def _check_levels(text: str) -> None:
    """Refuse deep nesting before anything calls itself for each level."""
    level = 0
    for event in yaml.parse(text, Loader=yaml.SafeLoader):
        level += isinstance(event, yaml.CollectionStartEvent) - isinstance(event, yaml.CollectionEndEvent)
        if level > MOST_LEVELS:
            raise _fault(f"more than {MOST_LEVELS} levels of nesting; expected a few, as config/README.md shows", event)


def _check_size(root: yaml.Node) -> None:
    """Refuse what its aliases would blow up, or make endless; and text that no file can hold."""
    sizes: dict[int, int] = {}
    inside: set[int] = set()

    def size(node: yaml.Node) -> int:
        if id(node) in inside:
            raise _fault("an alias stands inside its own anchor; write the values out", node)
        if id(node) in sizes:
            return sizes[id(node)]
        inside.add(id(node))
        total = 1 + sum(size(child) for child in _children(node))
        inside.remove(id(node))
        sizes[id(node)] = total
        if total > MOST_VALUES:
            raise _fault(f"more than {MOST_VALUES:,} values, aliases counted each time; write fewer", node)
        return total

    size(root)


def _children(node: yaml.Node) -> list[yaml.Node]:
    if isinstance(node, yaml.MappingNode):
        return [part for pair in node.value for part in pair]
    if isinstance(node, yaml.SequenceNode):
        return list(node.value)
    if any(0xD800 <= ord(letter) <= 0xDFFF for letter in node.value):
        raise _fault("half of a surrogate pair; expected whole characters, write the character itself", node)
    return []


def check_keys(entry: Mapping[str, Any], *, place: str, known: Sequence[str], required: Sequence[str]) -> None:
    """Refuse keys that nobody knows, and an entry without one that is needed.

    Raises
    ------
    ConfigError
        With the place and the nearest known key.
    """
    for key in entry:
        if key not in known:
            raise ConfigError(f"{place}: unknown key '{key}'; {did_you_mean(str(key), known)}")
    for key in required:
        if key not in entry:
            raise ConfigError(f"{place}: the key '{key}' is missing; add it as shared/README.md shows")
