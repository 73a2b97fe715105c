"""Which strip is a row's own: by pass number, and rows past the ends of strips, on both routes."""

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from helpers import SPACING_M
from small_fields import laid
from tracks import rings
from workflow import (
    CRS,
    LENGTH_M,
    ORIGIN,
    ROWS,
    boundaries,
    config,
    first_field,
    layer_of,
    pass_lines,
    passes_of,
    run_steps,
    write_coop,
)

from pipeline import columns as c
from pipeline.core.turned import turned
from pipeline.files.store import read_json

LINE = shapely.LineString
SHORT_M = 10.0
RADII_M = 50.0 - 6 * SPACING_M * (np.arange(5) + 0.5)


def circle(radius_m: float, first_deg: float = 0.0, last_deg: float = 360.0) -> shapely.LineString:
    """An arc about the origin, anticlockwise; of 360 degrees it is closed."""
    angle = np.radians(np.linspace(first_deg, last_deg, round((last_deg - first_deg) / 2.0) + 1))
    xy = radius_m * np.column_stack([np.cos(angle), np.sin(angle)])
    if last_deg - first_deg == 360.0:
        xy[-1] = xy[0]
    return LINE(xy)


def against(strips: list, rows: list, *, width_m: float = 6 * SPACING_M) -> list[list[bool]]:
    """By planter pass, whether it runs against each strip pass."""
    bars, planters = turned(np.array(strips, object), np.array(rows, object), width_m=width_m, reach_m=4 * SPACING_M)
    return (planters[:, None] != bars[None, :]).tolist()


# --- which passes run against one another ---


@pytest.mark.parametrize("other_way", [False, True])
@pytest.mark.parametrize(
    ("strip", "row"),
    [(LINE([(0, 0), (100, 0)]), LINE([(-20, 0.1), (130, 0.1)])),
     (LINE([(40, 0), (46, 0)]), LINE([(0, 1.5), (800, 1.5)])),  # a short strip beside a long row
     (circle(40), circle(40)), (circle(40), circle(40, 180, 540)), (circle(3), circle(3.1, 90, 450)),
     (circle(40, 4, 356), circle(40, 184, 536)),  # open rings with their gaps at either side
     (circle(40, 0, 90), circle(40, 91, 449)), (circle(6, 0, 60), circle(6)),
     (LINE([(0, 0), (100, 0), (100, 9), (0, 9)]), LINE([(10, 9), (0, 9)]).reverse())],
)  # fmt: skip
def test_passes_are_compared_where_they_lie_beside_one_another(strip, row, other_way):
    # All but the last run the same way: to the east, or round to the left. The last lies to the east beside a lane to the
    # west, so it runs against it.
    backward = row.coords[0] == (0.0, 9.0)
    assert against([strip], [row.reverse() if other_way else row]) == [[backward != other_way]]


def test_every_pass_of_a_number_is_turned_by_those_beside_it():
    # Two arcs driven there and back, planted as one ring to the left: it runs with the first, against the second.
    arcs = [circle(40, 4, 180), circle(40, 180, 356).reverse()]
    assert against(arcs, [circle(40, 90, 450)]) == [[False, True]]
    assert against(arcs[::-1], [circle(40, 90, 450)]) == [[True, False]]
    # The other way about: one ring of strip, planted in two arcs.
    assert against([circle(40, 90, 450)], arcs) == [[False], [True]]
    # One number used at both ends of a field: each planter pass is turned by the strip beside it.
    strips = [LINE([(0, 0), (100, 0)]), LINE([(100, 90), (0, 90)])]
    found = against(strips, [LINE([(100, 0), (0, 0)]), LINE([(0, 90), (100, 90)])])
    assert found[0][0] and found[1][1]


@pytest.mark.parametrize(("first_m", "last_m", "runs_against"), [(10, 80, False), (60, 15, True)])
def test_where_one_end_runs_along_and_the_other_against_the_longer_tells(first_m, last_m, runs_against):
    #   +---------------------+     The row begins beside the strip, to the west, goes round to the strip's other end and
    #   |                     |     ends to the east.
    #   +--last-->   <--first-+
    #   ======================>  strip
    row = LINE([(100, 1), (100 - first_m, 1), (100 - first_m, 40), (0, 40), (0, 1), (last_m, 1)])
    strip = LINE([(0, 0), (100, 0)])
    assert against([strip], [row]) == [[runs_against]]
    assert against([strip.reverse()], [row]) == against([strip], [row.reverse()]) == [[not runs_against]]


# --- rings through the steps ---


def closed(tracks: list) -> list:
    """Whole rings of those radii, anticlockwise: left is inward."""
    angle = np.linspace(0.0, 2 * np.pi, 181)
    outward = np.column_stack([np.cos(angle), np.sin(angle)])
    outward[-1] = outward[0]
    return [(np.hypot(*xy.T).mean() * outward, -outward) for xy, _ in tracks]


def begun_at(tracks: list, vertex: int) -> list:
    """Closed rings left open by four degrees, begun at another vertex."""
    return [(np.roll(xy[:-1], -vertex, axis=0)[:-1], np.roll(n[:-1], -vertex, axis=0)[:-1]) for xy, n in tracks]


def back(tracks: list) -> list:
    """The same tracks driven the other way."""
    return [(xy[::-1], -normal[::-1]) for xy, normal in tracks]


def in_arcs(tracks: list) -> list:
    """Each ring in two arcs, the second driven back."""
    return [arc for xy, n in tracks for arc in ((xy[:91], n[:91]), (xy[90:][::-1], -n[90:][::-1]))]


WHOLE = closed(rings(RADII_M))
RINGS = {
    "closed, the other way": (WHOLE, back(WHOLE)),
    "open, begun elsewhere": (begun_at(WHOLE, 0), begun_at(WHOLE, 90)),
    "open, begun elsewhere, the other way": (begun_at(WHOLE, 0), back(begun_at(WHOLE, 60))),
    "two arcs planted as one": (in_arcs(WHOLE), WHOLE),
    "one planted in two arcs": (WHOLE, in_arcs(WHOLE)),
}  # fmt: skip


@pytest.mark.parametrize("shape", RINGS)
def test_rows_on_the_strips_of_rings_are_on_their_own(tmp_path, shape):
    # The rows lie on the strips they are of, whose number they have: by number as by place, all hold but what lies in the
    # gap of a ring.
    strips, rows = RINGS[shape]
    bar, planter = (laid(tracks, rows=6, every_s=900.0) for tracks in (strips, rows))
    disc = shapely.Point(0, 0).buffer(50.0, quad_segs=60)
    layers = {}
    for name, side in (("strips", bar), ("rows", planter)):
        per_ring = len(side.tracks) // len(RADII_M)
        layers[name] = side.layer()[["geometry"]].assign(PASS=[f"R{k // per_ring}" for k in range(len(side.tracks))])
    boundary = layer_of([shapely.transform(disc, lambda xy: xy + ORIGIN)], FIELD=["F0"], FARM=["Invented"])
    write_coop(tmp_path, fields=boundary, **layers)
    found = {}
    for own in ("nearest", "pass_id"):
        settings = config(tmp_path) | {"judging": {"own_strip": own}}
        settings["tiers"]["compare"] = ["rtk_base"]
        for layer in ("strips", "rows"):
            settings["inputs"][layer]["constants"]["row_count"] = 6
        found[own] = first_field(run_steps(settings, tmp_path / own))
    length = found["nearest"][c.ROW_LENGTH_M]
    gaps = 6 * 2 * np.pi * RADII_M.sum() * 4 / 360 if shape.startswith("open") else 0.0
    for one in found.values():
        assert one[c.HOLDS_M] == pytest.approx(length - gaps, rel=2e-3)
        assert one[c.MISSES_M] < 2e-3 * length


# --- rows that go on past the ends of strips ---


def logged(every_m: float) -> gpd.GeoDataFrame:
    """The strips as points of a log, `every_m` apart with 2 cm of noise, each pass `SHORT_M` shorter at both ends."""
    points, passed, rng = [], [], np.random.default_rng(4)
    for number, line in enumerate(pass_lines(0)):
        along = np.arange(SHORT_M, LENGTH_M - SHORT_M + 1e-6, every_m)
        points += list(shapely.line_interpolate_point(line, along))
        passed += [(f"P{number}", 300 * number + k) for k in range(len(along))]
    name, second = zip(*passed, strict=True)
    times = pd.Timestamp("2025-10-20T08:00Z") + pd.to_timedelta(second, unit="s")
    noisy = shapely.transform(points, lambda xy: xy + rng.normal(0.0, 0.02, xy.shape))
    return gpd.GeoDataFrame({"PASS": name, "T0": times}, geometry=noisy, crs=CRS)


def drawn(every_m: float) -> gpd.GeoDataFrame:
    """The same strips as lines with a vertex every `every_m`."""
    along = np.linspace(SHORT_M, LENGTH_M - SHORT_M, round((LENGTH_M - 2 * SHORT_M) / every_m) + 1)
    lines = [LINE(shapely.get_coordinates(shapely.line_interpolate_point(line, along))) for line in pass_lines(0)]
    return passes_of(1).set_geometry(np.array(lines, object), crs=CRS)


@pytest.mark.parametrize(
    ("strips", "own"), [(logged, "pass_id"), (drawn, "pass_id"), (logged, "led"), (drawn, "led"), (drawn, "nearest")]
)
def test_rows_past_the_ends_of_strips_have_none_on_either_route(tmp_path, strips, own):
    # Every row is SHORT_M longer than its strip at both ends: that much has none, and the two routes agree on it.
    # One led by the strip is as long as that, and moved by the difference of two frames: what that is along it has none.
    layer = strips(0.1 if own == "nearest" else 2.0)
    write_coop(tmp_path, fields=boundaries(1), strips=layer, rows=None if own == "led" else passes_of(1))
    settings = config(tmp_path, planter=own != "led")
    settings["tiers"]["compare"] = ["rtk_base"]
    inputs = settings["inputs"]
    if "T0" in layer:
        inputs["strips"]["columns"]["started_at"] = "T0"
    if own == "led":
        inputs["strips"]["constants"] |= {"frame": "NAD83(2011)", "epoch": 2010.0}
        inputs["rows"] = {"constants": {"row_count": ROWS, "row_spacing": "30 in", "frame": "ITRF2020", "epoch": 2026.3}}
    else:
        settings["judging"] = {"own_strip": own}
    one = first_field(run_steps(settings, tmp_path))
    said = [read_json(path) for path in (tmp_path / "work/passes").glob("*/*/field.json")]
    bare = abs(said[0]["frame_east_m"]) if own == "led" else 2 * SHORT_M
    assert one[c.NO_STRIP_M] == pytest.approx(4 * ROWS * bare, abs=4 * ROWS * 0.05)
    assert one[c.RASTER_GAP_SHARE] <= one[c.RASTER_TOLERANCE_SHARE]
