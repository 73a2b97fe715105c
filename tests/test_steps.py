"""The steps in a row on small invented fields: figures by arithmetic, options of the configuration."""

import numpy as np
import pytest
import shapely
import shapely.affinity
from helpers import INCH, SPACING_M
from scipy.stats import norm
from workflow import (
    LENGTH_M,
    ORIGIN,
    ROWS,
    TIERS,
    boundaries,
    config,
    first_field,
    layer_of,
    one_tier,
    passes_of,
    run_steps,
    write_coop,
)  # fmt: skip

from pipeline import columns as c

Z = norm.ppf(0.975)
HALF_WIDTH_M = 4 * INCH
# Repeatable errors of the shipped catalogue [m].
REPEATABLE_M = {"sbas": 36 * INCH, "rtk_base": 1 * INCH}


def assert_conserved(table):
    parts = table[[c.HOLDS_M, c.DOUBT_M, c.MISSES_M, c.NO_STRIP_M, c.CROSSING_M]].sum(axis=1)
    np.testing.assert_allclose(parts, table[c.ROW_LENGTH_M], rtol=1e-6, atol=1e-6)


@pytest.mark.parametrize("shift_in", [0.0, 3.0])
def test_straight_shifted_rows_miss_as_the_normal_distribution_says(tmp_path, shift_in):
    shift_m = shift_in * INCH
    write_coop(tmp_path, rows=passes_of(shift_m=shift_m))
    tables = run_steps(config(tmp_path), tmp_path)
    for name in ("fields", "rows", "passes"):
        assert_conserved(tables[name])
    fields = tables["fields"].set_index([c.FIELD_ID, c.TIER])
    for (_, tier), one in fields.iterrows():
        sd = REPEATABLE_M[tier] / Z
        holds = norm.cdf((HALF_WIDTH_M - shift_m) / sd) - norm.cdf((-HALF_WIDTH_M - shift_m) / sd)
        assert one[c.EXPECTED_MISS_SHARE] == pytest.approx(1 - holds, abs=1e-3)
        assert one[c.RASTER_GAP_SHARE] <= one["raster_tolerance_share"]
        assert one[c.ROW_COUNT] == 4 * ROWS
        # UTM's scale at the edge of its middle, up to 0.04 %
        assert one[c.ROW_LENGTH_M] == pytest.approx(4 * ROWS * LENGTH_M, rel=5e-4)


def test_planter_without_a_layer_follows_the_strips(tmp_path):
    write_coop(tmp_path)
    fields = run_steps(config(tmp_path, planter=False), tmp_path)["fields"].set_index([c.FIELD_ID, c.TIER])
    assert_conserved(fields)
    for tier in TIERS:
        one = fields.loc[("F0", tier)]
        assert one[c.NO_STRIP_M] == pytest.approx(0.0, abs=1e-6)
        assert one[c.EXPECTED_MISS_SHARE] == pytest.approx(
            2 * norm.sf(HALF_WIDTH_M * Z / REPEATABLE_M[tier]), abs=1e-3
        )


def test_a_wider_planter_lays_its_own_passes_on_the_grid(tmp_path):
    write_coop(tmp_path)
    settings = config(tmp_path, planter=False)
    settings["inputs"]["rows"] = {"constants": {"row_count": 24, "row_spacing": "30 in"}}
    tables = run_steps(settings, tmp_path)
    one = tables["fields"].set_index([c.FIELD_ID, c.TIER]).loc[("F0", "rtk_base")]
    assert one[c.ROW_COUNT] == 4 * ROWS
    assert tables["passes"].groupby([c.FIELD_ID, c.TIER]).size().eq(2).all()
    assert one[c.NO_STRIP_M] < 1e-3 * one[c.ROW_LENGTH_M]
    assert one[c.EXPECTED_MISS_SHARE] < 0.01


def test_own_strip_by_pass_number_sees_a_shift_of_a_whole_row(tmp_path):
    strips = passes_of()
    rows = passes_of(shift_m=SPACING_M)
    rows["geometry"] = shapely.reverse(rows.geometry.values)  # planted against the bar's travel
    write_coop(tmp_path, strips=strips, rows=rows)
    settings = config(tmp_path)
    near = (
        run_steps(settings, tmp_path / "near")["fields"]
        .set_index([c.FIELD_ID, c.TIER])
        .loc[("F0", "rtk_base")]
    )
    settings["judging"] = {"own_strip": "pass_id"}
    own = (
        run_steps(settings, tmp_path / "own")["fields"]
        .set_index([c.FIELD_ID, c.TIER])
        .loc[("F0", "rtk_base")]
    )
    assert near[c.EXPECTED_MISS_SHARE] < 0.01
    assert own[c.EXPECTED_MISS_SHARE] > 0.999
    assert own[c.MISSES_M] == pytest.approx(own[c.ROW_LENGTH_M], rel=1e-6)


def test_own_strip_by_pass_number_holds_for_reversed_passes(tmp_path):
    rows = passes_of()
    rows["geometry"] = shapely.reverse(rows.geometry.values)
    write_coop(tmp_path, rows=rows)
    settings = config(tmp_path) | {"judging": {"own_strip": "pass_id"}}
    one = run_steps(settings, tmp_path)["fields"].set_index([c.FIELD_ID, c.TIER]).loc[("F0", "rtk_base")]
    assert one[c.HOLDS_M] == pytest.approx(one[c.ROW_LENGTH_M], rel=1e-6)


def test_autumn_tier_as_logged_is_read_from_the_column(tmp_path):
    write_coop(tmp_path, strips=passes_of().assign(HOW=["sbas"] * 4 + ["rtk_base"] * 4))
    settings = config(tmp_path, planter=False)
    settings["inputs"]["strips"]["columns"]["tier"] = "HOW"
    settings["tiers"]["autumn"] = "as_logged"
    fields = run_steps(settings, tmp_path)["fields"].set_index([c.FIELD_ID, c.TIER])
    for field, autumn in (("F0", "sbas"), ("F2", "rtk_base")):
        for spring in TIERS:
            sd = np.sqrt((REPEATABLE_M[autumn] ** 2 + REPEATABLE_M[spring] ** 2) / 2) / Z
            share = fields.loc[(field, spring), c.EXPECTED_MISS_SHARE]
            assert share == pytest.approx(2 * norm.sf(HALF_WIDTH_M / sd), abs=1e-3)


def test_rows_across_the_strips_and_beyond_them_are_reported_apart(tmp_path):
    across = [shapely.LineString([(600_060, 4_600_000), (600_060, 4_600_050)])]
    write_coop(tmp_path, rows=layer_of(across, PASS=["headland"]))
    fields = run_steps(config(tmp_path), tmp_path)["fields"]
    assert_conserved(fields)
    one = fields.set_index([c.FIELD_ID, c.TIER]).loc[("F0", "rtk_base")]
    strips_m = (4 * ROWS - 1) * SPACING_M + SPACING_M
    assert one[c.CROSSING_M] == pytest.approx(ROWS * strips_m, rel=1e-3)
    assert one[c.NO_STRIP_M] == pytest.approx(ROWS * (50.0 - strips_m), rel=5e-3)


def test_where_no_row_stands_by_a_strip_there_are_no_shares(tmp_path):
    """Of no length there is no share, and 0 would read as a good one."""
    write_coop(tmp_path, strips=passes_of(1), rows=passes_of())
    tables = run_steps(config(tmp_path), tmp_path)
    for name in ("fields", "rows", "passes"):
        bare = tables[name]["field_id"] == "F2"
        assert bare.any() and not bare.all()
        shares = tables[name].filter(regex=r"^expected_miss_share$|^miss_share_p\d\d$")
        assert shares.shape[1] >= 2 and shares[bare].isna().all(axis=None) and shares[~bare].notna().all(axis=None)
        assert (tables[name].loc[bare, c.NO_STRIP_M] == tables[name].loc[bare, c.ROW_LENGTH_M]).all()
        assert (tables[name].loc[bare, [c.EXPECTED_MISS_M, c.ROWS_MISSED]] == 0).all(axis=None)


def test_what_lies_outside_the_field_is_told_of_rows_and_of_strips(tmp_path):
    """By arithmetic: four passes of twelve, strips 10 m too long at both ends, rows 5 m."""
    longer = {}
    for name, more_m in (("strips", 10.0), ("rows", 5.0)):
        wide = 1.0 + 2.0 * more_m / LENGTH_M
        longer[name] = passes_of(1)
        longer[name].geometry = [shapely.affinity.scale(line, xfact=wide) for line in longer[name].geometry]
    write_coop(tmp_path, fields=boundaries(1), **longer)
    line = run_steps(config(tmp_path), tmp_path)["fields"].iloc[0]
    # UTM is 0.0004 short of the ground there.
    assert line["strip_outside_m"] == pytest.approx(4 * ROWS * 20.0, rel=1e-3)
    assert line[c.OUTSIDE_M] == pytest.approx(4 * ROWS * 10.0, rel=1e-3)
    assert line[c.ROW_LENGTH_M] == pytest.approx(4 * ROWS * LENGTH_M, rel=1e-3)


def test_rows_on_their_strips_hold_where_the_error_is_just_half_a_strip(tmp_path):
    """A return within 4 in and strips of 8 in: |0| + R <= h, whatever the rounding of coordinates that run aslant."""

    def turned(layer):
        return layer.set_geometry(layer.rotate(30.0, origin=ORIGIN))

    write_coop(tmp_path, fields=turned(boundaries(1)), strips=turned(passes_of(1)))
    settings = config(tmp_path, planter=False)
    settings["tiers"] = {"catalogue": one_tier(tmp_path, id="just", repeatable="4 in"), "compare": ["just"]}
    found = first_field(run_steps(settings, tmp_path))
    assert found.holds_m == pytest.approx(found.row_length_m, rel=1e-9)
    assert found.raster_holds_m == pytest.approx(found.row_length_m, rel=1e-9)
