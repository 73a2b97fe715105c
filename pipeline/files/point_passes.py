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
from pipeline.files.column_values import TIMES
from pipeline.files.layer_models import POINT_COLUMNS, LogModel
from pipeline.files.layers import Layer, lengths_m
from pipeline.files.texts import shown
from pipeline.files.units import LENGTH, SPEED, to_si
from pipeline.files.values import seconds_of

# What may not change within a pass; nor may a signal get lost for as long, but told apart from these.
_SETTING = (c.ROW_COUNT, c.ROW_SPACING, c.STRIP_WIDTH, c.TIER, c.FRAME, c.EPOCH)
_NUMBERS = {c.SPEED: "m/s", c.HEADING: "degrees from north", c.RECORD: "the point's number in its log"}
# How the reasons begin of points that a line should hold; turns, stops and points without a number are no loss.
_TORN = ("jump", "alone", "pass shorter")
# A turn has no larger radius than this share of the implement's width, however wide it is. ASSUME
_WIDTHS = 0.6


def passes_from_points(found: Layer, log: LogModel, *, place: str) -> Layer:
    """The layer with passes in the place of its points.

    Parameters
    ----------
    found : Layer
        Points by our column names and `signal_lost`, in any CRS. `started_at` is the time of the point.
    log : LogModel
        Rules of the configuration.
    place : str
        Where the layer is, for errors.

    Returns
    -------
    Layer
        `kept` are passes with the columns that lines have, each under the id of its first point, so that an error on
        a pass names a feature of the file; `points` says which point ended in which, `read_m` the length of each.
    """
    single = shapely.get_num_geometries(found.kept.geometry.values) == 1
    found = found.reject(~single, "several points in one feature")
    if len(found.kept) == 0:
        raise InputError(f"{place}: every feature has several points; expected one a feature, split them in a GIS")
    points = found.kept.set_geometry(shapely.get_geometry(found.kept.geometry.values, 0), crs=found.kept.crs)
    moments = _moments(points, place)
    wkt = points.crs.to_wkt()
    # A stray point moves no median, and the plane is true where the others are.
    plane = local_crs(*np.median(shapely.get_coordinates(to_geographic(points.geometry.values, wkt)), axis=0))
    made = passes_of(_log(points, to_local(points.geometry.values, wkt, plane), moments, place), rules_of(log, points))
    _check_made(made, place)
    kept = _passes(points.drop(columns=[*POINT_COLUMNS], errors="ignore"), made, moments, from_local(made.lines, plane, wkt))
    inside = made.pass_of >= 0
    ended = pd.Series(kept.index.to_numpy()[made.pass_of[inside]], index=points.index[inside])
    found = replace(found, kept=points).reject(~inside, made.reason)
    made_m = pd.Series(lengths_m(kept.geometry.values, kept.crs), kept.index)
    return replace(found, kept=kept, points=ended, places=points.geometry[inside], read_m=made_m)


def _check_made(made: LoggedPasses, place: str) -> None:
    """Refuse a log that comes apart: what is left of points in a wrong order is no sample of the passes."""
    count = len(made.reason)
    if len(made.lines) == 0:
        raise InputError(
            f"{place}: no pass can be made of its {count} points; most of them: '{_commonest(made.reason)}'. "
            "Is the order of the points that of the log? Map record or started_at under columns, or machine where "
            "several machines are in the log, or widen the limits under log"
        )
    torn = pd.Series(made.reason).str.startswith(_TORN).to_numpy(bool)
    used = int((made.pass_of >= 0).sum())
    if used < torn.sum():
        raise InputError(
            f"{place}: only {used} of its {count} points end in passes, the others mostly: "
            f"'{_commonest(made.reason[torn])}'; expected points of one machine in the order of time. Map machine or "
            "pass_id under columns where several machines are in the log, record or started_at where its order is not "
            "that of time, or widen the limits under log"
        )


def rules_of(log: LogModel, points: pd.DataFrame) -> LogRules:
    """Rules in SI; without a turn radius of its own, that of the core or a share of the implement's width."""
    given = {name: value for name, value in log.model_dump().items() if value is not None}
    if log.turn_radius_m is None:
        given["turn_radius_m"] = max(LogRules.turn_radius_m, _WIDTHS * _width_m(points))
    return LogRules(**given)


def _width_m(points: pd.DataFrame) -> float:
    """Usual width of the implement [m]; 0 where unknown. An unreadable spacing is named later, with its feature."""
    if c.ROW_COUNT not in points or c.ROW_SPACING not in points:
        return 0.0
    try:
        spacing = points[c.ROW_SPACING].iloc[0]
        spacing_m = float(spacing) if not isinstance(spacing, str) else to_si(spacing, kind=LENGTH)
    except (ValueError, TypeError):
        return 0.0
    width = pd.to_numeric(points[c.ROW_COUNT], errors="coerce").median() * spacing_m
    return float(width) if np.isfinite(width) and width < 80.0 else 0.0


def _log(points: gpd.GeoDataFrame, local: np.ndarray, moments: pd.DataFrame, place: str) -> PointLog:
    settings = [name for name in _SETTING if name in points and points[name].nunique(dropna=False) > 1]
    setting = points.groupby(settings, dropna=False, sort=True).ngroup().to_numpy() if settings else None
    groups = [name for name in (c.FIELD_ID, c.MACHINE) if name in points]
    group = points.groupby(groups, dropna=False, sort=True).ngroup().to_numpy() if groups else None
    return PointLog(
        shapely.get_coordinates(local), time_s=moments[c.STARTED_AT].to_numpy(), setting=setting,
        lost=points[c.SIGNAL_LOST].to_numpy(bool),
        number=points[c.PASS_ID].to_numpy() if c.PASS_ID in points else None, group=group,
        speed_m_s=_numbers(points, c.SPEED, place), heading_deg=_numbers(points, c.HEADING, place),
        record=_numbers(points, c.RECORD, place),
    )  # fmt: skip


def _moments(points: pd.DataFrame, place: str) -> pd.DataFrame:
    """Start and end of each point [s since 1970], missing where they are."""
    out = pd.DataFrame(np.nan, index=points.index, columns=list(TIMES))
    for name in TIMES:
        if name not in points:
            continue
        out[name] = seconds_of(points[name], place, name)
    out[c.STARTED_AT] = out[c.STARTED_AT].fillna(out[c.ENDED_AT])
    return out.assign(**{c.ENDED_AT: out[c.ENDED_AT].fillna(out[c.STARTED_AT])})


def _numbers(points: pd.DataFrame, name: str, place: str) -> np.ndarray | None:
    """A column as numbers, speeds as text with their unit; an unreadable one is an error."""
    if name not in points:
        return None
    values = points[name]
    if pd.api.types.is_numeric_dtype(values):
        return values.to_numpy(float, na_value=np.nan)

    def read(feature: object, value: object) -> float:
        if value is None or pd.isna(value):
            return np.nan
        try:
            return to_si(value, kind=SPEED) if name == c.SPEED and isinstance(value, str) else float(value)  # type: ignore[arg-type]
        except (ValueError, TypeError) as error:
            said = str(error) if name == c.SPEED else f"'{shown(value)}' is not a number; expected {_NUMBERS[name]}"
            raise InputError(f"{place}: feature {feature}: {name}: {said}; correct it in the layer") from None

    return np.array([read(*item) for item in values.items()], float)


def _passes(points: gpd.GeoDataFrame, made: LoggedPasses, moments: pd.DataFrame, shape: np.ndarray) -> gpd.GeoDataFrame:
    """One feature a pass: id and values of its first point that has its usual setting, times of all, signal of most."""
    inside = made.pass_of >= 0
    mine, number = points[inside], pd.Series(made.pass_of[inside], index=points.index[inside])
    settings = [name for name in _SETTING if name in mine and mine[name].nunique(dropna=False) > 1]
    first = number
    if settings:
        size = mine.groupby([number, *(mine[name] for name in settings)], dropna=False)["geometry"].transform("size")
        first = number[size == size.groupby(number).transform("max")]
    first = first[~first.duplicated()].sort_values()
    passes = mine.loc[first.index].set_geometry(np.asarray(shape, object), crs=points.crs)
    passes[c.SIGNAL_LOST] = (mine[c.SIGNAL_LOST].groupby(number).mean() > 0.5).to_numpy()
    times = moments[inside].groupby(number)
    start, end = times[c.STARTED_AT].min(), times[c.ENDED_AT].max()
    if not (end > start).mean() > 0.5:  # dates only: no clock
        start, end = start * np.nan, end * np.nan
    for name, value in zip(TIMES, (start, end), strict=True):
        passes[name] = pd.to_datetime(value.to_numpy(), unit="s", utc=True)
    return passes


def _commonest(reasons: np.ndarray) -> str:
    named, count = np.unique(reasons.astype(str), return_counts=True)
    return str(named[np.argmax(count)])
