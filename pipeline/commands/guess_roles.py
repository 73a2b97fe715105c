"""Which layer is which: by geometry, then by name, then by date, and by order only where nothing else tells."""

import re
from dataclasses import dataclass

import pandas as pd

from pipeline import columns as c
from pipeline.commands.guess_columns import name_score
from pipeline.commands.quoting import named
from pipeline.commands.seen import Seen
from pipeline.files.layer_models import POINT_COLUMNS

FIELD_WORDS = ("field", "bound", "parcel", "paddock", "plot")
AUTUMN_WORDS = ("strip", "till", "bar", "autumn", "fall")
SPRING_WORDS = ("plan", "row", "seed", "spring", "sow")
BASE_WORDS = ("base", "station", "rtk")
CHECK_WORDS = ("check", "dig", "dug", "hole")
#: Our columns that only this layer has.
TELLING = {"checks": (c.OFFSET, c.DISTANCE), "zones": (c.FACTOR, c.UNAVAILABLE)}
#: More points than these are a log, not bases.
MOST_BASES = 50
_DATED = re.compile(r"\d{4}-\d{2}-\d{2}")


@dataclass(frozen=True)
class Role:
    """The layer that plays a role, and why."""

    seen: Seen
    why: str


def guess_roles(layers: list[Seen]) -> tuple[dict[str, Role], list[tuple[Seen, str]]]:
    """Guess the roles.

    Returns
    -------
    roles : dict of ``fields``, ``strips``, ``rows``, ``bases``, ``checks``, ``zones`` to Role
        Those that were found.
    unused : list of (Seen, str)
        Layers that play none, and why.
    """
    posts = [one for one in layers if _says(one, CHECK_WORDS) or not _says(one, BASE_WORDS)]
    roles = {**_by_columns(posts, "checks", "points"), **_by_columns(layers, "zones", "polygons")}
    if "checks" not in roles:
        roles |= _checks_by_name(layers)
    rest = [one for one in layers if not any(one is role.seen for role in roles.values())]
    roles |= _fields([one for one in rest if one.kind == "polygons"])
    tracks = [one for one in rest if one.kind == "lines"]
    logs = [one for one in rest if one.kind == "points" and one.features > MOST_BASES and not _says(one, BASE_WORDS)]
    roles |= _passes(tracks if len(tracks) > 1 else tracks + logs)
    roles |= _bases([one for one in rest if one.kind == "points" and one.features <= MOST_BASES])
    used = [role.seen for role in roles.values()]
    unused = [(one, _why_not(one)) for one in layers if not any(one is other for other in used)]
    return roles, unused


def _by_columns(layers: list[Seen], role: str, kind: str) -> dict[str, Role]:
    """The layer that is told by a column which no other layer has."""
    for one in (layer for layer in layers if layer.kind == kind and not _is_log(layer)):
        for column in one.columns:
            if any(name_score(column, ours) == 3 for ours in TELLING[role]):
                return {role: Role(one, f"{kind} with a column {named(column)}")}
    return {}


def _checks_by_name(layers: list[Seen]) -> dict[str, Role]:
    """A few points that are called checks, whatever their columns are."""
    few = [one for one in layers if one.kind == "points" and one.features <= MOST_BASES and not _is_log(one)]
    called = [one for one in few if _says(one, CHECK_WORDS)]
    return {"checks": Role(called[0], "by its name")} if called else {}


def _is_log(seen: Seen) -> bool:
    """Points with a clock or what a receiver writes, which may have a column of the distance driven too."""
    written = any(name_score(column, ours) == 3 for column in seen.columns for ours in (*POINT_COLUMNS, c.MACHINE))
    return seen.kind == "points" and (written or _day(seen) is not None)


def _fields(polygons: list[Seen]) -> dict[str, Role]:
    if not polygons:
        return {}
    if len(polygons) == 1:
        return {"fields": Role(polygons[0], "the only layer of polygons")}
    by_name = [one for one in polygons if _says(one, FIELD_WORDS)]
    chosen = (by_name or polygons)[0]
    return {"fields": Role(chosen, "by its name" if by_name else "the first layer of polygons; nothing else tells")}


def _passes(tracks: list[Seen]) -> dict[str, Role]:
    if not tracks:
        return {}
    what = _what(tracks[0])
    autumn = [one for one in tracks if _says(one, AUTUMN_WORDS) and not _says(one, SPRING_WORDS)]
    spring = [one for one in tracks if _says(one, SPRING_WORDS) and not _says(one, AUTUMN_WORDS)]
    if autumn or spring:
        roles = {"strips": Role(autumn[0], "by its name")} if autumn else {}
        roles |= {"rows": Role(spring[0], "by its name")} if spring else {}
        rest = [one for one in tracks if one not in (*autumn, *spring)]
        for role in ("strips", "rows"):
            if role not in roles and len(rest) == 1:
                roles[role] = Role(rest[0], f"the other {_what(rest[0])}")
        return roles
    if len(tracks) == 1:
        return {"strips": Role(tracks[0], f"the only {what}")}
    days = [(day, one) for one in tracks if (day := _day(one)) is not None]
    if len(days) == len(tracks) and days[0][0] != days[-1][0]:
        days.sort(key=lambda item: item[0])
        return {
            "strips": Role(days[0][1], f"the earliest {_what(days[0][1])}, {days[0][0]:%Y-%m-%d}"),
            "rows": Role(days[-1][1], f"the latest {_what(days[-1][1])}, {days[-1][0]:%Y-%m-%d}"),
        }
    nothing = "; neither name nor date tells, look twice"
    first, second = (f"the {place} {_what(one)}{nothing}" for place, one in zip(("first", "second"), tracks, strict=False))
    return {"strips": Role(tracks[0], first), "rows": Role(tracks[1], second)}


def _what(seen: Seen) -> str:
    return "layer of lines" if seen.kind == "lines" else "log of points"


def _bases(posts: list[Seen]) -> dict[str, Role]:
    by_name = [one for one in posts if _says(one, BASE_WORDS)]
    if by_name:
        return {"bases": Role(by_name[0], "by its name")}
    return {"bases": Role(posts[0], f"the only layer of a few points, {posts[0].features}")} if len(posts) == 1 else {}


def _says(seen: Seen, words: tuple[str, ...]) -> bool:
    """Whether a layer's own name begins a word like this, or the file's where the layer is alone in it."""
    name = seen.layer + (" " + seen.file.rsplit("/", 1)[-1] if seen.alone else "")
    parts = re.findall(r"[a-z]+", re.sub(r"([a-z])([A-Z])", r"\1 \2", name).lower())
    return any(part.startswith(word) for part in parts for word in words)


def _day(seen: Seen) -> pd.Timestamp | None:
    """Middle of the first column of date-times, be they local or not, or of text that is one."""
    for name in seen.columns:
        values = seen.table[name]
        if not pd.api.types.is_datetime64_any_dtype(values):
            values = values.where(values.map(lambda value: isinstance(value, str) and bool(_DATED.match(value))))
        moments = pd.to_datetime(values, utc=True, errors="coerce", format="ISO8601").dropna().sort_values()
        if len(moments):
            return moments.iloc[len(moments) // 2]
    return None


def _why_not(seen: Seen) -> str:
    if seen.kind == "nothing":
        return "no geometry"
    return f"{seen.features} {seen.kind}; no part is left for {named(seen.layer)}"
