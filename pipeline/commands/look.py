"""A look before a long run: the run's own reading of configuration and files, and what follows from it."""

import json
from pathlib import Path
from tempfile import TemporaryDirectory

from pipeline import columns as c
from pipeline.commands.bounded import Sample, bounded, in_the_layers_words
from pipeline.commands.layer_facts import layer_facts
from pipeline.commands.look_text import look_text
from pipeline.commands.run_size import run_size
from pipeline.commands.worth_knowing import tier_facts, warnings_of
from pipeline.errors import RowreturnError, in_field
from pipeline.files.config import Config, config_from_dict, resolve_tiers
from pipeline.files.ground_checks import check_dug_places
from pipeline.files.own_strip import check_numbered, check_pass_ids
from pipeline.files.plain_yaml import read_yaml
from pipeline.files.planter_side import check_one_bar
from pipeline.files.taking import Taken, take_in


def look(path: Path, *, project: Path, as_json: bool = False) -> str:
    """Look at what a configuration file names.

    Parameters
    ----------
    path : Path
        The configuration; input files are relative to the working directory.
    project : Path
        The folder that holds the shipped catalogue.
    as_json : bool
        Whether to answer in JSON.

    Returns
    -------
    str
        For the terminal.

    Raises
    ------
    RowreturnError
        The one that would end the run.
    """
    facts = look_at(read_yaml(path), source=str(path), project=project)
    return json.dumps(facts, indent=1, ensure_ascii=False) if as_json else look_text(facts)


def look_at(data: object, *, source: str, project: Path) -> dict:
    """The same for a configuration that is already read, as plain values; nothing is written but for a while."""
    settings = config_from_dict(data, source=source)
    resolve_tiers(settings, project_root=project, working_dir=Path.cwd())
    with TemporaryDirectory(prefix="rowreturn-look-") as folder:
        smaller, samples = bounded(settings, Path(folder))
        try:
            taken = take_in(smaller, project=project)
            _check_planter_side(settings, taken)
            _check_own_strip(settings, taken, whole=not samples)
            _check_dug(settings, taken, whole=not samples)
        except RowreturnError as error:
            raise in_the_layers_words(error, samples) from None
    return _facts(settings, taken, samples, source)


def _facts(settings: Config, taken: Taken, samples: dict[str, Sample], source: str) -> dict:
    layers = {
        role: layer_facts(getattr(settings.inputs, role), layer, taken.account[role], samples.get(role))
        for role, layer in taken.layers.items()
    }
    scale = {role: sample.of / max(taken.layers[role].read, 1) for role, sample in samples.items()}
    return {
        "title": settings.title, "source": source, "units": settings.report.units,
        "sampled": {role: {"read": taken.layers[role].read, "of": one.of} for role, one in samples.items()},
        "planter": _planter(settings), "layers": layers, "account": taken.account, "tiers": tier_facts(settings, taken),
        "autumn": settings.tiers.autumn, "warnings": warnings_of(settings, taken, layers, samples),
        "estimate": run_size(settings, taken, scale),
    }  # fmt: skip


def _planter(settings: Config) -> str:
    rows = settings.inputs.rows
    if rows is None:
        return "as wide as the bar, follows the strips"
    return rows.kind if rows.file is not None else f"{rows.constants.row_count} rows, laid out after the strips"


def _check_planter_side(settings: Config, taken: Taken) -> None:
    """What would end the run only after the intake: strips of several bars where a planter has to be planned."""
    if "rows" in taken.layers:
        return
    rows = settings.inputs.rows
    spacing_m = rows.constants.row_spacing_m if rows is not None else None
    strips = dict(list(taken.layers["strips"].kept.groupby(c.FIELD_ID)))
    for field_id in taken.fields[c.FIELD_ID]:
        if field_id in strips:
            check_one_bar(strips[field_id], spacing_m)


def _check_own_strip(settings: Config, taken: Taken, *, whole: bool) -> None:
    """Pass numbers that shall correspond and do not; of samples only whether there are any."""
    if settings.judging.own_strip != "pass_id" or "rows" not in taken.layers:
        return
    strips, planted = (taken.layers[role].kept for role in ("strips", "rows"))
    for field_id in sorted({*strips[c.FIELD_ID], *planted[c.FIELD_ID]}):
        sides = {"planter": planted, "strip": strips}
        mine = {name: passes[passes[c.FIELD_ID] == field_id] for name, passes in sides.items()}
        with in_field(field_id):
            (check_pass_ids if whole else check_numbered)(mine)


def _check_dug(settings: Config, taken: Taken, *, whole: bool) -> None:
    """Ground checks far from the planter's passes, where these are all known: not laid out by the run, nor a sample."""
    laid_out = "rows" not in taken.layers and settings.inputs.rows is not None
    if "checks" not in taken.layers or laid_out or not whole:
        return
    passes = taken.layers["rows" if "rows" in taken.layers else "strips"].kept
    for field_id, dug in taken.layers["checks"].kept.groupby(c.FIELD_ID):
        check_dug_places(dug, passes[passes[c.FIELD_ID] == field_id])
