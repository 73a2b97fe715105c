"""Figures of a batch added up: per row, per planter pass and per field, each of them per tier."""

from pathlib import Path

import pandas as pd

from pipeline import columns as c
from pipeline.core.figures import of_fields, summed, with_shares, without_empty_shares
from pipeline.errors import CheckError
from pipeline.files.log import run_step
from pipeline.files.store import listed_folder, read_frame
from pipeline.files.table_parts import write_parts

# Lengths of the classes must add up to the row length to this share.
BALANCE_SHARE = 1e-6
# Tables that have lines of their own for each field and tier, and by what those are sorted.
LISTED = {"waiting": [c.WAIT_MIN], "shift": [], "audit": []}


def run(*, odds: Path, overlap: Path, out: Path) -> None:
    """Join both routes and write the batch's part of each table.

    Parameters
    ----------
    odds : Path
        Folder of that step.
    overlap : Path
        Table of that step.
    out : Path
        Folder to fill.

    Raises
    ------
    CheckError
        If the classes of a row do not add up to its length.
    """
    by_row, facts = read_frame(odds / "rows.parquet"), read_frame(odds / "fields.parquet")
    joined = by_row.merge(read_frame(overlap), on=[c.FIELD_ID, c.TIER, c.ROW], how="left", validate="one_to_one")
    joined[c.ROW_COUNT] = 1
    _check_balance(joined)
    shares = read_frame(odds / "passes.parquet")
    by_pass = summed(joined, [c.FIELD_ID, c.FARM, c.PASS_ID, c.PASS, c.TIER])
    by_pass = by_pass.merge(shares, on=[c.FIELD_ID, c.TIER, c.PASS], validate="one_to_one")
    reach = facts[[c.FIELD_ID, c.TIER, c.REPEATABLE_95_M, c.BASELINE_M, c.REACH]]
    near = facts[[c.FIELD_ID, c.TIER, c.BASELINE_M, c.REACH]]
    order = {tier: k for k, tier in enumerate(facts[c.TIER].unique())}
    tables = {
        "field_tier": _figures(of_fields(facts, joined), [c.FIELD_ID, c.FARM, c.TIER], order, [
            *c.EXTRAS, *c.FIELD_EXTRAS, c.AREA_M2, *c.FIELD_MORE, *c.CHECKED_FIELD,
        ]),
        "row_tier": _figures(
            with_shares(joined.merge(reach, on=[c.FIELD_ID, c.TIER])),
            [c.FIELD_ID, c.FARM, c.PASS_ID, c.PASS, c.UNIT, c.ROW, c.TIER], order,
            [*c.EXTRAS, c.TIGHT, *c.ROW_MORE, *c.CHECKED_ROW],
        ),
        "pass_tier": _figures(
            by_pass.merge(reach, on=[c.FIELD_ID, c.TIER]), [c.FIELD_ID, c.FARM, c.PASS_ID, c.PASS, c.TIER], order,
            [*c.EXTRAS, *c.CHECKED_ROW],
        ),
    }  # fmt: skip
    for name, keys in LISTED.items():
        listed = read_frame(odds / f"{name}.parquet").merge(near, on=[c.FIELD_ID, c.TIER], how="left")
        tables[name] = _sorted(listed, [c.FIELD_ID], order, keys)
    with listed_folder(out) as filled:
        write_parts(filled, tables)


def _check_balance(rows: pd.DataFrame) -> None:
    parts = rows[[c.HOLDS_M, c.DOUBT_M, c.MISSES_M, c.NO_STRIP_M, c.CROSSING_M]].sum(axis=1)
    off = (parts - rows[c.ROW_LENGTH_M]).abs() > BALANCE_SHARE * rows[c.ROW_LENGTH_M] + 1e-6
    if off.any():
        bad = rows[off].iloc[0]
        raise CheckError(
            f"field '{bad[c.FIELD_ID]}', pass {bad[c.PASS_ID]}, unit {bad[c.UNIT]}, tier {bad[c.TIER]}: the classes add up "
            f"to {parts[off].iloc[0]:.4f} m of {bad[c.ROW_LENGTH_M]:.4f} m of row; this is a fault of ours, please report it"
        )


def _figures(table: pd.DataFrame, keys: list[str], order: dict[str, int], extras: list[str]) -> pd.DataFrame:
    """Columns and lines of a table of figures, in their order."""
    figures = [name for name in c.FIGURES if name in table]
    wanted = [*keys, *figures, *(name for name in extras if name not in keys)]
    table = without_empty_shares(table)
    return _sorted(table, [key for key in keys if key not in (c.FARM, c.TIER, c.PASS_ID)], order, [])[wanted]


def _sorted(table: pd.DataFrame, keys: list[str], order: dict[str, int], more: list[str]) -> pd.DataFrame:
    """Lines by these keys, then by tier as compared, then by more keys."""
    ranked = table.assign(_order=table[c.TIER].map(order))
    return ranked.sort_values([*keys, "_order", *more], kind="stable").drop(columns="_order")


if __name__ == "__main__":
    job = snakemake  # type: ignore[name-defined]  # noqa: F821
    run_step(
        lambda: run(
            odds=Path(job.input.odds).parent, overlap=Path(job.input.overlap), out=Path(job.output[0]).parent
        ),
        log=job.log[0],
    )  # fmt: skip
