"""The tables are what `datapackage.json` says: by the reference implementation of the Frictionless standards."""

import frictionless
import pandas as pd
import pytest
from tables_of import HOSTILE, results_of
from workflow import config, passes_of, run_steps, write_coop

from pipeline import columns as c
from pipeline.files.store import read_json, to_json, write_bytes
from pipeline.files.table_words import words_of
from pipeline.files.texts import safe_text
from pipeline.steps import datapackage


def described(folder, tables, report) -> dict:
    datapackage.run(tables=tables, report=report, out=folder / "datapackage.json")
    return {one["path"]: one for one in read_json(folder / "datapackage.json")["resources"]}


def faults(folder) -> list:
    """What the referee finds wrong: names, types, keys, sizes and hashes."""
    report = frictionless.validate(str(folder / "datapackage.json"))
    return report.flatten(["name", "type", "rowNumber", "fieldName", "message"]) + [one.to_dict() for one in report.errors]


def test_every_table_of_a_run_is_as_described(tmp_path):
    write_coop(tmp_path, rows=passes_of(shift_m=0.05))
    settings = config(tmp_path)
    settings["inputs"]["rows"]["kind"] = "planted"  # so that there is an audit
    run_steps(settings, tmp_path)
    results = tmp_path / "results"
    tables = sorted(results.glob("*.csv"))
    said = described(results, tables, tmp_path / "work/settings/report.json")
    assert sorted(said) == [path.name for path in tables] and len(said) == 6
    assert faults(results) == []
    assert len(pd.read_csv(results / "audit.csv")) > 0


def test_hostile_names_empty_tables_and_unforeseen_columns(tmp_path):
    said = described(tmp_path, *results_of(tmp_path))
    assert faults(tmp_path) == []
    kinds = {one["name"]: one["type"] for one in said["choice_days.csv"]["schema"]["fields"]}
    assert kinds == {"field_id": "string", "day_utc": "date", "sent_m": "string", "money_per_ha": "number"}
    rows = frictionless.Package(str(tmp_path / "datapackage.json")).get_resource("field-tier").read_rows()
    assert [row["field_id"] for row in rows] == [safe_text(name) for name in HOSTILE]
    assert rows[0][c.ROW_COUNT] == 0 and rows[1][c.HOLDS_M] is None


@pytest.mark.parametrize(("before", "after"), [(b"sbas", b"sbaz"), (b",2.25,", b",two,"), (b"row_count,", b"rows,")])
def test_the_referee_finds_a_table_that_is_not_as_described(tmp_path, before, after):
    described(tmp_path, *results_of(tmp_path))
    assert faults(tmp_path) == []
    table = tmp_path / "field_tier.csv"
    text = table.read_bytes().replace(b",2.250000,", b",2.25,")
    assert before in text
    table.write_bytes(text.replace(before, after, 1))
    assert faults(tmp_path) != []


def test_every_column_that_a_run_writes_has_its_meaning(tmp_path):
    write_coop(tmp_path, rows=passes_of(shift_m=0.05))
    tables = run_steps(config(tmp_path), tmp_path)
    for table in tables.values():
        for name in table:
            one = words_of(name)
            assert one.kind and one.meaning != name.replace("_", " "), name


@pytest.mark.parametrize(("name", "unit"), [
    ("row_length_m", "m"), ("area_m2", "m2"), ("bearing_deg", "deg"), ("wait_min", "min"), ("miss_share_p10", "1"),
    ("checks_fit_tier_p", "1"), ("expected_miss_share_before", "1"), ("share", "1"), ("probability_within", "1"),
    ("farm", ""), ("row_count", ""), ("shift_east_sd_m", "m"), ("checked_holds_m", "m"),
])  # fmt: skip
def test_the_unit_is_the_end_of_the_name(name, unit):
    """As README, "Columns of the tables", has them: SI, shares from 0 to 1."""
    assert words_of(name).unit == unit


def test_equal_tables_give_equal_bytes(tmp_path):
    tables, report = results_of(tmp_path)
    written = []
    for order in (tables, tables[::-1]):
        described(tmp_path, order, report)
        written.append((tmp_path / "datapackage.json").read_bytes())
    assert written[0] == written[1]
    write_bytes(report, to_json({"title": "Another", "units": "us"}))
    described(tmp_path, tables, report)
    assert (tmp_path / "datapackage.json").read_bytes() != written[0]
