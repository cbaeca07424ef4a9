"""At the door: what comes in becomes readings that the engine may see.

An arrival is a claim. The door gives it an instant (the arrival, or the device's own
stamp where there can be a backlog), rounds instant and value to the grain that is
stored, refuses what was taken before, and finds its quality. It keeps what it must
remember for each sensor; the judge owns it.
"""

from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass, field

from daemon.record import Entry
from rules.plan import PlaceKind, Plan, SensorPlan
from rules.plausible import judge_all
from rules.reading import MINUTE, SECOND, Grade, Quality, Quantity, Reading
from sensors.reader import Arrival, Settled, Value

FAST = 10 * SECOND
"""A sensor that reports more often than this keeps its instants to the millisecond."""

LATE_BESIDES = 30 * SECOND
"""Out of a backlog, a reading older than 2 × every and this is late."""

AHEAD = 2 * MINUTE
"""A stamp that is further in the future than this is no instant."""

OLDEST = 400 * 24 * 60 * MINUTE
"""A stamp that is further in the past than this is no instant."""

BACKLOG = 60 * SECOND
"""So long after a reader has connected an unstamped reading may come out of a backlog."""

REMEMBERED = 200
"""So many stamps and counters of each sensor are remembered."""

Seen = tuple[Quantity, int | None, int | None, float]
"""Quantity, stamp, counter, raw value: what makes a reading the same again."""


@dataclass(slots=True)
class Known:
    """What the door remembers of one sensor.

    Attributes:
        link: The reader's connection at its newest arrival.
        arrived: Room time of its newest arrival, or None.
        behind: There may be a backlog.
        newest: Instant of the newest good reading by quantity.
        taken: The newest stamped or counted readings.
    """

    link: int = 0
    arrived: int | None = None
    behind: bool = False
    newest: dict[Quantity, int] = field(default_factory=dict)
    taken: deque[Seen] = field(default_factory=lambda: deque(maxlen=REMEMBERED))


@dataclass(frozen=True, slots=True)
class Taken:
    """What the door made of one arrival.

    Attributes:
        entries: For the record: raw values.
        readings: For the engine, one for each entry: corrected values.
        settled: To be called after the commit, or None.
        repeated: How many of its readings had been taken before.
    """

    entries: tuple[Entry, ...]
    readings: tuple[Reading, ...]
    settled: Settled | None
    repeated: int = 0


class Door:
    """Turns arrivals into readings. Owned by the judge's thread."""

    def __init__(self, plan: Plan) -> None:
        """Begin with nothing remembered."""
        self._known: dict[str, Known] = {}
        self._links: dict[tuple[str, int], int] = {}
        self._sensors: dict[str, SensorPlan] = {}
        self._kinds: dict[str, PlaceKind] = {}
        self.plan(plan)

    def plan(self, plan: Plan) -> None:
        """Take the sensors that are in the settings now."""
        self._kinds = {place.name: place.kind for place in plan.places}
        self._sensors = {sensor.name: sensor for sensor in plan.sensors}

    def knows(self, sensor: str) -> bool:
        """Tell whether a sensor is in the settings."""
        return sensor in self._sensors

    def remember(self, entries: Iterable[Entry]) -> None:
        """Learn from the record what had been taken before a restart, in its order."""
        for entry in entries:
            known = self._known.setdefault(entry.sensor, Known())
            known.arrived = max(entry.now, known.arrived or entry.now)
            if entry.quality.grade is Grade.GOOD:
                known.newest[entry.quantity] = max(entry.at, known.newest.get(entry.quantity, entry.at))
            if entry.stamp is not None or entry.counter is not None:
                known.taken.append((entry.quantity, entry.stamp, entry.counter, entry.raw))

    def take(self, arrival: Arrival, at_arrival: int, now: int, offset: int | None) -> Taken | None:
        """Make readings of an arrival.

        Args:
            arrival: What came in.
            at_arrival: Room time at which it came in, ms.
            now: Room time of the round, ms; not before ``at_arrival``.
            offset: Wall minus room, or None while the clock is not trusted.

        Returns:
            None where the sensor is not in the settings.
        """
        sensor = self._sensors.get(arrival.sensor)
        if sensor is None:
            return None
        known = self._known.setdefault(arrival.sensor, Known())
        grain = SECOND if sensor.every >= FAST else 1
        came = min(at_arrival, now)
        self._follow(known, arrival, sensor, came)
        at, skew, age = self._instant(known, arrival, sensor, came, offset)
        at -= at % grain
        skew = self._skew_of(arrival.stamp, at, now, offset) if skew else 0
        values = {quantity: _rounded(value) for quantity, value in arrival.values.items()}
        fresh = {q: v for q, v in values.items() if not self._repeated(known, arrival, q, v.raw)}
        found = judge_all(
            {q: (v.raw, v.quality) for q, v in fresh.items()}, sensor, self._kinds[sensor.place]
        )
        entries, readings = [], []
        for quantity, value in fresh.items():
            quality = self._quality(known, quantity, found[quantity], at, age)
            entries.append(
                Entry(
                    sensor.name,
                    quantity,
                    value.raw,
                    at,
                    now,
                    quality,
                    arrival.stamp,
                    arrival.counter,
                    note=arrival.note,
                )
            )
            late = quality.grade is Grade.LATE
            readings.append(self.reading(entries[-1], sensor, 0 if late else skew))
        return Taken(tuple(entries), tuple(readings), arrival.settled, len(values) - len(fresh))

    def again(self, entry: Entry, offset: int | None) -> Reading | None:
        """Make the reading that the engine saw of a recorded one; None for a stranger."""
        sensor = self._sensors.get(entry.sensor)
        if sensor is None:
            return None
        late = entry.quality.grade is Grade.LATE
        skew = 0 if late else self._skew_of(entry.stamp, entry.at, entry.now, offset)
        return self.reading(entry, sensor, skew)

    def _skew_of(self, stamp: int | None, at: int, now: int, offset: int | None) -> int:
        """Give how far a stamp is off, from what is recorded; 0 where it was believed."""
        if stamp is None or offset is None or abs(stamp - offset - at) <= SECOND:
            return 0
        return _skew(stamp - offset - now)

    def reading(self, entry: Entry, sensor: SensorPlan, skew: int = 0) -> Reading:
        """Apply the correction that is in force: the record itself stays raw."""
        correction = sensor.corrections.get(entry.quantity)
        value = entry.raw if correction is None else correction.apply(entry.raw)
        return Reading(
            entry.sensor, entry.quantity, value, entry.at, entry.now, entry.quality, entry.note, skew
        )

    def _follow(self, known: Known, arrival: Arrival, sensor: SensorPlan, came: int) -> None:
        """See whether there may be a backlog, and whether it is over."""
        passed = None if known.arrived is None else came - known.arrived
        reconnected = arrival.link != known.link
        if reconnected:
            known.link = arrival.link
            known.behind = True
        elif passed is not None and passed > 2 * sensor.every:
            known.behind = known.behind or arrival.stamp is not None
        elif passed is not None and passed >= sensor.every // 2:
            known.behind = False
        since = self._links.setdefault((sensor.reader, arrival.link), came)
        if arrival.stamp is None and came - since >= BACKLOG:
            known.behind = False
        known.arrived = came

    def _instant(
        self, known: Known, arrival: Arrival, sensor: SensorPlan, came: int, offset: int | None
    ) -> tuple[int, int, Quality | None]:
        """Give the instant that a reading stands for, how far its stamp is off, and its age.

        Returns:
            (instant, skew in ms or 0, LATE or UNKNOWN_AGE or None for a fresh one).
        """
        if arrival.stamp is None or offset is None:
            unknown = arrival.retained or (known.behind and arrival.link > 0)
            return came, 0, Quality.UNKNOWN_AGE if unknown and arrival.link > 0 else None
        claim = arrival.stamp - offset
        skew = _skew(claim - came)
        if not (known.behind or arrival.retained):
            return came, skew, None
        if claim > came + AHEAD or claim < came - OLDEST:
            return came, skew, Quality.UNKNOWN_AGE if arrival.link > 0 else None
        late = came - claim > 2 * sensor.every + LATE_BESIDES
        return min(claim, came), 0, Quality.LATE if late else None

    def _repeated(self, known: Known, arrival: Arrival, quantity: Quantity, raw: float) -> bool:
        if arrival.stamp is None and arrival.counter is None:
            return False
        seen = (quantity, arrival.stamp, arrival.counter, raw)
        if seen in known.taken:
            return True
        known.taken.append(seen)
        return False

    def _quality(
        self, known: Known, quantity: Quantity, found: Quality, at: int, age: Quality | None
    ) -> Quality:
        if found.grade is Grade.BAD:
            return found
        if age is not None:
            return age
        if at < known.newest.get(quantity, at):
            return Quality.LATE
        known.newest[quantity] = at
        return found


def _skew(off: int) -> int:
    """Give how far a stamp is off, in whole seconds; a difference within 2 min is none."""
    return off - off % SECOND if abs(off) > AHEAD else 0


def _rounded(value: Value) -> Value:
    return Value(round(value.raw, 3), value.quality)
