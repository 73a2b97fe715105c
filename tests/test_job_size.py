"""What jobs ask a cluster for: by arithmetic from the rates, and from sizes that are those of the fields."""

from math import ceil

import pytest
from workflow import LENGTH_M, ROWS, WIDTH_M, config, passes_of, take_in, write_coop

from pipeline.files.intake_facts import home_of, known_batches, known_sizes
from pipeline.files.job_size import (
    LEAST_MIN,
    MIB_IN_MB,
    OF_A_BATCH,
    RATES,
    ROOM,
    SLOWER,
    SNAKEMAKES_MIB,
    START_S,
    amounts_of,
    job_seconds,
    job_size,
    run_seconds,
)
from pipeline.files.store import read_json, to_json, write_bytes

SMALL = {
    "fields": 1, "row_km": 10.0, "row_vertices": 2000.0, "extent_ha": 4.0,
    "field_row_km": 10.0, "field_row_vertices": 2000.0, "field_extent_ha": 4.0,
}  # fmt: skip
LARGE = {
    "fields": 3, "row_km": 50.0, "row_vertices": 9000.0, "extent_ha": 30.0,
    "field_row_km": 25.0, "field_row_vertices": 8000.0, "field_extent_ha": 20.0,
}  # fmt: skip


def test_amounts_are_sums_and_the_largest_batch_and_field():
    said = amounts_of({"b0": SMALL, "b1": LARGE}, tiers=5, cell_m=0.2)
    assert (said["km"], said["batch_km"], said["field_km"]) == (60.0, 50.0, 25.0)
    assert (said["km_tier"], said["field_kvertex_tier"], said["sheet_tier"]) == (300.0, 40.0, 20)
    # 4 + 30 ha are 340,000 m2, and a cell is 0.04 m2 large.
    assert said["megacell"] == pytest.approx(8.5)
    assert said["field_megacell_tier"] == pytest.approx(5 * 5.0)


def test_without_a_batch_nothing_is_to_be_done():
    assert set(amounts_of({}, tiers=5, cell_m=0.2).values()) == {0}


def test_a_job_asks_by_its_rates_and_for_more_with_each_attempt():
    said = job_size("overlap", {"field_megacell_tier": 100.0, "megacell_tier": 3000.0})
    mib = ROOM * (RATES["overlap"].mib + 100 * RATES["overlap"].more_mib["field_megacell_tier"]) + SNAKEMAKES_MIB
    minutes = LEAST_MIN + SLOWER * 3000 * RATES["overlap"].seconds["megacell_tier"] / 60
    assert said == {"mem_mb": ceil(mib * MIB_IN_MB), "runtime": ceil(minutes)}
    assert job_size("overlap", {"field_megacell_tier": 100.0, "megacell_tier": 3000.0}, attempt=3) == {
        name: 3 * amount for name, amount in said.items()
    }


def test_seconds_of_a_job_are_its_start_and_its_rates():
    # 10 fields and 1,000 km of row by the rates of the table, beside the start.
    by = RATES["passes"].seconds
    seconds = START_S + 10 * by["fields"] + 1000 * by["km"]
    assert job_seconds("passes", {"fields": 10, "km": 1000.0}) == pytest.approx(seconds)
    assert job_seconds("lost_sheet", {"fields": 10}) == START_S


def test_seconds_of_a_run_are_those_of_all_its_jobs():
    amounts = amounts_of({"b0": SMALL, "b1": LARGE}, tiers=5, cell_m=0.2)
    each = [amounts_of({"own": one}, tiers=5, cell_m=0.2) for one in (SMALL, LARGE)]
    of_batches = sum(job_seconds(step, one) for step in OF_A_BATCH for one in each)
    of_all = sum(job_seconds(step, amounts) for step in RATES if step not in OF_A_BATCH)
    assert run_seconds(amounts, batches=2) == pytest.approx(of_batches + of_all)


@pytest.mark.parametrize("step", RATES)
def test_rates_are_for_amounts_that_there_are(step):
    there = amounts_of({"b0": SMALL}, tiers=2, cell_m=0.1) | {"input_mb": 1.0}
    assert (RATES[step].more_mib.keys() | RATES[step].seconds.keys()) <= there.keys()


def test_the_intake_writes_down_how_large_its_fields_are(tmp_path):
    write_coop(tmp_path, rows=passes_of())
    work = take_in(config(tmp_path), tmp_path)
    sizes = known_sizes(work / "intake.json")
    assert sizes.keys() == read_json(work / "intake.json")["batches"].keys()
    one = next(iter(sizes.values()))
    # Four straight passes of `ROWS` rows, over ground: the plane of the CRS makes them 0.04 % longer or shorter at most.
    assert one["row_km"] == one["field_row_km"] == pytest.approx(4 * ROWS * LENGTH_M / 1e3, rel=1e-3, abs=0.005)
    assert (one["fields"], one["row_vertices"]) == (1, 4 * ROWS * 2)
    # The box lies along the meridian, the field along the grid, and degrees are not metres: near enough for an estimate.
    assert one["extent_ha"] == pytest.approx(LENGTH_M * WIDTH_M / 1e4, rel=0.05)


def test_sizes_are_read_anew_when_the_intake_has_run_again(tmp_path):
    assert known_sizes(tmp_path / "intake.json") == {}
    write_coop(tmp_path)
    settings = config(tmp_path, planter=False)
    first = known_sizes(take_in(settings, tmp_path) / "intake.json")
    write_coop(tmp_path, strips=passes_of(count=2))
    again = known_sizes(take_in(settings, tmp_path) / "intake.json")
    assert {size["row_vertices"] for size in first.values()} == {4 * ROWS * 2}
    assert {size["row_vertices"] for size in again.values()} == {2 * ROWS * 2}


def test_every_field_has_its_batch(tmp_path):
    intake = tmp_path / "intake.json"
    assert known_batches(intake) == {}
    write_bytes(intake, to_json({"batches": {"b0": ["F1", "F2"], "b1": ["F3"]}}))
    assert [home_of(intake, field) for field in ("F1", "F2", "F3")] == ["b0", "b0", "b1"]
    with pytest.raises(KeyError):
        home_of(intake, "F4")
