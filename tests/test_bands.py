"""Bands round strips, pieces of rows, and that both say the same about every place."""

import json
from dataclasses import asdict

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad

from pipeline import columns as c
from pipeline.core.bands import CentreLines, band_by_group, band_outlines, meeting, thinned
from pipeline.core.local import from_local, local_crs
from pipeline.core.offsets import measure_offsets
from pipeline.core.pieces import mean_miss_probability
from pipeline.core.place_odds import miss_probability
from pipeline.core.segments import Segments
from pipeline.steps import bands

CRS = "EPSG:26915"
HALF_WIDTH_M, SPACING_M, LENGTH_M = 0.1016, 0.762, 300.0
# The 95 % figures of two invented tiers: one narrower than half a strip, one wider.
REPEATABLE_M = {"fine": 0.04, "coarse": 0.5}


def straight(count):
    return np.array([shapely.LineString([(0, k * SPACING_M), (LENGTH_M, k * SPACING_M)]) for k in range(count)], object)


def outlines(lines: CentreLines, half_width_m: np.ndarray) -> np.ndarray:
    """Bands round all lines that have a width."""
    return band_outlines(lines, half_width_m, lines.ribbons(half_width_m), np.flatnonzero(half_width_m > 0))


def test_a_straight_band_is_its_length_times_its_width():
    shapes = outlines(CentreLines.of(straight(3)), np.array([0.06, 0.0, -0.2]))
    assert shapes[0].area == pytest.approx(2 * 0.06 * LENGTH_M, abs=1e-9)
    assert shapely.is_empty(shapes[1:]).all()


def test_bends_are_those_of_a_mitred_buffer():
    x = np.linspace(0, 200, 101)
    wavy = np.array([shapely.LineString(np.c_[x, 8 * np.sin(x / 20)]), shapely.LineString([(0, 0), (5, 0), (5, 5)])])
    ours = outlines(CentreLines.of(wavy), np.array([0.7, 0.7]))
    theirs = shapely.buffer(wavy, 0.7, cap_style="flat", join_style="mitre")
    assert shapely.area(shapely.symmetric_difference(ours, theirs)).max() < 1e-6


def test_a_bend_tighter_than_the_band_still_gives_a_valid_band():
    hairpin = np.array([shapely.LineString([(0, 0), (10, 0), (10, 0.3), (0, 0.3)])])
    shape = outlines(CentreLines.of(hairpin), np.array([0.5]))
    assert shapely.is_valid(shape).all()
    assert shape[0].area == pytest.approx(10.5 * 1.3, rel=0.01)


def test_overlapping_bands_of_a_pass_are_united():
    lines, group = CentreLines.of(straight(4)), np.array([0, 0, 2, 2])
    wide = band_by_group(lines, np.full(4, 0.5), group, 3, united=np.ones(3, bool))
    assert wide[0].area == pytest.approx(LENGTH_M * (SPACING_M + 1.0), rel=1e-9)
    assert wide[1].is_empty
    assert [len(shape.geoms) for shape in wide] == [1, 0, 1]
    apart = band_by_group(lines, np.full(4, 0.1), group, 3, united=np.zeros(3, bool))
    assert [len(shape.geoms) for shape in apart] == [2, 0, 2]


def test_without_lines_no_band_meets_another():
    nothing, no_group, no_width = CentreLines.of(straight(0)), np.zeros(0, int), np.zeros(0)
    assert meeting(nothing, no_width, no_group, 2).tolist() == [False, False]
    assert shapely.is_empty(band_by_group(nothing, no_width, no_group, 2, united=np.ones(2, bool))).all()


def test_bands_meet_where_they_are_wider_than_their_spacing():
    lines, group = CentreLines.of(straight(4)), np.array([0, 0, 2, 2])
    assert meeting(lines, np.full(4, 0.50 * SPACING_M + 0.001), group, 3).tolist() == [True, False, True]
    assert not meeting(lines, np.full(4, 0.50 * SPACING_M - 0.001), group, 3).any()


@given(st.integers(0, 2**32 - 1), st.floats(0.02, 0.38))
def test_where_the_widest_bands_do_not_meet_narrower_ones_are_valid(seed, widest):
    # Three lines abreast that wander; a few bend sharply or go back on themselves.
    draws = np.random.default_rng(seed)
    x = np.cumsum(draws.uniform(-0.02, 3.0, 12))
    wander = np.cumsum(draws.normal(0.0, 0.1, 12))
    abreast = np.array([shapely.LineString(np.c_[x, wander + k * SPACING_M]) for k in range(3)], object)
    lines = CentreLines.of(thinned(abreast))
    group, close = np.zeros(3, int), meeting(lines, np.full(3, widest), np.zeros(3, int), 1)
    for share in (1.0, 0.7, 0.3, 0.05):
        shape = band_by_group(lines, np.full(3, share * widest), group, 1, united=close)
        assert shapely.is_valid(shape).all()


@pytest.mark.parametrize("half_width", [-0.01, 0.0, 0.1])
@pytest.mark.parametrize("sd", [0.0, 0.013, 0.4])
@pytest.mark.parametrize("ends", [(0.02, 0.02), (-0.3, 0.25), (0.09, 0.11), (0.1, 0.1 + 1e-5), (0.1, 0.1)])
def test_mean_odds_of_a_sloped_row_are_their_integral(half_width, sd, ends):
    mean = mean_miss_probability(*(np.array([value]) for value in (*ends, half_width, sd)))[0]
    # The integrand bends at the edges of the strip.
    edges = [t for t in ((edge - ends[0]) / (ends[1] - ends[0] or 1.0) for edge in (-half_width, half_width)) if 0 < t < 1]
    wanted = quad(
        lambda t: miss_probability(np.array([ends[0] + t * (ends[1] - ends[0])]), half_width, sd)[0],
        0.0, 1.0, points=edges or None, limit=200,
    )[0]  # fmt: skip
    assert mean == pytest.approx(wanted, abs=1e-6)


@pytest.fixture(scope="module")
def drawn(tmp_path_factory):
    """Eight invented strips, six rows that wander over them, a seventh across and an eighth far away."""
    work = tmp_path_factory.mktemp("work")
    folder = work / "passes" / "b00" / "F1"
    folder.mkdir(parents=True)
    local = local_crs(-93.5, 42.0)
    x = np.linspace(0, LENGTH_M, 61)
    rows = [shapely.LineString(np.c_[x, k * SPACING_M + 0.3 * np.sin(x / (9 + k))]) for k in range(6)]
    rows += [shapely.LineString([(150, -20), (151, 20)]), shapely.LineString([(0, 60), (LENGTH_M, 60)])]
    for name, lines in (("strip", straight(8)), ("planter", np.array(rows, object))):
        count = len(lines)
        unit = {c.PASS: np.arange(count) // 4, c.UNIT: np.arange(count) % 4, c.TIGHT: False, c.OUTSIDE_M: 0.0}
        unit |= {c.ROW_SPACING_M: SPACING_M, c.STRIP_WIDTH_M: 2 * HALF_WIDTH_M}
        pd.DataFrame(unit).to_parquet(folder / f"{name}_units.parquet")
        passes = {
            c.FIELD_ID: "F1",
            c.PASS_ID: ["a", "b"],
            c.ROW_COUNT: 4,
            c.TIER: "",
            c.START_S: np.nan,
            c.SIGNAL_LOST: False,
            "time_s": [0.0, 600.0],
            "visit": 0,
        }
        pd.DataFrame(passes).to_parquet(folder / f"{name}_passes.parquet")
        columns = {c.ROW: np.arange(count), c.STRETCH: np.arange(count) // 4, c.PART: 0, c.ALONG_M: 0.0}
        gpd.GeoDataFrame(columns, geometry=lines, crs=local).to_parquet(folder / f"{name}_lines.parquet")
        since = {c.PASS: [0, 1], c.SINCE0_S: np.nan, c.SINCE1_S: np.nan, c.START: 0, c.ZONES: ""}
        pd.DataFrame(since).to_parquet(folder / f"{name}_stretches.parquet")
    facts = {"field_id": "F1", "farm": "", "baseline_m": None, "frame_east_m": 0.0, "frame_north_m": 0.0}
    facts |= {"base_surveyed": True, "zones": [], "regains": {"strip": [], "planter": []}}
    plan = gpd.GeoDataFrame({c.PASS_ID: ["a", "b"]}, geometry=np.array(rows[:2], object), crs=local)
    plan.to_parquet(folder / "planter_plan.parquet")
    area = gpd.GeoDataFrame(geometry=[shapely.box(0, -20, LENGTH_M, 80)], crs=local)
    area.to_parquet(folder / "boundary.parquet")
    (folder / "field.json").write_text(json.dumps(facts))
    (work / "tiers.json").write_text(json.dumps(settings()))
    (work / "intake.json").write_text(json.dumps(dict.fromkeys(("crs", "plan_crs"), gpd.GeoSeries(crs=CRS).crs.to_wkt())))
    batch = folder.parent
    segments = [Segments.from_lines(lines) for lines in (np.array(rows, object), straight(8))]
    spans = measure_offsets(*segments, reach_m=np.full(len(rows), 0.5 * SPACING_M))
    (work / "offsets").mkdir()
    pd.DataFrame(asdict(spans)).to_parquet(work / "offsets" / "F1.parquet")
    bands.run(
        passes=batch, offsets=work / "offsets", tiers=work / "tiers.json", crs_from=work / "intake.json",
        out=work / "bands",
    )  # fmt: skip
    layers = {kind: gpd.read_parquet(work / "bands" / f"{kind}.parquet") for kind in bands.KINDS}
    return layers, rows, local


def settings():
    tiers = {
        name: {
            "id": name, "name": name, "pass_to_pass_m": size / 2, "repeatable_m": size,
            "baseline_growth": 0.0, "range_m": None, "convergence_s": 60.0, "start_error_m": 1.0,
            "correlation_time_s": 3600.0, "frame": "base",
        }
        for name, size in REPEATABLE_M.items()
    }  # fmt: skip
    return {
        "tiers": tiers, "compare": list(tiers), "autumn": "same", "kind": "planned", "row_margin_m": 0.0,
        "row_miss_share": 0.5, "steering_95_m": [0.0, 0.0], "seed": 1, "machine_95_m": 0.0, "base_shift_95_m": 0.0,
        "enough_share": 0.95, "next_checks": 0, "starts_per_day": 0.0, "working_day_s": 36000.0,
    }  # fmt: skip


def test_layers_are_in_the_crs_of_the_fields(drawn):
    layers, _, local = drawn
    place = from_local(np.array([shapely.Point(150.0, 2.0)]), local, gpd.GeoSeries(crs=CRS).crs.to_wkt())[0]
    for table in layers.values():
        assert table.crs == CRS
        assert table.distance(place).min() < 1.0


def test_pieces_conserve_the_length_of_every_row(drawn):
    layers, rows, _ = drawn
    pieces = layers["row_lines"]
    by_row = pieces.groupby([c.PASS_ID, c.UNIT])["length_m"].sum().to_numpy()
    np.testing.assert_allclose(by_row, shapely.length(np.array(rows, object)), atol=1e-5)
    # Lengths are true ones; those of the projected pieces differ by its scale, at most 0.04 %.
    np.testing.assert_allclose(pieces.length, pieces["length_m"], rtol=5e-4, atol=1e-7)


def test_neighbouring_pieces_differ_in_a_class(drawn):
    pieces = drawn[0]["row_lines"]
    classes = pieces[[f"class_{tier}" for tier in REPEATABLE_M]]
    same_row = (pieces[[c.PASS_ID, c.UNIT, c.PART]].shift() == pieces[[c.PASS_ID, c.UNIT, c.PART]]).all(axis=1)
    assert ((classes.shift() != classes).any(axis=1) | ~same_row).all()


def test_odds_are_null_exactly_where_no_strip_or_crossing(drawn):
    pieces = drawn[0]["row_lines"]
    apart = pieces["class_fine"].isin(["no_strip", "crossing"])
    assert set(pieces["class_fine"]) == set(c.CLASSES)
    for tier in REPEATABLE_M:
        assert (pieces[f"miss_{tier}"].isna() == apart).all()
        assert pieces[f"miss_{tier}"].dropna().between(0, 1).all()
    # At the 95 % bound a row that holds misses in at most 5 %, one that misses holds in at most 2.5 %.
    assert pieces.loc[pieces["class_fine"] == "holds", "miss_fine"].max() <= 0.0501
    assert pieces.loc[pieces["class_fine"] == "misses", "miss_fine"].min() >= 0.9749


@pytest.mark.parametrize("tier", REPEATABLE_M)
def test_bands_and_classes_say_the_same(drawn, tier):
    layers = drawn[0]
    judged = layers["row_lines"][lambda t: t[f"class_{tier}"].isin(["holds", "doubt", "misses"]) & (t["length_m"] > 0.05)]
    middle = shapely.line_interpolate_point(judged.geometry.values, 0.5, normalized=True)
    united = {
        kind: shapely.union_all(layers[kind].loc[layers[kind][c.TIER] == tier].geometry.values)
        for kind in ("hold_bands", "reach_bands")
    }
    # Away from the edges of the bands, which the projection's scale moves by 0.2 mm at most.
    # An empty band has no edge, and the distance to it is not a number.
    edges = [shapely.boundary(band) for band in united.values()]
    sure = ~np.any([shapely.distance(middle, edge) <= 0.0005 for edge in edges], axis=0)
    assert sure.sum() > 10
    holds, reached = (shapely.within(middle, united[kind]) for kind in ("hold_bands", "reach_bands"))
    assert ((judged[f"class_{tier}"] == "holds").to_numpy() == holds)[sure].all()
    missed = (judged[f"class_{tier}"] == "misses").to_numpy()
    if tier == "fine":
        assert (missed == ~reached)[sure].all()
    else:
        assert not missed.any()


def test_band_areas_of_straight_strips(drawn):
    hold = drawn[0]["hold_bands"]
    assert set(hold[c.TIER]) == {"fine"}  # R of the coarse tier exceeds half a strip
    wanted = 4 * 2 * (HALF_WIDTH_M - REPEATABLE_M["fine"]) * LENGTH_M
    np.testing.assert_allclose(hold["area_m2"], wanted, rtol=1e-6)
    reach = drawn[0]["reach_bands"].set_index(c.TIER)["area_m2"]
    np.testing.assert_allclose(reach["coarse"], (3 * SPACING_M + 2 * (HALF_WIDTH_M + 0.5)) * LENGTH_M, rtol=1e-6)
