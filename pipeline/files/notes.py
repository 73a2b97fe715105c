"""What a reader must know of the figures and could not guess: said, not passed over."""

from collections.abc import Mapping

from pipeline import columns as c
from pipeline.core.show import GAP, length_text, so_many
from pipeline.core.tier import Tier
from pipeline.core.tiering import AS_LOGGED, SURVEYED
from pipeline.files.config import Config
from pipeline.files.frame_notes import frame_notes
from pipeline.files.layers import Layer, lengths_m
from pipeline.files.tier_frames import tier_frame_notes


def notes_of(settings: Config, layers: dict[str, Layer], *, tiers: Mapping[str, Tier], compare: list[str]) -> list[str]:
    """Notes for the log and the manifest.

    Parameters
    ----------
    settings : Config
    layers : dict of role to Layer
        As kept, with fields assigned.
    tiers : mapping of str to Tier
        The whole catalogue.
    compare : list of str
        Tiers to compare.

    Raises
    ------
    InputError
        If nothing joins the frames of a field's strips and rows.
    """
    notes = []
    if "bases" not in layers or not len(layers["bases"].kept):
        notes.append("no bases are given: every baseline counts as 0, and whether a tier with a range reaches is unknown")
    notes += [note for layer in layers.values() for note in layer.notes]
    notes += _signal_notes(settings, layers) + _tier_notes(settings, layers, compare) + frame_notes(settings, layers)
    return notes + tier_frame_notes(settings, layers, tiers=tiers, compare=compare)


def _signal_notes(settings: Config, layers: dict[str, Layer]) -> list[str]:
    notes, rows = [], settings.inputs.rows
    idle = ", which has no part, for rows were surveyed" if rows is not None and rows.kind == SURVEYED else ""
    for role in ("strips", "rows") if "rows" in layers else ("strips",):
        kept = layers[role].kept
        lost = kept[c.SIGNAL_LOST].to_numpy(bool)
        if lost.any():
            metres = lengths_m(kept.geometry.values, kept.crs)
            both = (metres[lost].sum(), metres.sum())
            part, whole = (length_text(one, units=settings.report.units).replace(GAP, " ") for one in both)
            notes.append(f"inputs.{role}: {layers[role].place}: {part} of {whole} laid while the signal was lost, in "
                         f"{lost.sum()} of {so_many(len(kept), 'pass', 'passes')}{idle}")  # fmt: skip
    return notes


def _tier_notes(settings: Config, layers: dict[str, Layer], compare: list[str]) -> list[str]:
    notes = []
    if settings.tiers.autumn == AS_LOGGED and (count := int((layers["strips"].kept[c.TIER] == "").sum())):
        worst = ", and where that is as_logged too, with the worst of those logged" if AS_LOGGED in compare else ""
        bare = so_many(count, "strip pass names", "strip passes name")
        notes.append(f"tiers.autumn is as_logged, but {bare} no tier, which counts as made with spring's{worst}")
    if settings.inputs.rows is not None and settings.inputs.rows.kind == SURVEYED and "rows" in layers:
        bare = int((layers["rows"].kept[c.TIER] == "").sum())
        said = so_many(bare, "surveyed pass names", "surveyed passes name")
        notes += [f"{said} no tier of the survey, which counts as without error"] if bare else []
    return notes
