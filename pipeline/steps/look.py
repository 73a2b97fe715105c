"""Look at configuration and files before a long run: print what it would take in, compute nothing."""

from pipeline import PROJECT
from pipeline.commands.look import look_at
from pipeline.commands.look_text import look_text
from pipeline.files.log import run_step


def run(*, config: dict, source: str) -> None:
    """Print the look.

    Parameters
    ----------
    config : dict
        As in YAML.
    source : str
        Its file name, for messages.
    """
    print(look_text(look_at(config, source=source, project=PROJECT)), flush=True)


if __name__ == "__main__":
    job = snakemake  # type: ignore[name-defined]  # noqa: F821
    run_step(lambda: run(config=job.params.config, source=job.params.source), log=job.log[0])
