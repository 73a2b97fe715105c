"""What is said of a plan in one frame and receivers that work in another: it moves nothing and is in no figure.

A planter steers to the numbers of its plan. Under a tier whose frame is another than the plan's, these numbers are another
place on the ground, in the USA more than a metre away, unless somebody transforms them.
"""

from collections.abc import Mapping
from typing import NamedTuple

import numpy as np

from pipeline.core.frame_names import FRAMES
from pipeline.core.frames import frame_shift
from pipeline.core.show import epoch_text, shift_length_text
from pipeline.core.tier import BASE_FRAME, Tier
from pipeline.core.tiering import PLANNED
from pipeline.errors import InputError
from pipeline.files.config import Config
from pipeline.files.frame_notes import ALIKE_M, field_places
from pipeline.files.layers import Layer
from pipeline.files.plan_frames import Plan, PlanFrames
from pipeline.files.texts import fields_said

# ASSUME: frames that lie no farther apart are no trap: a quarter of a strip of 8 in [m].
NO_TRAP_M = 0.05
# ASSUME: two dates of one frame nearer than this are a few centimetres apart, on whatever plate [years].
NEAR_YEARS = 1.0


class Apart(NamedTuple):
    """A field whose plan is in another frame than a tier works in.

    Attributes
    ----------
    field_id : str
    epochs : tuple of float
        Of plan and tier.
    gap_m : float or None
        Horizontal distance [m]; None where nobody knows.
    why : str
        Why nobody knows.
    """

    field_id: str
    epochs: tuple[float, float]
    gap_m: float | None
    why: str = ""


def tier_frame_notes(
    settings: Config, layers: dict[str, Layer], *, tiers: Mapping[str, Tier], compare: list[str]
) -> list[str]:  # fmt: skip
    """Notes on the fields whose plan is in another frame than spring's tiers work in, one for each pair of frames.

    None where rows are logged or surveyed: these have been planted, and the frame that their layer states has moved them
    already; so has that of a planter without a layer.

    Parameters
    ----------
    settings : Config
    layers : dict of role to Layer
        As kept, with fields assigned and one frame a field and layer.
    tiers : mapping of str to Tier
        The whole catalogue.
    compare : list of str
        Tiers to compare.
    """
    rows = settings.inputs.rows
    if rows is not None and (rows.kind != PLANNED or (rows.file is None and rows.constants.frame is not None)):
        return []
    known, places = PlanFrames.of(settings, layers, tiers), field_places(layers["fields"].kept)
    named: dict[str, list[str]] = {}
    for name in compare:
        named.setdefault(known.frames[name], []).append(tiers[name].name)
    return [
        _note(plan, frame, names, fields, units=settings.report.units)
        for frame, names in named.items()
        for plan, fields in _apart(known, frame, places)
    ]


def _apart(known: PlanFrames, frame: str, places: dict[str, tuple[float, float]]) -> list[tuple[Plan, list[Apart]]]:
    """Fields to be told of under the tiers of one frame, together where plans are alike; each with the first of these."""
    found: dict[tuple[str, bool, bool], tuple[Plan, list[Apart]]] = {}
    for field_id in known.fields:
        plan = known.plan(field_id, frame)
        if plan is None or (plan.frame == frame and frame not in FRAMES):
            continue
        one = apart_in(field_id, plan, frame, known.epoch(field_id, frame, plan), places[field_id])
        if one.gap_m is None or one.gap_m > NO_TRAP_M:
            found.setdefault((plan.frame, plan.stated, one.gap_m is None), (plan, []))[1].append(one)
    return list(found.values())


def apart_in(field_id: str, plan: Plan, frame: str, epoch: float, place: tuple[float, float]) -> Apart:
    """How far apart on the ground the same numbers are in the two frames, by PROJ at the field.

    Parameters
    ----------
    field_id : str
    plan : Plan
    frame : str
        That of the tier.
    epoch : float
        Decimal year of the tier's coordinates.
    place : tuple of float
        Longitude, latitude [degrees].
    """
    epochs = (plan.epoch, epoch)
    for name in (plan.frame, frame):
        if name not in FRAMES:
            return Apart(field_id, epochs, None, f"no way into frame '{name}' is known here")
    try:
        shift = frame_shift(*place, autumn=(plan.frame, plan.epoch), spring=(frame, epoch))
    except InputError as error:
        near = plan.frame == frame and abs(epoch - plan.epoch) < NEAR_YEARS
        return Apart(field_id, epochs, 0.0 if near else None, str(error))
    return Apart(field_id, epochs, float(np.hypot(*shift)))


def _note(plan: Plan, frame: str, names: list[str], fields: list[Apart], *, units: str) -> str:
    """The sentence on one pair of frames."""
    planned, worked = ([one.epochs[side] for one in fields] for side in (0, 1))
    theirs = "go by a base" if frame == BASE_FRAME else f"work in {_frame_said(frame, worked)}"
    return (
        f"in {fields_said([one.field_id for one in fields])} {_plan_said(plan, planned)}, but receivers under "
        f"{'; '.join(names)} {theirs}: {_what_follows({plan.frame, frame}, fields, units=units)}"
    )


def _what_follows(frames: set[str], fields: list[Apart], *, units: str) -> str:
    """How far apart, and what to do before planting."""
    if BASE_FRAME in frames:
        return (
            "the coordinates that the base was given decide how far apart the two are; before planting compare them on a "
            "known mark"
        )
    gaps_m = [one.gap_m for one in fields if one.gap_m is not None]
    if not gaps_m:
        return f"how far apart the two are is not known ({fields[0].why}); before planting compare them on a known mark"
    return (
        f"{_range_said(gaps_m, units=units)} apart, which is in no figure; before planting have the display or the line "
        "file transformed into the tier's frame, or shift on a known mark; otherwise every row stands that far from where "
        "it was planned"
    )


def _plan_said(plan: Plan, epochs: list[float]) -> str:
    if plan.frame == BASE_FRAME:
        return "the strips were laid by a base"
    said = _frame_said(plan.frame, epochs)
    return f"the plan is in {said}" if plan.stated else f"the plan is taken to be in {said}, as autumn's tier works"


def _frame_said(frame: str, epochs: list[float]) -> str:
    """With its dates only where they count: a place keeps its numbers in a frame that is fixed to its plate."""
    if frame not in FRAMES or FRAMES[frame].plate is not None:
        return frame
    first, last = min(epochs), max(epochs)
    return f"{frame} at {epoch_text(first)}" + (f" to {epoch_text(last)}" if last > first else "")


def _range_said(gaps_m: list[float], *, units: str) -> str:
    first, last = min(gaps_m), max(gaps_m)
    least = f"{shift_length_text(first, units=units)} to " if last - first > 2 * ALIKE_M else ""
    return least + shift_length_text(last, units=units)
