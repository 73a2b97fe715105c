"""A first configuration from nothing but files."""

from pathlib import Path

from pipeline.commands.guess_roles import guess_roles
from pipeline.commands.seen import see
from pipeline.commands.starter import Starter, starter, title_of
from pipeline.core.show import so_many
from pipeline.errors import ConfigError, InputError
from pipeline.files.catalogue import load_catalogue
from pipeline.files.config_models import Tiers


def begin(files: list[Path], *, out: Path, project: Path) -> str:
    """Look at files and write a configuration to be read, mended and filled in.

    Parameters
    ----------
    files : list of Path
        Vector files.
    out : Path
        Where to write; must not be there yet.
    project : Path
        The folder that holds the shipped catalogue.

    Returns
    -------
    str
        What was done and what comes next, for the terminal.

    Raises
    ------
    ConfigError
        If `out` is there already.
    InputError
        If a file cannot be read or holds no layer with a geometry.
    """
    taken = f"{out} is there already and is left as it is; name another file with -o, or remove it"
    if out.exists() or out.is_symlink():
        raise ConfigError(taken)
    if not out.parent.is_dir():
        raise ConfigError(f"{out}: there is no folder {out.parent}; make it, or name another file with -o")
    made = first_configuration(files, project=project)
    try:
        with out.open("x", encoding="utf-8") as stream:
            stream.write(made.text)
    except FileExistsError:
        raise ConfigError(taken) from None
    return (
        f"Wrote {out}: {so_many(made.guesses, 'guess', 'guesses')} to read over, {so_many(made.gaps, 'place')} to fill in.\n"
        f"When all is filled in: python -m pipeline look {out}"
    )


def first_configuration(files: list[Path], *, project: Path) -> Starter:
    """The text of the configuration."""
    layers = [layer for path in dict.fromkeys(files) for layer in see(path)]
    if all(layer.kind == "nothing" for layer in layers):
        named = ", ".join(map(str, files))
        raise InputError(f"{named}: no layer has features with a geometry; name files with fields and passes")
    roles, unused = guess_roles(layers)
    tiers = load_catalogue(project / Tiers.model_fields["catalogue"].default).tiers
    return starter(roles, unused, title=title_of(str(files[0])), tiers=tiers)
