"""Seasons simulated straight from the formula, in plain numbers: two receivers, two operations, rows on strips.

The formula is the one of DEVELOPERS.md, "The model".

In each, both receivers have a bias of the day, a drift and what is left of the error at switch-on; strips and rows lie
where these moved them, the planter hangs aside of its own receiver, and both implements wander. The rows are then
laid over the strips. No formula of the pipeline is used, and none of the model's own shortcuts: rows move as wholes,
along as well as aside, and are measured against the strips' real shapes.
"""

from dataclasses import dataclass

import numba
import numpy as np
import shapely
from helpers import Z
from small_fields import HALF_WIDTH_M, Laid, Pieces, SmallField

VISIT_BREAK_S = 6 * 3600.0
AT_ONCE = 500


@dataclass(frozen=True)
class Figures:
    """A tier's 95 % figures [m, s], and those of implements."""

    repeatable_m: float
    drift_share: float  # of the variance of a return; the rest is the two days' bias
    correlation_s: float
    start_m: float = 0.0
    converges_s: float = 0.0
    wander_m: float = 0.0  # of both operations together
    machine_m: float = 0.0

    @property
    def pass_to_pass_m(self) -> float:
        """P whose drift is that share of the return's variance, 2 sigma_g^2 of sigma_R^2."""
        return self.repeatable_m * np.sqrt(self.drift_share * (1.0 - np.exp(-900.0 / self.correlation_s)))

    def left_of_start_m(self, since_s: np.ndarray) -> np.ndarray:
        """Standard deviation, of one visit, of what is left of the start: half of R(t)^2 - R^2."""
        falls = self.repeatable_m + (self.start_m - self.repeatable_m) * np.exp(-3.0 * since_s / self.converges_s)
        return np.sqrt(0.5 * (falls**2 - self.repeatable_m**2)) / Z


@dataclass(frozen=True)
class Seasons:
    """Errors of many seasons [m]: of receivers by axis, pass and season, of starts (standard), and of the machine."""

    autumn: np.ndarray
    spring: np.ndarray
    autumn_start: np.ndarray
    spring_start: np.ndarray
    machine: np.ndarray

    @classmethod
    def simulated(cls, small: SmallField, figures: Figures, count: int, rng: np.random.Generator) -> "Seasons":
        operations = [receiver(laid, figures, count, rng) for laid in (small.strips, small.rows)]
        starts = [rng.standard_normal((2, count)) for _ in range(2)]
        return cls(*operations, *starts, figures.machine_m / Z * rng.standard_normal(count))

    def some(self, at: slice) -> "Seasons":
        return Seasons(self.autumn[..., at], self.spring[..., at], self.autumn_start[:, at], self.spring_start[:, at],
                       self.machine[at])  # fmt: skip

    def in_parts(self) -> list["Seasons"]:
        """Few enough at once to fit in memory with a number for each piece."""
        return [self.some(slice(first, first + AT_ONCE)) for first in range(0, len(self.machine), AT_ONCE)]


def receiver(laid: Laid, figures: Figures, count: int, rng: np.random.Generator) -> np.ndarray:
    """Where a receiver's passes lie off what it said, (2, passes, count) [m]: a bias each day, and a drift."""
    sigma_r = figures.repeatable_m / Z
    drift, bias = (sigma_r * np.sqrt(0.5 * share) for share in (figures.drift_share, 1.0 - figures.drift_share))
    out = np.empty((2, len(laid.tracks), count))
    before, state, day = -np.inf, 0.0, 0.0
    for k in np.argsort(laid.time_s):
        gap = laid.time_s[k] - before
        keep = np.exp(-gap / figures.correlation_s)
        state = keep * state + drift * np.sqrt(1.0 - keep**2) * rng.standard_normal((2, count))
        if gap > VISIT_BREAK_S:
            day = bias * rng.standard_normal((2, count))
        out[:, k] = day + state
        before = laid.time_s[k]
    return out


@dataclass(frozen=True)
class Overlay:
    """The pieces of a field's rows and, of each, how much of the two starts is left."""

    pieces: Pieces
    autumn_left_m: np.ndarray
    spring_left_m: np.ndarray
    wander_sd_m: float

    @classmethod
    def of(cls, small: SmallField, figures: Figures, *, waited_s: float = 0.0) -> "Overlay":
        """Both machines stand so long after their starts before they work."""
        pieces = small.pieces
        laid = ((pieces.strip_s, small.strips), (pieces.row_s, small.rows))
        since = [waited_s + s - one.begun_s.min() for s, one in laid]
        left = [figures.left_of_start_m(s) if small.converging else np.zeros_like(s) for s in since]
        return cls(pieces, *left, figures.wander_m / Z)

    def wander(self, seasons: Seasons, rng: np.random.Generator) -> np.ndarray:
        """Of each piece, (pieces, seasons) [m]: independent beyond a few metres."""
        shape = (len(self.pieces.strip), len(seasons.machine))
        return np.float32(self.wander_sd_m) * rng.standard_normal(shape, np.float32)

    def moved(self, seasons: Seasons, wander_m: np.ndarray) -> np.ndarray:
        """How far each piece lies from where it was planned, against its strip, (2, pieces, seasons) [m]."""
        p = self.pieces
        shift = np.empty((2, *wander_m.shape))
        for i in range(len(p.strip)):
            shift[:, i] = seasons.spring[:, p.row_pass[i]] + self.spring_left_m[i] * seasons.spring_start
            shift[:, i] -= seasons.autumn[:, p.strip_pass[i]] + self.autumn_left_m[i] * seasons.autumn_start
            shift[:, i] += p.left[i][:, None] * (seasons.machine + wander_m[i])
        return shift

    def offsets_m(self, seasons: Seasons, which: np.ndarray, rng: np.random.Generator) -> np.ndarray:
        """What an exact tape would measure in the middle of some pieces, left of the strip's travel, (n, seasons) [m]."""
        p = self.pieces
        left = (self.autumn_left_m[which], self.spring_left_m[which])
        line, one = _Lines.of(p), Overlay(p.take(which), *left, self.wander_sd_m)
        at = one.pieces.middle_m[:, None] + one.moved(seasons, one.wander(seasons, rng)).transpose(1, 2, 0)
        begin, end = line.xy[line.near[which]], line.xy[line.near[which] + 1]
        normal = np.column_stack([-(end - begin)[:, 1], (end - begin)[:, 0]])
        side = np.sign(((at - begin[:, None]) * normal[:, None]).sum(axis=2))
        return side * shapely.distance(p.strips[p.strip[which]][:, None], shapely.points(at))

    def shapely_share(self, seasons: Seasons, rng: np.random.Generator) -> np.ndarray:
        """Missed share of each season: what of the moved pieces lies outside their strips' buffers, ends flat."""
        p, out = self.pieces, []
        bands = shapely.buffer(p.strips, HALF_WIDTH_M, cap_style="flat", quad_segs=16)
        shapely.prepare(bands)
        own = bands[p.strip]
        for some in seasons.in_parts():
            shift = self.moved(some, self.wander(some, rng))
            for k in range(shift.shape[2]):
                pieces = shapely.linestrings(p.end_m + shift[:, :, k].T[:, None, :])
                held = shapely.covers(own, pieces)
                partly = ~held & shapely.intersects(own, pieces)
                inside = shapely.length(shapely.intersection(own[partly], pieces[partly])).sum()
                out.append(1.0 - (p.length_m[held].sum() + inside) / p.length_m.sum())
        return np.array(out)

    def share(self, seasons: Seasons, rng: np.random.Generator) -> np.ndarray:
        """The same by distance: of the middle of each piece from its strip's line, if it lies beside that at all."""
        p, line, out = self.pieces, _Lines.of(self.pieces), []
        for some in seasons.in_parts():
            out.append(_missed_m(
                p.middle_m, p.length_m, p.left, p.strip_pass, p.row_pass, self.autumn_left_m, self.spring_left_m,
                some.autumn, some.spring, some.autumn_start, some.spring_start, some.machine, self.wander(some, rng),
                line.xy, line.first, line.last, line.near,
            ))  # fmt: skip
        return np.concatenate(out) / p.length_m.sum()


@dataclass(frozen=True)
class _Lines:
    """Vertices of all strips; of each piece the first and last segment of its strip, and the nearest."""

    xy: np.ndarray
    first: np.ndarray
    last: np.ndarray
    near: np.ndarray

    @classmethod
    def of(cls, p: Pieces) -> "_Lines":
        xy, line = shapely.get_coordinates(p.strips, return_index=True)
        begin = np.searchsorted(line, np.arange(len(p.strips)))
        end = np.append(begin[1:], len(xy)) - 2
        first, last = begin[p.strip], end[p.strip]
        away = np.full(len(first), np.inf)
        near, middle = first.copy(), shapely.points(p.middle_m)
        segments = shapely.linestrings(np.stack([xy[:-1], xy[1:]], axis=1))
        for k in range(int((last - first).max()) + 1):
            which = np.minimum(first + k, last)
            gap = shapely.distance(segments[which], middle)
            near, away = np.where(gap < away, which, near), np.minimum(gap, away)
        return cls(xy, first, last, near)


@numba.njit(cache=True)
def _missed_m(middle, length, left, strip_pass, row_pass, autumn_left, spring_left, autumn, spring, autumn_start,
              spring_start, machine, wander, xy, first, last, near):  # fmt: skip
    """Length of the pieces that lie off their strips in each season [m]: plain distances, no linearisation."""
    out = np.zeros(len(machine))
    for i in range(len(middle)):
        low, high = max(near[i] - 1, first[i]), min(near[i] + 1, last[i])
        a, b = strip_pass[i], row_pass[i]
        for k in range(len(machine)):
            aside = machine[k] + wander[i, k]
            x = middle[i, 0] + spring[0, b, k] - autumn[0, a, k] + left[i, 0] * aside
            y = middle[i, 1] + spring[1, b, k] - autumn[1, a, k] + left[i, 1] * aside
            x += spring_left[i] * spring_start[0, k] - autumn_left[i] * autumn_start[0, k]
            y += spring_left[i] * spring_start[1, k] - autumn_left[i] * autumn_start[1, k]
            if _away(x, y, xy, low, high, first[i], last[i]) > HALF_WIDTH_M:
                out[k] += length[i]
    return out


@numba.njit(cache=True)
def _away(x, y, xy, low, high, first, last):
    """Distance from some segments of a strip; none past its flat ends."""
    best = np.inf
    for j in range(low, high + 1):
        ux, uy = xy[j + 1, 0] - xy[j, 0], xy[j + 1, 1] - xy[j, 1]
        t = ((x - xy[j, 0]) * ux + (y - xy[j, 1]) * uy) / (ux * ux + uy * uy)
        if not ((t < 0.0 and j == first) or (t > 1.0 and j == last)):
            t = min(max(t, 0.0), 1.0)
            best = min(best, (x - xy[j, 0] - t * ux) ** 2 + (y - xy[j, 1] - t * uy) ** 2)
    return np.sqrt(best)
