"""The report as pages that open from a disk: everything is in them, and nothing is fetched."""

import json
from dataclasses import dataclass, replace

import pandas as pd
from markupsafe import Markup

from pipeline import __version__
from pipeline import columns as c
from pipeline.core.show import plain_text, share_text
from pipeline.files import cautions
from pipeline.files.field_files import RASTER, SHEETS
from pipeline.files.page_code import address_of, csp_hash, field_anchor
from pipeline.files.report_words import attention, facts_text, farm_answer, remarks
from pipeline.files.row_classes import BLUE, DIG_COLOUR, ROW_CLASSES, SHARE_EDGES, SHARE_SHADES, STRIP_COLOUR, RowClass
from pipeline.files.templates import WRITER, page_text
from pipeline.files.texts import safe_text

#: Farms that are answered for on the first screen; the others are folded.
MOST_FARMS = 6
DOWNLOADS = (
    ("field_tier.csv", "fields and tiers"), ("row_tier.csv", "planted rows"), ("pass_tier.csv", "planter passes"),
    ("waiting.csv", "what waiting after a start saves"), ("shift.csv", "the shift to give the planter's lines"),
    ("audit.csv", "what the logs of planted rows say"), ("rejects.csv", "features that were not used"),
    ("choice.csv", "what each tier costs"), ("choice_parts.csv", "of what that is the sum"),
    ("choice_sensitivity.csv", "what the choice hangs on"), ("rowreturn.xlsx", "the tables as a workbook"),
    ("datapackage.json", "what the columns of the tables mean"),
    ("rowreturn.gpkg", "map layers for a GIS"), ("shifted_lines.gpkg", "the planter's lines, shifted"),
    ("manifest.json", "what all of it was made from"), ("../changes.html", "what changed since the last run"),
)  # fmt: skip


@dataclass(frozen=True)
class Report:
    """What all pages of a report share.

    Attributes
    ----------
    title, units, sources, kind : str
        Of the configuration.
    names : dict of tier id to name
        In the order compared.
    enough_share : float
    seed : int
        Of the draws in the page.
    attention : list of str
    sections : list of dict
        Further parts of the page: `title`, `words`, `pictures` and `tables`, each with `caption`, `head` and `lines`.
    sheets : frozenset of str
        Folders of the fields that have a sheet.
    chosen : dict of farm, as the tables name it, to str
        What the prices given choose for it.
    asked : str
        The standard that it keeps.
    costs : dict of field, as the tables name it, to dict
        A table of what each tier comes to there.
    """

    title: str
    units: str
    sources: str
    kind: str
    names: dict[str, str]
    enough_share: float
    seed: int
    attention: list[str]
    sections: list[dict]
    sheets: frozenset[str]
    chosen: dict[str, str]
    asked: str
    costs: dict[str, dict]

    def of_farm(self, fields: list[dict], *, sections: list[dict], costs: dict[str, dict]) -> "Report":
        """The same, with what is to be said of some fields alone, and the further parts of their page."""
        mine = attention(fields, (), pd.DataFrame(), names=self.names)
        return replace(self, attention=mine, sections=sections, costs=costs)

    def page(
        self, fields: list[dict], *, packed: dict[str, str] | None, links: dict[str, str] | None = None, part: str = "",
        up: str = "",
    ) -> bytes:
        """One page.

        Parameters
        ----------
        fields : list of dict
            Summaries of the fields in its matrix.
        packed : dict of folder to text
            The fields that it holds as well; None where it only leads to other pages.
        links : dict of folder to str, optional
            Where fields are that it does not hold.
        part : str
            What part of the report it is, before the title.
        up : str
            The page above it; it then lies in a folder beside that.
        """
        home, farms, there = "../" if up else "", by_farm(fields), links or {}
        farm_names = list(farms)
        style, script = page_style(), page_script()
        data = {
            "units": self.units, "seed": self.seed, "kind": self.kind, "farms": farm_names,
            "tiers": [{"id": tier, "name": name} for tier, name in self.names.items()],
            "classes": [_look(one) for one in ROW_CLASSES], "strip": STRIP_COLOUR, "dig": DIG_COLOUR, "edges": SHARE_EDGES,
            "fields": [self._field(one, farm_names, home, bool(packed), there.get(one["folder"], "")) for one in fields],
        }  # fmt: skip
        return WRITER.get_template("page.html").render(
            title=plain_text(self.title), part=f"{plain_text(part)}: " if part else "", up=up, style=Markup(style),
            script=Markup(script), style_hash=csp_hash(style), script_hash=csp_hash(script), most_farms=MOST_FARMS,
            answers=[
                farm_answer(
                    name, mine, names=self.names, enough_share=self.enough_share, units=self.units,
                    chosen=self.chosen.get(safe_text(mine[0]["farm"]), "") if mine[0]["farm"] else "",
                )
                for name, mine in farms.items()
            ],
            farm_names=farm_names, marked_up=_answer_markup, standard=share_text(self.enough_share), asked=self.asked,
            attention=self.attention, sections=self.sections, classes=ROW_CLASSES, shades=SHARE_SHADES,
            strip_colour=STRIP_COLOUR, dig_colour=DIG_COLOUR,
            downloads=[(name.removeprefix("../"), home + name, text) for name, text in DOWNLOADS],
            cautions=f"{cautions.FOOT} {cautions.DIG}",
            made=f"Made by Rowreturn {__version__} from {plain_text(self.sources)}.", data=Markup(_json(data)),
            packed=sorted((address_of(folder), text) for folder, text in (packed or {}).items()),
        ).encode()  # fmt: skip

    def _field(self, one: dict, farms: list[str], home: str, held: bool, link: str) -> dict:
        address = address_of(one["folder"])
        out = {
            "id": plain_text(one["id"]), "folder": address, "farm": farms.index(_farm_name(one)),
            "href": f"{link}#{address}", "notes": remarks(one, names=self.names),
            "tiers": [_cell(one["tiers"][tier]) for tier in self.names],
        }  # fmt: skip
        if held:
            there, (png, pdf) = f"{home}fields/{address}", SHEETS
            drawn = [("sheet to hand over, PDF", f"{there}/{pdf}"), ("sheet, PNG", f"{there}/{png}")]
            links = [
                *(drawn if one["folder"] in self.sheets else []), ("raster of classes, GeoTIFF", f"{there}/{RASTER}"),
                ("what changed here since the last run", f"{home}../changes.html#{field_anchor(safe_text(one['id']))}"),
            ]  # fmt: skip
            costs = self.costs.get(safe_text(one["id"]))
            out |= {"facts": facts_text(one, units=self.units), "links": links, "tables": [costs] if costs else []}
        return out


def page_style() -> str:
    """Styles of a page, with our blue and the shades of shares as variables."""
    shades = " ".join(f"--share-{k}: {colour};" for k, (_, colour) in enumerate(SHARE_SHADES))
    return f":root {{ --blue: {BLUE}; {shades} }}\n{page_text('page.css')}"


def _look(one: RowClass) -> dict:
    return {"key": one.key, "colour": one.colour, "weight": one.weight, "dashed": one.dashed}


def page_script() -> str:
    """Script of a page: the parts one after the other, in one strict scope."""
    return "\n".join(page_text(f"{name}.js") for name in ("model", "map", "page"))


def by_farm(fields: list[dict]) -> dict[str, list[dict]]:
    """Fields by the name of their farm, in its order."""
    out: dict[str, list[dict]] = {}
    for one in sorted(fields, key=_farm_name):
        out.setdefault(_farm_name(one), []).append(one)
    return out


def _farm_name(one: dict) -> str:
    return plain_text(one["farm"]) or "No farm named"


def _answer_markup(answer: dict) -> Markup:
    lines = Markup("").join(Markup("<p>{}</p>").format(line) for line in answer["lines"])
    if answer["chosen"]:
        lines = Markup("<p><strong>{}</strong></p>{}").format(answer["chosen"], lines)
    head = Markup("<h3>{} <span>{}</span></h3>").format(answer["name"], answer["size"])
    return Markup('<div class="farm-answer">{}{}</div>').format(head, lines)


def _cell(one: dict) -> dict:
    out: dict = {"share": one["share"]}
    if one["reach"] == c.OUT_OF_REACH:
        out["far"] = 1
    if one["checked"][0] is not None:
        out["checked"] = one["checked"]
    return out


def _json(value: object) -> str:
    """JSON that no name in it can end: what would open a tag is written otherwise."""
    text = json.dumps(value, separators=(",", ":"), ensure_ascii=False)
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")
