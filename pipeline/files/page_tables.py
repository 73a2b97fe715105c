"""The figures of one field in words, as tables for the page: in the units asked for, and no finer than they are."""

import math
from operator import itemgetter

import geopandas as gpd
import numpy as np
import pandas as pd

from pipeline import columns as c
from pipeline.core.show import (
    MINUS,
    NOTHING,
    count_text,
    direction_text,
    distance_text,
    length_text,
    share_range_text,
    share_text,
)
from pipeline.files.settings import Settings

# Below this the checks deny what a tier promises.
UNLIKELY_P = 0.01
# Of the waits in waiting.csv, those that fit on a page.
SHOWN_WAITS_MIN = (5, 10, 20, 30)
# Less row than this is the rounding of sums [m].
NO_ROW_M = 0.05
TELLS_LITTLE = "digging would tell little here"


def field_tables(
    figures: list[dict], waiting: list[dict], shift: list[dict], checks: gpd.GeoDataFrame, digs: gpd.GeoDataFrame, *,
    spacing_m: float, judging: Settings, units: str,
) -> list[dict]:  # fmt: skip
    """Tables of a field, each with `id`, `caption`, `head` and `lines` of text; one without a line is left out.

    Where a table has several lines a tier, `tiers` says of which each is, and the page shows those of one.

    Parameters
    ----------
    figures, waiting, shift : list of dict
        Lines of the field in the tables of `odds`.
    checks, digs : GeoDataFrame
        The field's ground checks, and where to dig next.
    spacing_m : float
        Distance of the strips' rows [m].
    judging : Settings
    units : {"us", "metric"}
    """
    names = judging.names
    by_tier = [(names[one[c.TIER]], one) for one in figures]
    made = [
        _classes(by_tier, units), _enough(by_tier, judging, units, spacing_m=spacing_m),
        _starts(by_tier, waiting, names, units),
        _checked(by_tier), _dug(checks, names, units), _digs(digs, figures, judging), _shift(shift, names, units),
    ]  # fmt: skip
    return [table for table in made if table["lines"]]


def _classes(by_tier: list, units: str) -> dict:
    return {
        "id": "classes", "caption": "Row length by class at the 95 % bound, and what is expected off its strip",
        "head": [
            "Tier", "Expected off", "10th to 90th percentile", "Holds", "In doubt", "Misses", "No strip", "Crossing",
            "Rows expected off",
        ],
        "lines": [
            [
                name, share_text(one[c.EXPECTED_MISS_SHARE]), share_range_text(one[c.P10], one[c.P90]),
                *(_row_length(one[key], units) for key in (c.HOLDS_M, c.DOUBT_M, c.MISSES_M, c.NO_STRIP_M, c.CROSSING_M)),
                _rows(one),
            ]
            for name, one in by_tier
        ],
    }  # fmt: skip


def _rows(one: dict) -> str:
    """Rows expected off their strips, of all; where none stands by a strip, none could be."""
    judged = math.isfinite(_number(one[c.EXPECTED_MISS_SHARE]))
    return f"{count_text(one[c.ROWS_MISSED])} of {count_text(one[c.ROW_COUNT])}" if judged else NOTHING


def _enough(by_tier: list, judging: Settings, units: str, *, spacing_m: float) -> dict:
    share = share_text(judging.enough_share)
    return {
        "id": "enough", "caption": f"The tiers here, and what would keep {share} of the row length on its strip",
        "head": [
            "Tier", "Repeatable error here, 95 %", "Distance to base", "Reach", "Base", "Largest repeatable error that does",
            "Narrowest strip that does",
        ],
        "lines": [
            [
                name, length_text(one[c.REPEATABLE_95_M], units=units),
                distance_text(_number(one[c.BASELINE_M]), units=units), one[c.REACH], one[c.BASE] or NOTHING,
                length_text(_number(one[c.LARGEST_REPEATABLE_M]), units=units),
                _strip_width(_number(one[c.NARROWEST_STRIP_M]), spacing_m, units),
            ]
            for name, one in by_tier
        ],
    }  # fmt: skip


def _strip_width(width_m: float, spacing_m: float, units: str) -> str:
    """A width that strips can have: they are narrower than their rows are apart."""
    return "none would" if width_m > spacing_m else length_text(width_m, units=units)


def _starts(by_tier: list, waiting: list[dict], names: dict, units: str) -> dict:
    """What receivers that had not converged cost, and what waiting would save; nothing where it is nothing."""
    avoided = {(one[c.TIER], one[c.WAIT_MIN]): one[c.AVOIDED_M] for one in waiting}
    minutes = [wait for wait in SHOWN_WAITS_MIN if any(wait == known for _, known in avoided)]
    lost = (c.CONVERGING_ROW_M, c.CONVERGING_STRIP_M, c.CONVERGING_MISS_M, c.PLANNED_START_MISS_M)
    some = any(one[key] > 0.0 for _, one in by_tier for key in lost)
    return {
        "id": "starts", "caption": "While a receiver was converging, or had lost its signal",
        "head": [
            "Tier", "Rows laid then", "Strips made then, row length", "Expected off for it", "Planned starts would cost",
            *(f"Saved by waiting {wait} min" for wait in minutes),
        ],
        "lines": [
            [names[one[c.TIER]], *(_row_length(one[key], units) for key in lost), *(
                _row_length(_number(avoided.get((one[c.TIER], wait))), units) for wait in minutes
            )]
            for _, one in by_tier
        ] if some else [],
    }  # fmt: skip


def _checked(by_tier: list) -> dict:
    return {
        "id": "checked", "caption": "Share expected off the strip before and after the ground checks",
        "head": ["Tier", "Before", "10th to 90th", "After", "10th to 90th", "Do the checks fit this tier?"],
        "lines": [
            [
                name, share_text(one[c.EXPECTED_MISS_SHARE]), share_range_text(one[c.P10], one[c.P90]),
                share_text(one[c.CHECKED_SHARE]), share_range_text(one[c.CHECKED_SHARES[0]], one[c.CHECKED_SHARES[2]]),
                _fit(one[c.CHECKS_FIT_TIER_P]),
            ]
            for name, one in by_tier if one[c.CHECK_COUNT] > 0
        ],
    }  # fmt: skip


def _fit(p: float) -> str:
    if not math.isfinite(p):
        return NOTHING
    said = "they contradict it" if p < UNLIKELY_P else "they fit"
    return f"{said} (p {'below 0.001' if p < 0.001 else f'{p:.2g}'})"


def _dug(checks: gpd.GeoDataFrame, names: dict, units: str) -> dict:
    return {
        "id": "dug", "caption": "Ground checks: measured, and how many standard deviations from what the others say",
        "head": ["Check", "Measured", "Planned or logged there", "Tape error, 95 %", *names.values()],
        "lines": [
            [
                str(one[c.CHECK]), length_text(one[c.MEASURED_M], units=units) + ("" if one[c.SIGNED] else ", side unknown"),
                length_text(one[c.OFFSET_M], units=units), length_text(one[c.TAPE_ERROR_M], units=units),
                *(_signed(one[c.under(c.LEFT_OUT_Z, tier)]) for tier in names),
            ]
            # By their numbers in the file, of which 10 comes after 9.
            for one in sorted(_records(checks), key=lambda one: (len(one[c.CHECK]), one[c.CHECK]))
        ],
    }  # fmt: skip


def _signed(value: float) -> str:
    return f"{value:+z.1f}".replace("-", MINUS) if math.isfinite(value) else NOTHING


def _digs(digs: gpd.GeoDataFrame, figures: list[dict], judging: Settings) -> dict:
    """Where to dig next; nothing where no place was asked for, or where no row stands on a strip."""
    names, holes = judging.names, sorted(_records(digs), key=itemgetter(c.DIG_PLACE))
    by_tier = {tier: [one for one in holes if one[c.TIER] == tier] for tier in names}
    on_strips = any(one[c.HOLDS_M] + one[c.DOUBT_M] + one[c.MISSES_M] > NO_ROW_M for one in figures)
    asked = judging.next_checks > 0 and on_strips
    lines = {tier: _dig_lines(mine, names[tier]) for tier, mine in by_tier.items()} if holes or asked else {}
    return {
        "id": "digs", "caption": "Where to dig next under the tier chosen: each hole with those before it",
        "tiers": [tier for tier, mine in lines.items() for _ in mine],
        "head": ["Tier", "Hole", "Pass", "Row unit, from 0 at the left", "Missed share known to, now", "After it"],
        "lines": [line for mine in lines.values() for line in mine],
    }  # fmt: skip


def _dig_lines(holes: list[dict], name: str) -> list[list[str]]:
    """A line a hole; one for all of a tier's where even all of them together would leave the figure as it reads now.

    One too where no hole is worth proposing.
    """
    if not holes:
        return [[name, *[NOTHING] * 4, TELLS_LITTLE]]
    known = [tuple(f"\N{PLUS-MINUS SIGN} {share_text(one[key])}" for key in (c.SHARE_SD, c.LEFT_SD)) for one in holes]
    now, last = known[-1]
    if now == last:
        places = "1" if len(holes) == 1 else f"1\N{EN DASH}{len(holes)}"
        return [[name, places, NOTHING, NOTHING, now, f"the same: {TELLS_LITTLE}"]]
    return [
        [name, str(one[c.DIG_PLACE]), str(one[c.PASS_ID]), str(one[c.UNIT]), before, after]
        for one, (before, after) in zip(holes, known, strict=True)
    ]


def _records(layer: gpd.GeoDataFrame) -> list[dict]:
    """Features without their geometry."""
    return pd.DataFrame(layer.drop(columns="geometry")).to_dict("records")


def _shift(shift: list[dict], names: dict, units: str) -> dict:
    return {
        "id": "shift", "caption": "The shift to give the planter's lines before planting, under the tier chosen",
        "tiers": [one[c.TIER] for one in shift],
        "head": ["Tier", "Travelling", "Shift", "Towards", "To the left of travel", "Expected off before", "After"],
        "lines": [
            [
                names[one[c.TIER]], f"{round(one[c.BEARING_DEG]) % 360} deg", *_moved(one, units),
                share_text(one[c.SHARE_BEFORE]), share_text(one[c.SHARE_AFTER]),
            ]
            for one in shift
        ],
    }  # fmt: skip


def _moved(one: dict, units: str) -> tuple[str, str, str]:
    """Shift, where to, and how far to the left of travel; a shift that reads as nothing leads nowhere."""
    size_m, known = float(np.hypot(one[c.EAST_M], one[c.NORTH_M])), "" if one[c.WHOLE] else ", across the rows only"
    size = length_text(size_m, units=units)
    if size == length_text(0.0, units=units):
        return f"none{known}", NOTHING, NOTHING
    return f"{size}{known}", direction_text(one[c.EAST_M], one[c.NORTH_M]), length_text(one[c.ACROSS_M], units=units)


def _row_length(length_m: float, units: str) -> str:
    return "0" if abs(length_m) < NO_ROW_M else length_text(length_m, units=units)


def _number(value: float | None) -> float:
    return float("nan") if value is None else float(value)
