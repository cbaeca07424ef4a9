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

_THIN = 1e-9


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


def equivalent(pieces: Iterable[tuple[float, float, float]]) -> float:
    """Give the temperature above which half of the development happened.

    Args:
        pieces: (°C at one end, °C at the other, development between), development not
            below 0; the ends may be one.

    Returns:
        °C; NaN where nothing developed.

    Source:
        Georges 1989; Georges, Limpus & Stoutjesdijk 1994, Journal of Experimental
        Zoology 270:432-444: the weighted median, for any course of a day.
    """
    kept = [(min(a, b), max(a, b) + _THIN, weight) for a, b, weight in pieces if weight > 0.0]
    half = 0.5 * math.fsum(weight for _, _, weight in kept)
    edges = [(low, weight / (high - low)) for low, high, weight in kept]
    edges += [(high, -weight / (high - low)) for low, high, weight in kept]
    edges.sort()
    density, done, before = 0.0, 0.0, math.nan
    for temperature, change in edges:
        adds = density * (temperature - before) if density > 0.0 else 0.0
        if adds > 0.0 and done + adds >= half:
            return before + (half - done) / density
        done, before = done + adds, temperature
        density += change
    return before


def of_days(found: Sequence[Stretch], start: float = 0.0, end: float = math.inf) -> tuple[DayEquivalent, ...]:
    """Give each day's equivalent, from development ``start`` to ``end``.

    Args:
        found: The stretches of a curve with their rates.
        start: Share of the development at which to begin.
        end: Share at which to stop.

    Returns:
        Days with recorded development in that part, ascending; gaps are left out.
    """
    days: dict[int, list[_Part]] = {}
    done = 0.0
    for stretch in found:
        adds = stretch.mid * stretch.days
        first, last = stretch.first, stretch.last
        if first is not None and last is not None and done + adds > start and done < end:
            for part in _parts(stretch, first, last):
                if start <= done < end:
                    days.setdefault(part.day, []).append(part)
                done += part.development
        else:
            done += adds
    return tuple(_day(day, parts) for day, parts in sorted(days.items()))


def mean_of(days: Sequence[DayEquivalent]) -> float:
    """Give the mean of daily equivalents, each weighted by its development; NaN: none."""
    weight = math.fsum(day.development for day in days)
    if weight <= 0.0:
        return math.nan
    return math.fsum(day.equivalent * day.development for day in days if day.development > 0.0) / weight


def _day(day: int, parts: Sequence["_Part"]) -> DayEquivalent:
    """Sum one day up."""
    worth = equivalent((part.first, part.last, part.development) for part in parts)
    covered = min(1.0, math.fsum(part.days for part in parts))
    return DayEquivalent(day, worth, math.fsum(part.development for part in parts), covered)


@dataclass(frozen=True, slots=True)
class _Part:
    """A part of a stretch within one day."""

    day: int
    first: float
    last: float
    development: float
    days: float


def _parts(stretch: Stretch, first: float, last: float) -> Iterable[_Part]:
    """Cut a stretch so that no part crosses from one of the clutch's days to the next."""
    pieces = _PARTS if stretch.days > 1.0 / 24.0 else 1
    cuts = {stretch.start + stretch.days * i / pieces for i in range(pieces)}
    cuts |= {float(day) for day in range(math.ceil(stretch.start), math.ceil(stretch.end))}
    edges = [*sorted(cut for cut in cuts if stretch.start <= cut < stretch.end), stretch.end]
    slope = (last - first) / stretch.days
    for start, end in itertools.pairwise(edges):
        here, there = (first + slope * (at - stretch.start) for at in (start, end))
        yield _Part(int(0.5 * (start + end)), here, there, stretch.mid * (end - start), end - start)
