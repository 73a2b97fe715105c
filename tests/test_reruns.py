"""What a change makes the workflow compute again: that, and nothing else, and the same bytes as from nothing."""

import base64
import os
import shutil
import sqlite3
import subprocess
import sys
from collections import Counter
from contextlib import closing
from pathlib import Path

import geopandas as gpd
import pyproj
import pytest
import shapely
from workflow import (
    PROJECT,
    area,
    boundaries,
    config,
    hashes,
    layer_of,
    pass_lines,
    passes_of,
    rules_run,
    snakemake,
    write_coop,
)

pytestmark = [pytest.mark.slow, pytest.mark.xdist_group("reruns")]

COLLECTING = dict.fromkeys(
    ("tables", "choice", "layers", "datapackage", "workbook", "report", "changes", "manifest"), 1
)
SEEN = {"inputs": 1, "intake": 1}
BATCH = ("passes", "offsets", "odds", "overlap", "figures", "bands", "sheets", "page_parts")
ONE_BATCH = SEEN | dict.fromkeys(BATCH, 1) | COLLECTING
JUDGED = ("odds", "overlap", "figures", "bands", "sheets", "page_parts")
CHECKS = {"offset": [0.02, -0.01], "tape_error": [0.01, 0.01]}


# Paths are relative, so that the same configuration serves in every folder.
SETTINGS = config(Path()) | {"report": {"sheets": "all"}}
SETTINGS["inputs"]["checks"] = {
    "file": "coop.gpkg", "layer": "checks", "columns": {name: name for name in CHECKS},
}  # fmt: skip


def write(folder: Path, *, checks: dict = CHECKS, **layers) -> None:
    """The co-op with one ground check in each field."""
    write_coop(folder, rows=layers.pop("rows", passes_of(shift_m=0.05)), **layers)
    places = [shapely.Point(*area(k).centroid.coords[0]) for k in range(min(2, len(layers.get("fields", boundaries()))))]
    checks = {name: values[: len(places)] for name, values in checks.items()}
    layer_of(places, **checks).to_file(folder / "coop.gpkg", layer="checks", driver="GPKG", engine="pyogrio")


@pytest.fixture(scope="module")
def base(tmp_path_factory) -> Path:
    """A folder in which the workflow has run."""
    folder = tmp_path_factory.mktemp("base")
    write(folder)
    ran(folder)
    return folder


@pytest.fixture
def again(base, tmp_path) -> Path:
    """A copy of it, times and all."""
    shutil.copytree(base, tmp_path / "again", copy_function=shutil.copy2)
    return tmp_path / "again"


def ran(folder: Path, settings: dict | None = None, *targets: str) -> str:
    done = snakemake(settings or SETTINGS, folder, *targets)
    assert done.returncode == 0, done.stdout
    return done.stdout


def times(folder: Path) -> dict[str, int]:
    """When each file below a folder was written."""
    return {str(p.relative_to(folder)): p.stat().st_mtime_ns for p in sorted(folder.rglob("*")) if p.is_file()}


def from_nothing(folder: Path, elsewhere: Path, settings: dict, *, cores: int = 2) -> dict[str, str]:
    """Results of the same input in a new folder."""
    elsewhere.mkdir()
    for file in (*folder.glob("*.gpkg"), *folder.glob("tiers.yaml")):
        shutil.copy2(file, elsewhere)
    done = snakemake(settings, elsewhere, cores=cores)
    assert done.returncode == 0, done.stdout
    return hashes(elsewhere / "results")


def batch_of(folder: Path, field: str) -> str:
    """The batch that a field is in."""
    (found,) = (folder / "work" / "passes").glob(f"*/{field}")
    return found.parent.name


def test_nothing_and_a_touch_compute_nothing(again):
    for name in ("coop.gpkg", "mine.yaml"):
        os.utime(again / name)
    before = times(again / "results")
    assert "Nothing to be done" in ran(again)
    assert times(again / "results") == before


@pytest.mark.parametrize("how", ["vacuum", "order"])
def test_the_same_content_written_anew_computes_nothing(again, how):
    before = times(again / "results"), times(again / "work" / "passes")
    if how == "vacuum":
        with closing(sqlite3.connect(again / "coop.gpkg")) as database:
            database.execute("CREATE TABLE more (a)")
            database.execute("DROP TABLE more")
            database.execute("VACUUM")
    else:
        write(again, fields=boundaries().iloc[::-1], strips=passes_of().iloc[::-1])
    # The manifest names the file's hash, which is another one.
    assert rules_run(ran(again)) == SEEN | {"manifest": 1}
    after = times(again / "results"), times(again / "work" / "passes")
    assert {name for name in before[0] if before[0][name] != after[0][name]} == {"manifest.json"}
    assert before[1] == after[1]


def moved_boundary() -> gpd.GeoDataFrame:
    """The second field's boundary a metre further in."""
    fields = boundaries()
    fields.loc[1, "geometry"] = fields.geometry[1].buffer(-1.0)
    return fields


def moved_pass() -> gpd.GeoDataFrame:
    """A strip pass of the second field a decimetre further north."""
    strips = passes_of()
    strips.loc[5, "geometry"] = shapely.affinity.translate(strips.geometry[5], yoff=0.1)
    return strips


CHANGES = {
    "boundary": {"fields": moved_boundary()},
    "pass": {"strips": moved_pass()},
    "check": {"checks": CHECKS | {"offset": [0.02, -0.03]}},
}


@pytest.mark.parametrize("lost", [False, True], ids=["", "snakemake lost"])
@pytest.mark.parametrize("what", CHANGES)
def test_one_change_computes_its_batch(again, tmp_path, what, lost):
    before = times(again)
    write(again, **CHANGES[what])
    if lost:
        shutil.rmtree(again / ".snakemake")
    assert rules_run(ran(again)) == ONE_BATCH
    after = times(again)
    other = batch_of(again, "F0")
    mine = [name for name in before if "/F0/" in name or name.startswith(tuple(f"work/{s}/{other}" for s in BATCH))]
    assert len(mine) > 20
    assert {name: after[name] for name in mine} == {name: before[name] for name in mine}
    assert hashes(again / "results") == from_nothing(again, tmp_path / "new", SETTINGS)


def three_fields() -> dict:
    """With a third field, whose name puts it into the first one's batch."""
    fields = layer_of([area(k) for k in range(3)], FIELD=["F0", "F2", "F1"], FARM=["Invented"] * 3)
    lines = [(line, f"P{k}") for n in range(3) for k, line in enumerate(pass_lines(n))]
    strips = layer_of([line for line, _ in lines], PASS=[name for _, name in lines])
    return {"fields": fields, "strips": strips}


def test_a_field_added_and_removed_computes_its_batch(again, tmp_path):
    write(again, **three_fields())
    assert rules_run(ran(again)) == ONE_BATCH
    assert (again / "results" / "fields" / "F1" / "overlap.tif").exists()
    assert hashes(again / "results") == from_nothing(again, tmp_path / "more", SETTINGS)
    write(again)
    assert "dry-run" in ran(again, None, "-n")
    assert (again / "results" / "fields" / "F1" / "overlap.tif").exists()  # parsing takes nothing away
    assert rules_run(ran(again)) == ONE_BATCH
    assert not list(again.glob("results/fields/F1")) and not list(again.glob("work/kept/*/F1"))
    assert hashes(again / "results") == from_nothing(again, tmp_path / "less", SETTINGS)


def test_a_batch_that_is_gone_is_seen_although_snakemake_has_lost_its_notes(again, tmp_path):
    # What is of all batches has nothing new in it then, only less.
    write(again, fields=boundaries().iloc[:1])
    shutil.rmtree(again / ".snakemake")
    assert rules_run(ran(again)) == SEEN | COLLECTING
    assert hashes(again / "results") == from_nothing(again, tmp_path / "new", SETTINGS)


def test_another_crs_computes_everything(again):
    with closing(sqlite3.connect(again / "coop.gpkg")) as database:
        # The same coordinates under another name: the neighbouring zone.
        other = pyproj.CRS.from_epsg(32615).to_wkt("WKT1_GDAL")
        change = "UPDATE gpkg_spatial_ref_sys SET srs_name = 'x', definition = ?, organization_coordsys_id = 32615"
        database.execute(f"{change} WHERE organization_coordsys_id = 32614", [other])
        database.commit()
    assert rules_run(ran(again)) == SEEN | dict.fromkeys(BATCH, 2) | COLLECTING


def test_a_setting_of_judging_measures_no_offsets_again(again, tmp_path):
    settings = SETTINGS | {"judging": {"row_margin": "0.5 in"}}
    assert rules_run(ran(again, settings)) == SEEN | dict.fromkeys(JUDGED, 2) | COLLECTING
    assert hashes(again / "results") == from_nothing(again, tmp_path / "new", settings)


def test_a_kill_between_an_output_and_its_record_leaves_nothing_stale(again, tmp_path):
    # Snakemake's record of the bands is then of the run before, and so is the input that comes back.
    records = {
        path: path.read_bytes() for path in (again / ".snakemake" / "metadata").iterdir()
        if base64.urlsafe_b64decode(path.name).startswith(b"work/bands/")
    }  # fmt: skip
    assert len(records) == 2
    other = SETTINGS | {"judging": {"row_margin": "0.5 in"}}
    ran(again, other)
    for path, record in records.items():
        path.write_bytes(record)
        (again / ".snakemake" / "incomplete" / path.name).write_text('{"external_jobid": null}')
    ran(again, other)
    assert rules_run(ran(again))["bands"] == 2
    assert hashes(again / "results") == from_nothing(again, tmp_path / "new", SETTINGS)


def test_a_figure_of_a_tier_measures_no_offsets_again(again, tmp_path):
    text = (PROJECT / "shared" / "tiers.yaml").read_text()
    (again / "tiers.yaml").write_text(text)
    settings = SETTINGS | {"tiers": SETTINGS["tiers"] | {"catalogue": "tiers.yaml"}}
    # The same figures from another file.
    assert rules_run(ran(again, settings)) == SEEN | {"changes": 1, "manifest": 1}
    head, tail = text.split("id: rtk_base", 1)
    changed = tail.replace("convergence: ", "convergence: 1", 1)
    assert changed != tail
    (again / "tiers.yaml").write_text(f"{head}id: rtk_base{changed}")
    assert rules_run(ran(again, settings)) == SEEN | dict.fromkeys(JUDGED, 2) | COLLECTING
    assert hashes(again / "results") == from_nothing(again, tmp_path / "new", settings)


def test_a_commit_in_the_write_ahead_log_is_seen(again):
    with closing(sqlite3.connect(again / "coop.gpkg")) as database:
        # Triggers of the spatial index call functions that only GDAL has.
        triggers = database.execute("SELECT name FROM sqlite_master WHERE type = 'trigger' AND tbl_name = 'fields'")
        for (name,) in triggers.fetchall():
            database.execute(f'DROP TRIGGER "{name}"')
        database.commit()
        database.execute("PRAGMA journal_mode = WAL")
        database.execute("PRAGMA wal_autocheckpoint = 0")
        database.commit()
        ran(again)
        when = (again / "coop.gpkg").stat().st_mtime_ns
        database.execute("UPDATE fields SET FARM = 'Also invented' WHERE FIELD = 'F2'")
        database.commit()
        assert (again / "coop.gpkg").stat().st_mtime_ns == when
        assert rules_run(ran(again)) == ONE_BATCH
    assert "Also invented" in (again / "results" / "field_tier.csv").read_text()


def test_a_dry_run_has_no_side_effect(again):
    write(again, **CHANGES["boundary"])
    before = hashes(again), times(again)
    ran(again, None, "-n")
    after = hashes(again), times(again)
    # Snakemake's own folder apart.
    assert [{k: v for k, v in one.items() if not k.startswith(".snakemake")} for one in before] == [
        {k: v for k, v in one.items() if not k.startswith(".snakemake")} for one in after
    ]


@pytest.mark.parametrize(("module", "uses_it", "does_not"), [
    ("core/overlap.py", {"overlap"}, {"intake", "passes", "offsets", "odds", "bands"}),
    ("core/conditioning.py", {"odds", "bands"}, {"intake", "passes", "offsets", "overlap"}),
    ("core/offsets.py", {"offsets", "odds", "overlap", "bands"}, {"intake", "passes"}),
    ("steps/tables.py", {"tables"}, {"intake", *BATCH}),
])  # fmt: skip
def test_edited_code_computes_what_uses_it(tmp_path, module, uses_it, does_not):
    project, folder = tmp_path / "project", tmp_path / "folder"
    for name in ("pipeline", "shared", "profiles"):
        shutil.copytree(PROJECT / name, project / name, ignore=shutil.ignore_patterns("__pycache__"))
    shutil.copy2(PROJECT / "Snakefile", project)
    folder.mkdir()
    write(folder)

    def run() -> Counter[str]:
        done = snakemake(SETTINGS | {"report": {"sheets": "none"}}, folder, project=project)
        assert done.returncode == 0, done.stdout
        return rules_run(done.stdout)

    run()
    edited = project / "pipeline" / module
    edited.write_text(edited.read_text() + "\n# Edited.\n")
    # The manifest signs for all code; what a step writes again as it was ends the rerun there.
    found = run()
    assert uses_it | {"manifest"} <= set(found)
    assert not does_not & set(found)
    assert all(count == (2 if name in BATCH else 1) for name, count in found.items())


def test_an_input_that_changes_while_it_is_read_ends_the_run(again):
    before = hashes(again / "results")
    write(again, **CHANGES["boundary"])
    # The step as the workflow runs it, but for a reader that writes into the file on its way.
    code = (
        "from pathlib import Path; import yaml; from pipeline.files import taking; from pipeline.files.log import run_step\n"
        "from pipeline.steps import intake\n"
        "read = taking._read\n"
        "def reading(*args):\n"
        "    Path('coop.gpkg').open('ab').write(b' ')\n"
        "    return read(*args)\n"
        "taking._read = reading\n"
        "settings = yaml.safe_load(Path('mine.yaml').read_text())\n"
        "run_step(lambda: intake.run(config=settings, source='mine.yaml', work=Path('work')), log=None)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=again, env=os.environ | {"PYTHONPATH": str(PROJECT)}, capture_output=True,
        text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 1
    assert "coop.gpkg' changed while it was read; expected one that rests" in done.stderr
    assert hashes(again / "results") == before


def test_other_folders_cores_places_and_times_give_the_same_bytes(base, tmp_path, monkeypatch):
    wanted = hashes(base / "results")
    for cores, zone, place, seed in ((1, "Asia/Kolkata", "C", "1"), (2, "America/Chicago", "C.UTF-8", "7")):
        for name, value in {"TZ": zone, "LC_ALL": place, "LANG": place, "PYTHONHASHSEED": seed}.items():
            monkeypatch.setenv(name, value)
        assert from_nothing(base, tmp_path / f"a folder {cores}", SETTINGS, cores=cores) == wanted


def test_another_price_computes_the_choice_and_what_tells_it_alone(again):
    costs = {
        "currency": "USD", "crop": {"price": "4 USD/bu"}, "response": {"curve": "yuma_2007"},
        "tiers": {"sbas": {"fee": "0 USD"}, "rtk_base": {"fee": "1 USD"}},
    }  # fmt: skip
    ran(again, SETTINGS | {"costs": costs})
    dearer = SETTINGS | {"costs": costs | {"crop": {"price": "6 USD/bu"}}}
    told = ("choice", "changes", "datapackage", "workbook", "report", "manifest")
    assert rules_run(ran(again, dearer)) == SEEN | dict.fromkeys(told, 1)


def test_another_wait_or_curve_paints_and_draws_nothing_anew(again):
    """What a wait or a curve changes are losses, and only the odds know of them."""
    costs = {
        "currency": "USD", "crop": {"price": "4 USD/bu"}, "response": {"curve": "yuma_2007"}, "days_per_season": 10,
        "tiers": {"sbas": {"fee": "0 USD"}, "rtk_base": {"fee": "1 USD"}}, "machine_hour": "180 USD/h",
    }  # fmt: skip
    ran(again, SETTINGS | {"costs": costs})
    for other in ({"waited_share": "50 %"}, {"response": {"curve": "goodwell_2007"}}):
        found = rules_run(ran(again, SETTINGS | {"costs": costs | other}))
        assert found["odds"] == 2 and found["choice"] == 1
        assert not {"passes", "offsets", "overlap", "bands"} & found.keys()


def test_another_title_or_paper_makes_no_field_of_the_page_anew(again):
    """Sheets bear both, and the report's first page the title; what a field's part of the page is made of has neither."""
    other = SETTINGS | {"title": "Another title", "report": {"sheets": "all", "paper": "a4"}}
    found = rules_run(ran(again, other))
    assert found["sheets"] == 2 and found["report"] == 1 and "page_parts" not in found
    assert from_nothing(again, again.parent / "other", other) == hashes(again / "results")
