"""Tables put together from parts: as if they had been written whole."""

import numpy as np
import pandas as pd
import pytest

from pipeline import columns as c
from pipeline.files.store import write_csv
from pipeline.files.table_parts import join_parts, write_parts


def lines(field_id: str, **more) -> pd.DataFrame:
    """Two lines of a field."""
    said = {c.FIELD_ID: [field_id] * 2, c.ROW: [0, 1], c.ROW_LENGTH_M: [1.5, 1e-9], "said": ["a,b", None]}
    return pd.DataFrame(said | more)


@pytest.fixture
def joined(tmp_path):
    """A function that writes parts, joins them, and returns the table's bytes."""

    def join(*parts: pd.DataFrame) -> bytes:
        for number, part in enumerate(parts):
            (tmp_path / f"b{number}").mkdir()
            write_parts(tmp_path / f"b{number}", {"row_tier": part, "audit": part.iloc[:0]})
        folders = [tmp_path / f"b{number}" for number in range(len(parts))]
        join_parts(folders, "row_tier", tmp_path / "row_tier.csv")
        join_parts(folders, "audit", tmp_path / "audit.csv")
        assert (tmp_path / "audit.csv").read_text() == "field_id,row,row_length_m,said\n"
        return (tmp_path / "row_tier.csv").read_bytes()

    return join


def test_parts_make_the_table_that_would_be_written_whole(joined, tmp_path):
    ids = ["F10", "F2", "\u00c4cker \u2013 1", "=SUM(A1)", "a,\"b\"\nc"]
    parts = [pd.concat([lines(name) for name in sorted(some)]) for some in (ids[:2], ids[2:])]
    whole = pd.concat(parts, ignore_index=True).sort_values([c.FIELD_ID, c.ROW], kind="stable")
    write_csv(tmp_path / "whole.csv", whole)
    assert joined(*parts) == (tmp_path / "whole.csv").read_bytes()


def test_a_column_reads_alike_whatever_a_batch_happens_to_hold(joined):
    # Whole metres in one batch, a fraction in the other; a count that is missing in one.
    one = lines("F1", row=[2, 3], row_length_m=[3, 4])
    other = lines("F2", row=[np.nan, 1.0], row_length_m=[np.nan, 0.5])
    text = joined(one, other).decode().splitlines()
    assert [line.split(",")[1:3] for line in text[1:]] == [["2", "3.000000"], ["3", "4.000000"], ["", ""], ["1", "0.500000"]]
