"""What a reader must know of the figures and could not guess: said, not passed over."""

from pipeline import columns as c
from pipeline.files.config import Config
from pipeline.files.layers import Layer

_NAMED_AT_MOST = 4


def notes_of(settings: Config, layers: dict[str, Layer]) -> list[str]:
    """Notes for the log and the manifest.

    Parameters
    ----------
    settings : Config
    layers : dict of role to Layer
        As kept, with fields assigned.
    """
    notes = []
    if "bases" not in layers:
        notes.append("no bases are given: every baseline counts as 0 and no tier is out of reach")
    notes += [note for layer in layers.values() for note in layer.notes]
    return notes + _tier_notes(settings, layers) + _frame_notes(settings, layers)


def _tier_notes(settings: Config, layers: dict[str, Layer]) -> list[str]:
    notes = []
    if settings.tiers.autumn == "as_logged" and (count := int((layers["strips"].kept[c.TIER] == "").sum())):
        notes.append(f"tiers.autumn is as_logged, but {count} strip passes name no tier: they count as made with spring's")
    if settings.inputs.rows is not None and settings.inputs.rows.kind == "surveyed" and "rows" in layers:
        bare = int((layers["rows"].kept[c.TIER] == "").sum())
        notes += [f"{bare} surveyed passes name no tier of the survey: they count as without error"] if bare else []
    return notes


def _frame_notes(settings: Config, layers: dict[str, Layer]) -> list[str]:
    """Fields in which one of the two layers says its frame and the other does not: nothing is moved there."""
    with_frame = {role: _fields_with_frame(layers[role]) for role in ("strips", "rows") if role in layers}
    there = {role: set(layers[role].kept[c.FIELD_ID]) for role in with_frame}
    if "rows" not in layers:
        said = settings.inputs.rows is not None and settings.inputs.rows.constants.frame is not None
        if not said:  # the planter follows the strips in whatever frame they are
            return []
        there["rows"] = with_frame["rows"] = there["strips"]
    both = there["strips"] & there["rows"]
    notes = []
    for role, other in (("strips", "rows"), ("rows", "strips")):
        lone = sorted(both & with_frame[role] - with_frame[other])
        if lone:
            named = ", ".join(lone[:_NAMED_AT_MOST]) + (" ..." if len(lone) > _NAMED_AT_MOST else "")
            notes.append(
                f"in {len(lone)} fields ({named}) the {role} name their frame and the {other} do not: both are taken to "
                "be in the same frame and nothing is moved; give frame and epoch for both if they are not"
            )
    return notes


def _fields_with_frame(layer: Layer) -> set[str]:
    return set(layer.kept.loc[layer.kept[c.FRAME] != "", c.FIELD_ID])
