"""How far a long piece of work is, said now and then: done of all, how many a minute, time left."""

import logging
import time
from collections.abc import Callable, Iterator, Sequence
from typing import TypeVar

#: Between two lines [s]; work that takes less says nothing.
SAY_EVERY_S = 10.0
Item = TypeVar("Item")


class Pace:
    """Says how far a piece of work is, at most every `SAY_EVERY_S`.

    Parameters
    ----------
    say : callable
        Takes the line.
    clock : callable, optional
        Gives the time [s].
    """

    def __init__(self, say: Callable[[str], object], *, clock: Callable[[], float] = time.monotonic) -> None:
        self._say, self._clock = say, clock
        self._began_s = self._said_s = clock()

    def at(self, count: int, total: int, unit: str, *, share: float | None = None) -> None:
        """So many of all are done now.

        Parameters
        ----------
        count, total : int
        unit : str
            What is counted, as a plural.
        share : float, optional
            Part of the work that is done, where one of what is counted is not as much work as another.
        """
        if self.due() and count < total:
            self._said_s = self._clock()
            self._say(line(count, total, unit, seconds=self._said_s - self._began_s, share=share))

    def due(self) -> bool:
        """Whether it is time to say something."""
        return self._clock() - self._said_s >= SAY_EVERY_S


def line(count: int, total: int, unit: str, *, seconds: float, share: float | None = None) -> str:
    """`12 of 54 fields, 30 a minute, about 2 min left`; no time is told before anything is done."""
    said = [f"{count:,} of {total:,} {unit}"]
    share = count / total if share is None else share
    if count > 0:
        a_minute = 60.0 * count / seconds
        said.append(f"{a_minute:,.0f} a minute" if a_minute >= 10 else f"{a_minute:.1f} a minute")
    if share > 0.0:
        said.append(f"about {_told(seconds * (1.0 - share) / share)} left")
    return ", ".join(said)


def counted(items: Sequence[Item], step: str, unit: str, *, log: logging.Logger) -> Iterator[Item]:
    """The items one by one; between them it is said how far the step is."""
    pace = Pace(lambda said: log.info("%s: %s", step, said))
    for number, item in enumerate(items):
        pace.at(number, len(items), unit)
        yield item


def _told(seconds: float) -> str:
    """No more exact than such an estimate is."""
    if seconds < 90.0:
        return f"{max(round(seconds / 10.0) * 10, 10)} s"
    minutes = seconds / 60.0
    return f"{minutes:.0f} min" if minutes < 90.0 else f"{minutes / 60.0:.1f} h"
