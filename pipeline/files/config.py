"""The configuration: read, validated, in SI; every fault is one `ConfigError` that says how to mend it."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Literal

from pydantic import Field, ValidationError, field_validator, model_validator

from pipeline.core.tier import Tier
from pipeline.errors import ConfigError, did_you_mean
from pipeline.files.catalogue import load_catalogue
from pipeline.files.config_models import (
    BasesLayer,
    Capacity,
    Cell,
    ChecksLayer,
    FieldsLayer,
    Margin,
    Model,
    Name,
    RowsLayer,
    StripsLayer,
    Wander,
    ZonesLayer,
)
from pipeline.files.plain_yaml import read_yaml

#: Values of `tiers.autumn` that are not tier ids.
AUTUMN_WORDS = ("same", "as_logged")


class Inputs(Model):
    """The layers."""

    fields: FieldsLayer = Field(description="field boundaries, polygons")  # type: ignore[assignment]
    strips: StripsLayer = Field(description="strips built in autumn, lines or points")
    rows: RowsLayer | None = Field(None, description="planted rows; left out: the planter follows the strips")
    bases: BasesLayer | None = Field(None, description="RTK bases, points")
    checks: ChecksLayer | None = Field(None, description="ground checks, points")
    zones: ZonesLayer | None = Field(None, description="zones of worse or no correction, polygons")


class Tiers(Model):
    """Which correction tiers are judged."""

    catalogue: Name = Field(
        "shared/tiers.yaml", description="tier catalogue; working directory, then project"
    )
    compare: list[Name] | None = Field(
        None, min_length=1, description="spring tiers; left out or all: every one"
    )
    autumn: Name = Field("same", description="same, as_logged or a tier id")

    @field_validator("compare", mode="before")
    @classmethod
    def _all_is_the_default(cls, value: Any) -> Any:
        return None if value == "all" else value


class Steering(Model):
    """Implement wander on top of the tier, 95 %."""

    autumn_m: Wander = Field("0 in", alias="autumn", description="of the strip-till bar")  # type: ignore[assignment]
    spring_m: Wander = Field("0 in", alias="spring", description="of the planter")  # type: ignore[assignment]


class FieldCapacity(Model):
    """Area per time, the clock where logs have no times."""

    # ASSUME: common widths and speeds; only the pace of the in-day drift depends on them.
    autumn_m2_per_s: Capacity = Field("8 ha/h", alias="autumn", description="of strip-till")  # type: ignore[assignment]
    spring_m2_per_s: Capacity = Field("10 ha/h", alias="spring", description="of planting")  # type: ignore[assignment]


class Judging(Model):
    """When a row holds."""

    row_margin_m: Margin = Field("0 in", alias="row_margin", description="kept clear at the strip's edge")  # type: ignore[assignment]
    row_miss_share: float = Field(0.5, ge=0, le=1, description="a row is missed above this expected share")
    steering: Steering = Field(Steering(), description="implement wander, 95 %")
    field_capacity: FieldCapacity = Field(FieldCapacity(), description="clock where logs have no times")
    own_strip: Literal["nearest", "pass_id"] = Field("nearest", description="what makes a strip a row's own")
    seed: int = Field(1, ge=0, lt=2**32, description="seed of the joint draws")


class Raster(Model):
    """The raster route."""

    cell_m: Cell = Field("0.1 m", alias="cell", description="cell size")  # type: ignore[assignment]


class Report(Model):
    """What people see."""

    units: Literal["us", "metric"] = Field("us", description="units of sheets and pages; files stay SI")
    sheets: Literal["all", "flagged", "none"] = Field("all", description="fields that get a sheet")


class Config(Model):
    """The whole configuration (DESIGN 4.1), SI inside."""

    title: Name = Field(description="heading of sheets and report")
    inputs: Inputs = Field(description="the layers")
    tiers: Tiers = Field(Tiers(), description="correction tiers to judge")
    judging: Judging = Field(Judging(), description="when a row holds")
    raster: Raster = Field(Raster(), description="the raster route")
    report: Report = Field(Report(), description="what people see")

    @model_validator(mode="after")
    def _margin_leaves_a_strip(self) -> Config:
        width_m = self.inputs.strips.constants.strip_width_m
        if width_m is not None and self.judging.row_margin_m >= width_m / 2:
            raise ValueError(
                f"judging.row_margin is {self.judging.row_margin_m:g} m, expected less than half of "
                f"inputs.strips.constants.strip_width, {width_m:g} m; lower the margin"
            )
        return self


def load_config(path: Path) -> Config:
    """Read and validate a configuration file.

    Raises
    ------
    ConfigError
        If the file cannot be read or a key or value in it is wrong.
    """
    return config_from_dict(read_yaml(Path(path)), source=str(path))


def config_from_dict(data: Any, *, source: str) -> Config:
    """Validate a configuration that is already read, as Snakemake hands it over.

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
        raise ConfigError(f"{source}: found {data!r}, expected keys and values; see config/README.md")
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
    expected = item["msg"].replace("Input should be", "expected")
    return f"{where}: found {item['input']!r}, {expected}; correct it as config/README.md shows"


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
    for key, name in _named_tiers(config):
        if name not in tiers:
            raise ConfigError(
                f"configuration: {key}: tier '{name}' is not in {path}; {did_you_mean(name, tiers)}"
            )
    if len(set(compare)) < len(compare):
        raise ConfigError(f"configuration: tiers.compare: {compare} names a tier twice; keep one of each")
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


def _named_tiers(config: Config) -> list[tuple[str, str]]:
    """List (key, tier id) for every place where the configuration names a tier."""
    named = [(f"tiers.compare.{i}", name) for i, name in enumerate(config.tiers.compare or [])]
    if config.tiers.autumn not in AUTUMN_WORDS:
        named.append(("tiers.autumn (same, as_logged or a tier id)", config.tiers.autumn))
    for layer in ("strips", "rows", "zones"):
        given = getattr(config.inputs, layer)
        tier = given and given.constants.tier
        if tier and not (layer == "zones" and tier == "*"):
            named.append((f"inputs.{layer}.constants.tier", tier))
    return named
