"""Curves of loss by distance from the strip: YAML in, and what a loss of a curve is in units that have a price."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.errors import ConfigError, did_you_mean
from pipeline.files.cost_models import NO_RESPONSE, Costs
from pipeline.files.plain_yaml import check_keys, read_yaml
from pipeline.files.units import AREA, LENGTH, MASS, VOLUME, YIELD_MASS, YIELD_VOLUME, Kind, to_si

SHARE_OF_YIELD, SHARE_OF_BENEFIT = "% of yield", "share of benefit"
_KEYS = ("id", "name", "unit", "points", "source", "read_in", "limits")
_MEASURED_TO = "measured_to"
_MOST_M = 5.0


@dataclass(frozen=True)
class Curve:
    """A curve as its file has it, distances in metres.

    Attributes
    ----------
    id, name, source, read_in, limits : str
    unit : str
        A yield per area, `SHARE_OF_YIELD` or `SHARE_OF_BENEFIT`.
    points : tuple of (float, float)
        Distance from the strip's centre [m], and loss in `unit`.
    measured_to_m : float
        The largest distance that was surely measured [m]; points beyond it are assumed.
    """

    id: str
    name: str
    unit: str
    points: tuple[tuple[float, float], ...]
    measured_to_m: float
    source: str
    read_in: str
    limits: str


@dataclass(frozen=True)
class Priced:
    """What one of the curve's unit, on a square metre, is in a unit that has a price.

    Attributes
    ----------
    quantity : float
        In `unit`.
    unit, price : str
        A unit of yield, or of area; and its price, a decimal number.
    """

    quantity: float
    unit: str
    price: str


def chosen_curve(costs: Costs, *, project: Path, working_dir: Path) -> Curve | None:
    """The curve that the configuration names; None with curve `none`.

    Raises
    ------
    ConfigError
        If file or curve is not there or wrong.
    """
    if costs.response.curve == NO_RESPONSE:
        return None
    curves = load_curves(response_path(costs, project=project, working_dir=working_dir))
    if costs.response.curve not in curves:
        raise ConfigError(
            f"configuration: costs.response.curve: no curve '{costs.response.curve}'; "
            f"{did_you_mean(costs.response.curve, [*curves, NO_RESPONSE])}"
        )
    return curves[costs.response.curve]


def response_path(costs: Costs, *, project: Path, working_dir: Path) -> Path:
    """The file of curves: relative to the working directory, else to the project."""
    for root in (working_dir, project):
        if (path := Path(root) / costs.response.file).is_file():
            return path
    raise ConfigError(f"configuration: costs.response.file: no file {costs.response.file}; correct the path or leave it out")


def response_files(costs: Costs | None, *, project: Path, working_dir: Path) -> list[str]:
    """The file of curves that a configuration reads, if it reads one."""
    if costs is None or costs.response.curve == NO_RESPONSE:
        return []
    return [str(response_path(costs, project=project, working_dir=working_dir))]


def load_curves(path: Path) -> dict[str, Curve]:
    """Read and validate a file of curves, by id.

    Raises
    ------
    ConfigError
        With file, curve, key, what was expected and how to mend it.
    """
    entries = read_yaml(Path(path))
    if not isinstance(entries, list) or not entries:
        raise ConfigError(f"{path}: found {type(entries).__name__}, expected a list of curves, each '- id: ...'")
    curves = [_curve(entry, place=f"{path}: curve {number}") for number, entry in enumerate(entries, start=1)]
    ids = [one.id for one in curves]
    if len(set(ids)) < len(ids):
        raise ConfigError(f"{path}: an id is there twice among {', '.join(ids)}; rename or remove one")
    return dict(zip(ids, curves, strict=True))


def _curve(entry: Any, *, place: str) -> Curve:
    if not isinstance(entry, dict):
        raise ConfigError(f"{place}: found {entry!r}, expected keys and values beginning with 'id: ...'")
    check_keys(entry, place=place, known=(*_KEYS, _MEASURED_TO), required=_KEYS)
    for key in _KEYS:
        if key != "points" and (not isinstance(entry[key], str) or not entry[key].strip()):
            raise ConfigError(f"{place}: {key}: found {entry[key]!r}, expected text; put it in quotes")
    unit = entry["unit"]
    if unit not in (SHARE_OF_YIELD, SHARE_OF_BENEFIT) and _kind(f"1 {unit}", YIELD_MASS, YIELD_VOLUME) is None:
        raise ConfigError(
            f"{place}: unit: found '{unit}', expected a yield per area as in bu/ac or t/ha, '{SHARE_OF_YIELD}' or "
            f"'{SHARE_OF_BENEFIT}'; correct it"
        )
    texts = {key: " ".join(entry[key].split()) for key in _KEYS if key != "points"}
    points = _points(entry["points"], place=f"{place}: points")
    return Curve(points=points, measured_to_m=_measured_to(entry, points[-1][0], place=f"{place}: {_MEASURED_TO}"), **texts)


def _measured_to(entry: dict, last_m: float, *, place: str) -> float:
    """How far the curve was measured: to its last point, if nothing else is said."""
    if _MEASURED_TO not in entry:
        return last_m
    try:
        far_m = to_si(entry[_MEASURED_TO], kind=LENGTH)
    except ValueError as error:
        raise ConfigError(f"{place}: {error}") from None
    if not 0.0 < far_m <= last_m:
        raise ConfigError(f"{place}: found '{entry[_MEASURED_TO]}', expected more than 0 and no more than the last point's")
    return far_m


def _points(said: Any, *, place: str) -> tuple[tuple[float, float], ...]:
    pairs = isinstance(said, list) and len(said) > 1 and all(isinstance(one, list) and len(one) == 2 for one in said)
    if not pairs or any(isinstance(loss, bool) or not isinstance(loss, (int, float)) for _, loss in said):
        raise ConfigError(f"{place}: found {said!r}, expected two or more of [distance, loss], as in [4 in, 0]; correct it")
    try:
        distance = [to_si(one, kind=LENGTH) for one, _ in said]
    except ValueError as error:
        raise ConfigError(f"{place}: {error}") from None
    if distance[0] < 0.0 or np.any(np.diff(distance) < 1e-4) or distance[-1] > _MOST_M:
        raise ConfigError(f"{place}: distances do not rise from 0 or more to {_MOST_M:g} m at most; put them in order")
    if not np.all(np.isfinite([loss for _, loss in said])):
        raise ConfigError(f"{place}: a loss is not finite; expected a number, correct it")
    if min(loss for _, loss in said) < 0.0:
        raise ConfigError(f"{place}: a loss is negative; a curve counts from its best place: move all up until none is")
    return tuple(zip(distance, (float(loss) for _, loss in said), strict=True))


def priced(curve: Curve, costs: Costs) -> Priced:
    """What the loss of a curve is in units that have a price.

    Raises
    ------
    ConfigError
        If curve, price and expected yield do not go together.
    """
    crop = costs.crop
    assert crop is not None  # the model sees to it
    if crop.strip_value is not None:
        most = max(loss for _, loss in curve.points)
        if most <= 0.0:
            raise ConfigError(f"configuration: costs: curve '{curve.id}' loses nothing, and strip_value needs a loss")
        # All of the benefit is lost where the curve loses most.
        unit_m2 = to_si(f"1 {crop.strip_value.per}", kind=AREA)
        return Priced(1.0 / most / unit_m2, crop.strip_value.per, crop.strip_value.amount)
    assert crop.price is not None
    if curve.unit == SHARE_OF_BENEFIT:
        raise ConfigError(
            f"configuration: costs.crop: curve '{curve.id}' is a share of what the strip is worth; give strip_value, as in "
            f"'60 {costs.currency}/ac', instead of price"
        )
    said = f"1 {curve.unit}"
    if curve.unit == SHARE_OF_YIELD:
        if crop.expected_yield is None:
            raise ConfigError(f"configuration: costs.crop: curve '{curve.id}' is a share of the yield; add expected_yield")
        said = crop.expected_yield
    share = 0.01 if curve.unit == SHARE_OF_YIELD else 1.0
    return Priced(share * _in_unit(said, crop.price.per, crop.bushel_kg), crop.price.per, crop.price.amount)


def _in_unit(said: str, unit: str, bushel_kg: float | None) -> float:
    """A yield [per square metre] in the unit of the price."""
    volume = _kind(said, YIELD_VOLUME) is not None
    amount, priced_by = to_si(said, kind=YIELD_VOLUME if volume else YIELD_MASS), f"1 {unit}"
    by_volume = _kind(priced_by, VOLUME) is not None
    per_unit = to_si(priced_by, kind=VOLUME if by_volume else MASS)
    if volume == by_volume:
        return amount / per_unit
    if bushel_kg is None:
        raise ConfigError(
            f"configuration: costs.crop: '{said}' and a price per {unit} do not go together without the weight of a bushel; "
            "add bushel, as in '56 lb'"
        )
    kg_per_m3 = bushel_kg / to_si("1 bu", kind=VOLUME)
    return amount * kg_per_m3 / per_unit if volume else amount / kg_per_m3 / per_unit


def _kind(said: str, *kinds: Kind) -> Kind | None:
    for kind in kinds:
        try:
            to_si(said, kind=kind)
        except ValueError:
            continue
        return kind
    return None
