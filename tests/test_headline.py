"""What a run prints says shares as the report does: the rounding is worked out here, by hand."""

import numpy as np
import pandas as pd

from pipeline import columns as c
from pipeline.files.headline import MOST_FIELDS, headline

#: Half up as at school; what is little but not nothing, or nearly but not quite all, is neither 0 nor 100.
WANTED = {0.0: "0 %", 0.001: "<1 %", 0.005: "1 %", 0.125: "13 %", 0.145: "15 %", 0.5: "50 %", 0.997: ">99 %", 1.0: "100 %"}


def tables_in(folder, shares, *, checks=0, reach="in reach", checked=0.001) -> str:
    known = {c.P10: 0.125, c.P90: 0.997, c.CHECKED_SHARE: checked}
    known |= dict(zip(c.CHECKED_SHARES, (0.0, 0.001, 0.145), strict=True))
    # Where the expected share is missing the table has none of the others either.
    figures = {name: np.where(np.isnan(shares), np.nan, one) for name, one in known.items()}
    pd.DataFrame({
        c.FIELD_ID: [f"F{k}" for k in range(len(shares))], c.TIER: "any", c.REACH: reach, c.CHECK_COUNT: checks,
        c.EXPECTED_MISS_SHARE: shares, **figures,
    }).to_csv(folder / "field_tier.csv", index=False)  # fmt: skip
    return headline(folder)


def cells(said: str) -> dict[str, str]:
    lines = [line.split(maxsplit=1) for line in said.splitlines() if line.startswith("F") and len(line.split()) in (2, 3)]
    return dict(lines)


def test_shares_read_as_they_do_in_the_report(tmp_path):
    assert cells(tables_in(tmp_path, list(WANTED))) == {f"F{k}": text for k, text in enumerate(WANTED.values())}


def test_a_field_without_rows_on_strips_has_no_share(tmp_path):
    said = tables_in(tmp_path, [0.0, np.nan], checks=[0, 2])
    assert cells(said) == {"F0": "0 %", "F1": "-"}
    assert "F1  any - (- to -) - (- to -) after 2 ground checks" in " ".join(said.replace("   ", " ").splitlines())


def test_before_and_after_the_checks_are_rounded_alike(tmp_path):
    said = tables_in(tmp_path, [0.145], checks=1)
    assert "15 % (13 % to >99 %) <1 % (0 % to 15 %) after 1 ground check" in said


def test_out_of_reach_is_marked_beside_the_share(tmp_path):
    said = tables_in(tmp_path, [0.125, np.nan], reach=[c.OUT_OF_REACH, "in reach"])
    assert cells(said) == {"F0": "13 %*", "F1": "-"}


def test_of_many_fields_with_checks_those_that_miss_most_after_them_are_told(tmp_path):
    said = tables_in(tmp_path, [0.5] * (MOST_FIELDS + 1), checks=1, checked=[0.1] * MOST_FIELDS + [0.9])
    told = said.partition("before and after the ground checks")[2]
    assert f"F{MOST_FIELDS}" in told.split()
    assert told.count("after 1 ground check") == MOST_FIELDS


def test_of_many_fields_the_worst_are_told_and_how_many_more_there_are(tmp_path):
    shares = [k / 100 for k in range(MOST_FIELDS)] + [0.99, 0.98]
    said = tables_in(tmp_path, shares, checks=[1] * (MOST_FIELDS + 1) + [0])
    told = [name for name, cell in cells(said).items() if cell.endswith("%")]
    assert told == sorted(f"F{k}" for k in range(2, MOST_FIELDS + 2))
    assert f"These {MOST_FIELDS} of {MOST_FIELDS + 2} fields miss most under their best tier" in said
    assert "And 1 field more with ground checks, in field_tier.csv." in said
    assert said.count("after 1 ground check") == MOST_FIELDS
