"""How far an egg has developed: the sum of rates over the curve of its temperature.

Days are counted from laying. Between two readings the *rate* is a straight line
(not the temperature). A gap is not filled: it is bounded by what the temperature may
plausibly have been, and what came of that is a span.
"""

import math
from bisect import bisect_left, bisect_right
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from rules.incubation.rates import RateModel

Curve = Sequence[tuple[float, float | None]]
"""Ascending (days since laying, °C or None for a gap). From a None to the readings on
either side nothing is known; two readings are joined, however far apart."""

PLAUSIBLE = (-20.0, 60.0)
"""A temperature outside of this is no reading of an egg, °C; it counts as a gap."""

NEAR_GAP = 1.0
"""Readings within so many days of a gap tell what was plausible in it."""

GAP_MARGIN = 1.0
"""So much beyond those readings is plausible in a gap, K; twice that in one of over a day."""

_TINY = 1e-9

_Point = tuple[float, float | None]


@dataclass(frozen=True, slots=True)
class Stretch:
    """The time between two neighbouring instants of a curve.

    Attributes:
        start: Days since laying.
        end: Days since laying.
        first: °C at the start, or None in a gap.
        last: °C at the end, or None in a gap.
        low: Least plausible rate, 1/d, mean over the stretch.
        mid: The rate that is counted, 1/d.
        high: Greatest plausible rate, 1/d.
        coldest: In a gap, the lower plausible temperature, else None.
        warmest: In a gap, the upper plausible temperature, else None.
    """

    start: float
    end: float
    first: float | None
    last: float | None
    low: float
    mid: float
    high: float
    coldest: float | None = None
    warmest: float | None = None

    @property
    def days(self) -> float:
        """How long it is."""
        return self.end - self.start

    @property
    def gap(self) -> bool:
        """Tell whether nothing was recorded."""
        return self.first is None or self.last is None

    @property
    def temperature(self) -> float:
        """Give the mean of both ends, °C; NaN in a gap."""
        if self.first is None or self.last is None:
            return math.nan
        return 0.5 * (self.first + self.last)


@dataclass(frozen=True, slots=True)
class Reach:
    """The temperatures at which a model was tested, °C; both ends included."""

    low: float
    high: float

    def holds(self, temperature: float) -> bool:
        """Tell whether the model was tested there."""
        return self.low - _TINY <= temperature <= self.high + _TINY

    def distance(self, temperature: float) -> float:
        """Give how far outside a temperature lies, K; 0 inside."""
        return max(0.0, self.low - temperature, temperature - self.high)


def rates_at(model: RateModel, tested: Reach, temperature: float) -> tuple[float, float, float]:
    """Give the least, the fitted and the greatest plausible rate at a temperature.

    Inside the tested temperatures the three are one. Outside, nobody knows: the fitted
    model goes on (towards zero in the cold), and the span reaches from the rate at the
    end of the tests to as far on the other side.

    Returns:
        Three rates, 1/d, ascending and not below 0.

    Notes:
        Holding the end's rate alone misplaced a nest by 12 % of its development.
    """
    fitted = model.rate(temperature)
    if tested.holds(temperature):
        return fitted, fitted, fitted
    held = model.rate(min(max(temperature, tested.low), tested.high))
    apart = abs(held - fitted)
    return max(0.0, min(held, fitted) - apart), fitted, max(held, fitted)


def stretches(curve: Curve, model: RateModel, tested: Reach) -> tuple[Stretch, ...]:
    """Cut a curve into stretches with their rates.

    Args:
        curve: See :data:`Curve`; checked by the caller.
        model: The rate by temperature.
        tested: Where it was tested.

    Returns:
        Stretches from day 0 to the end of the curve without holes. What lies before the
        first reading is a gap. Stretches of no length are left out.
    """
    points = [(day, _plausible(temperature)) for day, temperature in curve]
    if points and points[0][0] > 0.0:
        points.insert(0, (0.0, None))
    known = [(day, temperature) for day, temperature in points if temperature is not None]
    rates = {temperature: rates_at(model, tested, temperature) for _, temperature in known}
    found: list[Stretch] = []
    for (start, first), (end, last) in _pairs(points):
        if end - start <= 0.0:
            continue
        if first is None or last is None:
            found.append(_gap((start, end), known, model, tested))
        else:
            here, there = rates[first], rates[last]
            low, mid, high = (0.5 * (a + b) for a, b in zip(here, there, strict=True))
            found.append(Stretch(start, end, first, last, low, mid, high))
    return tuple(found)


def reached(found: Sequence[Stretch], amount: float, rate: Callable[[Stretch], float]) -> float | None:
    """Give the day on which the sum of rates reaches ``amount``, or None: not in these.

    Args:
        found: As from :func:`stretches`.
        amount: Share of the development, above 0.
        rate: Which of a stretch's rates counts.

    Notes:
        Within one stretch the rate is taken as its mean; stretches are minutes long, and
        where a caller joins distant readings of one temperature that is exact too.
    """
    done = 0.0
    for stretch in found:
        adds = rate(stretch) * stretch.days
        if adds > 0.0 and done + adds >= amount - _TINY:
            return stretch.start + min(1.0, max(0.0, (amount - done) / adds)) * stretch.days
        done += adds
    return None


def total(found: Sequence[Stretch], rate: Callable[[Stretch], float]) -> float:
    """Give the sum of rates over stretches: a share of the development."""
    return math.fsum(rate(stretch) * stretch.days for stretch in found)


def _plausible(temperature: float | None) -> float | None:
    """Take what cannot be an egg's temperature (NaN too) as no reading."""
    if temperature is None or not PLAUSIBLE[0] <= temperature <= PLAUSIBLE[1]:
        return None
    return temperature


def _pairs(points: Sequence[_Point]) -> Iterator[tuple[_Point, _Point]]:
    """Give neighbours; a run of gaps, from reading to reading, as one pair."""
    if not points:
        return
    before, unknown = points[0], points[0][1] is None
    for point in points[1:]:
        if point[1] is None:
            unknown = True
            continue
        yield (before[0], None if unknown else before[1]), point
        before, unknown = point, False
    if unknown and points[-1][0] > before[0]:
        yield (before[0], None), (points[-1][0], None)


def _gap(
    ends: tuple[float, float], known: Sequence[tuple[float, float]], model: RateModel, tested: Reach
) -> Stretch:
    """Bound a gap by the readings near it; by all where none is near."""
    start, end = ends
    first = bisect_left(known, (start - NEAR_GAP, -math.inf))
    last = bisect_right(known, (end + NEAR_GAP, math.inf))
    near = [temperature for _, temperature in known[first:last] or known]
    if not near:
        return Stretch(start, end, None, None, 0.0, 0.0, 0.0)
    margin = GAP_MARGIN if end - start <= 1.0 else 2.0 * GAP_MARGIN
    coldest, warmest = min(near) - margin, max(near) + margin
    steps = [coldest + (warmest - coldest) * i / 8 for i in range(9)]
    spans = [rates_at(model, tested, temperature) for temperature in steps]
    low, high = min(span[0] for span in spans), max(span[2] for span in spans)
    return Stretch(start, end, None, None, low, 0.5 * (low + high), high, coldest, warmest)
