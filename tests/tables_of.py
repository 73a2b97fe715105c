"""Invented results: a folder of tables with the columns that a run has, hostile names and a table nobody foresaw."""

from pathlib import Path

import pandas as pd

from pipeline import columns as c
from pipeline.files.store import to_json, write_bytes, write_csv

# Markup, quotes, formulas, an escape that spreadsheets know, and what no table may hold as it is.
HOSTILE = ["<script>alert(1)</script>", '=HYPERLINK("x")', " +1+cmd", "-2 \u00bd", "@SUM(A1)", "a,\"b\"", "_x0041_", "5 < 6"]
NUMBERS = [
    *c.FIGURES, *c.EXTRAS[:-1], *c.FIELD_EXTRAS, *c.FIELD_MORE[1:], *c.CHECKED_FIELD,
]  # fmt: skip


def results_of(folder: Path, *, units: str = "us") -> tuple[list[Path], Path]:
    """`field_tier`, `shift`, an empty `audit`, a `choice_days` with columns that nobody foresaw, and settings."""
    fields = pd.DataFrame({c.FIELD_ID: HOSTILE, c.FARM: "Invented", c.TIER: "sbas"})
    for number, name in enumerate(NUMBERS):
        fields[name] = [number] * len(HOSTILE) if name in c.COUNTS else [number + 0.25, None] * (len(HOSTILE) // 2)
    shift = pd.DataFrame({c.FIELD_ID: ["F0"], c.EAST_M: [0.0254], c.WHOLE: [True], c.AREA_M2: [40_468.564224]})
    audit = pd.DataFrame({name: pd.Series(dtype=object) for name in c.AUDIT})
    days = pd.DataFrame({c.FIELD_ID: ["F0"], c.DAY_UTC: ["2026-04-20"], "sent_m": ["text"], "money_per_ha": [12.5]})
    tables = {"field_tier": fields, "shift": shift, "audit": audit, "choice_days": days}
    for name, table in tables.items():
        write_csv(folder / f"{name}.csv", table)
    write_bytes(folder / "report.json", to_json({"title": "Invented & <sons>", "units": units}))
    return [folder / f"{name}.csv" for name in tables], folder / "report.json"
