"""Points of a log in the order travelled, with a number for the piece that each is in."""

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class PointLog:
    """Points of one layer in a local plane; all arrays have shape (n,) and may be left out but `xy`.

    Attributes
    ----------
    xy : ndarray, shape (n, 2)
        East and north [m].
    time_s : ndarray
        Seconds, NaN where missing; may be dates only.
    record : ndarray
        Number of the record in its log, NaN where missing.
    number : ndarray
        Pass number, anything; missing as None, NaN or an empty text.
    speed_m_s, heading_deg : ndarray
        Of the receiver; heading clockwise from north [degrees]. NaN where missing.
    setting : ndarray
        What must not change within a pass: row count, tier ... as anything comparable.
    lost : ndarray of bool
        Whether the signal was lost, which must not change within a pass either. It is no part of `setting`, or a change of
        row count would go unseen where the signal flickers.
    group : ndarray
        Points of different groups (fields, machines, files) are never in one pass.
    """

    xy: np.ndarray
    time_s: np.ndarray | None = None
    record: np.ndarray | None = None
    number: np.ndarray | None = None
    speed_m_s: np.ndarray | None = None
    heading_deg: np.ndarray | None = None
    setting: np.ndarray | None = None
    lost: np.ndarray | None = None
    group: np.ndarray | None = None


@dataclass(frozen=True)
class Walk:
    """Points still in play, in the order travelled; arrays of equal length."""

    point: np.ndarray  # index in the log
    rank: np.ndarray  # place in the order of time
    piece: np.ndarray
    xy: np.ndarray
    time_s: np.ndarray
    speed_m_s: np.ndarray
    heading: np.ndarray  # [rad], from east
    setting: np.ndarray
    lost: np.ndarray
    idle: np.ndarray  # has no pass number where others have

    @classmethod
    def start(cls, log: PointLog) -> "Walk":
        """All points with a position, sorted; one piece for each pass number of each group."""
        n = len(log.xy)
        xy = np.ascontiguousarray(log.xy, float)
        group, setting, lost = _codes(log.group, n), _codes(log.setting, n), _codes(log.lost, n)
        record = _numbers(log.record, n)
        order = np.arange(n)[np.isfinite(xy).all(axis=1)] if n else np.arange(0)
        order = _sorted(order, np.nan_to_num(record, nan=-np.inf), group)
        time = _carried_on(_numbers(log.time_s, n)[order], group[order])
        # Within equal times, such as dates only, the records' order stays.
        stay = _sorted(np.arange(len(order)), time, group[order])
        order, time = order[stay], time[stay]
        number = _filled(_codes(log.number, n)[order], group[order])
        by_pass = _sorted(np.arange(len(order)), number, group[order])
        piece = np.cumsum(changes(number[by_pass]) | changes(group[order][by_pass]))
        at = order[by_pass]
        heading = np.radians(90.0 - _numbers(log.heading_deg, n)[at])
        idle = (number < 0) & (_share_known(number, group[order]) >= 0.5)
        speed = _numbers(log.speed_m_s, n)[at]
        return cls(at, by_pass, piece, xy[at], time[by_pass], speed, heading, setting[at], lost[at], idle[by_pass])

    def keep(self, mask: np.ndarray) -> "Walk":
        """Those at the mask."""
        return self if mask.all() else Walk(*(getattr(self, name)[mask] for name in self.__dataclass_fields__))

    def cut_at(self, begins: np.ndarray) -> "Walk":
        """The same with a new piece from each point at the mask on."""
        values = {name: getattr(self, name) for name in self.__dataclass_fields__}
        return Walk(**(values | {"piece": np.cumsum(begins | changes(self.piece))}))

    def without(self, drop: np.ndarray) -> tuple["Walk", np.ndarray]:
        """The walk without the points at the mask, and these points."""
        return self.keep(~drop), self.point[drop]


def steps_m(xy: np.ndarray) -> np.ndarray:
    """Lengths of the steps between points [m]."""
    return np.hypot(np.diff(xy[:, 0]), np.diff(xy[:, 1]))


def along_m(xy: np.ndarray, piece: np.ndarray) -> np.ndarray:
    """Way travelled, without the steps between pieces [m]."""
    return np.concatenate([np.zeros(min(1, len(xy))), np.cumsum(np.where(np.diff(piece) == 0, steps_m(xy), 0.0))])


def changes(values: np.ndarray) -> np.ndarray:
    """True where a value is not that before it; false at the first."""
    out = np.zeros(len(values), bool)
    out[1:] = values[1:] != values[:-1]
    return out


def begins(piece: np.ndarray) -> np.ndarray:
    """True at the first point of every piece."""
    out = changes(piece)
    out[:1] = True
    return out


def _numbers(values: np.ndarray | None, n: int) -> np.ndarray:
    return np.full(n, np.nan) if values is None else np.asarray(values, float)


def _codes(values: np.ndarray | None, n: int) -> np.ndarray:
    """Whole numbers for whatever there is, in its own order; -1 where missing."""
    if values is None:
        return np.full(n, -1, np.int64)
    values = np.asarray(values)
    if values.dtype.kind in "iub":
        return np.unique(values, return_inverse=True)[1]
    if values.dtype.kind == "f":
        missing = ~np.isfinite(values)
    else:
        missing = np.array([v is None or v != v or str(v).strip() == "" for v in values], bool)
        values = np.array([str(v) for v in values], object).astype(str)
    code = np.full(n, -1, np.int64)
    code[~missing] = np.unique(values[~missing], return_inverse=True)[1]
    return code


def _sorted(order: np.ndarray, key: np.ndarray, group: np.ndarray) -> np.ndarray:
    """The indices sorted by group, then key; equal ones stay as they are."""
    first, second = group[order], key[order]
    later, same = first[1:] > first[:-1], first[1:] == first[:-1]
    if (later | (same & (second[1:] >= second[:-1]))).all():
        return order
    return order[np.lexsort((second, first))]


def _carried_on(time_s: np.ndarray, group: np.ndarray) -> np.ndarray:
    """Times with a missing one taken from the point before it in its group."""
    if not np.isnan(time_s).any():
        return time_s
    first = np.flatnonzero(begins(group))
    home = np.repeat(first, np.diff(np.append(first, len(group))))
    known = np.where(np.isnan(time_s), -1, np.arange(len(time_s)))
    last = np.maximum.accumulate(known)
    return np.where(last >= home, time_s[last], -1.0 if np.isnan(time_s).all() else np.nanmin(time_s))


def _filled(number: np.ndarray, group: np.ndarray) -> np.ndarray:
    """Numbers with a missing one filled where the numbers before and after it are the same."""
    gone = number < 0
    if not gone.any() or gone.all():
        return number
    here = np.arange(len(number))
    before = np.maximum.accumulate(np.where(gone, 0, here))
    after = np.minimum.accumulate(np.where(gone, len(number) - 1, here)[::-1])[::-1]
    fits = (number[before] == number[after]) & (group[before] == group) & (group[after] == group)
    return np.where(gone & fits, number[before], number)


def _share_known(number: np.ndarray, group: np.ndarray) -> np.ndarray:
    """By point, the share of its group's points that have a number."""
    home = np.unique(group, return_inverse=True)[1] if len(group) else group
    share = np.bincount(home, number >= 0) / np.maximum(np.bincount(home), 1)
    return share[home]
