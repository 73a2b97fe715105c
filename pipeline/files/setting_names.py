"""Settings by the keys of the configuration: what we hold as `row_margin_m` is told as `row_margin`, in m."""

from __future__ import annotations

from typing import Any, NamedTuple, get_args, get_origin

from pipeline.files.config_models import Config
from pipeline.files.layer_models import Model
from pipeline.files.money import Money

#: Of an attribute that has its unit in its name; of two that fit the longer.
_UNITS = {"_m2_per_s": "m2/s", "_m_s": "m/s", "_deg": "deg", "_kg": "kg", "_s": "s", "_m": "m"}


class SettingName(NamedTuple):
    """How a setting is told.

    Attributes
    ----------
    key : str
        As the configuration has it.
    unit : str
        Of its number where it is written with one; "" of all others.
    """

    key: str
    unit: str


def setting_name(path: str) -> SettingName:
    """Of the dotted path of a setting, by attributes or by keys.

    What no model has, as a setting of an earlier version, keeps its name.

    Examples
    --------
    >>> setting_name("inputs.strips.log.spike_m")
    SettingName(key='inputs.strips.log.jump', unit='m')
    """
    keys: list[str] = []
    unit = ""
    holder: Any = Config
    for part in path.split("."):
        if holder is Money and part == "amount":
            continue  # told under the key itself
        key, unit, holder = _step(holder, part)
        keys.append(key)
    return SettingName(".".join(keys), unit)


def _step(holder: Any, part: str) -> tuple[str, str, Any]:
    """Key and unit of a part of a path, and what its next part is looked up in."""
    if get_origin(holder) is dict:
        return part, "", _inside(get_args(holder)[1])  # a name of the user's
    for name, field in getattr(holder, "model_fields", {}).items():
        if part in (name, field.alias):
            return field.alias or part, _unit(name) if field.alias else "", _inside(field.annotation)
    return part, "", None


def _unit(attribute: str) -> str:
    return next((unit for ending, unit in _UNITS.items() if attribute.endswith(ending)), "")


def _inside(annotation: Any) -> Any:
    """The model, money or mapping that an annotation is, or may be; None where it is none of them."""
    if get_origin(annotation) is dict or annotation is Money:
        return annotation
    if isinstance(annotation, type):
        return annotation if issubclass(annotation, Model) else None
    return next(filter(None, map(_inside, get_args(annotation))), None)
