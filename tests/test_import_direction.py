"""The house: core imports none of ours, files no commands or steps, commands no steps (DEVELOPERS.md)."""

import ast
from pathlib import Path

import pytest

from pipeline.files.code import modules_of

PIPELINE = Path(__file__).resolve().parent.parent / "pipeline"
FORBIDDEN = {
    "core": ("pipeline.files", "pipeline.commands", "pipeline.steps"),
    "files": ("pipeline.commands", "pipeline.steps"),
    "commands": ("pipeline.steps",),
}
MODULES = [path for layer in FORBIDDEN for path in sorted((PIPELINE / layer).glob("**/*.py"))]


def imported(path: Path) -> set[str]:
    """Full names of the modules that a file imports, wherever in the file."""
    package = ["pipeline", *path.relative_to(PIPELINE).parent.parts]
    names = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            base = package[: len(package) - node.level + 1] if node.level else []
            whole = ".".join([*base, *([node.module] if node.module else [])])
            names |= {whole} | {f"{whole}.{alias.name}" for alias in node.names}
    return names


@pytest.mark.parametrize("path", MODULES, ids=lambda path: f"{path.parent.name}/{path.stem}")
def test_module_imports_no_later_layer(path):
    forbidden = FORBIDDEN[path.parent.name]
    wrong = {n for n in imported(path) for f in forbidden if n == f or n.startswith(f + ".")}
    assert not wrong


def test_core_knows_no_workflow_engine_and_no_paths():
    # DEVELOPERS.md, the import rule: no paths, no configuration.
    for path in (PIPELINE / "core").glob("*.py"):
        assert not imported(path) & {"snakemake", "pathlib", "yaml", "pydantic"}, path.name


def test_the_reader_of_imports_sees_relative_and_nested_ones(tmp_path, monkeypatch):
    monkeypatch.setattr(f"{__name__}.PIPELINE", tmp_path)
    (tmp_path / "core").mkdir()
    file = tmp_path / "core" / "one.py"
    file.write_text("def f():\n    from ..steps import odds\n    import pipeline.files.store\n")
    assert {"pipeline.steps.odds", "pipeline.files.store"} <= imported(file)


def test_every_template_is_code_of_the_step_that_reads_it():
    # An edit of a page reruns what writes it, and nothing else: `model.js` is no part of what changed.
    read = {
        step: {Path(file).name for file in modules_of(PIPELINE.parent, f"pipeline.steps.{step}") if "/pages/" in file}
        for step in ("report", "changes", "odds")
    }
    assert {file.name for file in (PIPELINE / "files/pages").iterdir()} == read["report"] | read["changes"]
    readers = {file.stem for file in (PIPELINE / "files").glob("*.py") if "pipeline.files.templates" in imported(file)}
    assert readers == {"report_page", "change_page"}  # another one wants a line in `code`, or its step keeps old pages
    assert read["changes"] == {"changes.html", "changes.css"} and not read["odds"] and not read["report"] & read["changes"]


def test_the_version_is_code_of_the_steps_that_write_it():
    own = str(PIPELINE / "__init__.py")
    assert all(own in modules_of(PIPELINE.parent, f"pipeline.steps.{step}") for step in ("report", "manifest"))
    assert own not in modules_of(PIPELINE.parent, "pipeline.steps.tables")
