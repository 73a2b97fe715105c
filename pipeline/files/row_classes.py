"""How rows and shares of row length are called and drawn, and our own colours: on maps, sheets, pages, in a GIS alike."""

from dataclasses import dataclass


@dataclass(frozen=True)
class RowClass:
    """One class of planted row.

    Attributes
    ----------
    key : str
        Its value in the layers.
    label, short : str
        What a legend calls it, and a legend with little room.
    colour : str
        #RRGGBB. Told apart by people who see few colours, and on grey paper by lightness: no red, amber and green.
    weight : float
        Width of its line against that of a row that holds, so that classes differ without their colours as well.
    dashed : bool
    """

    key: str
    label: str
    short: str
    colour: str
    weight: float = 0.8
    dashed: bool = False


#: Ours of all that is drawn, and the line around a field in a GIS, which is darker than every shade in it.
BLUE, OUTLINE = "#155E95", "#3A3A3A"
#: In the order of their codes (`columns.CLASSES`).
ROW_CLASSES = (
    RowClass("holds", "holds the strip", "holds", BLUE, weight=1.0),
    RowClass("doubt", "in doubt", "in doubt", "#C9BEA6"),
    RowClass("misses", "misses the strip", "misses", "#C8500A", weight=1.9),
    RowClass("no_strip", "no strip built", "no strip", "#8C8C8C", dashed=True),
    RowClass("crossing", "crosses the strips", "crosses strips", "#3A3A3A"),
)
STRIP_COLOUR, DIG_COLOUR = "#DBE5EA", "#7B3FA0"
#: Of a strip's centre line in a GIS, where the strip itself is not drawn: darker, and no class of row has it.
STRIP_LINE_COLOUR = "#7E9CAD"
#: Where shades of the share expected off the strip part, and the shades, light to dark in one hue.
SHARE_EDGES = (0.01, 0.05, 0.2, 0.5, 0.8)
SHARE_SHADES = (
    ("below 1 %", "#FFFFFF"), ("1 to 5 %", "#F8EFE1"), ("5 to 20 %", "#EFD7B4"), ("20 to 50 %", "#E2AD78"),
    ("50 to 80 %", "#A4511C"), ("80 % and more", "#6F2D0E"),
)  # fmt: skip
