"""A layer of strips or rows that holds a log: its points become passes, or rejects with their reasons."""

from dataclasses import replace

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from pipeline import columns as c
from pipeline.core.local import from_local, local_crs, to_geographic, to_local
from pipeline.core.point_log import LoggedPasses, LogRules, PointLog, passes_of
from pipeline.errors import InputError
from pipeline.files.layer_models import POINT_COLUMNS, LogModel
from pipeline.files.layers import LINES, LINES_OR_POINTS, Layer, read_layer
from pipeline.files.units import LENGTH, SPEED, to_si
from pipeline.files.values import seconds_of

# What may not change within a pass; a fix that flickers may.
_SETTING = (c.ROW_COUNT, "row_spacing", "strip_width", c.TIER, c.FRAME, c.EPOCH)
_TIMES = ("started_at", "ended_at")
# A turn has no larger radius than this share of the implement's width, however wide it is. ASSUME
_WIDTHS = 0.6


def read_passes(source, log: LogModel, *, role: str, known: tuple[str, ...]) -> Layer:
    """Passes of a layer of lines as they are, or of a layer of points as rebuilt from it.

    A layer that holds any line is one of lines: a point in it is a reject.

    Raises
    ------
    InputError
        As `read_layer`; also if no pass can be made of the points, or a time, speed or heading is unreadable.
    """
    found = read_layer(source, role=role, kind=LINES_OR_POINTS, known=(*known, *POINT_COLUMNS))
    place = f"inputs.{role}: {found.place}"
    line = np.isin(shapely.get_type_id(found.kept.geometry.values), LINES)
    if line.any() or len(found.kept) == 0:
        found = found.reject(~line, "geometry is not of the kind expected here, lines")
        return replace(found, kept=found.kept.drop(columns=[*POINT_COLUMNS], errors="ignore"))
    return passes_from_points(found, log, place=place)


def passes_from_points(found: Layer, log: LogModel, *, place: str) -> Layer:
    """The layer with passes in the place of its points.

    Parameters
    ----------
    found : Layer
        Points by our column names, in any CRS. `started_at` is the time of the point.
    log : LogModel
        Rules of the configuration.
    place : str
        Where the layer is, for errors.

    Returns
    -------
    Layer
        `kept` are passes with the columns that lines have; `points` says which point ended in which.
    """
    single = shapely.get_num_geometries(found.kept.geometry.values) == 1
    found = found.reject(~single, "several points in one feature")
    points = found.kept.set_geometry(shapely.get_geometry(found.kept.geometry.values, 0), crs=found.kept.crs)
    moments = _moments(points, place)
    wkt = points.crs.to_wkt()
    middle = to_geographic(points.geometry.values, wkt)
    west, south, east, north = shapely.total_bounds(middle)
    plane = local_crs(0.5 * (west + east), 0.5 * (south + north))
    made = passes_of(_log(points, to_local(points.geometry.values, wkt, plane), moments, place), rules_of(log, points))
    if len(made.lines) == 0:
        raise InputError(
            f"{place}: no pass can be made of its {len(points)} points; most of them: '{_commonest(made.reason)}'. "
            "Is the order of the points that of the log? Map record or started_at under columns, or widen the limits "
            "under log"
        )
    shape = from_local(made.lines, plane, wkt)
    kept = _passes(points.drop(columns=[*POINT_COLUMNS], errors="ignore"), made, moments, shape)
    ended = pd.Series(made.pass_of, index=points.index)
    found = replace(found, kept=points).reject(made.pass_of < 0, made.reason)
    return replace(found, kept=kept, points=ended[ended >= 0], places=points.geometry[ended >= 0])


def rules_of(log: LogModel, points: pd.DataFrame) -> LogRules:
    """Rules in SI; without a turn radius of its own, that of the core or a share of the implement's width."""
    given = {name: value for name, value in log.model_dump().items() if value is not None}
    if log.turn_radius_m is None:
        given["turn_radius_m"] = max(LogRules.turn_radius_m, _WIDTHS * _width_m(points))
    return LogRules(**given)


def _width_m(points: pd.DataFrame) -> float:
    """Usual width of the implement [m]; 0 where unknown. An unreadable spacing is named later, with its feature."""
    if c.ROW_COUNT not in points or "row_spacing" not in points:
        return 0.0
    try:
        spacing = points["row_spacing"].iloc[0]
        spacing_m = float(spacing) if not isinstance(spacing, str) else to_si(spacing, kind=LENGTH)
    except (ValueError, TypeError):
        return 0.0
    width = pd.to_numeric(points[c.ROW_COUNT], errors="coerce").median() * spacing_m
    return float(width) if np.isfinite(width) and width < 80.0 else 0.0


def _log(points: gpd.GeoDataFrame, local: np.ndarray, moments: pd.DataFrame, place: str) -> PointLog:
    settings = [name for name in _SETTING if name in points and points[name].nunique(dropna=False) > 1]
    setting = points.groupby(settings, dropna=False, sort=True).ngroup().to_numpy() if settings else None
    column = {name: points[name].to_numpy() if name in points else None for name in (c.PASS_ID, c.FIELD_ID)}
    return PointLog(
        shapely.get_coordinates(local), time_s=moments["started_at"].to_numpy(), setting=setting,
        number=column[c.PASS_ID], group=column[c.FIELD_ID],
        speed_m_s=_numbers(points, "speed", place), heading_deg=_numbers(points, "heading", place),
        record=_numbers(points, "record", place),
    )  # fmt: skip


def _moments(points: pd.DataFrame, place: str) -> pd.DataFrame:
    """Start and end of each point [s since 1970], missing where they are."""
    out = pd.DataFrame(np.nan, index=points.index, columns=list(_TIMES))
    for name in _TIMES:
        if name not in points:
            continue
        out[name] = seconds_of(points[name], place, name)
    out["started_at"] = out["started_at"].fillna(out["ended_at"])
    return out.assign(ended_at=out["ended_at"].fillna(out["started_at"]))


def _numbers(points: pd.DataFrame, name: str, place: str) -> np.ndarray | None:
    """A column as numbers, speeds also with their unit; an unreadable one is an error."""
    if name not in points:
        return None
    values = points[name]
    try:
        if name == "speed" and not pd.api.types.is_numeric_dtype(values):
            return values.map(lambda v: np.nan if pd.isna(v) else to_si(v, kind=SPEED), na_action=None).to_numpy(float)
        return pd.to_numeric(values).to_numpy(float, na_value=np.nan)
    except (ValueError, TypeError) as error:
        raise InputError(f"{place}: {name} cannot be read as a number ({error}); map another column") from error


def _passes(points: gpd.GeoDataFrame, made: LoggedPasses, moments: pd.DataFrame, shape: np.ndarray) -> gpd.GeoDataFrame:
    """One feature a pass: the values of its first point that has its usual setting, the times of all."""
    inside = made.pass_of >= 0
    mine, number = points[inside], pd.Series(made.pass_of[inside], index=points.index[inside])
    settings = [name for name in _SETTING if name in mine and mine[name].nunique(dropna=False) > 1]
    first = number
    if settings:
        size = mine.groupby([number, *(mine[name] for name in settings)], dropna=False)["geometry"].transform("size")
        first = number[size == size.groupby(number).transform("max")]
    first = first[~first.duplicated()].sort_values()
    passes = mine.loc[first.index].reset_index(drop=True).set_geometry(np.asarray(shape, object), crs=points.crs)
    times = moments[inside].groupby(number)
    start, end = times["started_at"].min(), times["ended_at"].max()
    if not (end > start).mean() > 0.5:  # dates only: no clock
        start, end = start * np.nan, end * np.nan
    for name, value in zip(_TIMES, (start, end), strict=True):
        passes[name] = pd.to_datetime(value.to_numpy(), unit="s", utc=True)
    return passes


def _commonest(reasons: np.ndarray) -> str:
    named, count = np.unique(reasons.astype(str), return_counts=True)
    return str(named[np.argmax(count)])
