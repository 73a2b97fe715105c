"""What a step is told: the settings of the run, and which fields a batch has."""

from dataclasses import dataclass
from pathlib import Path

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

    @classmethod
    def read(cls, path: Path) -> "Settings":
        """From tiers.json."""
        said = read_json(path)
        tiers = {name: tier_from_json(tier) for name, tier in said.pop("tiers").items()}
        return cls(tiers=tiers, **(said | {"steering_95_m": tuple(said["steering_95_m"])}))


def fields_of(passes: Path, *, only: str | None = None) -> list[Path]:
    """The fields' folders in a batch's folder, sorted; the one named alone where one is."""
    return sorted(path for path in passes.iterdir() if path.is_dir() and only in (None, path.name))
