"""What a step is told: the settings of the run, and which fields a batch has."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from pipeline.core.response import Response
from pipeline.core.tier import Tier
from pipeline.files.catalogue import tier_from_json
from pipeline.files.store import read_json


@dataclass(frozen=True)
class Settings:
    """Tiers and judging of a run, as `intake` resolved them into SI."""

    tiers: dict[str, Tier]
    compare: list[str]
    autumn: str
    kind: str
    row_margin_m: float
    row_miss_share: float
    steering_95_m: tuple[float, float]
    seed: int
    machine_95_m: float
    base_shift_95_m: float
    enough_share: float
    next_checks: int
    starts_per_day: float
    working_day_s: float
    response: Response | None = None
    waited_share: float = 0.0

    @property
    def names(self) -> dict[str, str]:
        """What people call the tiers, in the order compared."""
        return {tier: self.tiers[tier].name for tier in self.compare}

    @classmethod
    def read(cls, tiers: Path, *, losses: Path | None = None) -> "Settings":
        """From tiers.json, and losses.json where losses are asked for."""
        said, lost = read_json(tiers), read_json(losses) if losses else {}
        catalogue = {name: tier_from_json(tier) for name, tier in said.pop("tiers").items()}
        both = {"steering_95_m": tuple(said["steering_95_m"])}
        curve = lost.get("response")
        points = curve and (np.array(curve[name], float) for name in ("distance_m", "loss"))
        response = points and Response(*points, measured_m=curve["measured_to_m"])
        return cls(tiers=catalogue, response=response, waited_share=lost.get("waited_share", 0.0), **(said | both))


def fields_of(passes: Path, *, only: str | None = None) -> list[Path]:
    """The fields' folders in a batch's folder, sorted; the one named alone where one is."""
    return sorted(path for path in passes.iterdir() if path.is_dir() and only in (None, path.name))
