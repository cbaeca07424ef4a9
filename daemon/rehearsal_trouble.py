"""Trouble: where and how long safe was left, whoever raised an alarm about it.

It is the yardstick of a rehearsal: both settings are measured by the safe spans of the
current ones. Only covered time counts (a reading stands until the next, at most
2 × every), of good readings; a place with eggs is measured by what the egg feels.
"""

from bisect import bisect_right
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from daemon.counting import stand_of
from daemon.night import Window, ranges_over
from daemon.rehearsal_values import Life, Trouble
from rules.egg import EggLag, EggLagParams, lagged
from rules.plan import PlacePlan, Plan, SensorPlan
from rules.reading import Grade, Quantity, Reading
from rules.span import Span

JUDGED = (Quantity.TEMPERATURE, Quantity.HUMIDITY)
OPEN = (float("-inf"), float("inf"))


class _Curve:
    """One curve beside its safe span. Owned by a :class:`Yardstick`."""

    __slots__ = ("egg", "ends", "high", "last", "low", "outside", "stand", "starts", "stretches", "until")

    def __init__(self) -> None:
        """Begin without limits."""
        self.starts: list[int] = []
        self.ends: list[tuple[float, float]] = []
        self.low, self.high = OPEN
        self.until = 0
        self.stand = 0
        self.egg: EggLag | None = None
        self.last = 0
        self.outside = False
        self.stretches: list[list[int]] = []

    def see(self, at: int, value: float) -> None:
        """Take a good reading."""
        if self.egg is not None:
            value = self.egg.see(at, value)
        if at >= self.until:
            self._turn(at)
        outside = not self.low <= value <= self.high
        if outside or self.outside:
            if self.outside:
                self.close(at)
            self.outside = outside
        self.last = at

    def close(self, at: int) -> None:
        """Let the reading outside stand until ``at``."""
        end = min(at, self.last + self.stand)
        if self.stretches and self.stretches[-1][1] == self.last:
            self.stretches[-1][1] = end
        else:
            self.stretches.append([self.last, end])

    def _turn(self, at: int) -> None:
        index = bisect_right(self.starts, at) - 1
        self.low, self.high = self.ends[index] if index >= 0 else OPEN
        self.until = self.starts[index + 1] if index + 1 < len(self.starts) else 1 << 62


@dataclass(frozen=True, slots=True)
class _Where:
    place: str
    spot: str


class Yardstick:
    """Measures trouble while readings go by. One owner.

    Args:
        end: End of the window, room time.
    """

    def __init__(self, end: int) -> None:
        self._end = end
        self._curves: dict[tuple[str, Quantity], _Curve] = {}
        self._where: dict[str, _Where] = {}

    def plan(self, plan: Plan) -> None:
        """Take the limits of a plan from its instant on."""
        places = {place.name: place for place in plan.places}
        window = Window(plan.now, max(self._end, plan.now + 1))
        for sensor in plan.sensors:
            self._where[sensor.name] = _Where(sensor.place, sensor.spot)
            for quantity in sensor.quantities:
                if quantity in JUDGED:
                    self._put(plan, places[sensor.place], (sensor, quantity), window)

    def _put(self, plan: Plan, place: PlacePlan, which: tuple[SensorPlan, Quantity], window: Window) -> None:
        sensor, quantity = which
        found = ranges_over(plan, place, (sensor.spot, quantity), window) if place.in_use else []
        curve = self._curves.setdefault((sensor.name, quantity), _Curve())
        curve.starts = [one.start for one in found]
        curve.ends = [_ends(one.range.safe if one.range else None) for one in found]
        curve.until = 0
        curve.stand = stand_of(sensor)
        lags = quantity is Quantity.TEMPERATURE and place.egg_lag and lagged(sensor.spot)
        if not lags or place.egg_lag is None:
            curve.egg = None
        elif curve.egg is None or curve.egg.params.lag != place.egg_lag:
            curve.egg = EggLag(EggLagParams(place.egg_lag, min(curve.stand, 1 << 50)))

    def see(self, reading: Reading) -> None:
        """Take a reading; only good ones count."""
        if reading.quality.grade is Grade.GOOD:
            curve = self._curves.get((reading.sensor, reading.quantity))
            if curve is not None:
                curve.see(reading.at, reading.value)

    def trouble(self, window: Window) -> Iterator[Trouble]:
        """Give what was measured in a window; nothing more may be shown to it after that."""
        for (sensor, quantity), curve in self._curves.items():
            if curve.outside:
                curve.close(self._end)
                curve.outside = False
            where = self._where[sensor]
            for began, ended in curve.stretches:
                start, end = max(began, window.start), min(ended, window.end)
                if start < end:
                    yield Trouble(where.place, where.spot, quantity, sensor, start, end)


def _ends(span: Span | None) -> tuple[float, float]:
    if span is None:
        return OPEN
    return (OPEN[0] if span.low is None else span.low, OPEN[1] if span.high is None else span.high)


def unseen(trouble: Iterable[Trouble], alarms: Iterable[Life]) -> int:
    """Give how long safe was left without an open alarm about it (ms).

    An alarm is about it where it is of the same place and tells of the same quantity or
    of the sensor itself.
    """
    lives = list(alarms)
    total = 0
    for one in trouble:
        spans = sorted(
            (life.raised, one.end if life.cleared is None else life.cleared)
            for life in lives
            if life.key.place == one.place and one.quantity.value in _about(life, one)
        )
        total += _uncovered(one.start, one.end, spans)
    return total


def _about(life: Life, one: Trouble) -> tuple[str, ...]:
    mine = life.key.subject == one.sensor or one.sensor in life.key.subject.split(" and ")
    return (one.quantity.value,) if mine else (life.key.subject,)


def _uncovered(start: int, end: int, spans: Iterable[tuple[int, int]]) -> int:
    left = 0
    for raised, cleared in spans:
        if raised >= end:
            break
        if raised > start:
            left += raised - start
        start = max(start, cleared)
    return left + max(end - start, 0)
