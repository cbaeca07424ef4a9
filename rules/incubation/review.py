"""A clutch looked back on: what its whole incubation was like, so that next year's record is better."""

import itertools
import math
from dataclasses import dataclass

from rules.incubation.development import Curve, stretches, total
from rules.incubation.equivalent import DayEquivalent, mean_of, of_days
from rules.incubation.fitting import Point
from rules.incubation.window import HatchWindow, NoRecord, basis_of, hatch_window
from rules.span import Span


@dataclass(frozen=True, slots=True)
class Review:
    """One clutch's incubation. Temperatures in °C, times in days since laying.

    Attributes:
        days: Length of the curve.
        covered: Share of it with readings, 0 to 1.
        mean: Mean of the recorded temperature (a straight line between readings).
        coldest: Least reading.
        warmest: Greatest reading.
        equivalent: Development-weighted mean of the daily constant-temperature equivalents,
            or None where no model is known.
        daily: The equivalents day by day.
        above: Degree-hours above the ideal span, K·h; None without a span.
        below: Degree-hours below it; None without a span.
        predicted: The day that the model gives for this curve, or None.
        actual: The day on which the first egg hatched, or None.
        record: What to keep as next year's own record: (°C, days), or None: not hatched, or
            covered for less than 90 %.
        window: The forecast for the whole curve, or None.
    """

    days: float
    covered: float
    mean: float
    coldest: float
    warmest: float
    equivalent: float | None
    daily: tuple[DayEquivalent, ...]
    above: float | None
    below: float | None
    predicted: float | None
    actual: float | None
    record: tuple[float, float] | None
    window: HatchWindow | None

    @property
    def error(self) -> float | None:
        """Predicted less actual, days; None where one is missing."""
        if self.predicted is None or self.actual is None or math.isinf(self.predicted):
            return None
        return self.predicted - self.actual


def review(
    curve: Curve,
    *,
    species: str | None = None,
    records: tuple[Point, ...] = (),
    ideal: Span | None = None,
    hatched: float | None = None,
) -> Review:
    """Look back on a clutch.

    Args:
        curve: As for ``hatch_window``, up to the first hatching (or to now).
        species: Scientific name.
        records: The keeper's own (°C, days) from before.
        ideal: The ideal span of the box, for the degree-hours.
        hatched: Day of the first hatching, or None.

    Raises:
        NoReadings: The curve holds no temperature.
        ValueError: As ``hatch_window``.
    """
    try:
        basis, window = basis_of(species, records), hatch_window(curve, species=species, records=records)
    except NoRecord:
        basis, window = None, None
    found = stretches(curve, basis.model, basis.tested) if basis else ()
    known = _known(curve)
    covered = sum(end - start for start, end, _, _ in known)
    days = curve[-1][0] if curve else 0.0
    mean = sum(0.5 * (a + b) * (end - start) for start, end, a, b in known) / covered if covered else math.nan
    readings = [t for _, t in curve if t is not None] or [math.nan]
    daily = of_days(found)
    whole = covered / days if days else 0.0
    worth = hatched is not None and whole >= 0.9
    return Review(
        days=days,
        covered=whole,
        mean=mean,
        coldest=min(readings),
        warmest=max(readings),
        equivalent=mean_of(daily) if daily else None,
        daily=daily,
        above=_outside(known, ideal, above=True),
        below=_outside(known, ideal, above=False),
        predicted=window.expected if window and total(found, lambda s: s.mid) > 0.0 else None,
        actual=hatched,
        record=(round(mean, 2), round(hatched, 1)) if worth and hatched is not None else None,
        window=window,
    )


def _known(curve: Curve) -> list[tuple[float, float, float, float]]:
    """Give (start, end, °C, °C) between neighbouring readings."""
    found = []
    for (start, first), (end, last) in itertools.pairwise(curve):
        if first is not None and last is not None and end > start:
            found.append((start, end, first, last))
    return found


def _outside(
    known: list[tuple[float, float, float, float]], ideal: Span | None, *, above: bool
) -> float | None:
    """Give degree-hours beyond one end of a span."""
    if ideal is None:
        return None
    limit = ideal.high if above else ideal.low
    if limit is None:
        return 0.0
    sign = 1.0 if above else -1.0
    parts = (
        _beyond(sign * (first - limit), sign * (last - limit)) * (end - start)
        for start, end, first, last in known
    )
    return 24.0 * math.fsum(parts)


def _beyond(first: float, last: float) -> float:
    """Give the mean of max(0, x) along a straight line."""
    if first <= 0.0 and last <= 0.0:
        return 0.0
    if first >= 0.0 and last >= 0.0:
        return 0.5 * (first + last)
    top = max(first, last)
    return 0.5 * top * top / abs(last - first)
