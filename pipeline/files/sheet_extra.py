"""What ground checks, zones and advice add to a field sheet."""

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from pipeline import columns as c
from pipeline.core.local import local_crs, to_local
from pipeline.core.show import direction_text, length_text
from pipeline.files.laid_out import LaidOut
from pipeline.files.sheet_data import AFTER_CHECKS
from pipeline.files.store import read_geo

# Bends finer than this cannot be seen on paper.
DRAWN_M = 0.5
# A smaller shift is not worth the typing [m].
LEAST_SHIFT_M = 0.01
# Layers of `bands` that hold something for a sheet, each of a whole batch.
LAYERS = ("checked_row_lines", "next_checks")


def segments_of(lines: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Segments of lines as fine as paper shows, shape (n, 2, 2), and the line each is of, (n,)."""
    xy, owner = shapely.get_coordinates(shapely.simplify(lines, DRAWN_M), return_index=True)
    joined = owner[1:] == owner[:-1]
    return np.stack([xy[:-1][joined], xy[1:][joined]], axis=1), owner[:-1][joined]


@dataclass(frozen=True)
class SheetExtra:
    """What ground checks, zones and advice add to a sheet.

    `checked` holds the rows' segments and classes after the checks by tier, `checked_figures` the lines of the table,
    `given` the shift to give the planter's lines, one line a tier.
    """

    checked: dict[str, tuple[np.ndarray, np.ndarray]]
    checked_figures: pd.DataFrame
    dug: np.ndarray
    next_places: dict[str, np.ndarray]
    zones: tuple[shapely.Geometry, ...]
    given: pd.DataFrame

    @classmethod
    def of(
        cls, field: LaidOut, layers: dict[str, gpd.GeoDataFrame], rows: pd.DataFrame, shift: pd.DataFrame
    ) -> "SheetExtra":
        """Of one field, from `LAYERS` and the tables of `odds`, all of them of the field's batch."""
        name = field.facts["field_id"]
        layers = {kind: in_plane(layers[kind], field) for kind in LAYERS}
        checks, zones = field.checks(), field.folder / "zones.parquet"
        next_places = {
            tier: shapely.get_coordinates(one.sort_values(c.DIG_PLACE).geometry.values)
            for tier, one in layers["next_checks"].groupby(c.TIER)
        }
        if checks is not None and len(checks):  # what comes next is asked of what is known now
            next_places = {_after(tier): xy for tier, xy in next_places.items()}
        return cls(
            {tier: _classified(one) for tier, one in layers["checked_row_lines"].groupby(c.TIER)},
            _checked_figures(rows[rows[c.FIELD_ID] == name]),
            np.zeros((0, 2)) if checks is None else shapely.get_coordinates(checks.geometry.values), next_places,
            tuple(read_geo(zones).geometry) if zones.exists() else (),
            shift[shift[c.FIELD_ID] == name].drop_duplicates(c.TIER),
        )  # fmt: skip

    def beside(self, names: dict, rows: dict, table: pd.DataFrame) -> tuple[dict, dict, pd.DataFrame]:
        """Names, rows and figures of every tier, and beside each what they are after the checks."""
        both = {}
        for tier, name in names.items():
            both |= {tier: name, _after(tier): f"Checked: {name}"}
        after = table.set_index(c.TIER, drop=False)
        after.update(self.checked_figures.set_index(c.TIER))
        for ours, checked in zip((c.P10, c.P50, c.P90), c.CHECKED_SHARES, strict=True):
            after[ours] = after[checked]
        after[c.TIER] = [_after(tier) for tier in after[c.TIER]]
        rows = rows | {_after(tier): drawn for tier, drawn in self.checked.items()}
        return both, rows, pd.concat([table, after], ignore_index=True)

    def shift_note(self, names: dict[str, str], units: str) -> list[str]:
        """The shift to give the planter's lines, where there is one to speak of: each tier has its own."""
        size = np.hypot(self.given[c.EAST_M], self.given[c.NORTH_M]) if len(self.given) else pd.Series(dtype=float)
        if not (size > LEAST_SHIFT_M).any():
            return []
        one, several = self.given.loc[size.idxmax()], len(self.given) > 1
        return [
            f"Shift to give the lines under {names[one[c.TIER]]}{', the largest' if several else ''}: "
            f"{length_text(float(size.max()), units=units)} "
            f"towards {direction_text(one[c.EAST_M], one[c.NORTH_M])}"
            + ("" if one[c.WHOLE] else ", across the rows only")
            + ("; each tier's in shift.csv." if several else ".")
        ]


def _after(tier: str) -> str:
    """Key of a tier after the checks; no id has a space."""
    return tier + AFTER_CHECKS


def in_plane(layer: gpd.GeoDataFrame, field: LaidOut) -> gpd.GeoDataFrame:
    """A layer's features of one field, in its own plane."""
    mine = layer[layer[c.FIELD_ID] == field.facts["field_id"]].reset_index(drop=True)
    if not len(mine):
        return mine
    local = local_crs(round(field.facts["longitude"], 7), round(field.facts["latitude"], 7))
    return mine.set_geometry(to_local(mine.geometry.values, layer.crs.to_wkt(), local), crs=local)


def _classified(lines: gpd.GeoDataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Segments of classified lines, and the class code of each."""
    codes = lines[c.CLASS].map({name: k for k, name in enumerate(c.CLASSES)}).to_numpy(np.uint8)
    segments, line = segments_of(lines.geometry.values)
    return segments, codes[line]


def _checked_figures(rows: pd.DataFrame) -> pd.DataFrame:
    """The sheet's figures after the checks by tier."""
    out = rows.groupby(c.TIER)[c.CHECKED_SUMS].sum(min_count=1)
    out = out.set_axis([c.HOLDS_M, c.DOUBT_M, c.MISSES_M, c.EXPECTED_MISS_M, c.ROWS_MISSED], axis=1)
    out[c.EXPECTED_MISS_SHARE] = out[c.EXPECTED_MISS_M] / np.maximum(out.iloc[:, :3].sum(axis=1), 1e-9)
    return out.reset_index()
