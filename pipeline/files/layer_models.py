"""The layers of the configuration as models: one attribute per key, SI units in the attribute's name.

The YAML keys are aliases where the attribute carries a unit: ``row_margin: 1 in`` is read
as ``row_margin_m = 0.0254``. Every key has a description; config/README.md explains them at length.
"""

from __future__ import annotations

import codecs
from typing import Annotated, Any, Literal
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, model_validator
from pyproj import CRS
from pyproj.exceptions import CRSError

from pipeline import columns as c
from pipeline.core.checks import LEAST_TAPE_M, MOST_TAPE_M
from pipeline.core.frame_names import frame_named
from pipeline.core.tiering import PLANNED
from pipeline.errors import did_you_mean
from pipeline.files.column_values import EPOCH_UNITS, LENGTHS, TIMES
from pipeline.files.texts import id_text, shown
from pipeline.files.units import ANGLE, FIELD_CAPACITY, LENGTH, SPEED, TIME, Kind, check_unit, to_si

_M2_PER_S_OF_HA_PER_H = 1e4 / 3600.0


def between(low: float, high: float, *, kind: Kind = LENGTH) -> BeforeValidator:
    """Return a validator that reads a quantity and refuses what no field has seen."""

    def read(value: Any) -> float:
        si = to_si(value, kind=kind)
        if not low <= si <= high:
            told = kind.told(si)
            found = f"'{value}':" if told == str(value).strip() else f"'{value}' is {told};"
            raise ValueError(f"{found} expected {kind.told_range(low, high)}")
        return si

    return BeforeValidator(read)


RowSpacing = Annotated[float, between(0.1, 5.0)]
StripWidth = Annotated[float, between(0.02, 5.0)]
Wander = Annotated[float, between(0.0, 2.0)]
Margin = Annotated[float, between(0.0, 0.5)]
TapeError = Annotated[float, between(LEAST_TAPE_M, MOST_TAPE_M)]
Cell = Annotated[float, between(0.01, 5.0)]
Capacity = Annotated[
    float, between(0.1 * _M2_PER_S_OF_HA_PER_H, 500 * _M2_PER_S_OF_HA_PER_H, kind=FIELD_CAPACITY)
]
Gap = Annotated[float, between(1.0, 200.0)]
Pause = Annotated[float, between(1.0, 3600.0, kind=TIME)]
Break = Annotated[float, between(1.0, 86400.0, kind=TIME)]
WorkingDay = Annotated[float, between(3600.0, 86400.0, kind=TIME)]
BaseShift = Annotated[float, between(0.0, 100.0)]
TurnRadius = Annotated[float, between(2.0, 60.0)]
TurnAngle = Annotated[float, between(20.0, 170.0, kind=ANGLE)]
Shortest = Annotated[float, between(2.0, 500.0)]
Still = Annotated[float, between(0.0, 2.0, kind=SPEED)]
Jump = Annotated[float, between(0.1, 50.0)]
Smoothing = Annotated[float, between(0.0, 30.0)]
Name = Annotated[str, Field(min_length=1)]


def _no_braces(name: str) -> str:
    if set(name) & set("{}"):
        raise ValueError(f"'{name}' has braces, which Snakemake takes for more than a name; rename the file or folder")
    return name


FileName = Annotated[str, Field(min_length=1), AfterValidator(_no_braces)]


def _crs(name: str) -> str:
    try:
        CRS.from_user_input(name)
    except CRSError:
        raise ValueError(f"'{name}' is no CRS that is known; expected a code, as in EPSG:4326") from None
    return name


def _zone(name: str) -> str:
    try:
        ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise ValueError(
            f"'{name}' is no time zone; expected a place as in America/Chicago or Europe/Berlin, or UTC"
        ) from None
    return name


def _encoding(name: str) -> str:
    try:
        return codecs.lookup(name).name
    except LookupError:
        raise ValueError(f"'{name}' is no encoding; expected for example utf-8, latin-1 or cp1252") from None


Crs = Annotated[Name, AfterValidator(_crs)]
Zone = Annotated[Name, AfterValidator(_zone)]
Encoding = Annotated[Name, AfterValidator(_encoding)]


def _fix_values(values: Any) -> tuple[str, ...] | None:
    """Values of `fix` as text; None where the key is left out."""
    if values is None:
        return None
    if not isinstance(values, list | tuple):
        raise ValueError(f"found {shown(repr(values))}, expected a list of values of fix, as [4] or ['RTK fixed']")
    if not values:
        raise ValueError("the list is empty; expected values of fix under which the tier's figures hold, or leave it out")
    return tuple(_fix_value(one) for one in values)


def _fix_value(value: Any) -> str:
    # YAML takes a bare yes or on for true, and a day for a date.
    whole = isinstance(value, int | float) and not isinstance(value, bool) and value == value // 1
    text = id_text(value) if whole or isinstance(value, str) else None
    if text is None:
        raise ValueError(
            f"found {shown(repr(value))} in the list, expected text or a whole number; put what is text in quotes"
        )
    return text


FixHolds = Annotated[tuple[str, ...] | None, BeforeValidator(_fix_values)]
#: As we spell it; an unknown one is refused with its layer.
FrameName = Annotated[Name, AfterValidator(lambda name: frame_named(name) or name)]


class Model(BaseModel):
    """Strict, frozen, and knows which key an unknown one was meant to be."""

    model_config = ConfigDict(
        extra="forbid", frozen=True, strict=True, allow_inf_nan=False, validate_default=True
    )

    @model_validator(mode="before")
    @classmethod
    def _refuse_unknown_keys(cls, data: Any) -> Any:
        if isinstance(data, dict):
            known = [field.alias or name for name, field in cls.model_fields.items()]
            for key in data:
                if key not in known:
                    raise ValueError(f"unknown key '{key}'; {did_you_mean(str(key), known)}")
        return data

    def given(self) -> dict[str, Any]:
        """Return what was set, keyed by attribute (SI units in the name), without the Nones."""
        return self.model_dump(exclude_none=True)


class LineConstants(Model):
    """Values that hold for a whole layer of rows."""

    row_count: int | None = Field(None, ge=1, le=120, description="row units of the implement")
    row_spacing_m: RowSpacing | None = Field(None, alias="row_spacing", description="between row units")
    tier: Name | None = Field(None, description="id of the correction tier the layer was made with")
    frame: FrameName | None = Field(None, description="reference frame of the coordinates, a realisation")
    epoch: float | None = Field(None, ge=1980, le=2100, description="date of the coordinates, decimal year")
    field_id: Name | None = Field(None, description="the field all features belong to")
    pass_id: Name | None = Field(None, description="the pass all features belong to")
    fix: Name | None = Field(None, description="position quality of all features")


class StripConstants(LineConstants):
    """Values that hold for the whole layer of strips."""

    strip_width_m: StripWidth | None = Field(None, alias="strip_width", description="tilled width of a strip")

    @model_validator(mode="after")
    def _strip_fits_spacing(self) -> StripConstants:
        if self.strip_width_m and self.row_spacing_m and self.strip_width_m >= self.row_spacing_m:
            raise ValueError(
                f"strip_width is {self.strip_width_m:g} m, row_spacing {self.row_spacing_m:g} m; "
                "expected strips narrower than their spacing, correct one of them"
            )
        return self


class LogModel(Model):
    """How the points of a log become passes; no part where the layer has lines."""

    gap_m: Gap = Field("20 m", alias="gap", description="longest way without a point that is bridged")
    pause_s: Pause = Field("30 s", alias="pause", description="longest time without a point that is bridged")
    turn_radius_m: TurnRadius | None = Field(
        None, alias="turn_radius", description="a turn is bent tighter; default 12 m, for wide implements 0.6 widths"
    )
    turn_angle_deg: TurnAngle = Field("60 deg", alias="turn_angle", description="a turn bends by more in all")
    shortest_m: Shortest = Field("10 m", alias="shortest", description="shorter pieces are no passes")
    still_m_s: Still = Field("0.1 m/s", alias="still", description="slower is standing")
    spike_m: Jump = Field("0.5 m", alias="jump", description="farther aside, a point is a jump of the receiver")
    smooth_m: Smoothing = Field("9 m", alias="smoothing", description="noise is averaged out over so much to each side")


class FieldConstants(Model):
    """Values that hold for all fields."""

    field_id: Name | None = Field(None, description="id of the one field of a layer")
    farm: Name | None = Field(None, description="farm of all fields")
    grower: Name | None = Field(None, description="grower of all fields")
    base_id: Name | None = Field(None, description="the base that all fields go by; else each goes by the nearest")


class BaseConstants(Model):
    """Values that hold for all bases."""

    base_id: Name | None = Field(None, description="id of the one base of a layer")
    surveyed: bool | None = Field(None, description="whether all bases stand on surveyed points")


class CheckConstants(Model):
    """Values that hold for all ground checks."""

    tape_error_m: TapeError | None = Field(None, alias="tape_error", description="95 % error of the tape")


class ZoneConstants(Model):
    """Values that hold for all zones."""

    tier: Name | None = Field(None, description="tier the zones apply to, or *")
    factor: float | None = Field(None, ge=1, le=100, description="factor on the tier's error")
    unavailable: bool | None = Field(None, description="true where the tier cannot be had at all")


class Layer(Model):
    """Where a layer is, and what its columns are called."""

    file: FileName = Field(description="vector file, relative to the working directory")
    layer: Name | None = Field(None, description="layer in the file; may be left out when there is one")
    columns: dict[str, Name] = Field(default_factory=dict, description="our name: the file's column name")
    crs: Crs | None = Field(None, description="CRS of a file that says none, as EPSG:4326")
    units: dict[str, Name] = Field(default_factory=dict, description="our name: unit of a column's bare numbers")
    timezone: Zone | None = Field(None, description="zone of times that say none, as America/Chicago; else UTC")
    encoding: Encoding | None = Field(None, description="encoding of text in a file that does not say it")

    @model_validator(mode="after")
    def _refuse_unknown_units(self) -> Layer:
        columns = LAYER_COLUMNS[type(self).__name__]
        known = [name for name in columns if name in (*LENGTHS, *TIMES, c.SPEED)]
        for name, unit in self.units.items():
            if name not in known:
                raise ValueError(f"units: '{name}' takes no unit here; {did_you_mean(name, known)}")
            try:
                _check_unit_of(name, unit)
            except ValueError as error:
                raise ValueError(f"units.{name}: {error}") from None
        return self

    @model_validator(mode="after")
    def _refuse_unknown_columns(self) -> Layer:
        known = (*LAYER_COLUMNS[type(self).__name__], *COORDINATES)
        for name in self.columns:
            if name not in known:
                raise ValueError(f"columns: unknown column '{name}'; {did_you_mean(name, known)}")
        return self


def _check_unit_of(column: str, unit: str) -> None:
    """Refuse what is no unit of a column's numbers."""
    if column not in TIMES:
        check_unit(unit, kind=SPEED if column == c.SPEED else LENGTH)
    elif unit not in EPOCH_UNITS:
        raise ValueError(f"found '{unit}', expected s or ms, counted from 1970-01-01 UTC")


#: Where a text table has its geometry.
COORDINATES = ("x", "y", "wkt")
#: Of every layer of lines.
LINE_COLUMNS = (c.ROW_COUNT, c.ROW_SPACING, c.FIELD_ID, c.PASS_ID, c.STARTED_AT, c.ENDED_AT)
LINE_COLUMNS += (c.TIER, c.FRAME, c.EPOCH, c.FIX, c.MACHINE)
#: Of use where the layer has points.
POINT_COLUMNS = (c.SPEED, c.HEADING, c.RECORD)
#: Column names that may be mapped, by the layer's model.
LAYER_COLUMNS: dict[str, tuple[str, ...]] = {
    "FieldsLayer": (c.FIELD_ID, c.FARM, c.GROWER, c.BASE_ID),
    "StripsLayer": (*LINE_COLUMNS, c.STRIP_WIDTH, *POINT_COLUMNS),
    "RowsLayer": (*LINE_COLUMNS, *POINT_COLUMNS),
    "BasesLayer": (c.BASE_ID, c.SURVEYED),
    "ChecksLayer": (c.OFFSET, c.DISTANCE, c.TAPE_ERROR, c.PASS_ID),
    "ZonesLayer": (c.TIER, c.FACTOR, c.UNAVAILABLE),
}


class FieldsLayer(Layer):
    """The field boundaries."""

    constants: FieldConstants = Field(FieldConstants(), description="values for all features")


_FIX_HOLDS = "values of fix under which the tier's figures hold; left out: fix has no part"


class StripsLayer(Layer):
    """The strips that were built in autumn."""

    constants: StripConstants = Field(StripConstants(), description="values for all features")
    log: LogModel = Field(LogModel(), description="how points become passes")
    fix_holds: FixHolds = Field(None, description=_FIX_HOLDS)


#: What is asked of a planter whose passes are laid out here, after the strips.
_PLANTER_CONSTANTS = {"row_count", "row_spacing_m", "frame", "epoch"}


class RowsLayer(Layer):
    """The planted rows; without a file the planter follows the strips."""

    file: FileName | None = Field(None, description="vector file; left out: the planter follows the strips")  # type: ignore[assignment]
    kind: Literal["planned", "planted", "surveyed"] = Field(PLANNED, description="what the rows are")
    constants: LineConstants = Field(LineConstants(), description="values for all features")
    log: LogModel = Field(LogModel(), description="how points become passes")
    fix_holds: FixHolds = Field(None, description=_FIX_HOLDS)

    @model_validator(mode="after")
    def _plan_has_no_fix(self) -> RowsLayer:
        if self.file is not None and self.kind == PLANNED and self.fix_holds:
            raise ValueError(
                "fix_holds is given, but rows of kind planned have no fix yet: that of a plan is of another day; remove it, "
                "or say kind: planted"
            )
        return self

    @model_validator(mode="after")
    def _planter_without_file(self) -> RowsLayer:
        if self.file is not None:
            return self
        if self.constants.row_count is None or self.constants.row_spacing_m is None:
            raise ValueError("there is no file; give one, or row_count and row_spacing in constants")
        if self.kind != PLANNED or self.layer or self.columns:
            raise ValueError(
                "without a file, expected kind planned and neither layer nor columns; give a file"
            )
        if self.crs or self.units or self.timezone or self.encoding or self.fix_holds:
            raise ValueError("without a file, crs, units, timezone, encoding and fix_holds say nothing; give a file")
        idle = sorted(set(self.constants.given()) - _PLANTER_CONSTANTS)
        if idle:
            raise ValueError(
                f"constants: {', '.join(idle)} has no part in a plan without a file (its tiers are those of "
                "tiers.compare); remove it, or give a file"
            )
        if (self.constants.frame is None) != (self.constants.epoch is None):
            raise ValueError("constants: expected frame and epoch together; add the missing one or remove both")
        return self


class BasesLayer(Layer):
    """The RTK bases."""

    constants: BaseConstants = Field(BaseConstants(), description="values for all features")


class ChecksLayer(Layer):
    """The ground checks."""

    constants: CheckConstants = Field(CheckConstants(), description="values for all features")


class ZonesLayer(Layer):
    """Zones where a tier is worse or not to be had."""

    constants: ZoneConstants = Field(ZoneConstants(), description="values for all features")
