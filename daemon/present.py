"""How each place stands now, out of the newest readings and the open alarms."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from daemon.record import AlarmRow, Entry
from daemon.texts import Speaker
from rules.plan import WATCH, PlacePlan, Plan, SensorPlan
from rules.reading import Quantity
from rules.roster import in_force

TOLD = (Quantity.TEMPERATURE, Quantity.HUMIDITY)
"""The quantities that a line tells of."""


@dataclass(frozen=True, slots=True)
class Seen:
    """The newest value of one quantity: corrected, with the instant that it stands for."""

    at: int
    value: float


_Words = tuple[Speaker, "Present | None"]
"""How values are worded, and what was read before."""


class Present:
    """The newest readings. Owned by the judge's thread."""

    def __init__(self) -> None:
        """Begin with nothing heard."""
        self._newest: dict[tuple[str, Quantity], Entry] = {}

    def take(self, entries: Iterable[Entry]) -> None:
        """Take what was judged; an older reading does not displace a newer one."""
        for entry in entries:
            key = (entry.sensor, entry.quantity)
            known = self._newest.get(key)
            if known is None or known.at <= entry.at:
                self._newest[key] = entry

    def heard(self, plan: Plan) -> bool:
        """Tell whether every sensor of a place in use has been heard since the start."""
        names = {sensor for sensor, _ in self._newest}
        return all(sensor.name in names for sensor in keepers_sensors(plan))

    def silent(self, plan: Plan, now: int) -> int:
        """Count the sensors of places in use that have not been heard for as long as they may be silent."""
        newest: dict[str, int] = {}
        for (sensor, _), entry in self._newest.items():
            newest[sensor] = max(newest.get(sensor, entry.at), entry.at)
        return sum(
            1
            for one in keepers_sensors(plan)
            if one.silence and now - newest.get(one.name, -one.silence) > one.silence
        )

    def value(self, sensor: SensorPlan, quantity: Quantity) -> Seen | None:
        """Give the newest value of a sensor, corrected; None where nothing was heard."""
        entry = self._newest.get((sensor.name, quantity))
        if entry is None or entry.raw != entry.raw:
            return None
        correction = sensor.corrections.get(quantity)
        return Seen(entry.at, correction.apply(entry.raw) if correction else entry.raw)

    def lines(
        self, plan: Plan, rows: Sequence[AlarmRow], speak: Speaker, before: "Present | None" = None
    ) -> tuple[str, ...]:
        """Give a line for each place in use, those with an open alarm first.

        Args:
            plan: The places.
            rows: The open alarms.
            speak: How values are worded.
            before: What was read before a span away, to be told beside it, or None.
        """
        wrong: dict[str, list[AlarmRow]] = {}
        for row in sorted(rows, key=lambda row: -row.priority.rank):
            wrong.setdefault(row.key.place, []).append(row)
        lines = [
            (place.name not in wrong, self._line(plan, place, wrong.get(place.name, ()), (speak, before)))
            for place in plan.places
            if place.name == WATCH or place.in_use
        ]
        return tuple(line for _, line in sorted(lines, key=lambda pair: pair[0]) if line)

    def _line(self, plan: Plan, place: PlacePlan, rows: Sequence[AlarmRow], words: _Words) -> str:
        alarms = [f"{row.key.rule} (alarm {row.number})" for row in rows]
        if place.name == WATCH:
            return f"the watch itself: {', '.join(alarms)}" if alarms else ""
        values = list(self._values(plan, place, words))
        here = [sensor for sensor in keepers_sensors(plan) if sensor.place == place.name]
        if not here and not alarms:
            return ""
        if here and not values and not any(sensor.contact for sensor in here):
            values = ["nothing read yet"]
        return f"{place.name}: {'; '.join([', '.join(values), *alarms]).strip('; ')}".rstrip(": ")

    def _values(self, plan: Plan, place: PlacePlan, words: _Words) -> Iterator[str]:
        speak, before = words
        for sensor in keepers_sensors(plan):
            for quantity in sensor.quantities:
                seen = self.value(sensor, quantity) if quantity in TOLD else None
                if sensor.place != place.name or seen is None:
                    continue
                spot = f"{sensor.spot} " if sensor.spot not in ("", "air") else ""
                outside = _outside(plan, place, (sensor.spot, quantity), seen.value, speak.now)
                was = before.value(sensor, quantity) if before is not None else None
                then = f", before {speak.value(quantity, was.value)}" if was is not None else ""
                yield f"{spot}{speak.value(quantity, seen.value)}{outside}{then}"


def keepers_sensors(plan: Plan) -> Iterator[SensorPlan]:
    """Give the sensors that should speak now: of places in use, neither the watch's own nor from files."""
    used = {place.name for place in plan.places if place.in_use}
    return (
        sensor
        for sensor in plan.sensors
        if sensor.reader != WATCH and not sensor.imported and sensor.place in used
    )


def _outside(plan: Plan, place: PlacePlan, which: tuple[str, Quantity], value: float, now: int) -> str:
    """Say whether a value is outside its spans; "" where it is inside or nothing is judged."""
    mine = [one for one in place.ranges if one.quantity is which[1] and one.spot in (which[0], "")]
    found = max(mine, key=lambda one: one.spot == which[0], default=None)
    counts = in_force(found, plan.calendars.get(place.calendar), place.settle, now) if found else None
    if counts is None:
        return ""
    for name, span in (("safe", counts.safe), ("ideal", counts.ideal)):
        if span is not None and not (
            (span.low is None or span.low <= value) and (span.high is None or value <= span.high)
        ):
            return f" (outside {name})"
    return ""
