"""Signed offsets, classes and lengths: answers by arithmetic, and shapely as the outside referee."""

import numpy as np
import pytest
import shapely
from helpers import INCH, SPACING_M, Field, Z, straight, tier, wave
from workflow import boundaries, config, layer_of, pass_lines, passes_of, run_steps, write_coop

from pipeline.core.lengths import class_pieces
from pipeline.core.offsets import CROSSING, NO_STRIP, ON_STRIP, CrowdedError, measure_offsets
from pipeline.core.pairs import Pairs
from pipeline.core.segments import Segments
from pipeline.errors import InputError

LINE = shapely.LineString


def offsets(rows, strips, reach_m=0.381, **keys):
    return measure_offsets(
        Segments.from_lines(np.array(rows, object)),
        Segments.from_lines(np.array(strips, object)),
        reach_m=np.full(len(rows), reach_m),
        **keys,
    )


def test_left_of_travel_is_positive_and_the_normal_points_left():
    # Strip travels east, row 0.1 m north of it (left); then the strip travels west and the row is to its
    # right.
    #   ------- row, y = 0.1
    #   ======> strip, y = 0
    row = LINE([(0, 0.1), (100, 0.1)])
    east, west = LINE([(0, 0), (100, 0)]), LINE([(100, 0), (0, 0)])
    for strip, sign in ((east, 1.0), (west, -1.0)):
        found = offsets([row], [strip])
        np.testing.assert_allclose(found.offset0_m, sign * 0.1, atol=1e-12)
        np.testing.assert_allclose(found.offset1_m, sign * 0.1, atol=1e-12)
        np.testing.assert_allclose(found.normal_y, sign, atol=1e-12)
        assert set(found.heading) == {int(sign)}


def test_a_long_segment_of_two_points_is_exact():
    # 1,600 m, two points each; offset runs from -0.2 to +0.3 m. At every place: o = -0.2 + 0.5 s / 1600.
    found = offsets([LINE([(0, -0.2), (1600, 0.3)])], [LINE([(0, 0), (1600, 0)])])
    scale = np.hypot(1600, 0.5) / 1600
    np.testing.assert_allclose(found.offset0_m, -0.2 + 0.5 * found.start_m / scale / 1600, atol=1e-9)
    np.testing.assert_allclose(found.offset1_m, -0.2 + 0.5 * found.end_m / scale / 1600, atol=1e-9)
    assert found.length_m.sum() == pytest.approx(1600 * scale, rel=1e-12)


def test_a_long_oblique_segment_is_exact_far_from_the_origin():
    # Turned by 37 degrees and laid 2 km off: the same offsets to a nanometre or so (1e6 times float's
    # rounding).
    turn = np.radians(37.0)
    spin = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    lay = lambda points: LINE(np.array(points) @ spin + [2000.0, -1500.0])  # noqa: E731
    found = offsets([lay([(0, -0.2), (1600, 0.3)])], [lay([(0, 0), (1600, 0)])])
    scale = np.hypot(1600, 0.5) / 1600
    np.testing.assert_allclose(found.offset1_m, -0.2 + 0.5 * found.end_m / scale / 1600, atol=2e-9)


def test_no_strip_beyond_half_a_row_spacing():
    # Row leaves its only strip: offset 0 at the start, 0.762 m after 100 m; half a spacing is reached at 50
    # m.
    #        __.--'    no strip
    #   ==.--========
    (found,) = [offsets([LINE([(0, 0), (100, 0.762)])], [LINE([(0, 0), (100, 0)])])]
    half = np.hypot(100, 0.762) / 2
    by_kind = np.bincount(found.kind, found.length_m, 3)
    np.testing.assert_allclose(by_kind, [half, 0.0, half], atol=1e-9)


def test_a_strip_ends_square():
    # Strip from 20 to 70 m, row from 0 to 100 m: 50 m on it, 50 m without one; no half circle at the ends.
    #   -----------------  row
    #      =========       strip
    found = offsets([LINE([(0, 0.05), (100, 0.05)])], [LINE([(20, 0), (70, 0)])])
    by_kind = np.bincount(found.kind, found.length_m, 3)
    np.testing.assert_allclose(by_kind, [50.0, 0.0, 50.0], atol=1e-9)


@pytest.mark.parametrize(("angle_deg", "kind"), [(19.0, ON_STRIP), (21.0, CROSSING), (90.0, CROSSING)])
def test_crossing_begins_at_twenty_degrees(angle_deg, kind):
    # Row through the middle of a long strip; within 0.381 m of it for 2 x 0.381 / sin(angle).
    turn = np.radians(angle_deg)
    row = LINE([(-20 * np.cos(turn), -20 * np.sin(turn)), (20 * np.cos(turn), 20 * np.sin(turn))])
    found = offsets([row], [LINE([(-60, 0), (60, 0)])])
    by_kind = np.bincount(found.kind, found.length_m, 3)
    assert by_kind[kind] == pytest.approx(2 * 0.381 / np.sin(turn), abs=1e-8)
    assert by_kind.sum() == pytest.approx(40.0, abs=1e-9)
    assert by_kind[NO_STRIP] == pytest.approx(40.0 - by_kind[kind], abs=1e-9)


def test_headland_rows_cross_and_interior_rows_keep_their_strip():
    # Ten strips run east from x = 0; two headland strips run north at x = 0.3 and 1.062. A row along an
    # interior strip runs over both: its own strip goes on there, so all of it is on its strip.
    #   |  |
    #  =|==|======   A planted headland row at x = 40 crosses ten strips, 2 x 0.381 m each: 7.62 m in all.
    #  =|==|======
    interior = [LINE([(0, k * SPACING_M), (50, k * SPACING_M)]) for k in range(10)]
    headland = [LINE([(x, -2), (x, 10)]) for x in (0.3, 0.3 + SPACING_M)]
    along = LINE([(0, 3 * SPACING_M + 0.05), (50, 3 * SPACING_M + 0.05)])
    across = LINE([(40, -2), (40, 10)])
    found = offsets([along, across], [*interior, *headland])
    first = found.take(found.row == 0)
    assert np.bincount(first.kind, first.length_m, 3) == pytest.approx([50.0, 0.0, 0.0], abs=1e-9)
    assert set(first.strip) == {3}
    second = found.take(found.row == 1)
    assert np.bincount(second.kind, second.length_m, 3) == pytest.approx([0.0, 7.62, 12 - 7.62], abs=1e-8)


def test_the_nearest_strip_is_the_own_one():
    # Row half way between two strips on the slant: nearer to the lower one for its first half.
    strips = [LINE([(0, 0), (100, 0)]), LINE([(0, SPACING_M), (100, SPACING_M)])]
    found = offsets([LINE([(0, 0.281), (100, 0.481)])], strips)
    half = np.hypot(100, 0.2) / 2
    for strip in (0, 1):
        assert found.length_m[found.strip == strip].sum() == pytest.approx(half, abs=1e-8)


def test_a_finely_drawn_strip_is_one_strip():
    # Vertices 2 cm apart: 300 segments beside one planted segment of 6 m, but one or two beside any place of it.
    strip = LINE(np.column_stack([np.arange(0.0, 30.001, 0.02), np.zeros(1501)]))
    found = offsets([LINE([(0, 0.1), (30, 0.1)])], [strip])
    np.testing.assert_allclose([found.offset0_m, found.offset1_m], 0.1, atol=1e-12)
    assert set(found.kind) == {ON_STRIP} and found.length_m.sum() == pytest.approx(30.0, rel=1e-12)


def test_strips_on_one_another_are_refused_at_one_place_only():
    # 300 strips side by side in 30 cm lie beside every place of the first row; cut into two halves end to end, 150 do.
    row = LINE([(0, 0), (6, 0)])
    heights = np.linspace(-0.15, 0.15, 300)
    with pytest.raises(CrowdedError, match="more than 256 pieces of strip .* take away passes") as found:
        offsets([LINE([(0, 90), (6, 90)]), row], [LINE([(-1, y), (7, y)]) for y in heights])
    assert found.value.line == 1
    halves = [LINE([(-1, y), (3, y)] if k % 2 else [(3, y), (7, y)]) for k, y in enumerate(heights)]
    found = offsets([row], halves)
    # Even ones lie beside the second half, odd ones beside the first; the nearest is half a step off.
    np.testing.assert_allclose(np.abs(found.offset0_m), 0.3 / 299 / 2, atol=1e-12)


def test_a_run_names_the_pass_and_the_row_on_which_strips_lie_on_one_another(tmp_path):
    # 300 strips of one row along row unit 3 of the second of four passes, which travels west: 2.5 spacings to the south.
    second, aside = pass_lines(0)[1], np.linspace(-0.15, 0.15, 300) - 2.5 * SPACING_M
    strips = [shapely.transform(second, lambda xy, y=y: xy + [0.0, y]) for y in aside]
    strips = layer_of(strips, PASS=[f"S{k}" for k in range(300)])
    write_coop(tmp_path, fields=boundaries(1), strips=strips, rows=passes_of(1))
    settings = config(tmp_path)
    settings["inputs"]["strips"]["constants"]["row_count"] = 1
    with pytest.raises(InputError, match="field 'F0': planter pass 'P1', row unit 3: more than 256 pieces of strip"):
        run_steps(settings, tmp_path)


def test_where_many_strips_cross_the_nearest_is_found_all_along():
    # Sixty strips within a few degrees of the row cross one another in some thousand places: numpy's least distance.
    rng = np.random.default_rng(4)
    left, right = rng.uniform(-0.35, 0.35, (2, 60))
    strips = [LINE([(-3, 1.5 * a - 0.5 * b), (9, 1.5 * b - 0.5 * a)]) for a, b in zip(left, right, strict=True)]
    strips = [shapely.segmentize(strip, 0.4) for strip in strips]
    found = offsets([LINE([(0, 0), (6, 0)])], strips)
    at = np.linspace(0.0, 6.0, 20_001)[1:-1]
    slope = (right - left) / 6.0
    least = np.abs((left[:, None] + slope[:, None] * at) / np.hypot(1.0, slope)[:, None]).min(axis=0)
    of = np.searchsorted(found.end_m, at)
    share = (at - found.start_m[of]) / found.length_m[of]
    got = np.abs(found.offset0_m[of] + share * (found.offset1_m - found.offset0_m)[of])
    np.testing.assert_allclose(got, least, atol=1e-9)


def test_identity_by_key_keeps_the_offset_of_a_whole_spacing():
    # Planted a whole row spacing to the left: by nearest strip it looks perfect, by pass number it is 0.762
    # m off.
    strips = [LINE([(0, k * SPACING_M), (80, k * SPACING_M)]) for k in range(3)]
    row = LINE([(0, SPACING_M), (80, SPACING_M)])
    nearest = offsets([row], strips)
    np.testing.assert_allclose(nearest.offset0_m, 0.0, atol=1e-12)
    keyed = offsets([row], strips, reach_m=3.0, row_key=np.array([10]), strip_key=np.array([10, 11, 12]))
    np.testing.assert_allclose(keyed.offset0_m, SPACING_M, atol=1e-12)
    assert set(keyed.strip) == {0}


def test_no_strips_at_all():
    found = offsets([LINE([(0, 0), (100, 0)])], [])
    assert np.bincount(found.kind, found.length_m, 3) == pytest.approx([0.0, 0.0, 100.0])


def test_repeated_points_change_nothing():
    found = offsets(
        [LINE([(0, 0.1), (0, 0.1), (30, 0.1), (30, 0.1), (100, 0.1)])], [LINE([(0, 0), (0, 0), (100, 0)])]
    )
    assert found.length_m.sum() == pytest.approx(100.0, rel=1e-12)
    np.testing.assert_allclose(found.offset1_m, 0.1, atol=1e-12)


def wavy_field(seed: int = 5) -> Field:
    """Twelve wavy strips half a metre to three metres high; rows with their own slow sideways wander."""
    rng = np.random.default_rng(seed)
    x = np.linspace(-5.0, 245.0, 501)
    base = np.column_stack([x, wave(x)])
    along = np.gradient(base, axis=0)
    normal = np.column_stack([-along[:, 1], along[:, 0]]) / np.hypot(*along.T)[:, None]
    strips, rows = [], []
    for k in range(12):
        strips.append(LINE(base + k * SPACING_M * normal))
        wander = 0.12 * np.sin(x / rng.uniform(15, 40) + rng.uniform(0, 6)) + rng.normal(0, 0.03)
        rows.append(LINE((base + (k * SPACING_M + wander)[:, None] * normal)[12:-20]))
    return Field.of(rows, strips)


@pytest.mark.parametrize("repeatable_m", [0.01, 1 * INCH, 2 * INCH, 3 * INCH, 0.11, 8 * INCH])
def test_class_lengths_against_buffers(repeatable_m):
    # Referee: shapely's buffer (64 segments a quarter circle, square-cut ends) and intersection, row by row
    # with its own strip: no row comes within half a spacing of another one.
    field, half_width = wavy_field(), 4 * INCH
    (found,) = field.judge(tier(repeatable_m=repeatable_m), half_width_m=half_width)

    def within(distance_m):
        """Row length nearer to its strip than this."""
        if distance_m <= 0:
            return 0.0
        bands = shapely.buffer(field.strips, distance_m, cap_style="flat", quad_segs=64)
        return shapely.length(shapely.intersection(bands, field.rows)).sum()

    near = 0.5 * SPACING_M
    hold, reach = within(half_width - repeatable_m), within(min(half_width + repeatable_m, near))
    classes = {"holds": hold, "doubt": reach - hold, "misses": within(near) - reach}
    got = {"holds": found.holds_m.sum(), "doubt": found.doubt_m.sum(), "misses": found.misses_m.sum()}
    # 0.1 % of the class, or a centimetre a row where a class is next to nothing.
    for name, length in classes.items():
        assert got[name] == pytest.approx(length, rel=1e-3, abs=0.12), name
    total = shapely.length(field.rows).sum()
    assert sum(got.values()) + sum(field.apart()) == pytest.approx(total, rel=1e-10)


def test_pieces_are_cut_where_the_class_changes():
    # Offset -0.3 to 0.3 over 100 m, h = 0.1016, R = 0.0508: holds to 0.0508, misses beyond 0.1524.
    #   misses | doubt | holds | doubt | misses   cut at 50 (1 -+ limit / 0.3) of the length
    field = straight(1, slope_m=0.3)
    spans = field.spans()
    pairs = Pairs.of(field.places(spans, 0.1016), {"one": field.error(tier(repeatable_m=0.0508))})
    row, start, end, _, classes = class_pieces(
        spans.offset0_m, spans.offset1_m, spans.start_m, spans.end_m, spans.row, pairs.of_place, spans.kind,
        pairs.hold_m, pairs.reach_m,
    )  # fmt: skip
    scale = np.hypot(1, 0.006)
    limits = np.array([0.1524, 0.0508]) + 1e-6  # what lies on a limit but for a micrometre is on its near side
    cuts = np.concatenate([50 * (1 - limits / 0.3), 50 * (1 + limits[::-1] / 0.3)]) * scale
    assert list(classes[:, 0]) == [2, 1, 0, 1, 2]
    np.testing.assert_allclose(start[1:], cuts, atol=1e-7)
    np.testing.assert_allclose(end[:-1], cuts, atol=1e-7)
    assert set(row) == {0}


def test_the_bound_of_the_classes_is_the_95_percent_one():
    # R_i = z sd_i with sd = sigma_R: the hold limit is h - R, the reach limit h + R, each with a micrometre for rounding.
    field = straight(2)
    spans = field.spans()
    pairs = Pairs.of(field.places(spans, 0.1), {"one": field.error(tier(repeatable_m=0.04))})
    np.testing.assert_allclose([pairs.hold_m[0, 0], pairs.reach_m[0, 0]], [0.060001, 0.140001], atol=1e-9)
    assert pairs.even_m[0, 0] == pytest.approx(0.1, abs=1e-3)
    assert pytest.approx(1.959964, abs=1e-6) == Z
