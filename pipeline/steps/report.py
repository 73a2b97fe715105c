"""The report: one page, or an index and a page a farm where one would be too large."""

from dataclasses import replace
from pathlib import Path

from pipeline.files.fields import field_folder
from pipeline.files.log import LOG, run_step
from pipeline.files.page_code import SUMMARIES, address_of
from pipeline.files.report_choice import ToldChoice, place_of
from pipeline.files.report_page import Report, by_farm
from pipeline.files.report_words import attention
from pipeline.files.settings import Settings
from pipeline.files.store import read_geo, read_json, remove, to_json, whole_folder, write_bytes

# ASSUME: a page of this much opens at once on a phone; a farm with more has several pages.
MOST_IN_ONE, MOST_IN_PART = 2_400_000, 4_000_000
#: Title of a page that was there, of a farm that no longer is.
GONE = "No part of this report any more"


def run(
    *, parts: list[Path], sheets: list[Path], notes: Path, rejects: Path, tiers: Path, report: Path, results: Path,
    out: Path | None, choice: tuple[Path, Path, Path] | None = None, only: str | None = None,
) -> None:  # fmt: skip
    """Write results/report.html, and results/report/ beside it where there is too much for one page.

    Parameters
    ----------
    parts : list of Path
        Folders of `page_parts`, of all batches.
    sheets : list of Path
        What `sheets` says it has drawn.
    notes, rejects, tiers, report : Path
        What the intake wrote.
    results : Path
        Folder of the pages.
    out : Path or None
        Names of the pages beside the first; none where only one is asked for.
    choice : three Path, optional
        choice.csv, choice_sensitivity.csv and choice.json, where a tier is chosen by what it costs.
    only : str, optional
        Name of the one page beside the first that is to be written.
    """
    fields, files = _fields(parts)
    drawn = frozenset(name for file in sheets for name in read_json(file)["sheets"])
    whole = _whole(fields, drawn, notes, rejects, tiers, report)
    told = ToldChoice.read(*choice, names=whole.names, units=whole.units) if choice else None
    if told:
        whole = replace(whole, chosen=told.chosen(), asked=told.asked())
    farm_sizes, more = (told.sizes(), told.field_size()) if told else ({}, 0)
    sizes = {folder: path.stat().st_size + more for folder, path in files.items()}
    pages = {} if sum(sizes.values()) + sum(farm_sizes.values()) <= MOST_IN_ONE else pages_of(fields, sizes, farm_sizes)
    beside = results / "report"
    if only is not None:
        # It was written by an earlier run, and is expected whatever has changed since; the next report takes it away.
        write_bytes(beside / f"{only}.html", _part(whole, told, *pages.get(only, (GONE, [])), files))
    else:
        _write_parts(whole, told, pages, files, beside)
        write_bytes(results / "report.html", _first(whole, told, fields, pages, files))
    if out is not None:
        write_bytes(out, to_json({"pages": sorted(pages)}))
    LOG.info("report: %d fields, %d pages beside the first", len(fields), len(pages))


def _whole(
    fields: list[dict], drawn: frozenset[str], notes: Path, rejects: Path, tiers: Path, report: Path
) -> Report:  # fmt: skip
    judging, said = Settings.read(tiers), read_json(report)
    names = judging.names
    return Report(
        title=said["title"], units=said["units"], sources=said["sources"], kind=judging.kind, names=names,
        enough_share=judging.enough_share, seed=judging.seed, sheets=drawn,
        sections=[], chosen={}, asked="", costs={},
        attention=attention(fields, read_json(notes), read_geo(rejects), names=names),
    )  # fmt: skip


def _first(
    whole: Report, told: ToldChoice | None, fields: list[dict], pages: dict[str, tuple[str, list[dict]]],
    files: dict[str, Path],
) -> bytes:  # fmt: skip
    if not pages:
        one = replace(whole, sections=told.sections(), costs=told.of_fields()) if told else whole
        return one.page(fields, packed={folder: path.read_text() for folder, path in files.items()})
    at = [(f"report/{address_of(name)}.html", one) for name, (_, mine) in pages.items() for one in mine]
    # A farm of several pages has its choice on each; the last said first is the first that stays.
    farms = {place_of(one): page for page, one in reversed(at)}
    index = replace(whole, sections=told.index(farms)) if told else whole
    return index.page(fields, packed=None, links={one["folder"]: page for page, one in at})


def _fields(parts: list[Path]) -> tuple[list[dict], dict[str, Path]]:
    """Summaries of all fields by their ids, and the packed text of each by its folder."""
    fields, files = [], {}
    for folder in parts:
        mine = read_json(folder / SUMMARIES)
        fields += mine
        files |= {one["folder"]: folder / f"{one['folder']}.txt" for one in mine}
    return sorted(fields, key=lambda one: one["id"]), files


def pages_of(
    fields: list[dict], sizes: dict[str, int], choice: dict[tuple[str, str], int]
) -> dict[str, tuple[str, list[dict]]]:
    """Pages of the farms by file name: the title of each, and its fields; as many a farm as its fields need.

    Parameters
    ----------
    fields : list of dict
    sizes : dict of folder to int
        What each field takes [bytes].
    choice : dict of place to int
        What the choice of each farm takes [bytes].
    """
    pages: dict[str, tuple[str, list[dict]]] = {}
    taken: set[str] = set()
    for farm, together in by_farm(fields).items():
        bundles: list[list[dict]] = [[]]
        size = 0
        for one in together:
            # A field of no farm has a choice of its own.
            more = sizes[one["folder"]] + (0 if one["farm"] else choice.get(place_of(one), 0))
            if bundles[-1] and size + more > MOST_IN_PART:
                bundles.append([])
                size = 0
            bundles[-1].append(one)
            size += more
        for number, mine in enumerate(bundles, start=1):
            part = f", part {number} of {len(bundles)}" if len(bundles) > 1 else ""
            pages[_file_name(farm, taken)] = (f"{farm}{part}", mine)
    return pages


def _file_name(farm: str, taken: set[str]) -> str:
    """A name for a farm's page that no other has, on no system."""
    bare, number = field_folder(farm), 1
    name = bare
    while name.casefold() in taken:
        number += 1
        name = f"{bare}-{number}"
    taken.add(name.casefold())
    return name


def _write_parts(
    whole: Report, told: ToldChoice | None, pages: dict[str, tuple[str, list[dict]]], files: dict[str, Path], beside: Path
) -> None:
    if not pages:
        remove(beside)
        return
    with whole_folder(beside) as filled:
        for name, (title, mine) in pages.items():
            (filled / f"{name}.html").write_bytes(_part(whole, told, title, mine, files))


def _part(whole: Report, told: ToldChoice | None, title: str, mine: list[dict], files: dict[str, Path]) -> bytes:
    packed = {one["folder"]: files[one["folder"]].read_text() for one in mine}
    of_mine = told.of(mine) if told else None
    sections, costs = (of_mine.sections(), of_mine.of_fields()) if of_mine else ([], {})
    one = whole.of_farm(mine, sections=sections, costs=costs)
    return one.page(mine, packed=packed, part=title, up="../report.html")


if __name__ == "__main__":
    job = snakemake  # type: ignore[name-defined]  # noqa: F821
    page = job.wildcards.get("page")
    run_step(
        lambda: run(
            parts=[Path(one).parent for one in job.input.parts], sheets=[Path(one) for one in job.input.sheets],
            notes=Path(job.input.notes), rejects=Path(job.input.rejects), tiers=Path(job.input.tiers),
            report=Path(job.input.report), results=Path("results"), out=None if page else Path(job.output.pages), only=page,
            choice=tuple(Path(one) for one in job.input.choice) or None,
        ),
        log=job.log[0],
    )  # fmt: skip
