"""What one field sheet shows."""

from dataclasses import dataclass, field

import numpy as np
import pandas as pd
import shapely

from pipeline import columns as c

MOST_TIERS = 12
AFTER_CHECKS = " checked"


@dataclass(frozen=True)
class SheetData:
    """All that one sheet shows.

    Attributes
    ----------
    title, field_id, farm : str
        Names, drawn as plain text whatever they hold.
    boundary : Polygon or MultiPolygon
        Field in local coordinates [m], north up.
    rows : dict
        By tier id: segments, shape (n, 2, 2) [m], and their class codes, shape (n,), uint8 (0 holds,
        1 in doubt, 2 misses, 3 no strip, 4 crossing), in the order the rows lie.
    tier_names : dict
        Name by tier id; its order is the order of maps and table.
    table : DataFrame
        This field's lines of `field_tier.csv` with `repeatable_95_m`, `baseline_m` and `reach`, and `middle_95_m`: the 95 %
        bound of the return error, with all that has a part in it, that half of the row length on strips does not pass [m].
    crs_name, date, sources, catalogue : str
        Coordinate system with its datum, what is to be said of the date, the files that data and tiers' figures are from.
    units : {"us", "metric"}
        Report units.
    area_m2, strip_width_m, row_spacing_m, row_margin_m : float
        Field area [m2]; strip width, row spacing and margin at the strip's edge [m].
    notes : tuple of str
        Remarks of this field, such as a frame shift that was applied.
    dug : ndarray, shape (n, 2)
        Where ground checks were made [m].
    next_places : dict
        By tier id: where to dig next, the most telling first, shape (k, 2) [m].
    zones : tuple of Polygon or MultiPolygon
        Parts in which a tier is worse.
    paper : {"a4", "letter"}
        Paper, landscape.
    """

    title: str
    field_id: str
    farm: str
    boundary: shapely.Polygon | shapely.MultiPolygon
    rows: dict[str, tuple[np.ndarray, np.ndarray]]
    tier_names: dict[str, str]
    table: pd.DataFrame
    crs_name: str
    date: str
    sources: str
    catalogue: str
    units: str
    area_m2: float
    strip_width_m: float
    row_spacing_m: float
    notes: tuple[str, ...] = ()
    row_margin_m: float = 0.0
    dug: np.ndarray = field(default_factory=lambda: np.zeros((0, 2)))
    next_places: dict[str, np.ndarray] = field(default_factory=dict)
    zones: tuple[shapely.Geometry, ...] = ()
    paper: str = "a4"

    def __post_init__(self) -> None:
        missing = [tier for tier in self.tier_names if tier not in set(self.table[c.TIER])]
        if missing or not 1 <= len(self.tier_names) <= MOST_TIERS:
            raise ValueError(
                f"a sheet shows 1 to {MOST_TIERS} tiers, each with a line in the table; "
                f"got {len(self.tier_names)}, without a line: {missing}"
            )
        if self.boundary.is_empty:
            raise ValueError(f"field {self.field_id!r} has an empty boundary")
