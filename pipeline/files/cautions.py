"""What readers of results are warned of; each sentence once."""

FIGURES = "Figures are statistics of position, not a safety system."
BOUNDARIES = "Boundaries are not a legal survey."
PLACEMENT = "Nutrient and chemical placement follows the label, local rules and a licensed adviser."
DIG = "Dig before you decide."
#: In the foot of whatever is handed over.
FOOT = f"{FIGURES} {BOUNDARIES} {PLACEMENT}"

_YIELD = (
    "What is known of the yield beside a strip is thin and contradictory; the choice stays with the grower and a licensed "
    "adviser."
)
#: Below what is said of a choice.
CHOICE = f"Expected figures, not promises. {_YIELD}"
#: Where there is room for a line each.
AT_LENGTH = (
    f"{FIGURES} They steer nothing.",
    f"{BOUNDARIES} They are what the layer says.",
    PLACEMENT,
    f"Losses and totals in money are expectations by the prices given, not promises. {_YIELD}",
    f"{DIG} A spade and a tape in a few places say what no log can.",
)
