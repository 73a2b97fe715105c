"""An invented field with ground checks, simulated straight from the formula in DEVELOPERS.md, "The model"."""

from dataclasses import replace

import numpy as np
from helpers import tier

from pipeline.core.checks import Checks
from pipeline.core.operations import Clock, OperationError
from pipeline.core.returns import ReturnError

SOME_TIER = tier(repeatable_m=0.3, pass_to_pass_m=0.12)
WANDER_M, MACHINE_M = 0.012, 0.03


def error_of(
    one=SOME_TIER, *, passes: int = 6, step_s=900.0, wander_sd_m=WANDER_M, machine_sd_m=MACHINE_M
) -> ReturnError:
    """Return error of as many strip passes as planter passes, the last two planted a day later."""
    times = step_s * np.arange(passes)
    late = times + 86_400.0 * (np.arange(passes) >= max(passes - 2, 1))
    operations = [OperationError.under(Clock.from_times(t), [one.spread()] * passes) for t in (times, late)]
    return ReturnError(*operations, wander_sd_m=wander_sd_m, machine_sd_m=machine_sd_m)


def places(count: int, *, seed: int = 1, passes: int = 6) -> tuple:
    """Strip pass, planter pass, normal and heading of some places, in two directions and both ways."""
    rng = np.random.default_rng(seed)
    angle = np.where(rng.random(count) < 0.5, 1.6, 0.4) + 0.05 * rng.standard_normal(count)
    heading = rng.choice([-1.0, 1.0], count)
    normal = heading[:, None] * np.column_stack([np.cos(angle), np.sin(angle)])
    return rng.integers(0, passes, count), rng.integers(0, passes, count), normal, heading


def checks_at(
    where: tuple, measured_m, *, offset_m=0.0, signed: bool | np.ndarray = True, tape_sd_m=0.01
) -> Checks:
    """Checks at places; numbers serve for all of them."""
    count = len(where[0])
    offset, tape = (np.broadcast_to(np.asarray(v, float), count) for v in (offset_m, tape_sd_m))
    return Checks(
        *where, offset, np.asarray(measured_m, float), np.broadcast_to(np.asarray(signed, bool), count), tape
    )


def simulated(error: ReturnError, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray, float]:
    """One season by NumPy's multivariate normal: errors of the passes, (2, passes) each, and machine bias."""
    autumn, spring = (
        rng.multivariate_normal(np.zeros(len(c)), c, size=2, method="cholesky")
        for c in (error.autumn.covariance(), error.spring.covariance())
    )
    return autumn, spring, error.machine_sd_m * rng.standard_normal()


def shift_at(season: tuple, where: tuple) -> np.ndarray:
    """Shift n . (a + b) + h m at places, (n,) or (n, draws)."""
    autumn, spring, machine = season
    strip, planter, normal, heading = where
    moved = autumn[:, strip] + spring[:, planter]
    return np.einsum("nk,kn...->n...", normal, moved) + np.multiply.outer(heading, machine)


def measure(season: tuple, error: ReturnError, checks: Checks, rng: np.random.Generator) -> Checks:
    """The checks with what would be measured in a season."""
    where = (checks.strip_pass, checks.planter_pass, checks.normal, checks.heading)
    noise = np.hypot(error.wander_sd_m, checks.tape_sd_m) * rng.standard_normal(len(checks.offset_m))
    found = checks.offset_m + shift_at(season, where) + noise
    return replace(checks, measured_m=np.where(checks.signed, found, np.abs(found)))
