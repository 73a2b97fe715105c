"""The configuration: validated, in SI; every fault is one `ConfigError` that says how to mend it."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from pipeline.core.signals import EVERY_TIER
from pipeline.core.tier import Tier
from pipeline.core.tiering import AS_IN_SPRING, AS_LOGGED, PLANTED
from pipeline.errors import ConfigError, did_you_mean
from pipeline.files.catalogue import load_catalogue
from pipeline.files.config_models import Config
from pipeline.files.cost_settings import choice_settings
from pipeline.files.texts import shown

#: Values of `tiers.autumn` that are not tier ids.
AUTUMN_WORDS = (AS_IN_SPRING, AS_LOGGED)


def config_from_dict(data: Any, *, source: str) -> Config:
    """Validate a configuration that is already read, by `read_yaml` or Snakemake.

    Parameters
    ----------
    data : dict
        Keys and values as in YAML.
    source : str
        Name of the file, for messages.

    Raises
    ------
    ConfigError
        With one line per fault: file, key, value, what was expected and how to mend it.
    """
    if not isinstance(data, dict):
        raise ConfigError(f"{source}: found {shown(repr(data))}, expected keys and values; see config/README.md")
    try:
        return Config.model_validate(data)
    except ValidationError as error:
        faults = [_fault(item, source=source) for item in error.errors(include_url=False)]
    raise ConfigError("\n".join(dict.fromkeys(faults)))


def _fault(item: Any, *, source: str) -> str:
    key = ".".join(str(part) for part in item["loc"])
    where = f"{source}: {key}" if key else source
    if item["type"] == "missing":
        return f"{where}: is missing; add it as config/README.md shows"
    if item["type"] == "value_error":
        return f"{where}: {item['ctx']['error']}"
    if item["type"] == "string_type" and isinstance(item["input"], (bool, int, float, date)):
        return f"{where}: found {_as_written(item['input'])}, expected text; put it in quotes"
    if item["type"] == "too_short":
        return f"{where}: names nothing; expected {item['ctx']['min_length']} or more, or leave the key out"
    if item["type"] in ("model_type", "model_attributes_type", "dict_type"):
        expected = "expected keys with values under it"
    else:
        expected = item["msg"].replace("Input should be", "expected")
    return f"{where}: found {shown(repr(item['input']))}, {expected}; correct it as config/README.md shows"


def _as_written(value: object) -> str:
    """What YAML has made of a text without quotes: a date, a number, or true of yes and on, false of no and off."""
    if isinstance(value, bool):
        return f"{str(value).lower()} (which {'yes and on' if value else 'no and off'} are too)"
    return f"the {'date' if isinstance(value, date) else 'value'} {shown(value)}"


def resolve_tiers(
    config: Config, *, project_root: Path, working_dir: Path
) -> tuple[dict[str, Tier], list[str]]:
    """Load the catalogue and check every tier id the configuration names.

    Returns
    -------
    tiers : dict of str to Tier
        The whole catalogue.
    compare : list of str
        Ids to compare, in the order given (all, in the catalogue's order, where none is given).

    Raises
    ------
    ConfigError
        If the catalogue is missing or wrong, or an id is not in it or given twice.
    """
    path = catalogue_path(config, project_root=project_root, working_dir=working_dir)
    tiers = load_catalogue(path).tiers
    compare = list(tiers) if config.tiers.compare is None else list(config.tiers.compare)
    if AS_LOGGED in compare:
        _check_as_logged(config)
    for key, name in _named_tiers(config):
        if name not in tiers and not (name == AS_LOGGED and key.startswith("tiers.compare")):
            raise ConfigError(
                f"configuration: {key}: tier '{name}' is not in {path}; {did_you_mean(name, tiers)}"
            )
    if len(set(compare)) < len(compare):
        raise ConfigError(f"configuration: tiers.compare: {compare} names a tier twice; keep one of each")
    if config.costs is not None:  # what is wrong with them is told before anything is read
        choice_settings(config, tiers, compare, project=project_root)
    return dict(tiers), compare


def catalogue_path(config: Config, *, project_root: Path, working_dir: Path) -> Path:
    """Return the catalogue's path: relative to the working directory, else to the project."""
    candidates = [Path(root) / config.tiers.catalogue for root in (working_dir, project_root)]
    for path in candidates:
        if path.is_file():
            return path
    tried = " and ".join(dict.fromkeys(str(path) for path in candidates))
    raise ConfigError(
        f"configuration: tiers.catalogue: no file at {tried}; correct the path or leave the key out"
    )


def _check_as_logged(config: Config) -> None:
    rows = config.inputs.rows
    if rows is None or rows.kind != PLANTED:
        raise ConfigError(
            "configuration: tiers.compare: as_logged asks for rows of kind planted that name their tiers; name tiers instead"
        )
    if config.tiers.autumn == AS_IN_SPRING:
        raise ConfigError(
            "configuration: tiers.compare: as_logged, while tiers.autumn is same, which leaves the strips without a tier; "
            "expected as_logged or a tier's id for tiers.autumn"
        )


def _named_tiers(config: Config) -> list[tuple[str, str]]:
    """List (key, tier id) for every place where the configuration names a tier."""
    named = [(f"tiers.compare.{i}", name) for i, name in enumerate(config.tiers.compare or [])]
    if config.tiers.autumn not in AUTUMN_WORDS:
        named.append(("tiers.autumn (same, as_logged or a tier id)", config.tiers.autumn))
    for layer in ("strips", "rows", "zones"):
        given = getattr(config.inputs, layer)
        tier = given and given.constants.tier
        if tier and not (layer == "zones" and tier == EVERY_TIER):
            named.append((f"inputs.{layer}.constants.tier", tier))
    return named
