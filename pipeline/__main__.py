"""Commands beside the workflow: `python -m pipeline look`, `begin` and `verify`."""

import argparse
import sys
from pathlib import Path

from pipeline import PROJECT
from pipeline.files.log import run_step


def main(arguments: list[str] | None = None) -> None:
    """Run one command; ends with exit code 1 and one message where the user can put something right."""
    said = _parser().parse_args(arguments)
    run_step(lambda: said.command(said), log=None)


def _look(said: argparse.Namespace) -> None:
    from pipeline.commands.look import look

    print(look(said.config, project=PROJECT, as_json=said.json))


def _begin(said: argparse.Namespace) -> None:
    from pipeline.commands.begin import begin

    print(begin(said.files, out=said.output, project=PROJECT))


def _verify(said: argparse.Namespace) -> None:
    from pipeline.commands.verify import verify

    print(verify(said.results, project=PROJECT))


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="python -m pipeline", description="Commands beside the workflow.")
    commands = parser.add_subparsers(required=True, metavar="command")
    look = commands.add_parser("look", help="check a configuration and its files, and say what a run would take in")
    look.add_argument("config", type=Path, help="the configuration")
    look.add_argument("--json", action="store_true", help="print JSON instead of text")
    look.set_defaults(command=_look)
    begin = commands.add_parser("begin", help="guess a first configuration from files")
    begin.add_argument("files", type=Path, nargs="+", metavar="FILE", help="vector files with fields, strips, rows, bases")
    begin.add_argument("-o", "--output", type=Path, default=Path("mine.yaml"), help="where to write (default: mine.yaml)")
    begin.set_defaults(command=_begin)
    verify = commands.add_parser("verify", help="hold results against their manifest, their inputs and what is installed")
    verify.add_argument("results", type=Path, nargs="?", default=Path("results"), help="the folder (default: results)")
    verify.set_defaults(command=_verify)
    return parser


if __name__ == "__main__":
    sys.exit(main())
