"""Points to passes: against the lines that the points were made from."""

import os
import subprocess
import sys
from collections import Counter

import numpy as np
import pyogrio
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from logged import distances, disturbed, drive
from workflow import PROJECT

from pipeline.core.log_lines import centre_lines
from pipeline.core.point_log import LogRules, PointLog, passes_of

WIDE_M = 9.144  # 12 rows of 30 in


def parallel(count=6, *, length_m=300.0, wide_m=WIDE_M):
    """Straight passes side by side, there and back."""
    return [
        shapely.LineString([(0, k * wide_m), (length_m, k * wide_m)][:: 1 if k % 2 == 0 else -1])
        for k in range(count)
    ]


def wavy(count=5):
    """Sinuous contour passes; sharpest radius 25^2 / 8 = 78 m."""
    x = np.linspace(0, 400, 801)
    lines = [np.column_stack([x, k * WIDE_M + 8 * np.sin(x / 25)]) for k in range(count)]
    return [shapely.LineString(xy[:: 1 if k % 2 == 0 else -1]) for k, xy in enumerate(lines)]


def round_the_hill(count=5):
    """Passes that bend half round at radii from 30 m on."""
    angle, lines = np.linspace(-np.pi / 2, np.pi / 2, 200), []
    for k in range(count):
        radius = 30 + k * WIDE_M
        bow = radius * np.column_stack([np.cos(angle), np.sin(angle)])
        xy = np.vstack([[(-150, -radius)], bow, [(-150, radius)]])
        lines.append(shapely.LineString(xy[:: 1 if k % 2 == 0 else -1]))
    return lines


def demo(field):
    """Passes of the demo's autumn, one field."""
    strips = pyogrio.read_dataframe(PROJECT / "demo_gis" / "coop.gpkg", layer="strips")
    return list(strips.geometry.values[(strips["FIELD"] == field).to_numpy()][:10])


def rebuilt(log, *, use: str, rules: LogRules | None = None):
    """The passes, told only what `use` says: times, numbers, headings."""
    how = {}
    if "times" in use:
        how["time_s"] = log.time_s
    if "numbers" in use:
        how["number"] = np.where(log.truth >= 0, log.truth.astype(float), np.nan)
    if "headings" in use:
        how["heading_deg"] = log.heading_deg
    made = passes_of(PointLog(log.xy, **how), rules)
    assert len(made.pass_of) == len(made.reason) == len(log.xy)
    assert ((made.pass_of >= 0) == (made.reason == "")).all()
    assert set(made.pass_of[made.pass_of >= 0]) == set(range(len(made.lines)))
    return made


def share_near(made, log, lines, within_m=0.03):
    """Share of the rebuilt lines near the true ones, and of the true ones near the rebuilt."""
    there, back = [], []
    for k, line in enumerate(made.lines):
        mine = log.truth[made.pass_of == k]
        true = Counter(mine[mine >= 0]).most_common(1)[0][0]
        a, b = distances(line, lines[true])
        there.append(a)
        back.append(b)
    return np.mean(np.concatenate(there) < within_m), np.mean(np.concatenate(back) < within_m)


SHAPES = {
    "parallel": parallel, "wavy": wavy, "round the hill": round_the_hill, "demo": lambda: demo("QP01-quarter"),
    "demo slough": lambda: demo("QP08-slough"),
}  # fmt: skip
USES = ["times", "times, numbers, headings", "times, headings", "numbers", "nothing but the order"]


@pytest.mark.parametrize("use", USES)
@pytest.mark.parametrize("shape", SHAPES)
def test_centre_lines_come_back(shape, use):
    # 1 Hz at 2 m/s, 2 cm of noise, light-bulb turns of 7 m radius, dropouts, records twice and late.
    lines = SHAPES[shape]()
    late = 0.02 if "times" in use else 0.0  # without times nothing could put late records right
    log = disturbed(drive(lines), np.random.default_rng(1), shuffled=late)
    made = rebuilt(log, use=use)
    assert len(made.lines) == len(lines) or ("numbers" in use and len(made.lines) <= len(lines) + 1)
    for share in share_near(made, log, lines):
        assert share >= 0.95
    assert (made.pass_of[log.truth >= 0] >= 0).mean() > 0.98  # of the points that are in a pass in truth
    assert (made.pass_of[log.truth < 0] >= 0).mean() < 0.05  # of those in turns
    idle = {"has no pass number"} if "numbers" in use else {"turning"}
    assert set(made.reason) <= {"", "duplicate of the point before", *idle, "turning"}


@pytest.mark.parametrize(("speed", "rate"), [(3.0, 1.0), (2.0, 10.0), (1.5, 5.0)])
def test_other_speeds_and_rates(speed, rate):
    lines = round_the_hill()
    log = disturbed(drive(lines, speed_m_s=speed, rate_hz=rate), np.random.default_rng(2))
    made = rebuilt(log, use="times")
    assert len(made.lines) == len(lines)
    assert min(share_near(made, log, lines)) >= 0.95
    if rate > 1.0:  # points close together are not all vertices
        assert shapely.get_num_coordinates(made.lines).sum() < len(log.xy)


def test_smoothing_brings_the_lines_nearer():
    lines = [*parallel(), *[shapely.affinity.translate(line, 0, 300) for line in wavy()]]
    log = disturbed(drive(lines, turns=False), np.random.default_rng(3))
    share = {s: min(share_near(rebuilt(log, use="times, numbers", rules=LogRules(smooth_m=s)), log, lines))
             for s in (0.0, 9.0)}  # fmt: skip
    # Noise of 2 cm across: |z| < 1.5 for 87 % of vertices; a quarter less in between.
    assert share[0.0] < 0.95 < share[9.0]


def test_turns_without_points_between_passes():
    log = drive(parallel(), turns=False)
    made = rebuilt(log, use="nothing but the order")
    assert len(made.lines) == 6
    np.testing.assert_allclose(shapely.length(made.lines), 300.0, atol=2.5)  # a step less at either end


def test_without_noise_the_points_are_on_the_lines():
    lines = parallel(3)
    made = rebuilt(drive(lines, turns=False), use="times")
    assert [len(line.coords) for line in made.lines] == [2, 2, 2]  # collinear points are thinned
    assert max(max(map(np.max, distances(a, b))) for a, b in zip(made.lines, lines, strict=True)) < 2.0


@pytest.mark.parametrize("radius", [40.0, 120.0, 400.0])
def test_a_circle_stays_whole(radius):
    angle = np.linspace(0, 2 * np.pi, int(np.pi * radius))
    xy = radius * np.column_stack([np.cos(angle), np.sin(angle)])
    xy += np.random.default_rng(4).normal(0, 0.02, xy.shape)
    made = passes_of(PointLog(xy, time_s=np.arange(len(xy)) * 1.0))
    assert len(made.lines) == 1
    assert (made.pass_of == 0).mean() > 0.98
    off = np.abs(np.hypot(*shapely.get_coordinates(made.lines).T) - radius)
    assert np.quantile(off, 0.95) < 0.03


def test_a_spiral_is_cut_where_it_closes():
    # A pivot's rings, 9 m farther out in each round: 3 rounds.
    angle = np.linspace(0, 6 * np.pi, 3000)
    radius = 100 + WIDE_M * angle / (2 * np.pi)
    xy = radius[:, None] * np.column_stack([np.cos(angle), np.sin(angle)])
    made = passes_of(PointLog(xy))
    assert len(made.lines) == 3
    assert (made.pass_of >= 0).all()


SPIRALS = """
import numpy as np
from pipeline.core.log_kernels import chords, turns

rng = np.random.default_rng(1)
cases = [(12.4, 11.65, 68, 1.0)] + [
    (rng.uniform(12, 14), rng.uniform(11, 12), int(rng.integers(20, 200)), rng.choice([0.5, 1.0, 2.0])) for _ in range(200)
]
for first_m, last_m, count, step_m in cases:
    heading = np.cumsum(step_m / np.linspace(first_m, last_m, count))
    xy = step_m * np.cumsum(np.column_stack([np.cos(heading), np.sin(heading)]), axis=0)
    along, piece = step_m * np.arange(float(count)), np.zeros(count, np.int64)
    before, after, bend = chords(xy, along, piece, 5.0)
    turning, anew = turns(xy, along, piece, before, after, bend, 12.0, np.radians(60.0), 5.0)
    assert len(turning) == len(anew) == count
"""


def test_a_log_that_ends_in_a_tightening_circle_is_read_within_its_bounds(tmp_path):
    # Compiled code writes past an array's end without a word; numba's own check of every index is the referee.
    strict = os.environ | {"NUMBA_BOUNDSCHECK": "1", "NUMBA_CACHE_DIR": str(tmp_path)}
    subprocess.run([sys.executable, "-c", SPIRALS], check=True, cwd=PROJECT, env=strict)


def test_u_turns_at_half_the_width_of_the_implement():
    lines = parallel(wide_m=14.0)
    log = disturbed(drive(lines, radius_m=7.0), np.random.default_rng(5))
    made = rebuilt(log, use="times")
    assert len(made.lines) == len(lines)
    assert (made.reason[log.truth < 0] == "turning").mean() > 0.9


def test_bridged_gaps_follow_the_bend():
    # Circle of 40 m, 12 m of it missing: the chord would lie 12^2 / (8 x 40) = 0.45 m inside.
    angle = np.arange(0, 200) * 2.0 / 40.0
    angle = angle[(angle < 1.5) | (angle > 1.8)][:90]
    xy = 40 * np.column_stack([np.cos(angle), np.sin(angle)])
    made = passes_of(PointLog(xy))
    assert len(made.lines) == 1
    places = shapely.line_interpolate_point(made.lines[0], np.arange(1, made.lines[0].length - 1, 0.5))
    off = np.abs(np.hypot(*shapely.get_coordinates(places).T) - 40)
    assert off.max() < 0.10


def test_arcs_over_wide_gaps_keep_near_their_parabolas():
    # Two points 40 m apart, headings half a radian to either side of the chord. With the 5 m of the headings the way turns
    # by 1 radian in 45 m: an arc 40^2 / 45 / 8 = 4.4 m high, of which 30 chords lie 5 mm off.
    xy, half = np.array([[0.0, 0.0], [40.0, 0.0]]), 0.5 * np.ones(2)
    chord = (half, -half, np.zeros(2))
    (line,) = centre_lines(
        xy, np.array([0.0, 40.0]), np.zeros(2, np.int64), chord, smooth_m=0.0, thin_m=0.0, sharpest=1 / 12, reach_m=5.0
    )
    u = np.linspace(0.0, 1.0, 5_001)
    arc = shapely.points(40.0 * u, 4.0 * 40.0**2 / 45.0 / 8.0 * u * (1.0 - u))
    assert shapely.distance(arc, line).max() <= 0.005 < shapely.distance(arc, shapely.LineString(xy)).max()


def test_gaps_of_way_and_of_time_split():
    x = np.arange(0, 200, 2.0)
    xy = np.column_stack([x, 0 * x])
    far = (x < 100) | (x > 130)
    assert len(passes_of(PointLog(xy[far], number=np.ones(far.sum(), int))).lines) == 2
    near = (x < 100) | (x > 110)
    assert len(passes_of(PointLog(xy[near], number=np.ones(near.sum(), int))).lines) == 1
    assert len(passes_of(PointLog(xy, time_s=np.arange(100.0) + 60 * (x > 100))).lines) == 2
    assert len(passes_of(PointLog(xy, time_s=np.arange(100.0) + 20 * (x > 100))).lines) == 1


def test_dates_without_times_are_no_clock():
    lines = parallel(4)
    log = disturbed(drive(lines), np.random.default_rng(6), shuffled=0)
    day = np.where(np.arange(len(log.xy)) < len(log.xy) // 2, 0.0, 86400.0)
    record = np.arange(len(log.xy))
    mix = np.random.default_rng(7).permutation(len(log.xy))
    made = passes_of(PointLog(log.xy[mix], time_s=day[mix], record=record[mix]))
    same = passes_of(PointLog(log.xy, record=record))
    assert len(same.lines) == 4
    assert 4 <= len(made.lines) <= 5  # the night may fall within a pass
    assert (made.reason != "stands still").all()


def test_standing_is_reported_and_does_not_split():
    rng = np.random.default_rng(8)
    x = np.concatenate([np.arange(0, 100, 2.0), np.full(120, 100.0), np.arange(102, 200, 2.0)])
    xy = np.column_stack([x, 0 * x]) + rng.normal(0, 0.02, (len(x), 2))
    for how in ({"time_s": np.arange(len(x)) * 1.0}, {}, {"speed_m_s": np.where(x == 100, 0.0, 2.0)}):
        made = passes_of(PointLog(xy, **how))
        assert len(made.lines) == 1
        assert (made.reason[53:168] == "stands still").mean() > 0.95
        assert (made.reason[:48] == "").all() and (made.reason[173:] == "").all()
        assert made.lines[0].length == pytest.approx(198.0, abs=0.2)


def test_a_jump_of_the_receiver_is_reported_alone():
    x = np.arange(0, 200, 2.0)
    rng = np.random.default_rng(9)
    for aside, span in ((30.0, 1), (3.0, 1), (15.0, 3)):
        xy = np.column_stack([x, 0 * x]) + rng.normal(0, 0.02, (len(x), 2))
        xy[50 : 50 + span, 1] += aside
        made = passes_of(PointLog(xy, time_s=np.arange(len(x)) * 1.0))
        assert np.flatnonzero(made.reason == "jump").tolist() == list(range(50, 50 + span))
        assert len(made.lines) == 1


def test_settings_that_change_for_good_split_and_flicker_does_not():
    x = np.arange(0, 300, 2.0)
    xy = np.column_stack([x, 0 * x])
    count = np.where(x < 150, 12, 6)
    count[[20, 21, 60]] = 6  # a section switched for a moment
    made = passes_of(PointLog(xy, setting=count))
    assert len(made.lines) == 2
    assert (made.pass_of == (x >= 150)).all()


def test_other_conventions_of_heading_do_no_harm():
    lines = parallel(4)
    log = disturbed(drive(lines), np.random.default_rng(10))
    for heading in (np.zeros(len(log.xy)), np.radians(log.heading_deg), 90 - log.heading_deg):
        made = passes_of(PointLog(log.xy, time_s=log.time_s, heading_deg=heading))
        assert len(made.lines) == 4


def test_nothing_and_next_to_nothing():
    none = passes_of(PointLog(np.empty((0, 2))))
    assert len(none.lines) == 0
    one = passes_of(PointLog(np.array([[1.0, 2.0], [np.nan, 0.0]])))
    assert one.reason.tolist() == ["alone", "no position"]
    two = passes_of(PointLog(np.array([[0.0, 0.0], [3.0, 0.0]])))
    assert two.reason.tolist() == ["pass shorter than 10 m"] * 2


@given(st.integers(0, 2**32 - 1), st.booleans(), st.booleans())
def test_order_has_no_part_and_nothing_is_lost(seed, numbered, timed):
    rng = np.random.default_rng(seed)
    log = disturbed(drive(parallel(3, length_m=80.0)), rng, shuffled=0, twice=0)
    number = np.where(log.truth >= 0, log.truth, 99)
    clock = {"time_s": log.time_s} if timed else {"record": log.time_s}
    how = clock | ({"number": number} if numbered else {})
    made = passes_of(PointLog(log.xy, **how))
    mix = rng.permutation(len(log.xy))
    again = passes_of(PointLog(log.xy[mix], **{name: v[mix] for name, v in how.items()}))
    assert again.pass_of.tolist() == made.pass_of[mix].tolist()
    assert again.reason.tolist() == made.reason[mix].tolist()
    assert shapely.equals_exact(again.lines, made.lines).all()
    assert ((made.pass_of >= 0) == (made.reason == "")).all()


@given(st.integers(0, 2**32 - 1), st.integers(1, 60))
def test_any_points_at_all(seed, count):
    rng = np.random.default_rng(seed)
    xy = np.round(rng.uniform(0, rng.choice([1, 30, 1000]), (count, 2)), 1)
    number = rng.choice(np.array([None, "a", "b", "", 3], object), count)
    made = passes_of(PointLog(xy, number=number, time_s=rng.choice([0.0, 5.0, np.nan], count)))
    assert ((made.pass_of >= 0) == (made.reason == "")).all()
    assert sorted(set(made.pass_of) - {-1}) == list(range(len(made.lines)))
    assert all(line.length > 0 for line in made.lines)


@given(st.floats(-np.pi, np.pi), st.floats(-1e5, 1e5))
def test_turning_and_moving_the_field_changes_nothing(angle, shift):
    log = disturbed(drive(parallel(3, length_m=80.0)), np.random.default_rng(11))
    turn = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
    made = passes_of(PointLog(log.xy, time_s=log.time_s))
    moved = passes_of(PointLog(log.xy @ turn + shift, time_s=log.time_s))
    assert moved.pass_of.tolist() == made.pass_of.tolist()
