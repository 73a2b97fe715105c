"""Row length per area, against the tables that growers use."""

import numpy as np
import pytest
import shapely

from pipeline.core.passes import beside, clip_lines, unit_distances
from pipeline.files.units import FIELD_CAPACITY, LENGTH, to_si

FOOT_M = 0.3048
ACRE_M2 = 4046.8564224

# Row length of 1/1000 acre, feet and inches: Univ. of Tennessee, UT Crops News, April 2011 (read).
UT_TABLE = [("15 in", 34, 10), ("20 in", 26, 2), ("30 in", 17, 5), ("36 in", 14, 6), ("38 in", 13, 9)]


def planted_m(field: shapely.Polygon, spacing_m: float, *, row_count: int = 8) -> float:
    """Row length of passes of `row_count` rows laid side by side over a field and cut at its boundary [m]."""
    west, south, east, north = field.bounds
    width = row_count * spacing_m
    centres = np.arange(south + 0.5 * width, north + width, width)
    rows = [
        beside(shapely.LineString([(west - 20, y), (east + 20, y)]), unit_distances(row_count, spacing_m))[0]
        for y in centres
    ]
    parts, _, _ = clip_lines(np.concatenate(rows), field)
    return float(shapely.length(parts).sum())


# A lopsided field of about 60 acres, invented.
FIELD = shapely.Polygon([(0, 0), (610, -35), (655, 370), (260, 445), (-40, 300)])


@pytest.mark.parametrize(("spacing", "feet", "inches"), UT_TABLE)
def test_row_length_of_a_thousandth_of_an_acre(spacing, feet, inches):
    # Rows laid over a whole field: its row length over its area, for 1/1000 acre.
    per_thousandth = planted_m(FIELD, to_si(spacing, kind=LENGTH)) / (FIELD.area / ACRE_M2) / 1000
    # The table is rounded to the inch, and its 38 in line reads 13 ft 9 in for 13 ft 9.07 in.
    assert per_thousandth / FOOT_M == pytest.approx(feet + inches / 12, abs=0.6 / 12)


@pytest.mark.parametrize("spacing_in", [15, 20, 22, 30, 36, 38])
def test_closed_form(spacing_in):
    # Exact: 522.72 / spacing[in] feet of row on 1/1000 acre (closed form); the field's edge, where
    # the last row stands nearer or farther than half a spacing, is worth less than 0.1 %.
    per_thousandth = planted_m(FIELD, to_si(f"{spacing_in} in", kind=LENGTH)) / (FIELD.area / ACRE_M2) / 1000
    assert per_thousandth / FOOT_M == pytest.approx(522.72 / spacing_in, rel=1e-3)


def test_thirty_inch_rows_per_acre_and_per_hectare():
    # A rectangle of a whole number of rows, so that nothing is lost at the edge: 17,424 ft per acre and
    # 13.1234 km per hectare at 30 in (closed form).
    spacing = to_si("30 in", kind=LENGTH)
    field = shapely.box(0, 0, 400, 320 * spacing)
    length = planted_m(field, spacing)
    assert length / FOOT_M / (field.area / ACRE_M2) == pytest.approx(17424, rel=1e-9)
    assert length / 1000 / (field.area / 10_000) == pytest.approx(13.1234, abs=5e-5)


@pytest.mark.parametrize(
    ("width_ft", "mph", "efficiency", "acres_per_hour"),
    # Iowa State Extension A3-24, table 1 (read); 15 and 23 shanks of 30 in.
    [(40.0, 6.0, 0.70, 20.4), (37.5, 6.0, 0.65, 17.7), (57.5, 5.0, 0.63, 22.0)],
)
def test_field_capacity(width_ft, mph, efficiency, acres_per_hour):
    # ac/h = width[ft] x mph x efficiency / 8.25 (Univ. of Kentucky AEN-73, 1991, read), here through SI units.
    metres_per_second = mph * 1609.344 / 3600
    capacity = width_ft * FOOT_M * metres_per_second * efficiency
    assert capacity == pytest.approx(to_si(f"{acres_per_hour} ac/h", kind=FIELD_CAPACITY), rel=3e-3)
