"""The whole workflow as a user runs it."""

import json
import shutil

import pandas as pd
import pytest
from workflow import boundaries, config, hashes, passes_of, snakemake, write_coop

from pipeline import columns as c

# Folders and addresses are called as fields are; the two are in two batches.
BLANK = "Süd (40) + 2"
KEYS = {"field_tier": ["field_id", "farm", "tier"], "row_tier": ["field_id"], "pass_tier": ["field_id"]}


@pytest.fixture(scope="module")
def run(tmp_path_factory):
    """The co-op run once on two cores; its folder, settings and what was printed."""
    folder = tmp_path_factory.mktemp("coop")
    write_coop(folder, fields=boundaries().assign(FIELD=["F0", BLANK]), rows=passes_of(shift_m=0.05))
    settings = config(folder) | {"report": {"sheets": "all"}}
    done = snakemake(settings, folder, cores=2)
    assert done.returncode == 0, done.stdout
    return folder, settings


@pytest.mark.slow
def test_every_output_is_there(run):
    results = run[0] / "results"
    wanted = [f"{name}.csv" for name in KEYS] + ["rowreturn.gpkg", "manifest.json"]
    wanted += [
        f"fields/{f}/{name}" for f in ("F0", BLANK) for name in ("overlap.tif", "sheet.png", "sheet.pdf")
    ]
    assert set(wanted) <= set(hashes(results))
    assert not list(results.rglob("*.tmp*"))


@pytest.mark.slow
def test_columns_are_the_contract_and_lengths_are_conserved(run):
    for name, keys in KEYS.items():
        table = pd.read_csv(run[0] / "results" / f"{name}.csv")
        assert list(table)[: len(keys)] == keys
        assert [column for column in c.FIGURES if column in table] == [x for x in table if x in c.FIGURES]
        parts = table[[c.HOLDS_M, c.DOUBT_M, c.MISSES_M, c.NO_STRIP_M, c.CROSSING_M]].sum(axis=1)
        assert (parts - table[c.ROW_LENGTH_M]).abs().max() < 1e-2
    fields = pd.read_csv(run[0] / "results" / "field_tier.csv")
    assert set(c.FIGURES) <= set(fields)
    assert (fields[c.RASTER_GAP_SHARE] <= fields["raster_tolerance_share"]).all()


@pytest.mark.slow
def test_manifest_says_what_was_read(run):
    said = json.loads((run[0] / "results" / "manifest.json").read_text())
    assert said["layers"]["strips"]["read"] == said["layers"]["strips"]["kept"] == 8


@pytest.mark.slow
def test_one_core_gives_the_same_bytes_and_a_second_run_does_nothing(run):
    folder, settings = run
    before = hashes(folder / "results")
    again = snakemake(settings, folder)
    assert "Nothing to be done" in again.stdout, again.stdout
    one = snakemake(settings, folder / "one", cores=1)
    assert one.returncode == 0, one.stdout
    assert hashes(folder / "one" / "results") == before


@pytest.mark.slow
def test_a_changed_boundary_reruns_only_its_batch(tmp_path):
    write_coop(tmp_path)
    settings = config(tmp_path, planter=False)
    assert snakemake(settings, tmp_path, "results/field_tier.csv").returncode == 0
    fields = boundaries()
    fields.loc[1, "geometry"] = fields.geometry[1].buffer(-1.0)
    write_coop(tmp_path, fields=fields)
    done = snakemake(settings, tmp_path, "results/field_tier.csv")
    assert done.returncode == 0, done.stdout
    laid_out = [
        line for line in done.stdout.splitlines() if "Laying out the rows and strips of batch" in line
    ]
    assert len(set(laid_out)) == 1, done.stdout
    batches = json.loads((tmp_path / "work" / "intake.json").read_text())["batches"]
    (home,) = [batch for batch, names in batches.items() if "F2" in names]
    assert home in laid_out[0]


@pytest.mark.slow
def test_a_lost_raster_and_a_lost_sheet_are_made_again_and_nothing_else(run):
    folder, settings = run
    before = hashes(folder / "results")
    for name in ("F0/overlap.tif", f"{BLANK}/sheet.png"):
        (folder / "results" / "fields" / name).unlink()
    made = snakemake(settings, folder)
    assert made.returncode == 0, made.stdout
    assert "Making the raster of field F0 again" in made.stdout, made.stdout
    assert f"Drawing the sheet of field {BLANK} again" in made.stdout, made.stdout
    assert rules_planned(made.stdout) == {"lost_raster", "lost_sheet", "manifest", "all"}, made.stdout
    assert hashes(folder / "results") == before
    # They were inputs of the manifest once and are none any more, so it is written once more; then all is quiet.
    settled = snakemake(settings, folder)
    assert rules_planned(settled.stdout) <= {"manifest", "all"}, settled.stdout
    assert hashes(folder / "results") == before
    assert "Nothing to be done" in snakemake(settings, folder).stdout


@pytest.mark.slow
def test_another_input_is_seen_although_snakemake_has_lost_its_notes(run, tmp_path):
    folder = tmp_path / "copy"
    shutil.copytree(run[0], folder, copy_function=shutil.copy2, ignore=shutil.ignore_patterns(".snakemake"))
    assert "Nothing to be done" in snakemake(run[1], folder, "-n").stdout
    planned = snakemake(run[1] | {"title": "Other fields"}, folder, "-n")
    assert {"inputs", "intake"} <= rules_planned(planned.stdout), planned.stdout


@pytest.mark.slow
def test_sheets_that_are_wanted_no_more_are_not_made_again(run, tmp_path):
    folder = tmp_path / "copy"
    shutil.copytree(run[0], folder, copy_function=shutil.copy2)
    for path in (folder / "results" / "fields").glob("*/sheet.*"):
        path.unlink()
    done = snakemake(run[1] | {"report": {"sheets": "none"}}, folder)
    assert done.returncode == 0, done.stdout
    assert not list((folder / "results" / "fields").glob("*/sheet.*"))


def rules_planned(said: str) -> set[str]:
    """Names of the rules in the table of jobs that Snakemake prints before it starts."""
    table = said.partition("Job stats:")[2].partition("\n\n")[0]
    words = [line.split() for line in table.splitlines()]
    return {two[0] for two in words if len(two) == 2 and two[1].isdigit()} - {"total"}
