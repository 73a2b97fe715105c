"""Invented fields as the report's step sees them: their summaries, and a report of them."""

import pandas as pd

from pipeline.files.report_page import Report
from pipeline.files.report_words import attention

NAMES = {"good": "Good", "middling": "Middling", "bad": "Bad"}


def summary(field_id: str, *, farm: str = "Invented", reach: str = "in reach", fits=None, **more) -> dict:
    shares = {"good": (0.01, 0.0, 0.03), "middling": (0.04, 0.01, 0.1), "bad": (0.5, 0.2, 0.8)} | more.pop("shares", {})
    return {
        "id": field_id, "farm": farm, "folder": field_id, "area_m2": 40_468.564224, "judged_m": 5000.0, "no_strip_m": 0.0,
        "row_m": 5000.0, "moved": "", "check_count": 0, "base_unsure": False, "baseline_m": None,
        "tiers": {
            tier: {
                "share": list(share), "checked": [None] * 3, "reach": reach if tier == "good" else "in reach", "fits": fits,
            }
            for tier, share in shares.items()
        },
    } | more  # fmt: skip


def report_of(fields: list[dict], **more) -> Report:
    """What all pages of a report of these fields share, without costs."""
    said = attention(fields, (), pd.DataFrame(), names=NAMES)
    shared = {
        "names": NAMES, "attention": said, "units": "us", "sources": "coop.gpkg", "kind": "planned", "seed": 1,
        "sections": [], "sheets": frozenset(), "chosen": {}, "asked": "", "costs": {},
    }  # fmt: skip
    return Report(title="Invented", enough_share=0.95, **(shared | more))
