"""The tables are what `datapackage.json` says: by the reference implementation of the Frictionless standards."""

import frictionless
import pandas as pd
import pytest
import shapely
from tables_of import HOSTILE, results_of
from test_choice import COSTS
from workflow import config, layer_of, passes_of, run_steps, write_coop

from pipeline import columns as c
from pipeline.files.store import read_geo, read_json, to_json, write_bytes, write_csv
from pipeline.files.table_meanings import OF_TABLE, TABLES
from pipeline.files.table_words import table_words, words_of
from pipeline.files.texts import safe_text
from pipeline.steps import choice, datapackage
from pipeline.steps.layers import rejects_table


def described(folder, tables, report) -> dict:
    datapackage.run(tables=tables, report=report, out=folder / "datapackage.json")
    return {one["path"]: one for one in read_json(folder / "datapackage.json")["resources"]}


def faults(folder) -> list:
    """What the referee finds wrong: names, types, keys, sizes and hashes."""
    report = frictionless.validate(str(folder / "datapackage.json"))
    return report.flatten(["name", "type", "rowNumber", "fieldName", "message"]) + [one.to_dict() for one in report.errors]


@pytest.fixture(scope="module")
def run(tmp_path_factory):
    """A folder in which all tables of a run lie, none of them empty."""
    folder = tmp_path_factory.mktemp("run")
    nowhere = shapely.LineString([(500.0, 500.0), (600.0, 500.0)])  # far from any field
    write_coop(folder, strips=pd.concat([passes_of(), layer_of([nowhere], PASS=["P9"])]), rows=passes_of(shift_m=0.05))
    settings = config(folder)
    settings["inputs"]["rows"]["kind"] = "planted"  # so that there is an audit
    run_steps(settings | {"costs": COSTS}, folder)
    results = folder / "results"
    choice.run(
        odds=sorted((folder / "work/odds").iterdir()), settings=folder / "work/settings/choice.json",
        choice=results / "choice.csv", parts=results / "choice_parts.csv", sensitivity=results / "choice_sensitivity.csv",
    )  # fmt: skip
    write_csv(results / "rejects.csv", rejects_table(read_geo(folder / "work/rejects.parquet")))
    return folder


def test_every_table_of_a_run_is_as_described(run):
    results = run / "results"
    tables = sorted(results.glob("*.csv"))
    said = described(results, tables, run / "work/settings/report.json")
    assert sorted(said) == [path.name for path in tables] and len(said) == 10
    assert faults(results) == []
    for table in tables:  # of planted rows no shift is to be given
        assert len(pd.read_csv(table)) > 0 or table.name == "shift.csv", table.name


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


# Numbers without a unit: counts of things, numbers of a thing, a factor, and what has its unit in a column of its own.
BARE = c.COUNTS | {c.DAY, c.QUANTITY, c.FLIPS["below"][0], c.FLIPS["above"][0]}


def test_every_column_that_a_run_writes_has_its_meaning_and_its_unit(run):
    written = {path.stem: pd.read_csv(path, nrows=0).columns.tolist() for path in (run / "results").glob("*.csv")}
    assert set(written) == set(TABLES)
    assert (written["choice"], written["choice_parts"]) == (c.CHOICE, c.CHOICE_PARTS)
    assert written["choice_sensitivity"] == c.CHOICE_FLIPS
    for table, columns in written.items():
        assert table_words(table)[0] != table.replace("_", " ").capitalize()
        for name in columns:
            one = words_of(name, table=table)
            assert one.kind and one.meaning != name.replace("_", " "), name
            assert one.unit or one.kind not in ("number", "integer") or name in BARE, name


def test_a_column_means_what_it_means_in_its_table(run):
    """By README: `reason` of rejects and of the choice, `part` of the audit and of a total."""
    said = described(run / "results", sorted((run / "results").glob("*.csv")), run / "work/settings/report.json")
    meant = {
        (table, one["name"]): one["description"]
        for table, resource in said.items() for one in resource["schema"]["fields"]
    }  # fmt: skip
    assert "not used" in meant["rejects.csv", c.REASON] and "recommended" not in meant["rejects.csv", c.REASON]
    assert "recommended" in meant["choice.csv", c.REASON] and "not used" not in meant["choice.csv", c.REASON]
    assert "offsets" in meant["audit.csv", c.PART] and "total" not in meant["audit.csv", c.PART]
    assert "total" in meant["choice_parts.csv", c.PART] and "offsets" not in meant["choice_parts.csv", c.PART]
    # What is said of one table's column is said of one that it has.
    written = {path.stem: pd.read_csv(path, nrows=0).columns for path in (run / "results").glob("*.csv")}
    assert all(name in written[table] for table, name in OF_TABLE)


@pytest.mark.parametrize(("name", "unit"), [
    ("row_length_m", "m"), ("area_m2", "m2"), ("bearing_deg", "deg"), ("wait_min", "min"), ("miss_share_p10", "1"),
    ("checks_fit_tier_p", "1"), ("expected_miss_share_before", "1"), ("share", "1"), ("probability_within", "1"),
    ("loss_money", "currency"), ("flips_above_money", "currency"), ("break_even_ha", "ha"), ("quantity", ""),
    ("miss_share_at_standard", "1"), ("farm", ""), ("row_count", ""), ("shift_east_sd_m", "m"), ("checked_holds_m", "m"),
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
