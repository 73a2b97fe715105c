"""The catalogue of correction tiers: YAML in, `Tier` objects and the sources of their figures out."""

from __future__ import annotations

import difflib
import re
from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields
from pathlib import Path
from types import MappingProxyType
from typing import Any

from pipeline.core.accuracy import RETURNS_OF_BASIS, SIGMAS_OF_MEASURE
from pipeline.core.frame_names import FRAMES, frame_named, is_family, why_no_frame
from pipeline.core.tier import BASE_FRAME, TIER_ID_PATTERN, Tier
from pipeline.errors import ConfigError, did_you_mean
from pipeline.files.plain_yaml import check_keys, read_yaml
from pipeline.files.units import GROWTH, LENGTH, TIME, Kind, to_si

#: Key of a quantity in the file: (attribute of `Tier`, what it measures).
_QUANTITIES: dict[str, tuple[str, Kind]] = {
    "pass_to_pass": ("pass_to_pass_m", LENGTH),
    "repeatable": ("repeatable_m", LENGTH),
    "baseline_growth": ("baseline_growth", GROWTH),
    "range": ("range_m", LENGTH),
    "convergence": ("convergence_s", TIME),
    "start_error": ("start_error_m", LENGTH),
    "correlation_time": ("correlation_time_s", TIME),
}
_OPTIONAL_QUANTITIES = ("baseline_growth", "range")
_TEXTS = ("id", "name", "measure", "basis", "frame")
_KEYS = (*_TEXTS, *_QUANTITIES, "source", "published")
# What the trade means by a repeatable figure, where nothing else is said.
_USUAL = {"measure": "cross_track_95", "basis": "return"}
_REQUIRED = tuple(key for key in _KEYS if key not in (*_OPTIONAL_QUANTITIES, "published"))
_PUBLISHED_KEYS = ("figure", "value", "source", "used", "why")


@dataclass(frozen=True)
class Catalogue:
    """Tiers by id, in the file's order, and what the file says about each.

    Attributes
    ----------
    tiers : mapping of str to Tier
        In SI, converted to the cross-track 95 % bound of two visits.
    sources : mapping of str to dict
        The entry as written (figures with their units, `source`, `published`), for manifest and sheets.
    """

    tiers: Mapping[str, Tier]
    sources: Mapping[str, dict[str, Any]]


def load_catalogue(path: Path) -> Catalogue:
    """Read and validate a tier catalogue.

    Raises
    ------
    ConfigError
        With file, tier, key, value, what was expected and how to mend it.
    """
    entries = read_yaml(Path(path))
    if not isinstance(entries, list) or not entries:
        raise ConfigError(
            f"{path}: found {type(entries).__name__}, expected a list of tiers, each '- id: ...'"
        )
    tiers: dict[str, Tier] = {}
    sources: dict[str, dict[str, Any]] = {}
    for number, entry in enumerate(entries, start=1):
        said = _USUAL | entry if isinstance(entry, dict) else entry
        tier = _tier(said, place=f"{path}: tier {number}")
        if tier.id in tiers:
            raise ConfigError(f"{path}: tier {number}: id '{tier.id}' is there twice; rename or remove one")
        tiers[tier.id], sources[tier.id] = tier, said
    return Catalogue(tiers=MappingProxyType(tiers), sources=MappingProxyType(sources))


def _tier(entry: Any, *, place: str) -> Tier:
    if not isinstance(entry, dict):
        raise ConfigError(f"{place}: found {entry!r}, expected keys and values beginning with 'id: ...'")
    place = f"{place} '{entry.get('id', 'without id')}'"
    _check_keys(entry, place=place)
    figures = {
        attribute: _quantity(entry[key], kind=kind, place=f"{place}: {key}")
        for key, (attribute, kind) in _QUANTITIES.items()
        if key in entry
    }
    if figures["start_error_m"] < figures["repeatable_m"]:
        raise ConfigError(
            f"{place}: start_error: '{entry['start_error']}' is less than repeatable, "
            f"'{entry['repeatable']}'; expected at least as much, correct one of them"
        )
    texts = {key: entry[key] for key in _TEXTS}
    try:
        return Tier.from_figures(**({"baseline_growth": 0.0, "range_m": None} | figures | texts))
    except ConfigError as error:
        raise ConfigError(f"{place}: {error}; correct the figure") from None


def _check_keys(entry: dict[str, Any], *, place: str) -> None:
    check_keys(entry, place=place, known=_KEYS, required=_REQUIRED)
    for key in _TEXTS:
        if not isinstance(entry[key], str) or not entry[key]:
            raise ConfigError(f"{place}: {key}: found {entry[key]!r}, expected text; put it in quotes")
    if not TIER_ID_PATTERN.fullmatch(entry["id"]):
        raise ConfigError(f"{place}: id: expected small letters, digits and _, a letter first; rename it")
    for key, known in (("measure", SIGMAS_OF_MEASURE), ("basis", RETURNS_OF_BASIS)):
        if entry[key] not in known:
            raise ConfigError(f"{place}: {key}: unknown '{entry[key]}'; {did_you_mean(entry[key], known)}")
    _check_frame(entry["frame"], place=place)
    _check_sources(entry, place=place)


def _check_frame(frame: str, *, place: str) -> None:
    """Refuse a family of frames and a slip of the pen; a frame of some network that we do not know moves nothing."""
    if frame == BASE_FRAME or frame_named(frame):
        return
    slip = difflib.get_close_matches(frame.lower(), [one.lower() for one in (BASE_FRAME, *FRAMES)], n=1)
    if slip or is_family(frame):
        raise ConfigError(f"{place}: frame: '{frame}' {why_no_frame(frame)}; '{BASE_FRAME}' where the base decides")


def _check_sources(entry: dict[str, Any], *, place: str) -> None:
    source = entry["source"]
    if not isinstance(source, dict):
        raise ConfigError(f"{place}: source: found {source!r}, expected 'figure: where it is from' lines")
    for key, text in source.items():
        if key not in _QUANTITIES:
            raise ConfigError(
                f"{place}: source: unknown figure '{key}'; {did_you_mean(str(key), _QUANTITIES)}"
            )
        if not isinstance(text, str) or not text:
            raise ConfigError(f"{place}: source.{key}: found {text!r}, expected text saying where it is from")
    published = entry.get("published", [])
    if not isinstance(published, list) or not all(isinstance(item, dict) for item in published):
        raise ConfigError(f"{place}: published: expected a list of figure, value, source, used, why")
    for number, item in enumerate(published, start=1):
        if set(item) != set(_PUBLISHED_KEYS):
            raise ConfigError(
                f"{place}: published {number}: found {', '.join(map(str, item))}; "
                f"expected just {', '.join(_PUBLISHED_KEYS)}; add or remove keys"
            )


def _quantity(value: Any, *, kind: Kind, place: str) -> float:
    try:
        si = to_si(value, kind=kind)
    except ValueError as error:
        raise ConfigError(f"{place}: {error}") from None
    if si < 0.0 or re.match(r"\s*-", str(value)):
        raise ConfigError(f"{place}: '{value}' is negative; expected zero or more, as in {kind.written(1)}")
    return si


def tier_to_json(tier: Tier) -> dict[str, Any]:
    """Return the tier as a plain dict in SI, ready for JSON."""
    return asdict(tier)


def tier_from_json(data: Mapping[str, Any]) -> Tier:
    """Build the tier back from `tier_to_json`.

    Raises
    ------
    ConfigError
        If the keys are not those of a tier.
    """
    wanted = {field.name for field in fields(Tier)}
    if set(data) != wanted:
        raise ConfigError(
            f"tier in SI: found keys {sorted(data)}, expected {sorted(wanted)}; run intake again"
        )
    return Tier(**data)
