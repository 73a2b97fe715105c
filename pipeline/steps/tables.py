"""The three tables: per row, per planter pass and per field, each of them per tier."""

from pathlib import Path

import pandas as pd

from pipeline import columns as c
from pipeline.core.figures import summed, with_shares
from pipeline.errors import CheckError
from pipeline.files.log import run_step
from pipeline.files.store import read_frame, write_csv

# Lengths of the classes must add up to the row length to this share.
BALANCE_SHARE = 1e-6


def run(
    *, odds: list[Path], overlap: list[Path], fields: Path, rows: Path, passes: Path, waiting: Path, shift: Path,
    audit: Path,
) -> None:
    """Join both routes and write the tables.

    Parameters
    ----------
    odds, overlap : list of Path
        Of all batches.
    fields, rows, passes, waiting, shift, audit : Path
        Tables to write.
    """
    by_row = _gather([folder / "rows.parquet" for folder in odds])
    counted = _gather(overlap)
    joined = by_row.merge(counted, on=[c.FIELD_ID, c.TIER, c.ROW], how="left", validate="one_to_one")
    joined[c.ROW_COUNT] = 1
    _check_balance(joined)
    facts = _gather([folder / "fields.parquet" for folder in odds])
    order = {tier: k for k, tier in enumerate(facts[c.TIER].unique())}
    whole = facts.merge(
        summed(joined, [c.FIELD_ID, c.TIER]), on=[c.FIELD_ID, c.TIER], how="left", validate="one_to_one"
    )
    # A field without planted rows keeps its line, with nothing in it.
    figures = [name for name in whole if name not in facts]
    figures = [name for name in figures if name not in c.CHECKED_FIELD]
    whole = whole.fillna(dict.fromkeys(figures, 0)).astype({c.ROW_COUNT: int, c.ROWS_MISSED: int})
    shares = _gather([folder / "passes.parquet" for folder in odds])
    by_pass = summed(joined, [c.FIELD_ID, c.FARM, c.PASS_ID, c.PASS, c.TIER])
    by_pass = by_pass.merge(shares, on=[c.FIELD_ID, c.TIER, c.PASS], validate="one_to_one")
    reach = facts[[c.FIELD_ID, c.TIER, c.REPEATABLE_95_M, c.BASELINE_M, c.REACH]]
    more = [*c.EXTRAS, *c.FIELD_EXTRAS, c.AREA_M2, *c.FIELD_MORE, *c.CHECKED_FIELD]
    _write(fields, whole, [c.FIELD_ID, c.FARM, c.TIER], order, more)
    for path, name, key in ((waiting, "waiting", [c.WAIT_MIN]), (shift, "shift", []), (audit, "audit", [])):
        listed = _gather([folder / f"{name}.parquet" for folder in odds])
        listed = listed.merge(facts[[c.FIELD_ID, c.TIER, c.BASELINE_M, c.REACH]], on=[c.FIELD_ID, c.TIER], how="left")
        _write_listed(path, listed, order, key)
    _write(passes, by_pass.merge(reach, on=[c.FIELD_ID, c.TIER]), [c.FIELD_ID, c.FARM, c.PASS_ID, c.PASS, c.TIER], order,
           [*c.EXTRAS, *c.CHECKED_ROW])  # fmt: skip
    joined = with_shares(joined.merge(reach, on=[c.FIELD_ID, c.TIER]))
    keys = [c.FIELD_ID, c.FARM, c.PASS_ID, c.PASS, c.UNIT, c.ROW, c.TIER]
    _write(rows, joined, keys, order, [*c.EXTRAS, c.TIGHT, *c.ROW_MORE, *c.CHECKED_ROW])


def _gather(paths: list[Path]) -> pd.DataFrame:
    return pd.concat([read_frame(path) for path in paths], ignore_index=True)


def _check_balance(rows: pd.DataFrame) -> None:
    parts = rows[[c.HOLDS_M, c.DOUBT_M, c.MISSES_M, c.NO_STRIP_M, c.CROSSING_M]].sum(axis=1)
    off = (parts - rows[c.ROW_LENGTH_M]).abs() > BALANCE_SHARE * rows[c.ROW_LENGTH_M] + 1e-6
    if off.any():
        bad = rows[off].iloc[0]
        raise CheckError(
            f"field '{bad[c.FIELD_ID]}', pass {bad[c.PASS_ID]}, unit {bad[c.UNIT]}, tier {bad[c.TIER]}: the classes add up "
            f"to {parts[off].iloc[0]:.4f} m of {bad[c.ROW_LENGTH_M]:.4f} m of row; this is a fault of ours, please report it"
        )


def _write(path: Path, table: pd.DataFrame, keys: list[str], order: dict, extras: list[str] = c.EXTRAS) -> None:
    sort = [key for key in keys if key not in (c.FARM, c.TIER, c.PASS_ID)]
    table = table.assign(_order=table[c.TIER].map(order)).sort_values([*sort, "_order"], kind="stable")
    counts = table[c.CHECKED_ROWS_MISSED]  # whole numbers, or nothing where nobody dug
    table = table.assign(**{c.CHECKED_ROWS_MISSED: counts.astype("Int64").astype(object)})
    figures = [name for name in c.FIGURES if name in table]
    write_csv(path, table[[*keys, *figures, *(name for name in extras if name not in keys)]])


def _write_listed(path: Path, table: pd.DataFrame, order: dict, keys: list[str]) -> None:
    """Write a table that has lines of its own for each field and tier."""
    table = table.assign(_order=table[c.TIER].map(order)).sort_values([c.FIELD_ID, "_order", *keys], kind="stable")
    write_csv(path, table.drop(columns="_order").astype(dict.fromkeys(keys, int)))


if __name__ == "__main__":
    job = snakemake  # type: ignore[name-defined]  # noqa: F821
    run_step(
        lambda: run(
            odds=[Path(p).parent for p in job.input.odds], overlap=[Path(p) for p in job.input.overlap],
            fields=Path(job.output.fields), rows=Path(job.output.rows), passes=Path(job.output.passes),
            waiting=Path(job.output.waiting), shift=Path(job.output.shift), audit=Path(job.output.audit),
        ),
        log=job.log[0],
    )  # fmt: skip
