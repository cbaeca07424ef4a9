"""The constant temperature that a changing one is worth.

Half of the development happens above it and half below. It matters for sex; for the
day of hatching the sum of rates does.
"""

import itertools
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from rules.incubation.development import Stretch

SENSITIVE = (1.0 / 3.0, 2.0 / 3.0)
"""The thermosensitive period: about the middle third of *development*, not of days."""

_PARTS = 8


@dataclass(frozen=True, slots=True)
class DayEquivalent:
    """One day of a clutch.

    Attributes:
        day: Which one: 0 is the 24 h after laying.
        equivalent: Constant-temperature equivalent, °C; NaN where nothing developed.
        development: Share of the whole development in its recorded part.
        covered: Share of the day that has readings.
    """

    day: int
    equivalent: float
    development: float
    covered: float


def equivalent(pieces: Iterable[tuple[float, float]]) -> float:
    """Give the temperature above which half of the development happened.

    Args:
        pieces: (°C, development); development not below 0.

    Returns:
        °C, between two pieces by a straight line; NaN where nothing developed.

    Source:
        Georges 1989; Georges, Limpus & Stoutjesdijk 1994, Journal of Experimental
        Zoology 270:432-444: the weighted median, for any course of a day.
    """
    order = sorted(piece for piece in pieces if piece[1] > 0.0)
    whole = math.fsum(weight for _, weight in order)
    if whole <= 0.0:
        return math.nan
    half, done = 0.5 * whole, 0.0
    before: tuple[float, float] | None = None
    for temperature, weight in order:
        centre = done + 0.5 * weight
        if centre >= half:
            if before is None:
                return temperature
            cold, at = before
            return cold + (temperature - cold) * (half - at) / (centre - at)
        before = (temperature, centre)
        done += weight
    return order[-1][0]


def of_days(found: Sequence[Stretch], start: float = 0.0, end: float = math.inf) -> tuple[DayEquivalent, ...]:
    """Give each day's equivalent, from development ``start`` to ``end``.

    Args:
        found: The stretches of a curve with their rates.
        start: Share of the development at which to begin.
        end: Share at which to stop.

    Returns:
        Days with recorded development in that part, ascending; gaps are left out.
    """
    days: dict[int, list[tuple[float, float, float]]] = {}
    done = 0.0
    for stretch in found:
        adds = stretch.mid * stretch.days
        if not stretch.gap and done + adds > start and done < end:
            for day, temperature, weight, length in _parts(stretch):
                if start <= done < end:
                    days.setdefault(day, []).append((temperature, weight, length))
                done += weight
        else:
            done += adds
    return tuple(_day(day, parts) for day, parts in sorted(days.items()))


def mean_of(days: Sequence[DayEquivalent]) -> float:
    """Give the mean of daily equivalents, each weighted by its development; NaN: none."""
    weight = math.fsum(day.development for day in days)
    if weight <= 0.0:
        return math.nan
    return math.fsum(day.equivalent * day.development for day in days if day.development > 0.0) / weight


def _day(day: int, parts: Sequence[tuple[float, float, float]]) -> DayEquivalent:
    """Sum one day up."""
    pieces = [(temperature, weight) for temperature, weight, _ in parts]
    covered = min(1.0, math.fsum(length for _, _, length in parts))
    return DayEquivalent(day, equivalent(pieces), math.fsum(weight for _, weight in pieces), covered)


def _parts(stretch: Stretch) -> Iterable[tuple[int, float, float, float]]:
    """Cut a stretch so that no part crosses midnight of the clutch's own days.

    Yields:
        (day, °C, development, days).
    """
    if stretch.first is None or stretch.last is None:
        return
    pieces = _PARTS if stretch.days > 1.0 / 24.0 else 1
    cuts = {stretch.start + stretch.days * i / pieces for i in range(pieces)}
    cuts |= {float(day) for day in range(math.ceil(stretch.start), math.ceil(stretch.end))}
    edges = [*sorted(cut for cut in cuts if stretch.start <= cut < stretch.end), stretch.end]
    for start, end in itertools.pairwise(edges):
        middle = (0.5 * (start + end) - stretch.start) / stretch.days
        temperature = stretch.first + (stretch.last - stretch.first) * middle
        yield int(0.5 * (start + end)), temperature, stretch.mid * (end - start), end - start
