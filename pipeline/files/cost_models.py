"""The part `costs` of the configuration: prices, agronomy and the standard, none of which the project ships."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field, model_validator

from pipeline.files.layer_models import FileName, Model, Name, WorkingDay, between
from pipeline.files.money import Money, money, percent, springs
from pipeline.files.numbers import split_unit
from pipeline.files.units import AREA, LENGTH, MASS, SPEED, TIME, VOLUME, YIELD_MASS, YIELD_VOLUME, to_si

NO_RESPONSE = "none"
HOUR_S = 3600.0
# No machine works at less.
LEAST_EFFICIENCY = 0.01


def _currency(value: Any) -> str:
    if not isinstance(value, str) or not re.fullmatch("[A-Z]{3}", value):
        raise ValueError(f"'{value}' is no currency; expected three capitals, as in 'USD' (ISO 4217)")
    return value


Currency = Annotated[str, BeforeValidator(_currency)]


def _per(*kinds: Any) -> BeforeValidator:
    """A validator of money for a unit of one of these kinds, or for itself."""
    examples = tuple(example for kind in kinds for example in kind.examples[:1])

    def read(value: Any) -> Money:
        found = money(value, per=examples)
        if kinds and not any(_is(f"1 {found.per}", kind) for kind in kinds):
            said = " or ".join(kind.name for kind in kinds)
            raise ValueError(f"'{value}': '{found.per}' is no unit of {said}; expected one, as in {' or '.join(examples)}")
        return found

    return BeforeValidator(read)


def _an_hour(value: Any) -> Money:
    found = money(value, per=("h",))
    is_time = _is(f"1 {found.per}", TIME)
    if not is_time or to_si(f"1 {found.per}", kind=TIME) > HOUR_S:
        why = "" if is_time else f" '{found.per}' is no unit of time;"
        raise ValueError(f"'{value}':{why} expected money for an hour or less, as in '180 USD/h'")
    return found


def _is(quantity: str, kind: Any) -> bool:
    try:
        to_si(quantity, kind=kind)
    except ValueError:
        return False
    return True


def _yield(value: Any) -> str:
    if not any(_is(str(value), kind) for kind in (YIELD_MASS, YIELD_VOLUME)):
        raise ValueError(f"'{value}' is no yield; expected a number and its unit, as in '200 bu/ac' or '12 t/ha'")
    if split_unit(str(value))[0].startswith("-"):
        raise ValueError(f"'{value}': a yield is not negative; expected one as in '200 bu/ac'")
    return str(value)


Price = Annotated[Money, _per(VOLUME, MASS)]
AreaValue = Annotated[Money, _per(AREA)]
Amount = Annotated[Money, _per()]
HourCost = Annotated[Money, BeforeValidator(_an_hour)]
Percent = Annotated[float, BeforeValidator(percent)]
Springs = Annotated[float, BeforeValidator(springs)]
Bushel = Annotated[float, between(5.0, 60.0, kind=MASS)]
ImplementWidth = Annotated[float, between(0.5, 60.0, kind=LENGTH)]
Pace = Annotated[float, between(0.1, 12.0, kind=SPEED)]


class Crop(Model):
    """What is lost when a row stands beside its strip: a yield with its price, or the worth of the strip itself."""

    price: Price | None = Field(None, description="of a unit of yield")
    expected_yield: Annotated[str, BeforeValidator(_yield)] | None = Field(
        None, description="for curves that are a share of the yield"
    )
    bushel_kg: Bushel | None = Field(None, alias="bushel", description="weight of a bushel, where curve and price differ")
    strip_value: AreaValue | None = Field(
        None, description="what an area on its strips is worth more a year than one that is off them altogether"
    )

    @model_validator(mode="after")
    def _one_of_the_two(self) -> Crop:
        if (self.price is None) == (self.strip_value is None):
            raise ValueError("expected either price or strip_value, just one of them; add or remove one")
        return self


class TierCosts(Model):
    """What a tier is paid for."""

    fee: Amount = Field(description="a year")
    once: Amount | None = Field(None, description="unlock or hardware, paid once")
    years: int | None = Field(None, ge=1, le=50, description="over which `once` is spread, without interest")
    per: Literal["machine", "farm"] = Field("machine", description="what both are paid for")

    @model_validator(mode="after")
    def _spread(self) -> TierCosts:
        if (self.once is None) != (self.years is None):
            raise ValueError("once and years belong together; give both or neither")
        return self


class Capacity(Model):
    """Area per time of an implement."""

    width_m: ImplementWidth = Field(alias="width", description="worked width")
    speed_m_s: Pace = Field(alias="speed", description="in work")
    efficiency: Percent = Field(description="share of the time in the field at that width and speed, 1 % or more")

    @model_validator(mode="after")
    def _works(self) -> Capacity:
        if self.efficiency < LEAST_EFFICIENCY:
            raise ValueError("efficiency: expected 1 to 100 %, as in '70 %'")
        return self


class Standard(Model):
    """What a grower asks for, whatever it costs."""

    on_strip: Percent = Field(description="least share of the row length on built strips that is to stand on them")
    springs: Springs = Field(description="in how many springs of how many, as in 9 of 10")


class ResponseChoice(Model):
    """Which curve of yield by distance from the strip."""

    curve: Name = Field(description="id of a curve, or none: count rows only")
    file: FileName = Field("shared/responses.yaml", description="of curves; working directory, then project")


class Costs(Model):
    """Prices and agronomy of the user; without this part nothing is chosen."""

    currency: Currency = Field(description="of all money, three capitals")
    crop: Crop | None = Field(None, description="what is lost beside the strip; may be left out with curve none")
    response: ResponseChoice = Field(description="loss by distance from the strip's centre")
    tiers: dict[str, TierCosts] = Field(description="what each compared tier costs")
    machines_per_farm: int = Field(1, ge=1, le=100, description="receivers that a farm pays for")
    machine_hour: HourCost | None = Field(None, description="of a machine that waits, with its driver")
    starts_per_day: float = Field(2, ge=0, le=100, description="of the receiver")
    days_per_season: float | None = Field(
        None, ge=0, le=366, description="that one machine works; default: area by field_capacity"
    )
    waited_share: Percent = Field("100 %", description="of the convergence that is really waited")  # type: ignore[assignment]
    field_capacity: Capacity | None = Field(None, description="from which the days follow")
    working_day_s: WorkingDay = Field("10 h", alias="working_day", description="for the same")  # type: ignore[assignment]
    standard: Standard | None = Field(None, description="to be met by the tier chosen")

    @model_validator(mode="after")
    def _is_whole(self) -> Costs:
        if self.response.curve != NO_RESPONSE and self.crop is None:
            raise ValueError("a response curve needs crop, with price or strip_value; add it, or use curve: none")
        if self.machine_hour is not None and self.days_per_season is None and self.field_capacity is None:
            raise ValueError("machine_hour needs days_per_season or field_capacity; add one of them")
        for place, one in self._all_money():
            if one.currency != self.currency:
                raise ValueError(f"{place} is in {one.currency}, expected {self.currency} as currency says; convert it")
        return self

    def _all_money(self) -> Iterator[tuple[str, Money]]:
        if self.crop is not None:
            yield from (("crop", one) for one in (self.crop.price, self.crop.strip_value) if one)
        yield from (("machine_hour", one) for one in (self.machine_hour,) if one)
        for tier, one in self.tiers.items():
            yield from ((f"tiers.{tier}", each) for each in (one.fee, one.once) if each)
