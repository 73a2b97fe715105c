"""All input of a run, read and checked in memory: what the intake writes down and a look only tells."""

from collections.abc import Collection
from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd
import pandas as pd

from pipeline import columns as c
from pipeline.core.tier import Tier
from pipeline.core.tiering import AS_LOGGED
from pipeline.errors import InputError
from pipeline.files.bases import read_bases, with_baselines
from pipeline.files.config import Config, resolve_tiers
from pipeline.files.fields import field_folder
from pipeline.files.intake import Source, balance, read_fields, read_lines, with_starts
from pipeline.files.layers import Layer
from pipeline.files.notes import notes_of
from pipeline.files.opening import unchanged
from pipeline.files.reach_notes import reach_notes
from pipeline.files.spots import read_checks, read_zones
from pipeline.files.texts import safe_text, shown
from pipeline.files.tiers_and_frames import check_planter_frame, check_tiers, worst_logged


@dataclass(frozen=True)
class Taken:
    """What was taken in.

    Attributes
    ----------
    layers : dict of role to Layer
    fields : GeoDataFrame
        The fields kept, with `baseline_m`.
    tiers : dict of str to Tier
        The whole catalogue.
    compare : list of str
        Tiers to compare.
    account : dict of role to dict
        Features read, kept and rejected.
    notes : list of str
        What a reader must know of the figures.
    hashes : dict of str to str
        SHA-256 of every input file and what belongs to it.
    """

    layers: dict[str, Layer]
    fields: gpd.GeoDataFrame
    tiers: dict[str, Tier]
    compare: list[str]
    account: dict[str, dict]
    notes: list[str]
    hashes: dict[str, str]


def take_in(settings: Config, *, project: Path) -> Taken:
    """Read and check every layer of the configuration; nothing is written.

    Parameters
    ----------
    settings : Config
    project : Path
        The folder that holds the shipped catalogue; other relative paths start at the working directory.

    Raises
    ------
    ConfigError, InputError, CheckError
        For the first thing that would end the run.
    """
    with unchanged(settings.inputs.files) as hashes:
        tiers, compare = resolve_tiers(settings, project_root=project, working_dir=Path.cwd())
        layers = _read(settings, tiers)
    _check_names(layers["fields"].kept[c.FIELD_ID].sort_values())
    for role in ("strips", "rows"):
        if role in layers:
            check_tiers(layers[role], role, tiers)
    if AS_LOGGED in compare:
        tiers[AS_LOGGED] = worst_logged(layers["rows"], tiers)
    check_planter_frame(settings.inputs.rows)
    account = {role: balance(layer, role) for role, layer in layers.items()}
    fields = with_baselines(layers["fields"].kept, layers["bases"].kept if "bases" in layers else None)
    notes = notes_of(settings, layers, tiers=tiers, compare=compare)
    notes += reach_notes(
        layers["strips"], fields, autumn=settings.tiers.autumn, tiers=tiers, units=settings.report.units
    )
    return Taken(layers, fields, tiers, compare, account, notes, hashes)


def _read(settings: Config, tiers: Collection[str]) -> dict[str, Layer]:
    inputs = settings.inputs
    layers = {"fields": read_fields(inputs.fields)}
    fields = layers["fields"].kept
    margin_m = settings.judging.row_margin_m
    layers["strips"] = read_lines(inputs.strips, role="strips", fields=fields, row_margin_m=margin_m)
    if inputs.rows is not None and inputs.rows.file is not None:
        layers["rows"] = read_lines(inputs.rows, role="rows", fields=fields)
    convergence = settings.judging.convergence
    for role in ("strips", "rows") if "rows" in layers else ("strips",):
        layers[role] = with_starts(layers[role], fields, gap_s=convergence.gap_s)
        if convergence.count == "times":
            _check_times(layers[role], role)
    if inputs.bases is not None:
        layers["bases"] = read_bases(Source.of(inputs.bases))
    if inputs.checks is not None:
        layers["checks"] = read_checks(Source.of(inputs.checks), fields=fields)
    if inputs.zones is not None:
        layers["zones"] = read_zones(Source.of(inputs.zones), fields=fields, tiers=tiers)
    return layers


def _check_times(layer: Layer, role: str) -> None:
    bare = ~(layer.kept[c.ENDED_S] > layer.kept[c.STARTED_S]).to_numpy()
    if bare.any():
        raise InputError(
            f"inputs.{role}: {layer.place}: feature {layer.kept.index[bare][0]} has no times, from which "
            "convergence would be taken, and judging.convergence.count asks for them; expected started_at and ended_at, "
            "map them or use 'auto'"
        )


def _check_names(ids: pd.Series) -> None:
    """Ids that differ must stay apart, as text in the tables and as names of folders."""
    for names, alike in (
        (ids.map(safe_text), "would be alike in the tables, where formula signs and markup are defused"),
        (ids.map(field_folder).str.casefold(), "would share a results folder on some disks"),
    ):
        same = ids[names.duplicated(keep=False)]
        if len(same):
            first, second = (shown(name) for name in same.iloc[:2])
            raise InputError(f"inputs.fields: field_ids '{first}' and '{second}' {alike}; rename one of them")
