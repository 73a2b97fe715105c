"""The answer in words: which tiers are good enough for each farm, and what somebody should look at."""

from collections.abc import Callable, Iterable

import pandas as pd

from pipeline import columns as c
from pipeline.core.show import ROUNDING, area_text, distance_text, plain_text, share_range_text, share_text, so_many
from pipeline.files.page_tables import UNLIKELY_P
from pipeline.files.texts import few

# More of a field's rows than this without a strip, and somebody should know.
NO_STRIP_SHARE = 0.02
_NAMED = 5
_REACH = "the base is out of reach"


def farm_answer(
    name: str, fields: list[dict], *, names: dict[str, str], enough_share: float, units: str, chosen: str = ""
) -> dict:
    """What to say of a farm.

    Parameters
    ----------
    name : str
    fields : list of dict
        Summaries of its fields (`page_field.field_summary`).
    names : dict of tier id to name
        In the order compared.
    enough_share : float
        Share of the row length to be expected on the strip.
    units : {"us", "metric"}
    chosen : str
        What the prices given choose; nothing where there are none.

    Returns
    -------
    dict
        `name`, `size`, `chosen` and `lines`.
    """
    judged = [one for one in fields if one["judged_m"] > 0.0]
    size = f"{so_many(len(fields), 'field')}, {area_text(sum(one['area_m2'] for one in fields), units=units)}"
    said: dict[str, list[str]] = {"all": [], "some": [], "none": []}
    for tier, title in names.items() if judged else ():
        bad = [one for one in judged if not _good(one["tiers"][tier], enough_share)]
        kind = "all" if not bad else "none" if len(bad) == len(judged) else "some"
        said[kind].append(_tier_words(title, tier, judged, bad) if kind != "none" else title)
    where = "in every field" if len(judged) > 1 else "in its field"
    nowhere = "in any field" if len(judged) > 1 and not said["some"] else where
    lines = [
        f"Good enough {where}: {'; '.join(said['all'])}." if said["all"] else
        f"No tier is good enough {nowhere}." if judged else "No row stands by a strip here.",
    ]  # fmt: skip
    lines += [f"In some fields: {'; '.join(said['some'])}."] if said["some"] else []
    lines += [f"In none: {'; '.join(said['none'])}."] if said["none"] and (said["all"] or said["some"]) else []
    return {"name": plain_text(name) or "No farm named", "size": size, "chosen": chosen, "lines": lines}


def _good(one: dict, enough_share: float) -> bool:
    ruled_out = one["reach"] == c.OUT_OF_REACH or _denied(one)
    return not ruled_out and _expected(one)[0] <= 1.0 - enough_share + ROUNDING


def _expected(one: dict) -> list[float]:
    """Share expected off the strip and its percentiles: after the ground checks where somebody dug."""
    return one["share"] if one["checked"][0] is None else one["checked"]


def _tier_words(title: str, tier: str, judged: list[dict], bad: list[dict]) -> str:
    if bad:
        return f"{title} (in {len(judged) - len(bad)} of {len(judged)}; not in {_few(one['id'] for one in bad)})"
    worst = max((_expected(one["tiers"][tier]) for one in judged), key=lambda share: share[0])
    most = "at most " if len(judged) > 1 else ""
    return f"{title} ({most}{share_text(worst[0])} off, {share_range_text(worst[1], worst[2])} in eight springs of ten)"


def remarks(one: dict, *, names: dict[str, str]) -> list[str]:
    """Short remarks on a field; none on most."""
    said = []
    if one["judged_m"] <= 0.0:
        said.append("no row stands by a strip")
    elif one["no_strip_m"] > NO_STRIP_SHARE * one["row_m"]:
        said.append(f"{share_text(one['no_strip_m'] / one['row_m'])} of the row length has no strip")
    if any(tier["reach"] == c.OUT_OF_REACH for tier in one["tiers"].values()):
        said.append(_REACH)
    if one["base_unsure"]:
        said.append("the base is not surveyed")
    if one["moved"]:
        said.append(f"planter's lines moved {one['moved']}: frames differ")
    denied = [name for tier, name in names.items() if _denied(one["tiers"][tier])]
    if denied:
        said.append(f"ground checks contradict {len(denied)} of {len(names)} tiers")
    return said


def _denied(one: dict) -> bool:
    return one["fits"] is not None and one["fits"] < UNLIKELY_P


def attention(fields: list[dict], notes: Iterable[str], rejects: pd.DataFrame, *, names: dict[str, str]) -> list[str]:
    """What needs attention in all fields together, one line a matter.

    Parameters
    ----------
    fields : list of dict
        Summaries.
    notes : iterable of str
        Of the intake, such as how far frames are apart.
    rejects : DataFrame
        Features that were not used, with layer and reason.
    names : dict of tier id to name
    """
    said = [
        *_by_fields(
            fields, names, lambda one: one["reach"] == c.OUT_OF_REACH, "{tiers}: out of reach of the base in {fields}."
        ),
        *_by_fields(
            fields, names, lambda one: one["reach"] == c.REACH_UNKNOWN,
            "{tiers}: nobody knows whether the base is in reach, as none are given, in {fields}.",
        ),
        *_by_fields(fields, names, _denied, "Ground checks contradict {tiers} in {fields}."),
    ]  # fmt: skip
    moved = [one["id"] for one in fields if one["base_unsure"]]
    bare = [one["id"] for one in fields if one["judged_m"] > 0.0 and one["no_strip_m"] > NO_STRIP_SHARE * one["row_m"]]
    nothing = [one["id"] for one in fields if one["judged_m"] <= 0.0]
    said += [f"The base is not surveyed in {_fields(moved)}: it may stand elsewhere than in autumn."] if moved else []
    said += [f"More than {share_text(NO_STRIP_SHARE)} of the row length has no strip in {_fields(bare)}."] if bare else []
    said += [f"No row stands by a strip in {_fields(nothing)}."] if nothing else []
    said += [f"{_sentence(plain_text(note))}." for note in notes]
    if len(rejects):
        layers = rejects[c.LAYER].map(plain_text).value_counts(sort=False).sort_index()
        told = ", ".join(f"{count} of {layer}" for layer, count in layers.items())
        said.append(f"{so_many(len(rejects), 'feature')} not used ({told}); rejects.csv has the reasons.")
    return said


def _sentence(text: str) -> str:
    """With a capital, but where it begins with a key of the configuration."""
    return text if "." in text.partition(" ")[0] else f"{text[:1].upper()}{text[1:]}"


def _by_fields(fields: list[dict], names: dict[str, str], asked: Callable[[dict], bool], words: str) -> list[str]:
    """One line for the tiers of which something is so in the same fields."""
    found: dict[tuple[str, ...], list[str]] = {}
    for tier, name in names.items():
        mine = tuple(one["id"] for one in fields if asked(one["tiers"][tier]))
        found.setdefault(mine, []).append(name)
    return [words.format(tiers="; ".join(tiers), fields=_fields(list(ids))) for ids, tiers in found.items() if ids]


def facts_text(one: dict, *, units: str) -> str:
    """Farm, area, baseline of a field on one line."""
    base = [] if one["baseline_m"] is None else [f"{distance_text(one['baseline_m'], units=units)} to its base"]
    checks = [f"{so_many(one['check_count'], 'ground check')}"] if one["check_count"] else []
    parts = [plain_text(one["farm"]), area_text(one["area_m2"], units=units), *base, *checks]
    return " \N{MIDDLE DOT} ".join(part for part in parts if part)


def _fields(ids: list[str]) -> str:
    return f"{so_many(len(ids), 'field')}: {_few(ids)}"


def _few(ids: Iterable[str]) -> str:
    return few([plain_text(one) for one in ids], most=_NAMED)
