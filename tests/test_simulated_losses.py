"""A field's loss, expected and spread, against seasons simulated from the model and laid over the strips.

The referee is that of `test_simulated_seasons`: receivers and implements are simulated, the rows moved as wholes and
measured against the strips' real shapes. Here each piece of row loses by its distance from its strip.
"""

from dataclasses import replace

import numba
import numpy as np
import pandas as pd
import pytest
import seasons as sim
import shapely
from helpers import INCH
from seasons import Figures, Overlay, Seasons
from small_fields import SHAPES, Pieces
from small_runs import measured, write_small

from pipeline import columns as c
from pipeline.steps import odds

pytestmark = pytest.mark.slow

OVERLAID, SEASONS = 100, 40_000
ACRE_M2, SPACING_M = 4046.8564224, 30 * INCH
# The curve of Yuma, Colorado, 2007 (trade report, read): no loss to 4 in, 28.5 bu/ac at 8 in, no farther.
POINTS = np.array([[0.0, 0.0], [4 * INCH, 0.0], [8 * INCH, 28.5]])


def lost_by(distance_m: np.ndarray) -> np.ndarray:
    return np.interp(distance_m, *POINTS.T)


def lines_of(p: Pieces, *, strips: int) -> list[sim._Lines]:
    """Vertices of each piece's own strip, then of the others that lie nearest to it."""
    away = shapely.distance(shapely.points(p.middle_m)[:, None], p.strips[None])
    away[np.arange(len(p.strip)), p.strip] = -1.0
    order = np.argsort(away, axis=1)[:, :strips]
    return [sim._Lines.of(replace(p, strip=order[:, k])) for k in range(strips)]


def losses(overlay: Overlay, seasons: Seasons, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Loss of each season [bu/ac times m], by the own strip and by the nearest: of the middle of each piece.

    Strips of another pass are taken to have moved as the own one did, which matters to two rows of a pass.
    """
    p, lines, out = overlay.pieces, lines_of(overlay.pieces, strips=3), []
    xy = lines[0].xy
    at = [np.stack([getattr(one, name) for one in lines]) for name in ("first", "last", "near")]
    for some in seasons.in_parts():
        moved = overlay.moved(some, overlay.wander(some, rng))
        out.append(_lost(p.middle_m, p.length_m, moved, xy, *at, *POINTS.T.copy()))
    own, nearest = np.concatenate(out, axis=1)
    return own, nearest


@numba.njit(cache=True)
def _lost(middle, length, moved, xy, first, last, near, distance, loss):
    out = np.zeros((2, moved.shape[2]))
    for i in range(len(middle)):
        for k in range(moved.shape[2]):
            x, y = middle[i, 0] + moved[0, i, k], middle[i, 1] + moved[1, i, k]
            best = 9.0
            for j in range(len(near)):
                if j > 0 and best < 0.38:  # at half a spacing the next strip begins to be the nearer one
                    break
                low, high = max(near[j, i] - 1, first[j, i]), min(near[j, i] + 1, last[j, i])
                best = min(best, sim._away(x, y, xy, low, high, first[j, i], last[j, i]))
                if j == 0:
                    out[0, k] += length[i] * np.interp(best, distance, loss)
            out[1, k] += length[i] * np.interp(best, distance, loss)
    return out


def overlaid(overlay: Overlay, seasons: Seasons, rng: np.random.Generator) -> np.ndarray:
    """The same by shapely: the distance of every moved piece from its strip."""
    p = overlay.pieces
    moved = overlay.moved(seasons, overlay.wander(seasons, rng))
    at = shapely.points((p.middle_m.T[:, :, None] + moved).transpose(1, 2, 0))
    return p.length_m @ lost_by(shapely.distance(p.strips[p.strip][:, None], at))


@pytest.mark.parametrize(
    ("shape", "drift_share", "waited"),
    [("straight", 0.02, 0.0), ("straight", 0.9, 0.0), ("contour", 0.02, 0.0), ("contour", 0.9, 0.0),
     ("straight", 0.02, 1.0), ("straight", 0.9, 0.5)],
)
def test_loss_of_simulated_seasons(shape, drift_share, waited, tmp_path):
    small = SHAPES[shape]()
    figures = Figures(
        repeatable_m=8 * INCH, drift_share=drift_share, correlation_s=small.correlation_s, start_m=30 * INCH,
        converges_s=600.0, wander_m=1.8 * INCH, machine_m=2 * INCH,
    )  # fmt: skip
    settings = write_small(tmp_path, small, {"invented": figures})
    settings["costs"] = {
        "currency": "USD", "crop": {"price": "4 USD/bu"}, "response": {"curve": "yuma_2007"},
        "tiers": {"invented": {"fee": "0 USD"}}, "waited_share": f"{100 * waited:g} %", "machine_hour": "0 USD/h",
        "days_per_season": 10,
    }  # fmt: skip
    _, _, at = measured(tmp_path, settings)
    tiers = at["odds"].parents[1] / "settings/tiers.json"
    odds.run(
        passes=at["passes"], offsets=at["offsets"], tiers=tiers, losses=tiers.with_name("losses.json"), out=at["odds"]
    )
    (found,) = pd.read_parquet(at["odds"] / "losses.parquet").to_dict("records")
    rng = np.random.default_rng([71, round(100 * drift_share)])
    overlay = Overlay.of(small, figures, waited_s=waited * figures.converges_s)
    seasons = Seasons.simulated(small, figures, SEASONS, rng)
    few = seasons.some(slice(OVERLAID))
    by_distance, _ = losses(overlay, few, np.random.default_rng(5))
    by_shapely = overlaid(overlay, few, np.random.default_rng(5))
    np.testing.assert_allclose(by_distance, by_shapely, rtol=0.02, atol=0.002 * overlay.pieces.length_m.sum())
    own, loss = (SPACING_M * one for one in losses(overlay, seasons, rng))
    assert found[c.LOSS_OWN] == pytest.approx(own.mean(), rel=0.01)
    assert found[c.LOSS] == pytest.approx(loss.mean(), rel=0.01)
    # The standard is asked of the same springs.
    share = overlay.share(seasons, rng)
    assert found[c.EXPECTED_MISS_M] / found[c.JUDGED_M] == pytest.approx(share.mean(), rel=0.01)
    off = np.quantile(np.asarray(found[c.MISSED_LEVELS]), 0.9) / found[c.JUDGED_M]
    assert (share <= off).mean() == pytest.approx(0.9, abs=0.02)
    levels = np.asarray(found[c.LOSS_LEVELS])
    assert levels.mean() == pytest.approx(loss.mean(), rel=0.02)
    for percentile in (0.1, 0.9):
        assert (loss <= np.quantile(levels, percentile)).mean() == pytest.approx(percentile, abs=0.02)
