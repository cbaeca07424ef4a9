"""What a keeper would write by hand: fixed ranges, without and with the usual care.

All read the same readings as the engine and count in the same way. A number that only a
failing sensor gives is told as a sensor fault by the last one and as climate by the others;
every one of them tells of silence.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field

from rules.calendar import last_edge, state_at
from rules.plan import PlacePlan, Plan, SensorPlan, SpotRange
from rules.reading import HOUR, MINUTE, Grade, Quantity, Reading
from rules.roster import in_force
from rules.span import Span
from rules.track import RULE_NAMES
from tests.nights.judged import T0, Alert, batches, plan_for
from tests.nights.played import Played


@dataclass(frozen=True, slots=True)
class Care:
    """How a range check is written.

    Attributes:
        name: For the table.
        hold: A value must be out for so long, ms.
        deadband: … and come back in by this before the next alert: K; percent ten times as many.
        silence: Told after so long without a reading, ms; at least five intervals.
        allowance: After day or night begins the wider range counts for so long, ms.
        codes: Numbers that only a failing sensor gives are no climate.
        narrow: Ideal where there is one, else safe; or only safe.
    """

    name: str
    hold: int = 0
    deadband: float = 0.0
    silence: int = 10 * MINUTE
    allowance: int = 0
    codes: bool = False
    narrow: bool = True


CARES = (
    Care("ideal, no hold"),
    Care("ideal, 10 min hold", 10 * MINUTE, 0.3),
    Care("safe, 10 min hold", 10 * MINUTE, 0.3, narrow=False),
    Care("ideal, well tuned", 20 * MINUTE, 0.3, 15 * MINUTE, HOUR, codes=True),
)


@dataclass(slots=True)
class _Curve:
    """One curve: since when it is out on which side, and whether that was told."""

    side: int = 0
    since: int = 0
    told: bool = False


@dataclass(slots=True)
class Checker:
    """One range check over a room. Owned by one run."""

    care: Care
    plan: Plan
    alerts: list[Alert] = field(default_factory=list)
    curves: dict[tuple[str, Quantity], _Curve] = field(default_factory=dict)
    seen: dict[str, int] = field(default_factory=dict)
    silent: set[str] = field(default_factory=set)
    bad: dict[str, int] = field(default_factory=dict)
    spans: dict[tuple[str, Quantity], SpotRange | None] = field(default_factory=dict)
    sensors: dict[str, SensorPlan] = field(init=False)
    places: dict[str, PlacePlan] = field(init=False)

    def __post_init__(self) -> None:
        """Look everything up once."""
        self.sensors = {one.name: one for one in self.plan.sensors}
        self.places = {one.name: one for one in self.plan.places}

    def take(self, now: int, batch: list[Reading]) -> None:
        """Take the readings of one second."""
        for reading in batch:
            self.seen[reading.sensor] = now
            self.silent.discard(reading.sensor)
            sensor = self.sensors[reading.sensor]
            if reading.quantity is Quantity.CONTACT:
                self._judge(sensor, reading, Span(1.0, None), 0.0)
            elif reading.quality.grade is Grade.BAD and (self.care.codes or reading.value != reading.value):
                self._fault(sensor, now)
            else:
                self.bad[reading.sensor] = 0
                self._climate(sensor, reading)

    def tick(self, now: int) -> None:
        """Look for silence."""
        for sensor in self.plan.sensors:
            if not sensor.silence or sensor.name in self.silent:
                continue
            if now - self.seen.get(sensor.name, T0) > max(self.care.silence, 5 * sensor.every):
                self.silent.add(sensor.name)
                self._tell(sensor, sensor.name, "silent", now)

    def _fault(self, sensor: SensorPlan, now: int) -> None:
        self.bad[sensor.name] = self.bad.get(sensor.name, 0) + 1
        if self.bad[sensor.name] == 3:
            self._tell(sensor, sensor.name, "implausible", now)

    def _climate(self, sensor: SensorPlan, reading: Reading) -> None:
        key = (sensor.name, reading.quantity)
        if key not in self.spans:
            self.spans[key] = _range_of(self._place(sensor), sensor, reading.quantity)
        found = self.spans[key]
        span = self._span(sensor, found, reading.now) if found else None
        if span is not None:
            wide = self.care.deadband * (10 if reading.quantity is Quantity.HUMIDITY else 1)
            self._judge(sensor, reading, span, wide)

    def _place(self, sensor: SensorPlan) -> PlacePlan:
        return self.places[sensor.place]

    def _span(self, sensor: SensorPlan, found: SpotRange, now: int) -> Span | None:
        if found.day == found.night:
            range_ = found.day
        else:
            calendar = self.plan.calendars.get(self._place(sensor).calendar)
            edge = last_edge(calendar, now)
            fresh = edge is not None and now < edge + self.care.allowance
            day = state_at(calendar, now)
            range_ = (
                in_force(found, calendar, self.care.allowance, now)
                if fresh
                else found.day
                if day
                else found.night
            )
        if range_ is None:
            return None
        return (range_.ideal or range_.safe) if self.care.narrow else range_.safe

    def _judge(self, sensor: SensorPlan, reading: Reading, span: Span, wide: float) -> None:
        curve = self.curves.setdefault((sensor.name, reading.quantity), _Curve())
        side = 0
        if span.low is not None and reading.value < span.low + (wide if curve.side < 0 and curve.told else 0):
            side = -1
        elif span.high is not None and reading.value > span.high - (
            wide if curve.side > 0 and curve.told else 0
        ):
            side = 1
        if side != curve.side:
            curve.side, curve.since, curve.told = side, reading.now, False
        if side and not curve.told and reading.now - curve.since >= self.care.hold:
            curve.told = True
            names = RULE_NAMES.get(reading.quantity, ("mains lost", ""))
            if sensor.contact is not None and sensor.contact.value != "mains":
                names = ("lid open", "")
            self._tell(sensor, reading.quantity.value, names[side > 0], reading.now, curve.since)

    def _tell(self, sensor: SensorPlan, subject: str, rule: str, now: int, since: int | None = None) -> None:
        began = (now if since is None else since) - T0
        self.alerts.append(Alert(now - T0, sensor.place, subject, rule, began, len(self.alerts)))


def _range_of(place: PlacePlan, sensor: SensorPlan, quantity: Quantity) -> SpotRange | None:
    mine = [one for one in place.ranges if one.quantity is quantity and one.spot in (sensor.spot, "")]
    return max(mine, key=lambda one: len(one.spot), default=None)


def check(played: Played) -> Iterator[tuple[str, tuple[Alert, ...]]]:
    """Let every range check read a fortnight; give name and alerts of each."""
    plan = plan_for({one.name: one.every for one in played.scene.sensors})
    checkers = [Checker(care, plan) for care in CARES]
    ticked = T0
    for now, batch in batches(played, plan):
        for checker in checkers:
            checker.take(now, batch)
        if now - ticked >= MINUTE:
            ticked = now
            for checker in checkers:
                checker.tick(now)
    for checker in checkers:
        yield checker.care.name, tuple(checker.alerts)
