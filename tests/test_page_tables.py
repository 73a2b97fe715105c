"""The tables of a field in words: what tells nothing is said once, or called nothing."""

from collections import defaultdict
from types import SimpleNamespace

import geopandas as gpd
import pandas as pd
import pytest

from pipeline import columns as c
from pipeline.core.show import NOTHING
from pipeline.files.page_tables import field_tables

NAMES = {"sbas": "SBAS", "rtk": "RTK"}
INCH = 0.0254
NOW, LEFT = "share_sd", "left_sd"


def table_of(
    name: str, *, digs: list[tuple] = (), shift: list[tuple] = (), units: str = "us", asked: int = 0, holds_m: float = 0.0,
    share: float = 0.0,
) -> dict:
    """One table of a field of which nothing else is known."""
    judging = SimpleNamespace(names=NAMES, enough_share=0.95, next_checks=asked)
    widest = dict(zip(NAMES, (30.1 * INCH, 20 * INCH), strict=True))
    figures = [
        defaultdict(float, {
            c.TIER: tier, c.HOLDS_M: holds_m, c.NARROWEST_STRIP_M: widest[tier], c.ROW_COUNT: 48,
            c.EXPECTED_MISS_SHARE: share,
        })
        for tier in NAMES
    ]  # fmt: skip
    dug = gpd.GeoDataFrame({c.CHECK: []}, geometry=[])
    holes = pd.DataFrame(digs, columns=[c.TIER, "place", c.PASS_ID, c.UNIT, NOW, LEFT])
    columns = [c.TIER, c.BEARING_DEG, c.EAST_M, c.NORTH_M, c.ACROSS_M, c.WHOLE, c.SHARE_BEFORE, c.SHARE_AFTER]
    made = field_tables(
        figures, [], [dict(zip(columns, one, strict=True)) for one in shift],
        dug, gpd.GeoDataFrame(holes, geometry=[None] * len(holes)), spacing_m=30 * INCH, judging=judging, units=units,
    )  # fmt: skip
    return next(table for table in made if table["id"] == name)


def test_holes_are_told_one_by_one_where_they_tell_something_and_once_where_they_tell_nothing():
    """rtk: 1 % stays 1 % as it reads, 1.4 to 0.6; sbas: the second hole tells, and is of use with the first."""
    found = table_of("digs", digs=[
        ("rtk", 1, "P4", 0, 0.014, 0.008), ("sbas", 2, "P2", 3, 0.082, 0.071), ("rtk", 2, "P5", 7, 0.014, 0.006),
        ("sbas", 1, "P1", 0, 0.082, 0.079),
    ])  # fmt: skip
    assert found["head"][3] == "Row unit, from 0 at the left"
    assert found["tiers"] == ["sbas", "sbas", "rtk"]
    pm, gap = "\N{PLUS-MINUS SIGN}", "\u00a0"
    assert found["lines"] == [
        ["SBAS", "1", "P1", "0", f"{pm} 8{gap}%", f"{pm} 8{gap}%"],
        ["SBAS", "2", "P2", "3", f"{pm} 8{gap}%", f"{pm} 7{gap}%"],
        ["RTK", "1\u20132", NOTHING, NOTHING, f"{pm} 1{gap}%", "the same: digging would tell little here"],
    ]


@pytest.mark.parametrize(("share", "said"), [(0.0, "0 of 48"), (float("nan"), NOTHING)])
def test_where_no_row_stands_by_a_strip_no_number_of_rows_is_expected_off(share, said):
    assert [line[-1] for line in table_of("classes", share=share)["lines"]] == [said, said]


def test_a_strip_wider_than_the_rows_spacing_is_none_that_would_do():
    assert [line[-1] for line in table_of("enough")["lines"]] == ["none would", "20\u00a0in"]


def test_one_hole_that_tells_nothing_and_a_tier_without_a_hole():
    found = table_of("digs", digs=[("rtk", 1, "P4", 0, 0.006, 0.006)])
    assert [line[:2] for line in found["lines"]] == [["SBAS", NOTHING], ["RTK", "1"]]
    assert found["lines"][0][2:] == [*[NOTHING] * 3, "digging would tell little here"]
    assert found["tiers"] == ["sbas", "rtk"]


@pytest.mark.parametrize(("asked", "holds_m"), [(0, 0.0), (0, 100.0), (5, 0.0)])
def test_without_a_hole_there_is_no_table_where_none_was_asked_for_or_nothing_stands_on_a_strip(asked, holds_m):
    with pytest.raises(StopIteration):
        table_of("digs", asked=asked, holds_m=holds_m)


def test_where_no_tier_has_a_hole_each_says_so():
    found = table_of("digs", asked=5, holds_m=100.0)
    assert found["tiers"] == ["sbas", "rtk"]
    assert found["lines"] == [[name, *[NOTHING] * 4, "digging would tell little here"] for name in NAMES.values()]


@pytest.mark.parametrize(
    ("units", "size_m", "said"),
    [
        ("us", 0.04 * INCH, "none"), ("us", 0.06 * INCH, "0.1\u00a0in"),
        ("metric", 0.0004, "none"), ("metric", 0.0006, "0.1\u00a0cm"),
    ],
)  # fmt: skip
@pytest.mark.parametrize("whole", [True, False])
def test_a_shift_that_reads_as_nothing_is_none_and_leads_nowhere(units, size_m, said, whole):
    """Planter going east, shift to the north: all of it to the left."""
    found = table_of("shift", shift=[("rtk", 90.0, 0.0, size_m, size_m, whole, 0.02, 0.01)], units=units)
    (line,) = found["lines"]
    assert line[1] == "90 deg" and line[2] == said + ("" if whole else ", across the rows only")
    assert line[3:5] == ([NOTHING, NOTHING] if said == "none" else ["0 deg (N)", said])
    assert line[5:] == ["2\u00a0%", "1\u00a0%"]
