"""What is no error and yet worth reading before a long run."""

import math
from collections.abc import Iterable

import numpy as np
import pandas as pd

from pipeline import columns as c
from pipeline.commands.quoting import named
from pipeline.core.neighbours import abreast_distances, laid_flat, usable_lines
from pipeline.core.show import length_text, so_many, width_text
from pipeline.core.tiering import AS_IN_SPRING, AS_LOGGED, SURVEYED
from pipeline.files.config import Config
from pipeline.files.number_notes import number_notes
from pipeline.files.planter_side import SAME_SPACING_M
from pipeline.files.taking import Taken

#: A rejected share beyond this is no slip of a few features.
MANY_REJECTED = 0.05
#: Fields in which the distance of the passes is measured, and how many passes of each.
MEASURED_FIELDS, MEASURED_PASSES = 6, 200
#: Logged passes lie a little nearer or farther than their width; beyond this share something is wrong.
WIDTH_FITS_WITHIN = 0.05
_NAMED_AT_MOST = 4


def warnings_of(settings: Config, taken: Taken, layers: dict[str, dict], sampled: Iterable[str]) -> list[str]:
    """Sentences, the notes of the run itself first.

    Parameters
    ----------
    settings : Config
    taken : Taken
    layers : dict of role to facts
        From `layer_facts`.
    sampled : iterable of str
        Roles that were read by a sample only; what is missing from one proves nothing.
    """
    sampled = set(sampled)
    notes = [*taken.notes, *_column_notes(layers), *_crs_notes(layers), *_reject_notes(layers)]
    notes += [] if sampled else _field_notes(taken) + number_notes(settings, taken.layers)
    return notes + _clock_notes(settings, taken) + _width_notes(settings, taken) + _planter_notes(settings, taken)


def _column_notes(layers: dict[str, dict]) -> list[str]:
    return [
        f"{role}: column {named(theirs)} looks like {ours}, but "
        + (f"the constant {ours} is used instead" if ours in facts["constants"] else f"{ours} is not mapped")
        for role, facts in layers.items()
        for ours, theirs in facts["alike"].items()
    ]


def _crs_notes(layers: dict[str, dict]) -> list[str]:
    crs = {role: facts["crs_code"] or facts["crs"] for role, facts in layers.items() if role != "bases" and facts["read"]}
    if len(set(crs.values())) < 2:
        return []
    said = ", ".join(f"{role} {name}" for role, name in crs.items())
    return [f"the layers are in several CRS ({said}): each is laid out by its own longitude and latitude, and only "
            "frame and epoch move anything"]  # fmt: skip


def _reject_notes(layers: dict[str, dict]) -> list[str]:
    return [
        f"{role}: {facts['rejected_count']:,} of {so_many(facts['read'], 'feature')} would be rejected; reasons above"
        for role, facts in layers.items()
        if facts["rejected_count"] > MANY_REJECTED * facts["read"]
    ]


def _field_notes(taken: Taken) -> list[str]:
    """Fields that lack strips, or rows."""
    fields = set(taken.fields[c.FIELD_ID])
    there = {role: set(taken.layers[role].kept[c.FIELD_ID]) for role in ("strips", "rows") if role in taken.layers}
    notes = [
        f"{_fields(fields - ids)} without {role}" + (": nothing can hold there" if role == "strips" else "")
        for role, ids in there.items()
        if fields - ids
    ]
    outside = {role: int((taken.layers[role].rejects[c.REASON] == "lies in no field").sum()) for role in there}
    away = [f"{role}: {so_many(count, 'pass', 'passes')} outside all fields" for role, count in outside.items() if count]
    return notes + away


def _clock_notes(settings: Config, taken: Taken) -> list[str]:
    notes, days = [], {}
    paces = {"strips": "autumn", "rows": "spring"}
    for role in paces.keys() & taken.layers.keys():
        kept = taken.layers[role].kept
        days[role] = (kept[c.STARTED_S].min(), kept[c.ENDED_S].max())
        bare = set(kept[c.FIELD_ID][kept[c.STARTED_S].isna() | kept[c.ENDED_S].isna()])
        if bare:
            all_of_them = bare == set(kept[c.FIELD_ID])
            where = "in every field" if all_of_them else f"in {_fields(bare)}"
            notes.append(f"{role}: times are missing {where}; a clock is assumed there from "
                         f"judging.field_capacity.{paces[role]}, passes in order of place")  # fmt: skip
    if "rows" in days and days["rows"][0] < days["strips"][1]:
        notes.append("the first planter pass is dated before the last strip pass; are the layers the right way round?")
    return sorted(notes)


def _width_notes(settings: Config, taken: Taken) -> list[str]:
    """Passes whose neighbours lie elsewhere than count times spacing says."""
    notes = []
    for role in ("strips", "rows"):
        if role not in taken.layers:
            continue
        kept = taken.layers[role].kept
        for field_id, passes in list(kept.groupby(c.FIELD_ID, sort=True))[:MEASURED_FIELDS]:
            measured = _measured(passes.iloc[:MEASURED_PASSES], kept.crs)
            if measured is not None and abs(measured[0] / measured[1] - 1) > WIDTH_FITS_WITHIN:
                apart, width = (length_text(value, units=settings.report.units) for value in measured)
                notes.append(f"{role}: passes of field {named(field_id)} lie {apart} apart, but row_count times row_spacing "
                             f"is {width}; one of the two may be wrong")  # fmt: skip
    return notes


def _measured(passes, crs) -> tuple[float, float] | None:
    """Distance between neighbouring passes and what their width says it is, medians [m]."""
    lines, index = usable_lines(np.array(passes.geometry.values, object))
    if len(lines) < 2:
        return None
    apart = abreast_distances(laid_flat(lines, crs))
    width = (passes[c.ROW_COUNT] * passes[c.ROW_SPACING_M]).to_numpy(float)[index]
    found = np.isfinite(apart)
    if found.sum() < 2:
        return None
    # Judged by the middle of the ratios, so that passes of several widths are each held to their own.
    ratio = float(np.median(apart[found] / width[found]))
    return ratio * float(np.median(width[found])), float(np.median(width[found]))


def _planter_notes(settings: Config, taken: Taken) -> list[str]:
    """A planter whose rows or spacing do not go with the bar's."""
    bar = taken.layers["strips"].kept.groupby(c.FIELD_ID)[[c.ROW_COUNT, c.ROW_SPACING_M]].first()
    if "rows" in taken.layers:
        planter = taken.layers["rows"].kept.groupby(c.FIELD_ID)[[c.ROW_COUNT, c.ROW_SPACING_M]].first()
    elif settings.inputs.rows is not None:
        said = settings.inputs.rows.constants
        planter = bar.assign(**{c.ROW_COUNT: said.row_count, c.ROW_SPACING_M: said.row_spacing_m})
    else:
        return []
    both = bar.add_suffix("_bar").join(planter, how="inner")
    notes = []
    counts = both[[c.ROW_COUNT, f"{c.ROW_COUNT}_bar"]].to_numpy()
    odd = both[counts.max(axis=1) % counts.min(axis=1) != 0]
    for (rows, strips), group in odd.groupby([c.ROW_COUNT, f"{c.ROW_COUNT}_bar"]):
        notes.append(f"a planter of {rows} rows on strips of {strips} in {_fields(group.index)}: the numbers do not divide, "
                     "so rows of one planter pass stand on strips of several bar passes")  # fmt: skip
    wide = both[(both[c.ROW_SPACING_M] - both[f"{c.ROW_SPACING_M}_bar"]).abs() > SAME_SPACING_M]
    if len(wide):
        here, there = (width_text(wide[name].iloc[0], units=settings.report.units)
                       for name in (c.ROW_SPACING_M, f"{c.ROW_SPACING_M}_bar"))  # fmt: skip
        notes.append(f"the planter's rows are {here} apart and the strips {there} in {_fields(wide.index)}")
    return notes


def _fields(ids: Iterable[str]) -> str:
    names = sorted(map(str, ids))
    more = " ..." if len(names) > _NAMED_AT_MOST else ""
    return f"{so_many(len(names), 'field')} ({', '.join(map(named, names[:_NAMED_AT_MOST]))}{more})"


def tier_facts(settings: Config, taken: Taken) -> list[dict]:
    """Each tier compared: its error at no distance, whether any row is sure to hold, and the fields out of its reach."""
    widths = taken.layers["strips"].kept[c.STRIP_WIDTH_M]
    half_m = 0.5 * float(widths.max()) - settings.judging.row_margin_m
    out = []
    for name in taken.compare:
        tier = taken.tiers[name]
        baselines = taken.fields[c.BASELINE_M]
        far = [
            field_id for field_id, metres in zip(taken.fields[c.FIELD_ID], baselines, strict=True)
            if not tier.in_reach(None if pd.isna(metres) else float(metres))
        ]  # fmt: skip
        offset_m = _offset_95_m(settings, taken, name)
        out.append({
            "id": name, "name": tier.name, "repeatable_95_m": tier.repeatable_m, "offset_95_m": offset_m,
            "half_strip_m": half_m, "can_hold": None if offset_m is None else offset_m <= half_m, "out_of_reach": far,
        })  # fmt: skip
    return out


def _offset_95_m(settings: Config, taken: Taken, name: str) -> float | None:
    """How far a row may lie from its planned strip, 95 %, at no distance [m]; None where passes name their own tiers."""
    autumn = name if settings.tiers.autumn == AS_IN_SPRING else settings.tiers.autumn
    rows, judging = settings.inputs.rows, settings.judging
    if AS_LOGGED in (autumn, name) or (rows is not None and rows.kind == SURVEYED):
        return None
    visits = [taken.tiers[one].repeatable_m / math.sqrt(2.0) for one in (autumn, name)]
    return math.hypot(*visits, judging.steering.autumn_m, judging.steering.spring_m, judging.machine_error_m)
