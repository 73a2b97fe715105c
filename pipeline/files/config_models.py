"""The configuration as models, SI inside; its layers are in `layer_models`.

Defaults are written as a person would write them and validated like any other value.
"""

from __future__ import annotations

from typing import Any, Literal

from pydantic import Field, field_validator, model_validator

from pipeline.core.tiering import AS_IN_SPRING
from pipeline.files.cost_models import Costs
from pipeline.files.layer_models import (
    BaseShift,
    BasesLayer,
    Break,
    Capacity,
    Cell,
    ChecksLayer,
    FieldsLayer,
    FileName,
    Margin,
    Model,
    Name,
    RowsLayer,
    StripsLayer,
    Wander,
    WorkingDay,
    ZonesLayer,
)


class Inputs(Model):
    """The layers."""

    fields: FieldsLayer = Field(description="field boundaries, polygons")  # type: ignore[assignment]
    strips: StripsLayer = Field(description="strips built in autumn, lines or points")
    rows: RowsLayer | None = Field(None, description="planted rows; left out: the planter follows the strips")
    bases: BasesLayer | None = Field(None, description="RTK bases, points")
    checks: ChecksLayer | None = Field(None, description="ground checks, points")
    zones: ZonesLayer | None = Field(None, description="zones of worse or no correction, polygons")

    @property
    def files(self) -> list[str]:
        """Files of all layers by the names given, each once, sorted."""
        layers = self.model_dump(exclude_none=True).values()
        return sorted({layer["file"] for layer in layers if layer.get("file")})


class Tiers(Model):
    """Which correction tiers are judged."""

    catalogue: FileName = Field(
        "shared/tiers.yaml", description="tier catalogue; working directory, then project"
    )
    compare: list[Name] | None = Field(
        None, min_length=1, description="spring tiers; left out or all: every one"
    )
    autumn: Name = Field(AS_IN_SPRING, description="same, as_logged or a tier id")

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


class Convergence(Model):
    """What a receiver that was just switched on has to do with the figures."""

    count: Literal["auto", "times", "none"] = Field(
        "auto", description="auto: where passes have times; times: they must; none: every tier counts as converged"
    )
    # ASSUME: a shorter break is a refill with the receiver on.
    gap_s: Break = Field("30 min", alias="gap", description="a longer break between passes is a new start")  # type: ignore[assignment]
    starts_per_day: float = Field(2, ge=0, le=100, description="for planning, where there are no times")
    working_day_s: WorkingDay = Field("10 h", alias="working_day", description="for planning, where there are no times")  # type: ignore[assignment]


class Judging(Model):
    """When a row holds."""

    row_margin_m: Margin = Field("0 in", alias="row_margin", description="kept clear at the strip's edge")  # type: ignore[assignment]
    row_miss_share: float = Field(0.5, ge=0, le=1, description="a row is missed above this expected share")
    steering: Steering = Field(Steering(), description="implement wander, 95 %")
    field_capacity: FieldCapacity = Field(FieldCapacity(), description="clock where logs have no times")
    convergence: Convergence = Field(Convergence(), description="receivers that were just switched on")
    machine_error_m: Wander = Field("0 in", alias="machine_error", description="planter aside of its receiver, 95 %")  # type: ignore[assignment]
    # ASSUME: an averaged fix without corrections is good to this; whoever knows better says so.
    base_shift_m: BaseShift = Field(  # type: ignore[assignment]
        "2 m", alias="base_shift", description="how far an unsurveyed base may have moved, 95 % per axis"
    )
    enough_share: float = Field(0.95, gt=0, lt=1, description="share of row length on the strip that is enough")
    next_checks: int = Field(5, ge=0, le=50, description="ground checks to propose in each field")
    own_strip: Literal["nearest", "pass_id"] = Field("nearest", description="what makes a strip a row's own")
    seed: int = Field(1, ge=0, lt=2**32, description="seed of the joint draws")


class Raster(Model):
    """The raster route."""

    cell_m: Cell = Field("0.1 m", alias="cell", description="cell size")  # type: ignore[assignment]


class Report(Model):
    """What people see."""

    units: Literal["us", "metric"] = Field("us", description="units of sheets and pages; files stay SI")
    paper: Literal["auto", "a4", "letter"] = Field(
        "auto", description="of the sheets; auto: US Letter with us units, A4 with metric ones"
    )
    sheets: Literal["all", "flagged", "none"] = Field("all", description="fields that get a sheet")

    @property
    def paper_size(self) -> str:
        """Paper by its name, a4 or letter."""
        by_units = {"us": "letter", "metric": "a4"}
        return by_units[self.units] if self.paper == "auto" else self.paper


class Config(Model):
    """The whole configuration, SI inside."""

    title: Name = Field(description="heading of sheets and report")
    inputs: Inputs = Field(description="the layers")
    tiers: Tiers = Field(Tiers(), description="correction tiers to judge")
    judging: Judging = Field(Judging(), description="when a row holds")
    raster: Raster = Field(Raster(), description="the raster route")
    report: Report = Field(Report(), description="what people see")
    costs: Costs | None = Field(None, description="prices and agronomy; left out: nothing is chosen")

    @model_validator(mode="after")
    def _margin_leaves_a_strip(self) -> Config:
        width_m = self.inputs.strips.constants.strip_width_m
        if width_m is not None and self.judging.row_margin_m >= width_m / 2:
            raise ValueError(
                f"judging.row_margin is {self.judging.row_margin_m:g} m, expected less than half of "
                f"inputs.strips.constants.strip_width, {width_m:g} m; lower the margin"
            )
        return self
