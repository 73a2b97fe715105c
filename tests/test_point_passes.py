"""A layer of points as strips or rows: through the intake, with nothing lost."""

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest
import shapely
import shapely.ops
from logged import disturbed, drive
from workflow import CRS, PROJECT, config, pass_lines, passes_of, run_steps, take_in, write_coop

from pipeline import columns as c
from pipeline.core.point_log import LogRules
from pipeline.errors import InputError
from pipeline.files.layer_models import LogModel
from pipeline.files.point_passes import rules_of
from pipeline.files.store import read_geo, read_json

DATA = PROJECT.parent / "shared" / "realdata" / "two_seasons.gpkg"
STARTED = pd.Timestamp("2025-10-06 13:00", tz="UTC")


def points_of(fields: int = 2, *, seed: int = 1, **columns) -> gpd.GeoDataFrame:
    """The passes of the invented fields, logged by points; a jump to the next field is in it."""
    lines = [line for n in range(fields) for line in pass_lines(n)]
    log = disturbed(drive(lines), np.random.default_rng(seed), twice=0.0)
    time = STARTED + pd.to_timedelta(log.time_s, unit="s")
    frame = {"PASS": np.where(log.truth >= 0, log.truth + 1.0, np.nan), "T": time, "HEAD": log.heading_deg}
    return gpd.GeoDataFrame(frame | columns, geometry=shapely.points(log.xy), crs=CRS)


def settings_of(folder, **log) -> dict:
    settings = config(folder, planter=False)
    settings["inputs"]["strips"]["columns"] |= {"started_at": "T", "heading": "HEAD"}
    if log:
        settings["inputs"]["strips"]["log"] = log
    return settings


def kept_strips(work) -> gpd.GeoDataFrame:
    parts = [read_geo(path) for path in sorted((work / "intake").glob("*/strips.parquet"))]
    return pd.concat(parts, ignore_index=True)


def balanced(work, read: int) -> dict:
    """Account of the strips, with every point kept or among the rejects."""
    said = read_json(work / "intake.json")["layers"]["strips"]
    rejects = read_geo(work / "rejects.parquet")
    assert said["read"] == read == said["kept"] + said["rejected"]
    assert (rejects[c.LAYER] == said["layer"]).sum() == said["rejected"]
    assert rejects[c.FEATURE].is_unique
    assert rejects[c.REASON].str.len().min() > 3
    return said


def apart(lines, others) -> np.ndarray:
    """Distance of every metre of lines from the nearest of others [m]."""
    dense = shapely.get_coordinates(shapely.segmentize(np.array(list(lines), object), 1.0))
    return shapely.distance(shapely.points(dense), shapely.union_all(list(others)))


def test_points_become_passes(tmp_path):
    points = points_of()
    write_coop(tmp_path, strips=points)
    work = take_in(settings_of(tmp_path), tmp_path)
    said = balanced(work, len(points))
    strips = kept_strips(work)
    assert said["passes"] == len(strips) == 8
    assert sorted(strips[c.PASS_ID]) == [str(k) for k in range(1, 9)]
    assert strips[c.ROW_COUNT].tolist() == [12] * 8
    # 120 m at 2 m/s, a step or two less.
    assert ((strips[c.ENDED_S] - strips[c.STARTED_S]).between(52, 62)).all()
    assert strips[c.STARTED_S].min() == pytest.approx(STARTED.timestamp(), abs=5)
    # Metre by metre both ways: the thinned vertices are few, and lie where the noise was largest.
    truth = [line for n in range(2) for line in pass_lines(n)]
    assert np.mean(apart(strips.geometry, truth) < 0.03) > 0.95
    inside = [shapely.ops.substring(line, 2.0, line.length - 2.0) for line in truth]  # a step may be missing at the ends
    assert np.mean(apart(inside, strips.geometry) < 0.03) > 0.95


def test_in_degrees_it_is_the_same(tmp_path):
    points = points_of()
    found = []
    for name, crs in (("a", CRS), ("b", "EPSG:4326")):
        (tmp_path / name).mkdir()
        write_coop(tmp_path / name, strips=points.to_crs(crs))
        found.append(kept_strips(take_in(settings_of(tmp_path / name), tmp_path / name)).to_crs(CRS))
    apart = [a.hausdorff_distance(b) for a, b in zip(found[0].geometry, found[1].geometry, strict=True)]
    assert max(apart) < 0.01


def test_points_of_a_pass_in_no_field_are_rejects_one_by_one(tmp_path):
    points = points_of()
    write_coop(tmp_path, strips=points, fields=None)
    far = points.assign(geometry=points.geometry.translate(0, 5000.0), PASS=points["PASS"] + 100)
    both = pd.concat([points, far], ignore_index=True)
    write_coop(tmp_path, strips=both)
    work = take_in(settings_of(tmp_path), tmp_path)
    balanced(work, len(both))
    reasons = read_geo(work / "rejects.parquet")[c.REASON].value_counts()
    assert reasons["lies in no field"] >= 0.9 * np.isfinite(points["PASS"]).sum()


def test_a_tier_that_changes_splits_and_is_carried(tmp_path):
    points = points_of()
    east = points.geometry.x - 600_000.0
    points["TIER"] = np.where((points["PASS"] == 1) & (east > 60), "sbas", "rtk_base")
    write_coop(tmp_path, strips=points)
    settings = settings_of(tmp_path)
    settings["inputs"]["strips"]["columns"]["tier"] = "TIER"
    work = take_in(settings, tmp_path)
    strips = kept_strips(work)
    first = strips[strips[c.PASS_ID] == "1"].sort_values(c.STARTED_S)
    assert first[c.TIER].tolist() == ["rtk_base", "sbas"]
    assert len(strips) == 9
    balanced(work, len(points))


def test_partial_swaths_keep_their_row_count(tmp_path):
    points = points_of(ROWS=12)
    points.loc[(points["PASS"] == 2) & (points.geometry.x > 600_060.0), "ROWS"] = 6
    points.loc[points.index[20:22], "ROWS"] = 6
    write_coop(tmp_path, strips=points)
    settings = settings_of(tmp_path)
    settings["inputs"]["strips"]["columns"]["row_count"] = "ROWS"
    strips = kept_strips(take_in(settings, tmp_path))
    assert strips[c.ROW_COUNT].value_counts().to_dict() == {12: 8, 6: 1}


def test_dates_without_times_give_no_clock(tmp_path):
    points = points_of().assign(T=STARTED.normalize())
    write_coop(tmp_path, strips=points)
    strips = kept_strips(take_in(settings_of(tmp_path), tmp_path))
    assert strips[c.STARTED_S].isna().all()


def test_points_in_both_layers_to_the_tables(tmp_path):
    write_coop(tmp_path, strips=points_of(), rows=points_of(seed=2))
    settings = config(tmp_path)
    for role in ("strips", "rows"):
        settings["inputs"][role]["columns"] |= {"started_at": "T"}
    settings["inputs"]["rows"]["kind"] = "planted"
    fields = run_steps(settings, tmp_path)["fields"]
    assert len(fields) == 4
    # As lines: 3.5 passes of 12 rows lie in each field of 120 m by 50 m, 120 m long.
    (tmp_path / "lines").mkdir()
    write_coop(tmp_path / "lines", rows=passes_of())
    lines = run_steps(config(tmp_path / "lines"), tmp_path / "lines")["fields"]
    np.testing.assert_allclose(fields[c.ROW_LENGTH_M], lines[c.ROW_LENGTH_M], rtol=0.03)


def test_no_pass_is_an_error_that_says_why(tmp_path):
    points = points_of().iloc[::40]
    write_coop(tmp_path, strips=points)
    with pytest.raises(InputError, match="no pass can be made of its .* points; most of them: 'alone'"):
        take_in(settings_of(tmp_path), tmp_path)


def test_rules_of_the_configuration():
    assert rules_of(LogModel(), pd.DataFrame()) == LogRules()
    wide = pd.DataFrame({"row_count": [48] * 3, "row_spacing": ["30 in"] * 3})
    assert rules_of(LogModel(), wide).turn_radius_m == pytest.approx(0.6 * 48 * 0.762)
    said = LogModel.model_validate({"gap": "30 ft", "pause": "2 min", "turn_radius": "15 m", "turn_angle": "45 deg"})
    rules = rules_of(said, wide)
    assert (rules.gap_m, rules.pause_s, rules.turn_radius_m) == pytest.approx((9.144, 120.0, 15.0))
    with pytest.raises(ValueError, match="expected 1 to 200 m"):
        LogModel.model_validate({"gap": "300 m"})
    with pytest.raises(ValueError, match="did you mean 'shortest'"):
        LogModel.model_validate({"shortst": "3 m"})


@pytest.fixture(scope="module", params=["log_2014", "log_2018"])
def season(request, tmp_path_factory):
    """A season of the real log through `intake`, under one large field; raw points and passes."""
    if not DATA.exists():
        pytest.skip("two_seasons.gpkg is not here; it is others' data, not shipped")
    folder = tmp_path_factory.mktemp(request.param)
    points = pyogrio.read_dataframe(DATA, layer=request.param)
    plane = points.to_crs(points.estimate_utm_crs())
    box = gpd.GeoDataFrame({"FIELD": ["all"]}, geometry=[plane.union_all().envelope.buffer(50)], crs=plane.crs)
    box.to_file(folder / "field.gpkg", layer="fields", driver="GPKG", engine="pyogrio")
    strips = {
        "file": str(DATA), "layer": request.param,
        "columns": {"pass_id": "pass", "record": "record", "started_at": "date", "heading": "direction",
                    "speed": "speed"},
        "constants": {"row_count": 8, "row_spacing": "30 in", "strip_width": "8 in"},
    }  # fmt: skip
    fields = {"file": str(folder / "field.gpkg"), "columns": {"field_id": "FIELD"}}
    work = take_in({"title": "Season", "inputs": {"fields": fields, "strips": strips}}, folder)
    return points, kept_strips(work).to_crs(plane.crs), balanced(work, len(points))


@pytest.mark.realdata
class TestRealLog:
    def test_nearly_all_points_are_in_passes(self, season):
        points, passes, said = season
        assert said["kept"] >= 0.95 * len(points)
        # About one a number: some numbers hold two, some only a few points.
        assert 0.8 <= len(passes) / points["pass"].nunique() <= 1.2

    def test_every_pass_is_plausible(self, season):
        _, passes, _ = season
        for line in passes.geometry:
            xy = shapely.get_coordinates(line)
            assert len(xy) >= 2 and line.length >= 10.0
            # Headings 5 m before and behind each metre: 60 degrees within them is a corner or a turn.
            s = np.arange(5.0, line.length - 5.0, 1.0)
            a, b, d = (shapely.get_coordinates(shapely.line_interpolate_point(line, s + k)) for k in (-5, 0, 5))
            before, after = np.arctan2(*(b - a).T), np.arctan2(*(d - b).T)
            assert np.degrees(np.abs((after - before + np.pi) % (2 * np.pi) - np.pi)).max(initial=0.0) < 60.0

    def test_no_gap_is_bridged_beyond_the_limit(self, season):
        # Thinned vertices may lie far apart on a straight; so along the line, the next logged point is at hand.
        points, passes, _ = season
        logged = points.to_crs(passes.crs).geometry.values
        for line in passes.geometry:
            near = logged[shapely.dwithin(logged, line, 0.5)]
            along = np.sort(shapely.line_locate_point(line, near))
            assert np.diff(np.concatenate([[0.0], along, [line.length]])).max() <= 20.5

    def test_neighbours_are_eight_rows_apart(self, season):
        # 8 rows of 30 in are 6.096 m. A point of a pass and its nearest neighbour pass, where that is parallel.
        _, passes, _ = season
        shape, apart = passes.geometry.values, []
        for k, line in enumerate(shape):
            others = np.delete(shape, k)
            for s in np.arange(5.0, line.length - 5.0, 5.0):
                at, ahead = line.interpolate(s), line.interpolate(s + 1.0)
                gaps = shapely.distance(others, at)
                other = others[np.argmin(gaps)]
                foot = other.project(at)
                if not 1.0 < foot < other.length - 1.0:
                    continue
                p, q = other.interpolate(foot - 0.5), other.interpolate(foot + 0.5)
                u, v = (ahead.x - at.x, ahead.y - at.y), (q.x - p.x, q.y - p.y)
                if abs(u[0] * v[1] - u[1] * v[0]) < 0.05 and 3.0 < gaps.min() < 9.0:
                    apart.append(gaps.min())
        assert len(apart) > 500
        print(f"median {np.median(apart):.3f} m of {len(apart)} places, {len(passes)} passes")
        assert 5.8 < np.median(apart) < 6.2


# -- what logs of several machines, strays and odd values come to ----------------------------------------------


def two_machines() -> gpd.GeoDataFrame:
    """Two machines in two fields in the same hours, each writing once a second; no pass numbers."""
    parts = []
    for n in (0, 1):
        log = drive(pass_lines(n))
        time = STARTED + pd.to_timedelta(log.time_s + 0.4 * n, unit="s")
        parts.append(gpd.GeoDataFrame({"T": time, "WHO": f"no. {n}"}, geometry=shapely.points(log.xy), crs=CRS))
    return pd.concat(parts, ignore_index=True).sort_values("T", ignore_index=True)


def without_numbers(folder, **columns) -> dict:
    settings = config(folder, planter=False)
    settings["inputs"]["strips"]["columns"] = {"started_at": "T"} | columns
    return settings


def test_machines_in_one_log_are_kept_apart(tmp_path):
    points = two_machines()
    write_coop(tmp_path, strips=points)
    work = take_in(without_numbers(tmp_path, machine="WHO"), tmp_path)
    said = balanced(work, len(points))
    assert said["passes"] == len(kept_strips(work)) == 8
    truth = [line for n in (0, 1) for line in pass_lines(n)]
    assert np.mean(apart(kept_strips(work).geometry, truth) < 0.03) > 0.95  # all but the first metres out of a turn


def test_a_log_that_comes_apart_is_refused(tmp_path):
    points = two_machines()
    write_coop(tmp_path, strips=points)
    with pytest.raises(InputError) as error:
        take_in(without_numbers(tmp_path), tmp_path)
    place = f"inputs.strips: {tmp_path.as_posix()}/coop.gpkg, layer 'strips'"
    assert str(error.value) == (
        f"{place}: no pass can be made of its {len(points)} points; most of them: 'alone'. Is the order of the points that "
        "of the log? Map record or started_at under columns, or machine where several machines are in the log, or widen "
        "the limits under log"
    )
    lone = drive(pass_lines(0)[:1])  # some of it is a pass, and that is no sample of the rest
    before = gpd.GeoDataFrame(
        {"T": STARTED - pd.Timedelta("1h") + pd.to_timedelta(lone.time_s, unit="s"), "WHO": "no. 0"},
        geometry=shapely.points(lone.xy), crs=CRS,
    )  # fmt: skip
    both = pd.concat([before, points], ignore_index=True)
    write_coop(tmp_path, strips=both)
    with pytest.raises(InputError) as error:
        take_in(without_numbers(tmp_path), tmp_path)
    assert str(error.value) == (
        f"{place}: only {len(lone.xy)} of its {len(both)} points end in passes, the others mostly: 'alone'; expected points "
        "of one machine in the order of time. Map machine or pass_id under columns where several machines are in the log, "
        "record or started_at where its order is not that of time, or widen the limits under log"
    )


def test_a_stray_point_is_a_reject_and_moves_nothing(tmp_path):
    points = points_of().to_crs("EPSG:4326")
    found = []
    for name, more in (("a", []), ("b", [shapely.Point(0.0, 0.0)])):
        (tmp_path / name).mkdir()
        stray = gpd.GeoDataFrame({"T": [STARTED] * len(more)}, geometry=more, crs="EPSG:4326")
        write_coop(tmp_path / name, strips=pd.concat([points, stray], ignore_index=True) if more else points)
        work = take_in(settings_of(tmp_path / name), tmp_path / name)
        balanced(work, len(points) + len(more))
        found.append(kept_strips(work).to_crs(CRS))
    apart = [a.hausdorff_distance(b) for a, b in zip(found[0].geometry, found[1].geometry, strict=True)]
    assert len(found[0]) == len(found[1]) and max(apart) < 0.001


@pytest.mark.parametrize(
    ("ours", "value", "words"),
    [("tier", "nonsense", "tier 'nonsense' is not in the catalogue"),
     ("row_spacing", "30 bananas", "row_spacing: '30 bananas': unknown unit 'bananas'"),
     ("frame", "NAD38", "frame 'NAD38' is unknown")],
)  # fmt: skip
def test_a_bad_value_is_told_by_a_point_that_has_it(tmp_path, ours, value, words):
    good = {"tier": "rtk_base", "row_spacing": "30 in", "frame": "NAD83(2011)"}
    points = points_of()
    points["X"] = np.where(points["PASS"] > 5, value, good[ours])
    write_coop(tmp_path, strips=points)
    settings = settings_of(tmp_path)
    settings["inputs"]["strips"]["columns"][ours] = "X"
    settings["inputs"]["strips"]["constants"] |= {"epoch": 2010.0} if ours == "frame" else {}
    with pytest.raises(InputError, match=r"feature (\d+)") as error:
        take_in(settings, tmp_path)
    assert words in str(error.value)
    feature = int(str(error.value).partition("feature ")[2].split(":")[0])
    assert points["X"].iloc[feature - 1] == value  # a GeoPackage counts from 1


def test_metres_of_passes_made_are_accounted_for(tmp_path):
    points = points_of()
    far = points.assign(geometry=points.geometry.translate(0, 5000.0), PASS=points["PASS"] + 100)
    both = pd.concat([points, far], ignore_index=True)
    write_coop(tmp_path, strips=both)
    said = balanced(take_in(settings_of(tmp_path), tmp_path), len(both))
    # Eight passes of 120 m, made twice, of which those outside are rejects.
    assert said["read_m"] == pytest.approx(1920.0, rel=0.05)
    assert said["kept_m"] == pytest.approx(said["rejected_m"], rel=0.01)
    assert said["read_m"] == pytest.approx(said["kept_m"] + said["rejected_m"], abs=0.002)


def test_speeds_and_headings_as_people_write_them(tmp_path):
    plain = points_of()
    heading = plain["HEAD"].map(lambda v: f"{v:.1f}".replace(".", ","))
    found = []
    for name, columns, units in (
        ("text", {"HEAD": heading, "V": "7,2 km/h"}, {}), ("number", {"V": 7.2}, {"speed": "km/h"}), ("si", {"V": 2.0}, {}),
    ):  # fmt: skip
        (tmp_path / name).mkdir()
        write_coop(tmp_path / name, strips=plain.assign(**columns))
        settings = settings_of(tmp_path / name)
        settings["inputs"]["strips"]["columns"]["speed"] = "V"
        settings["inputs"]["strips"]["units"] = units
        found.append(kept_strips(take_in(settings, tmp_path / name)))
    assert [len(one) for one in found] == [8, 8, 8]
    assert found[1].geometry.geom_equals_exact(found[2].geometry, 1e-9).all()


@pytest.mark.parametrize(
    ("ours", "value", "words"),
    [("speed", "fast", "feature 3: speed: 'fast' is not a speed; expected a finite number and a unit, as in '1 m/s' or "
      "'1 km/h'; correct it in the layer"),
     ("speed", "7", "feature 3: speed: '7' has no unit; write for example '7 m/s' or '7 km/h'; correct it in the layer"),
     ("heading", "NNE", "feature 3: heading: 'NNE' is not a number; expected degrees from north; correct it in the layer"),
     ("record", "3a", "feature 3: record: '3a' is not a number; expected the point's number in its log; correct it in the "
      "layer")],
)  # fmt: skip
def test_what_is_no_speed_heading_or_record_is_named(tmp_path, ours, value, words):
    points = points_of(fields=1)
    good = {"speed": "2 m/s", "heading": "90", "record": "1"}[ours]
    write_coop(tmp_path, strips=points.assign(X=np.where(points.index == 2, value, good)), fields=None)
    settings = settings_of(tmp_path)
    settings["inputs"]["strips"]["columns"] |= {ours: "X"}
    with pytest.raises(InputError) as error:
        take_in(settings, tmp_path)
    assert str(error.value) == f"inputs.strips: {tmp_path.as_posix()}/coop.gpkg, layer 'strips': {words}"
