"""An audit in lines of a table: each part with its error, what each tier promises of it, and one sentence."""

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field

import numpy as np

from pipeline import columns as c
from pipeline.core.accuracy import Z95
from pipeline.core.audit import audit
from pipeline.core.audit_estimates import Estimate, Scatter, probability_scatter_within, probability_within
from pipeline.core.audit_promise import between_promised_95_m, shift_promised_95_m
from pipeline.core.audit_result import Audit, DayShift
from pipeline.core.returns import ReturnError
from pipeline.files.audit_logged import Day, Logged
from pipeline.files.settings import Settings

# ASSUME: a wander of less is the rounding of coordinates, as of lines that were drawn and not logged [m].
LEAST_WANDER_M = 1e-4
# Beyond this share of samples set aside the rest may not speak for the field.
MUCH_ASIDE = 0.10

NOT_IN_LOGS = (
    "No receiver's own log can show that receiver's drift or its day's bias, in autumn or in spring: the log moved with"
    " the machine. 'Within the promise' is said of the logged lines only; where the rows are, only ground checks or a"
    " survey tell."
)

Promise = Callable[[ReturnError], float]


@dataclass(frozen=True)
class _Part:
    """One part of an audit before any tier is asked; `promise` is nothing where no tier promises anything of it."""

    name: str
    found: Estimate | Scatter | None
    said: str
    passes: int
    samples: int
    promise: Promise | None = None
    number: int | None = None
    day: Day = Day("", "")
    bearing_deg: float = np.nan
    more: Mapping[str, float] = field(default_factory=dict)


def lines_of(logged: Logged, errors: Mapping[str, ReturnError], judging: Settings) -> list[dict]:
    """Lines of one field without its name: all parts under each tier, then what no log can show."""
    found = audit(logged.samples) if len(logged.samples) else _nothing()
    parts = [*_shifts(found, logged, judging), *_others(found, logged, judging)]
    lines = [_line(part, tier, error) for tier, error in errors.items() for part in parts]
    return [*lines, _bare("", _Part("not_in_logs", None, NOT_IN_LOGS, found.passes, found.samples))]


def _nothing() -> Audit:
    """The audit of a field in which no planted row lies on a strip."""
    none = Scatter.unknown()
    return Audit((), Estimate.unknown(), False, none, none, np.nan, np.nan, 0, 0, 0, np.nan)


def _line(part: _Part, tier: str, error: ReturnError) -> dict:
    promised = part.promise(error) if part.promise else np.nan
    within = np.nan
    if np.isfinite(promised):
        ask = probability_within if isinstance(part.found, Estimate) else probability_scatter_within
        within = ask(part.found, promised_95_m=promised)
    return _bare(tier, part) | {c.PROMISED_95_M: promised, c.PROBABILITY_WITHIN: within}


def _bare(tier: str, part: _Part) -> dict:
    return {
        c.TIER: tier, c.DAY: "" if part.number is None else str(part.number), c.DAY_UTC: part.day.planted,
        c.PART: part.name, c.DIRECTION_DEG: part.bearing_deg, **_figures(part.found), c.PASSES: part.passes,
        c.SAMPLES: part.samples, c.SAID: part.said, **part.more,
    }  # fmt: skip


def _figures(found: Estimate | Scatter | None) -> dict:
    """Value, error and interval; what is not known, or has no bounds, is left empty."""
    if found is None:
        return {}
    value = found.value_m if isinstance(found, Estimate) else found.sd_m
    figures = {c.VALUE_M: value, c.SE_M: found.se_m} | dict(zip((c.LOW_M, c.HIGH_M), found.interval_m, strict=True))
    return {name: figure if np.isfinite(figure) else np.nan for name, figure in figures.items()}


def _shifts(found: Audit, logged: Logged, judging: Settings) -> Iterator[_Part]:
    """Parts of the shift of each day, as far as its headings tell."""
    several = len({day.built for day in logged.days}) > 1
    for one in found.days:
        day = logged.days[one.day]
        notes = _notes(found, logged, one.summed) + (f" On strips built on {day.built}." if several else "")
        base = {"passes": one.passes, "samples": one.samples, "number": one.day + 1, "day": day}

        def earth(error: ReturnError, day: int = one.day) -> float:
            return shift_promised_95_m(error, logged.laid, day)

        def with_bias(error: ReturnError, one: DayShift = one) -> float:
            return float(np.hypot(np.hypot(*one.mean_left) * earth(error, one.day), judging.machine_95_m))

        if one.passes == 0:
            yield _Part("shift_and_bias", one.summed, "Not known: all samples of this day were set aside." + notes, **base)
        if one.rank == 2:
            said = "The headings of this day tell both axes of the shift." + notes
            yield _Part("shift_east", one.east, said, promise=earth, **base)
            yield _Part("shift_north", one.north, said, promise=earth, **base)
        if one.rank == 1:
            said = "One part of the shift is known, toward direction_deg; the part along the travel is not." + notes
            yield _Part("shift_across", one.across, said, promise=earth, bearing_deg=_bearing(one.across_unit), **base)
        if one.passes and not found.machine_separable:
            # Where headings differ, the mean of their left normals is shorter than one: so much of the shift is in the sum.
            part = float(np.round(np.hypot(*one.mean_left), 2))
            said = (
                f"Passes one way only: known is the sum of {'' if part == 1.0 else f'{part:g} of '}the shift toward"
                " direction_deg, the left of travel, and the machine bias, neither by itself." + notes
            )
            bearing = _bearing(one.mean_left)
            yield _Part("shift_and_bias", one.summed, said, promise=with_bias, bearing_deg=bearing, **base)


def _bearing(unit: np.ndarray) -> float:
    """Compass direction of (east, north) [deg], from 0 up to 360; a rounding west of north is north."""
    return float(np.round(np.degrees(np.arctan2(*unit)), 6) % 360.0)


def _others(found: Audit, logged: Logged, judging: Settings) -> Iterator[_Part]:
    """Parts that all days share."""
    aside = 0 if not found.samples else round(found.aside_share * found.samples)
    used = {"passes": found.passes - found.passes_aside, "samples": found.samples - aside}
    notes = _notes(found, logged, found.machine)
    said = "Known apart from the shift: positive is left of the planter's travel." + notes
    if not found.machine_separable:
        said = _why(found, "Not known by itself: passes one way only cannot tell it from the shift.")
    bias, steering = judging.machine_95_m, float(np.hypot(*judging.steering_95_m))
    said += "" if bias else " Nothing is promised of it (judging.machine_error is 0)."
    yield _Part("machine_bias", found.machine, said, promise=(lambda _: bias) if bias else None, **used)

    said = "Standard deviation of whole passes about shift and bias; promised is the tier's drift between passes."
    if not found.between.dof > 0.0:
        said = _why(found, "Not known: too few passes for shift, bias and a scatter besides.")
    yield _Part(
        "between_passes", found.between, said + _notes(found, logged),
        promise=lambda error: between_promised_95_m(error, logged.laid) if found.samples else np.nan, **used,
    )  # fmt: skip

    known = found.wander.dof > 0.0
    said = "Standard deviation along a pass; promised is the steering of both operations." + _notes(found)
    said = said if known else _why(found, "Not known: one sample a pass does not tell wander from scatter between passes.")
    said += "" if steering else " Nothing is promised of it (judging.steering is 0)."
    yield _Part("wander", found.wander, said, promise=(lambda _: steering) if steering else None, **used)

    wanders = known and found.wander.sd_m > LEAST_WANDER_M
    said = "Distance over which the wander forgets itself; no tier promises it."
    if not wanders:
        said = _why(found, "Not known: there is no wander to tell it by." if known else "Not known.")
    yield _Part("correlation_length", None, said, more=_length(found) if wanders else {}, **used)

    said = "Share of the samples set aside as outliers, whole passes included." if found.samples else _why(found, "")
    said += _notes(found)
    yield _Part("set_aside", None, said, found.passes, found.samples, more={c.SHARE: found.aside_share})


def _why(found: Audit, otherwise: str) -> str:
    return otherwise if found.samples else "No planted row lies on a strip, so there is nothing to audit."


def _length(found: Audit) -> dict:
    """The correlation length, whose error is one of its logarithm."""
    value, error = found.correlation_m, found.correlation_log_se
    if not np.isfinite(error):
        return {}
    wide = np.exp(Z95 * error)
    return {c.VALUE_M: value, c.SE_M: value * error, c.LOW_M: value / wide, c.HIGH_M: value * wide}


def _notes(found: Audit, logged: Logged | None = None, estimate: Estimate | None = None) -> str:
    """What makes figures doubtful: unknown errors, passes that share a strip pass, much set aside."""
    out = ""
    if estimate is not None and np.isinf(estimate.se_m):
        out += " Too few passes to tell its error."
    if logged is not None and logged.share_a_strip > 1 and found.samples:
        out += (
            f" The planter is narrower than the bar: up to {logged.share_a_strip} of its passes share a strip pass and its"
            f" scatter, so the errors may be up to {np.sqrt(logged.share_a_strip):.1f} times as large."
        )
    if found.aside_share > MUCH_ASIDE:
        out += f" {found.aside_share:.0%} of the samples were set aside, so the rest may not speak for the field."
    return out
