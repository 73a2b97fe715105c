"""Simulated logs of a planter: the formula of the audit written down forwards, with dense covariances."""

from dataclasses import dataclass, replace

import numpy as np

from pipeline.core.audit_samples import Samples


@dataclass(frozen=True)
class Truth:
    """What a simulated log was made from [m]; one shift (east, north) for each day."""

    shift_m: tuple[tuple[float, float], ...] = ((0.05, -0.03),)
    machine_m: float = 0.02
    between_m: float = 0.02
    wander_m: float = 0.015
    length_m: float = 15.0


def log_of(
    truth: Truth, rng: np.random.Generator, *, passes: int = 24, pass_m: float = 400.0, step_m: float = 5.0,
    headings_deg: tuple[float, ...] = (90.0,), one_way: tuple[bool, ...] = (False,), outliers: float = 0.0,
    normal_noise_deg: float = 0.0,
) -> Samples:  # fmt: skip
    """One log: `passes` a day, two by two along each heading (compass degrees of the strips), there and back.

    Outliers of 0.3 to 1 m to either side fall on a share of the samples. `one_way` says for each day whether the
    planter came back empty. The strips all run along their heading.
    """
    days, count = len(truth.shift_m), int(pass_m / step_m)
    total = passes * days
    along = step_m * (np.arange(count) + 0.5)
    root = np.linalg.cholesky(np.exp(-np.abs(along[:, None] - along) / truth.length_m))
    day = np.repeat(np.arange(days), passes)
    heading = np.where(np.arange(total) % 2 == 1, -1, 1)
    heading[np.repeat(np.broadcast_to(one_way, days), passes)] = 1
    compass = np.radians(np.asarray(headings_deg)[(np.arange(total) // 2) % len(headings_deg)])
    compass = np.repeat(compass, count) + np.radians(normal_noise_deg) * rng.standard_normal(total * count)
    normal = np.column_stack([-np.cos(compass), np.sin(compass)])  # left of (sin, cos)
    own = truth.machine_m + truth.between_m * rng.standard_normal(total)
    left = own[:, None] + truth.wander_m * rng.standard_normal((total, count)) @ root.T
    shift = np.array(truth.shift_m)[np.repeat(day, count)]
    offset = (normal * shift).sum(axis=1) + (heading[:, None] * left).ravel()
    wrong = rng.random(len(offset)) < outliers
    offset = offset + wrong * rng.choice([-1.0, 1.0], len(offset)) * rng.uniform(0.3, 1.0, len(offset))
    return Samples(
        offset, normal, np.repeat(heading, count), np.repeat(np.arange(total), count), np.tile(along, total),
        np.repeat(day, count),
    )  # fmt: skip


def turned_strips(samples: Samples, which: np.ndarray) -> Samples:
    """The same ground where some strips had been built the other way."""
    sign = np.where(which, -1, 1)
    return replace(
        samples, offset_m=sign * samples.offset_m, normal=sign[:, None] * samples.normal, heading=sign * samples.heading
    )
