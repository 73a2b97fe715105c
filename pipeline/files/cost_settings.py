"""Costs of the configuration as the steps take them: the curve in metres, prices as decimal text, waits in hours."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from decimal import ROUND_CEILING, Decimal
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.core.capacity import field_capacity_m2_s, wait_h
from pipeline.core.tier import Tier
from pipeline.core.tiering import AS_IN_SPRING, AS_LOGGED
from pipeline.errors import ConfigError, did_you_mean
from pipeline.files.cost_models import Costs
from pipeline.files.responses import Curve, chosen_curve, priced
from pipeline.files.units import TIME, to_si

if TYPE_CHECKING:
    from pipeline.files.config_models import Config

CENT = Decimal("0.01")
# A year's share of a one-off is known to so much. Rounded up, half a cent of several machines together is still half of one
# when it is rounded, the one time that it is.
_YEARLY = Decimal("0.0000000001")
#: A curve that loses nothing: rows are counted, and nothing else.
_NOTHING = {"distance_m": [0.0, 1.0], "loss": [0.0, 0.0], "unit": "", "measured_to_m": None}


def loss_settings(config: Config, *, project: Path) -> dict:
    """The curve, for the steps that compute with it and tell when it changed, and the share of the wait that is waited.

    No curve where nothing is to be chosen.

    Raises
    ------
    ConfigError
        If the curve is not there.
    """
    if config.costs is None:
        return {"response": None, "waited_share": 0.0}
    return {"response": _response(config.costs, project=project), "waited_share": waited_share(config.costs)}


def _response(costs: Costs, *, project: Path) -> dict:
    curve = chosen_curve(costs, project=project, working_dir=Path.cwd())
    if curve is None:
        return _NOTHING
    distance, loss = zip(*curve.points, strict=True)
    # Told only where it is less than the points say, so that a point that is moved is one change, not two.
    far = curve.measured_to_m if curve.measured_to_m < distance[-1] else None
    return {"distance_m": list(distance), "loss": list(loss), "unit": curve.unit, "measured_to_m": far}


def waited_share(costs: Costs) -> float:
    """Share of the convergence that machines wait: none where no price, start or day says that anybody pays for it."""
    paid = costs.machine_hour is not None and costs.starts_per_day > 0.0 and costs.days_per_season != 0.0
    return costs.waited_share if paid else 0.0


def choice_settings(config: Config, tiers: Mapping[str, Tier], compare: Sequence[str], *, project: Path) -> dict:
    """What the choice goes by; no `costs` where nothing is to be chosen.

    Raises
    ------
    ConfigError
        If costs are given, but not for every tier compared, or of one that is not compared.
    """
    if config.costs is None:
        return {"costs": None, "units": config.report.units}
    # Where each pass goes by its own tier there is nothing that one could buy.
    costs, names = config.costs, [name for name in compare if name != AS_LOGGED]
    _check_tiers(costs, names, tiers)
    curve = chosen_curve(costs, project=project, working_dir=Path.cwd())
    return {
        "units": config.report.units,
        "costs": {
            "currency": costs.currency, "curve": _curve(curve), "loss": _loss(curve, costs),
            "order": names,
            "tiers": {name: _tier(costs, name, tiers[name]) for name in names},
            "wait": _wait(costs, config.tiers.autumn),
            "machines_per_farm": costs.machines_per_farm, "seed": config.judging.seed,
            "standard": costs.standard.model_dump() if costs.standard else None,
        },
    }  # fmt: skip


def _check_tiers(costs: Costs, names: Sequence[str], tiers: Mapping[str, Tier]) -> None:
    for name in names:
        if name not in costs.tiers:
            raise ConfigError(
                f"configuration: costs.tiers: '{name}' is compared and has no costs; add it, as in "
                f"'{name}: {{fee: 0 {costs.currency}}}' where it is free, or leave it out of tiers.compare"
            )
    unknown = sorted(set(costs.tiers) - set(tiers))
    if unknown:
        raise ConfigError(
            f"configuration: costs.tiers: no tier '{unknown[0]}' in the catalogue; {did_you_mean(unknown[0], tiers)}"
        )


def _curve(curve: Curve | None) -> dict | None:
    if curve is None:
        return None
    return {
        "id": curve.id, "name": curve.name, "source": curve.source, "limits": curve.limits, "read_in": curve.read_in,
        "measured_to_m": curve.measured_to_m, "last_point_m": curve.points[-1][0],
    }  # fmt: skip


def _loss(curve: Curve | None, costs: Costs) -> dict:
    """Quantity of a square metre that loses one of the curve's unit, its unit and its price."""
    if curve is None:
        return {"quantity": 0.0, "unit": "", "price": "0"}
    one = priced(curve, costs)
    return {"quantity": one.quantity, "unit": one.unit, "price": one.price}


def _tier(costs: Costs, name: str, tier: Tier) -> dict:
    said = costs.tiers[name]
    once = Decimal(0) if said.once is None else said.once.value / Decimal(said.years or 1)
    return {
        "fee": _written(said.fee.value), "once_a_year": _written(once.quantize(_YEARLY, ROUND_CEILING)),
        "once": None if said.once is None else _written(said.once.value), "years": said.years,
        "count": costs.machines_per_farm if said.per == "machine" else 1, "per": said.per,
        "wait_h_per_day": wait_h(
            convergence_s=tier.convergence_s, starts_per_day=costs.starts_per_day, days=1.0, waited_share=waited_share(costs)
        ),
    }  # fmt: skip


def _written(price: Decimal) -> str:
    """All digits that a price has, two after the point at least."""
    short = price.normalize()
    return f"{short if short.as_tuple().exponent < CENT.as_tuple().exponent else price.quantize(CENT):f}"


def _wait(costs: Costs, autumn: str) -> dict:
    hour = costs.machine_hour
    price = Decimal(0) if hour is None else hour.value * Decimal(repr(3600.0 / to_si(f"1 {hour.per}", kind=TIME)))
    capacity = costs.field_capacity
    return {
        "price": f"{price.normalize():f}", "days": costs.days_per_season, "share": waited_share(costs),
        # Of a fixed autumn tier the waiting is the same whatever is chosen.
        "operations": 2 if autumn == AS_IN_SPRING else 1,
        "m2_per_day": None if capacity is None else costs.working_day_s * field_capacity_m2_s(
            width_m=capacity.width_m, speed_m_s=capacity.speed_m_s, efficiency=capacity.efficiency
        ),
    }  # fmt: skip
