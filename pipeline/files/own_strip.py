"""Which strip is a planted row's own: the nearest, or the one with its pass number."""

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from pipeline import columns as c
from pipeline.core.show import so_many
from pipeline.core.turned import turned
from pipeline.errors import InputError

# With identity from pass numbers a row may lie this many row spacings from its strip and still be measured.
FARTHEST_OWN_STRIP = 4.0
_UNITS_PER_PASS = 1000


@dataclass(frozen=True)
class LaidSide:
    """What is laid out of one operation in a field.

    Attributes
    ----------
    passes : GeoDataFrame
        A line a pass.
    units : DataFrame
        One line a row unit of a pass.
    lines : GeoDataFrame
        Lines of those units, cut to the field and into stretches; `row` is the unit that each is of.
    stretches : DataFrame
        Stretches of the passes.
    """

    passes: gpd.GeoDataFrame
    units: pd.DataFrame
    lines: gpd.GeoDataFrame
    stretches: pd.DataFrame


def own_strip_columns(
    sides: dict[str, LaidSide], *, by_pass_id: bool, led_by_m: tuple[float, float] | None = None
) -> dict[str, gpd.GeoDataFrame]:
    """Lines with the columns by which a planted line finds its own strip.

    Parameters
    ----------
    sides : dict of "planter" and "strip" to LaidSide
    by_pass_id : bool
        Whether pass numbers correspond, or the nearest strip is the own one.
    led_by_m : tuple of float, optional
        Where the planter was led by the strips and its lines then moved by a difference of frames: by how much [m]. A row's
        own strip is the one that led it, however far it has been moved.

    Raises
    ------
    InputError
        If pass numbers are said to correspond and a pass has other row counts in the two layers.
    """
    keys = {name: np.full(len(side.units), -1) for name, side in sides.items()}
    if by_pass_id:
        keys = _keys(sides)
    elif led_by_m is not None:
        keys = _leading_strips(sides, led_by_m)
    named = by_pass_id or led_by_m is not None
    out = {}
    for name, side in sides.items():
        of_line = side.lines[c.ROW].to_numpy(int)
        spacing = side.units[c.ROW_SPACING_M].to_numpy(float)[of_line]
        reach = spacing * (FARTHEST_OWN_STRIP if named else 0.5)
        own = keys[name].astype(np.int64)[of_line]
        out[name] = side.lines.assign(**{c.OWN_REACH_M: reach, c.OWN_KEY: own})
    return out


def _leading_strips(sides: dict[str, LaidSide], moved_m: tuple[float, float]) -> dict[str, np.ndarray]:
    """Number of each strip, and of the strip that led each planted row: the nearest to it before it was moved."""
    strips, rows = sides["strip"], sides["planter"]
    out = {"strip": np.arange(len(strips.units)), "planter": np.full(len(rows.units), -1)}
    if not len(strips.lines) or not len(rows.lines):
        return out
    lines = np.asarray(rows.lines.geometry.values, object)
    # One place of each row will do: a planned row follows one strip from end to end.
    longest = pd.Series(shapely.length(lines)).groupby(rows.lines[c.ROW].to_numpy(np.int64)).idxmax()
    middle = shapely.line_interpolate_point(lines[longest.to_numpy()], 0.5, normalized=True)
    places = shapely.transform(middle, lambda xy: xy - np.array(moved_m))
    row, strip = shapely.STRtree(strips.lines.geometry.values).query_nearest(places, all_matches=False)
    out["planter"][longest.index.to_numpy()[row]] = strips.lines[c.ROW].to_numpy(np.int64)[strip]
    return out


def _keys(sides: dict[str, LaidSide]) -> dict[str, np.ndarray]:
    """One number a (pass number, unit on the ground, counted from the strip's left)."""
    check_pass_ids({name: side.passes for name, side in sides.items()})
    ids = pd.unique(pd.concat([side.passes[c.PASS_ID] for side in sides.values()]))
    number = {pass_id: k for k, pass_id in enumerate(ids)}
    against = _turned(sides)
    keys = {}
    for name, side in sides.items():
        passes, units = side.passes, side.units
        of_pass, unit = units[c.PASS].to_numpy(int), units[c.UNIT].to_numpy(int)
        mirrored = passes[c.ROW_COUNT].to_numpy(int)[of_pass] - 1 - unit
        place = passes[c.PASS_ID].map(number).to_numpy(int)[of_pass]
        keys[name] = place * _UNITS_PER_PASS + np.where(against[name][of_pass], mirrored, unit)
    return keys


def _turned(sides: dict[str, LaidSide]) -> dict[str, np.ndarray]:
    """Of each pass, whether it runs against the first strip pass of its number."""
    strips, rows = sides["strip"].passes, sides["planter"].passes
    out = {name: np.zeros(len(side.passes), bool) for name, side in sides.items()}
    strips_of, rows_of = (passes.groupby(c.PASS_ID, sort=False).indices for passes in (strips, rows))
    for pass_id in strips_of.keys() & rows_of.keys():
        mine, theirs = strips_of[pass_id], rows_of[pass_id]
        spacing_m = float(rows[c.ROW_SPACING_M].to_numpy(float)[theirs].max())
        width_m = spacing_m * int(rows[c.ROW_COUNT].to_numpy(int)[theirs[0]])
        out["strip"][mine], out["planter"][theirs] = turned(
            strips.geometry.to_numpy()[mine], rows.geometry.to_numpy()[theirs],
            width_m=width_m, reach_m=FARTHEST_OWN_STRIP * spacing_m,
        )  # fmt: skip
    return out


def check_pass_ids(sides: dict[str, pd.DataFrame]) -> None:
    """Refuse passes of a field whose numbers do not correspond.

    Parameters
    ----------
    sides : dict of "planter" and "strip" to passes

    Raises
    ------
    InputError
        If a pass has no number, no number is in both, or a pass has other row counts in the two.
    """
    check_numbered(sides)
    named = {name: set(passes[c.PASS_ID]) for name, passes in sides.items()}
    if named["planter"] and named["strip"] and not named["planter"] & named["strip"]:
        raise InputError(
            f"judging.own_strip: pass_id, but no planter pass has the number of a strip pass (planter: "
            f"{min(named['planter'])} ..., strips: {min(named['strip'])} ...); use 'nearest'"
        )
    counts = dict(zip(sides["strip"][c.PASS_ID], sides["strip"][c.ROW_COUNT], strict=True))
    for passes in sides.values():
        _check_counts(passes, counts)


def check_numbered(sides: dict[str, pd.DataFrame]) -> None:
    """Refuse passes without a number.

    Raises
    ------
    InputError
        With the side that has some.
    """
    for name, passes in sides.items():
        unnamed = int(passes[c.PASS_ID].str.startswith(c.UNNAMED).sum())
        if unnamed:
            raise InputError(
                f"judging.own_strip: pass_id, but {unnamed} of {so_many(len(passes), f'{name} pass', f'{name} passes')} "
                "have no pass_id; map the column and fill in what is missing, or use 'nearest'"
            )


def _check_counts(passes: pd.DataFrame, counts: dict) -> None:
    for pass_id, rows in zip(passes[c.PASS_ID], passes[c.ROW_COUNT], strict=True):
        if counts.get(pass_id, rows) != rows:
            raise InputError(
                f"judging.own_strip: pass_id, but pass '{pass_id}' has {rows} planted rows and {counts[pass_id]} strips; "
                "use 'nearest' where planter and bar differ in width; single lines need a pass_id each"
            )
