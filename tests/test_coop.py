"""The invented co-op: as many fields as asked for, each what it is however many there are."""

import math
import subprocess
import sys
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
import yaml
from helpers import SPACING_M
from workflow import PROJECT, run_steps

from bench.coop import CONFIG, write_coop
from bench.coop_fields import BLOCK_M, HECTARE_M2, coop_fields, real_outlines, sizes_ha, spiral
from bench.coop_layers import LAYERS
from pipeline.files.store import read_json

PARCELS = PROJECT.parent / "shared" / "realdata" / "parcels.gpkg"
MEMORY = """
import sys
from bench.coop import write_coop
write_coop(sys.argv[1], fields=int(sys.argv[2]))
print([line.split()[1] for line in open("/proc/self/status") if line.startswith("VmHWM")][0])
"""


@pytest.fixture(scope="module")
def dozen(tmp_path_factory) -> Path:
    """A co-op of 12 fields."""
    return write_coop(tmp_path_factory.mktemp("dozen"), fields=12)


def test_same_seed_same_bytes_whatever_the_chunk(tmp_path, dozen):
    again = write_coop(tmp_path / "again", fields=12, chunk=5)
    assert again.read_bytes() == dozen.read_bytes()
    assert (again.parent / CONFIG).read_bytes() == (dozen.parent / CONFIG).read_bytes()
    assert write_coop(tmp_path / "other", fields=12, seed=2).read_bytes() != dozen.read_bytes()
    assert sorted(path.name for path in again.parent.iterdir()) == ["coop.gpkg", "coop.yaml"]


def test_chunks_play_no_part_where_a_layer_is_written_in_several_batches(tmp_path):
    # 150 fields have more passes than GDAL commits at a time.
    one, other = (write_coop(tmp_path / str(chunk), fields=150, chunk=chunk) for chunk in (1, 100))
    assert one.read_bytes() == other.read_bytes()


def test_a_field_does_not_depend_on_how_many_there_are(tmp_path, dozen):
    few = write_coop(tmp_path, fields=5)
    for layer in LAYERS:
        some, more = (gpd.read_file(path, layer=layer) for path in (few, dozen))
        if "FIELD" in more:
            more = more[more["FIELD"].isin([f"F{number:06d}" for number in range(1, 6)])]
        tables = (one.drop(columns="geometry").astype(str).reset_index(drop=True) for one in (some, more))
        pd.testing.assert_frame_equal(*tables, check_dtype=False)
        assert shapely.equals_identical(some.geometry.values, more.geometry.values).all(), layer


def test_no_two_fields_overlap():
    fields = list(coop_fields(300, seed=1))
    shapes = np.array([field.boundary() for field in fields])
    assert shapely.is_valid(shapes).all()
    one, other = shapely.STRtree(shapes).query(shapes, predicate="intersects")
    assert (one == other).all()
    # Placing a field turns it and no more.
    assert np.allclose(shapely.area(shapes), [field.outline.area for field in fields], rtol=1e-4)


def test_blocks_lie_in_a_square_however_many_there_are():
    cells = [spiral(number) for number in range(441)]
    # 21 squared: all cells within 10 of the middle, each once, each beside the one before it.
    assert set(cells) == {(i, j) for i in range(-10, 11) for j in range(-10, 11)}
    assert (np.abs(np.diff(cells, axis=0)).sum(axis=1) == 1).all()


def test_sizes_have_the_mean_and_the_ends_they_promise():
    areas = sizes_ha(np.random.default_rng(5).random(2_000))
    assert areas.mean() == pytest.approx(20.0, rel=0.1)
    assert sizes_ha(np.array([0.0, 1.0])) == pytest.approx([1.0, 130.0])
    drawn = [field.outline.area / HECTARE_M2 for field in coop_fields(300, seed=3)]
    assert min(drawn) >= 1.0 and max(drawn) <= 130.0


def test_passes_go_back_and_forth_along_the_field_and_wander_a_little(dozen):
    strips, planter = (gpd.read_file(dozen, layer=layer) for layer in ("strips", "planter"))
    assert strips[["FIELD", "PASS", "ROWS"]].equals(planter[["FIELD", "PASS", "ROWS"]])
    assert set(strips["ROWS"]) <= {12, 16}
    assert (shapely.get_num_coordinates(planter.geometry) == 2).all()
    points, of_pass = shapely.get_coordinates(strips.geometry, return_index=True)
    aside_m = shapely.distance(shapely.points(points), planter.geometry.values[of_pass])
    assert 0.02 < np.sqrt(np.mean(aside_m**2)) < 0.03 and aside_m.max() < 0.1
    steps_m = strips.length / (shapely.get_num_coordinates(strips.geometry) - 1)
    assert steps_m.max() < 25.01 and steps_m.min() > 10.0
    ends = shapely.get_coordinates(planter.geometry).reshape(-1, 2, 2)
    ways = np.diff(ends, axis=1)[:, 0]
    for _, passes in planter.groupby("FIELD"):
        along = ways[passes.index] @ ways[passes.index[0]]
        # Where a notch parts a line, both parts run the same way; nothing ever runs across.
        cosines = along / (passes.length * passes.length.iloc[0])
        assert np.abs(np.abs(cosines) - 1.0).max() < 1e-6 and cosines.min() < 0


def test_a_farm_has_one_machine_which_rests_at_night(tmp_path):
    path = write_coop(tmp_path, fields=60)
    strips = gpd.read_file(path, layer="strips").astype({"T0": "datetime64[s, UTC]", "T1": "datetime64[s, UTC]"})
    farm = strips["FIELD"].map(gpd.read_file(path, layer="fields").set_index("FIELD")["FARM"])
    assert farm.nunique() == 3
    speed_km_h = 3.6 * strips.length / (strips["T1"] - strips["T0"]).dt.total_seconds()
    assert speed_km_h.between(7.5, 10.1).all()
    for _, passes in strips.groupby(farm):
        assert (passes["T0"].iloc[1:].array > passes["T1"].iloc[:-1].array).all()
    # From 13 to 24 h UTC, which is from morning to evening where the fields lie.
    assert strips["T0"].dt.hour.min() >= 13 and (strips["T0"].dt.date == strips["T1"].dt.date).all()


def test_every_field_has_a_base_within_reach_that_later_fields_do_not_change(tmp_path):
    few, more = (gpd.read_file(write_coop(tmp_path / str(k), fields=k), layer="bases") for k in (60, 300))
    assert len(few) < len(more) and few["SURVEYED"].all()
    middles = [field.boundary().centroid for field in coop_fields(300, seed=1)]
    away_m = np.array([more.distance(middle).min() for middle in middles])
    # Half the diagonal of the square that a base has.
    assert away_m.max() < np.sqrt(2) * BLOCK_M
    assert [few.distance(middle).min() for middle in middles[:60]] == away_m[:60].tolist()


def test_a_small_coop_runs_and_nothing_is_rejected(tmp_path, monkeypatch):
    path = write_coop(tmp_path, fields=3)
    monkeypatch.chdir(tmp_path)
    settings = yaml.safe_load((tmp_path / CONFIG).read_text())
    assert len(settings["tiers"]["compare"]) == 8 and "invented" in settings["title"].lower()
    settings["tiers"]["compare"], settings["raster"] = ["rtk_base"], {"cell": "0.5 m"}
    found = run_steps(settings, tmp_path)["fields"].set_index("field_id")
    account = read_json(tmp_path / "work/intake.json")
    assert all(layer["rejected"] == 0 and layer["kept"] == layer["read"] for layer in account["layers"].values())
    # Rows that fill a field are its area divided by their spacing.
    areas = gpd.read_file(path, layer="fields").set_index("FIELD").area
    assert (found["row_length_m"] * SPACING_M / areas).between(0.96, 1.01).all()
    assert (found["no_strip_m"] < 1e-3 * found["row_length_m"]).all() and (found["crossing_m"] == 0).all()


def test_checks_and_tree_belts_lie_in_their_fields(tmp_path):
    path = write_coop(tmp_path, fields=400)
    shapes = gpd.read_file(path, layer="fields").set_index("FIELD").geometry
    checks, zones = (gpd.read_file(path, layer=layer) for layer in ("checks", "zones"))
    for layer in (checks, zones):
        away_m = shapely.distance(layer.geometry.values, shapes.loc[layer["FIELD"]].values)
        assert away_m.max() == 0.0 and layer["FIELD"].nunique() / 400 == pytest.approx(0.05, abs=0.025)
    assert (checks.groupby("FIELD").size() == 3).all() and checks["OFFSET_M"].abs().max() < 0.15
    assert shapely.is_valid(zones.geometry.values).all()


@pytest.mark.realdata
@pytest.mark.skipif(not PARCELS.exists(), reason="parcels.gpkg is not here; it is others' data, not shipped")
def test_real_parcels_give_their_shapes():
    outlines = real_outlines(PARCELS)
    assert len(outlines) > 100
    known = np.sort([_roundness(one) for one in outlines])
    fields = list(coop_fields(60, seed=1, parcels=outlines))
    # Roundness does not change where a shape is turned and made larger, so each is that of a parcel.
    own = np.array([_roundness(field.outline) for field in fields])
    assert np.abs(known[:, None] - own).min(axis=0).max() < 1e-9
    assert [field.outline.area for field in fields] == pytest.approx(
        [field.outline.area for field in coop_fields(60, seed=1)]
    )


def _roundness(shape: shapely.Polygon) -> float:
    return 4 * np.pi * shape.area / shape.length**2


@pytest.mark.slow
@pytest.mark.skipif(sys.platform != "linux", reason="peak memory is read from /proc")
def test_memory_does_not_grow_with_the_number_of_fields(tmp_path):
    peaks = [_peak_kib(tmp_path / str(fields), fields) for fields in (200, 1_000)]
    print("peak of 200 and of 1,000 fields: {:.0f} and {:.0f} MiB".format(*(peak / 1024 for peak in peaks)))
    assert peaks[1] <= 1.15 * peaks[0]


def _peak_kib(folder: Path, fields: int) -> int:
    command = [sys.executable, "-c", MEMORY, str(folder), str(fields)]
    done = subprocess.run(command, capture_output=True, text=True, check=True, cwd=PROJECT)
    return int(done.stdout.splitlines()[-1])


def test_smaller_fields_are_the_same_ones_smaller():
    usual, small = (list(coop_fields(40, seed=2, area=area)) for area in (1.0, 0.1))
    # The same outline at a tenth of the area: every distance by the square root of it.
    for one, other in zip(usual, small, strict=True):
        assert other.outline.area == pytest.approx(0.1 * one.outline.area, rel=1e-9)
        assert other.outline.length == pytest.approx(math.sqrt(0.1) * one.outline.length, rel=1e-9)
