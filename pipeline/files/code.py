"""Which of our modules a step runs: the inputs that make an edited module rerun just what uses it."""

import ast
from functools import cache
from pathlib import Path

# Files in `pages` that a module reads as its own.
_PAGES = {
    "pipeline.files.report_page": ("page.html", "page.css", "model.js", "map.js", "page.js"),
    "pipeline.files.change_page": ("changes.html", "changes.css"),
}


def modules_of(project: Path, module: str) -> list[str]:
    """Files of a module and of all modules of ours that it imports, with the templates that they read, sorted.

    Parameters
    ----------
    project : Path
        The folder that holds `pipeline`.
    module : str
        For example ``pipeline.steps.odds``.
    """
    found: set[str] = set()
    todo = [module]
    while todo:
        name = _home(project, todo.pop())
        if name is None or name in found:
            continue
        found.add(name)
        todo.extend(_imported(_file(project, name)))
    files = [_file(project, name) for name in found]
    files += [project / "pipeline/files/pages" / file for name in found for file in _PAGES.get(name, ())]
    return sorted(file.as_posix() for file in files)


def _file(project: Path, name: str) -> Path:
    return project / (name.replace(".", "/") + ".py")


def _home(project: Path, name: str) -> str | None:
    """The module that a name is, or that it is of: what a package holds itself, as the version, is of its `__init__`."""
    if _file(project, name).is_file():
        return name
    package = f"{name.rpartition('.')[0]}.__init__"
    is_package = _file(project, name).with_suffix("").is_dir()
    return package if not is_package and _file(project, package).is_file() else None


@cache  # ten steps share most of their modules
def _imported(path: Path) -> list[str]:
    """Names that may be modules of ours; what they import of a module may be one as well."""
    names = []
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names += [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom) and node.module:
            names += [node.module, *(f"{node.module}.{alias.name}" for alias in node.names)]
    return [name for name in names if name.startswith("pipeline.")]
