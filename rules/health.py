"""The health of sensors: signs of life, implausible values, wrong clocks, faults.

A faulty sensor is out of service for climate rules and is itself the alarm. Where another
sensor sees the same spot, the alarms that only the faulty one holds go; where it was the
only one, they stay, explained by the fault.

Source: out of service as of ANSI/ISA-18.2 (state I); the numbers are our own.
"""

from collections.abc import Callable

from rules.alarms import Book, Wrong
from rules.events import AlarmKey
from rules.plan import PlaceKind, Priority
from rules.reading import MINUTE, Quality, Quantity, Reading
from rules.roster import Place, Sensor
from rules.speech import silence_reason
from rules.track import Track
from rules.words import Instant, Lasting, Sentence

BLIND = 30 * MINUTE
"""After how much more silence a place whose only thermometer is silent is urgent (ours)."""

SILENCE_STAGES = 2
"""Silent, then blind."""

BLIND_KINDS = frozenset({PlaceKind.INCUBATOR, PlaceKind.BOX})
"""Kinds of place where blindness is urgent: heat kills eggs within the hour."""

BAD_ENOUGH = 3.0
"""So many implausible readings, less a quarter for each good one, make an alarm (ours)."""

BAD_LEAK = 0.25

SKEW_LIMIT = 2 * MINUTE
"""A device's stamp that is further off than this is wrong (ours)."""

SKEW_ENOUGH = 3
"""So many wrong stamps in a row make an alarm (ours)."""


Held = tuple[str, ...]
"""Names of quantities that a fault holds out of service."""

ALL: Held = ("",)
"""Every quantity of the sensor."""


def holder_of(sensor: Sensor, held: Held) -> str:
    """Name who holds a sensor's alarm: the sensor, or one quantity of it."""
    return sensor.plan.name if held == ALL else f"{sensor.plan.name} ({' and '.join(held)})"


Schedule = Callable[[int, tuple[str, ...]], None]
"""Asks the engine to call back at an instant with a key."""


class Health:
    """Watches over the sensors. Owned by the engine."""

    def __init__(self, sensors: dict[str, Sensor], book: Book, schedule: Schedule) -> None:
        """Look after these; they change as the engine goes on."""
        self._sensors = sensors
        self._book = book
        self._schedule = schedule

    def hear(self, sensor: Sensor, reading: Reading) -> None:
        """Take a sign of life; a silent sensor must give two at its pace."""
        passed = reading.now - sensor.seen
        sensor.seen = reading.now
        if sensor.silent:
            if passed > 0:
                sensor.heard = sensor.heard + 1 if passed <= 2 * sensor.plan.every else 1
            if sensor.heard > 1 or sensor.plan.on_change:
                sensor.silent = sensor.heard = 0
                self.right(sensor, "silent", ("Readings come again",), reading.now)
                self.watch_silence(sensor)
        if reading.skew or sensor.skewed:
            self._take_skew(sensor, reading)

    def watch_silence(self, sensor: Sensor) -> None:
        """Look again when the sensor will have been silent for too long."""
        if sensor.plan.silence > 0:
            self._schedule(sensor.seen + sensor.plan.silence, ("silence", sensor.plan.name))

    def due_silence(self, key: tuple[str, ...], now: int) -> None:
        """Raise silence where nothing came, and blindness where nothing else measures warmth."""
        sensor = self._sensors.get(key[1])
        if sensor is None or sensor.plan.silence <= 0:
            return
        after = sensor.plan.silence + (BLIND if sensor.silent else 0)
        if now < sensor.seen + after:
            self._schedule(sensor.seen + after, key)
            return
        if not sensor.place.judged:
            self._schedule(now + sensor.plan.silence, key)
            return
        if sensor.silent >= SILENCE_STAGES:
            return
        urgent = sensor.silent == 1
        sensor.silent += 1
        if not urgent:
            self._schedule(sensor.seen + after + BLIND, key)
        elif not self._blind(sensor):
            return
        priority = Priority.HIGH if urgent else Priority.MEDIUM
        reason, advice = silence_reason(sensor.plan, sensor.seen, blind=urgent)
        self.wrong(sensor, "silent", Wrong(priority, sensor.seen, None, reason, advice), now)

    def _blind(self, sensor: Sensor) -> bool:
        """Tell whether a place with eggs has no other thermometer in service."""
        if sensor.place.plan.kind not in BLIND_KINDS or Quantity.TEMPERATURE not in sensor.curves:
            return False
        others = [one for one in self._sensors.values() if one.place is sensor.place and one is not sensor]
        return not any(Quantity.TEMPERATURE in one.curves and one.fit(Quantity.TEMPERATURE) for one in others)

    def take_bad(self, sensor: Sensor, reading: Reading) -> None:
        """Count an implausible reading; a few make an alarm."""
        if reading.quality is Quality.SPOILT:
            return
        if not sensor.bad:
            sensor.bad_since = reading.at
        sensor.bad = min(sensor.bad + 1.0, 2 * BAD_ENOUGH)
        if sensor.bad < BAD_ENOUGH or not sensor.place.judged:
            return
        reason: list[str | Instant] = [
            f"Implausible: {reading.quantity.value} {reading.quality.words}",
            ", since ",
            Instant(sensor.bad_since),
        ]
        advice = ("Look at the sensor's plug, cable and water on it; nothing is judged by it until then.",)
        wrong = Wrong(Priority.MEDIUM, sensor.bad_since, None, tuple(reason), advice)
        self.wrong(sensor, "implausible", wrong, reading.now)

    def take_plausible(self, sensor: Sensor, reading: Reading) -> None:
        """Count a plausible reading after implausible ones."""
        sensor.bad = max(sensor.bad - BAD_LEAK, 0.0)
        if sensor.bad == 0.0 and "implausible" in sensor.faults:
            self.right(sensor, "implausible", ("Its values are plausible again",), reading.now)

    def _take_skew(self, sensor: Sensor, reading: Reading) -> None:
        if abs(reading.skew) <= SKEW_LIMIT:
            if sensor.skewed >= SKEW_ENOUGH:
                self.clear(sensor, "its clock is wrong", ("Its clock is right again",), reading.now)
            sensor.skewed = 0
            return
        sensor.skewed = min(sensor.skewed + 1, SKEW_ENOUGH)
        if sensor.skewed < SKEW_ENOUGH:
            return
        direction = "ahead" if reading.skew > 0 else "behind"
        reason = ("Its clock is ", Lasting(abs(reading.skew) // MINUTE * MINUTE), f" {direction}")
        advice = ("Set the sensor's clock; until then its readings count from their arrival.",)
        wrong = Wrong(Priority.MEDIUM, reading.now, None, reason, advice)
        self._book.wrong(self.key(sensor, "its clock is wrong"), sensor.plan.name, wrong, reading.now)

    def key(self, sensor: Sensor, rule: str) -> AlarmKey:
        """Name a sensor's own alarm of a rule."""
        return AlarmKey(sensor.plan.place, sensor.plan.spot, sensor.plan.name, rule)

    def wrong(self, sensor: Sensor, rule: str, wrong: Wrong, now: int, held: Held = ALL) -> None:
        """A fault: what it makes unfit is out of service for climate; it is itself the alarm.

        Args:
            sensor: Whose fault.
            rule: The rule's name.
            wrong: What is wrong.
            now: Room time, ms.
            held: Quantities that climate must leave out; ``ALL``: every one.
        """
        already = sensor.faults.setdefault(rule, [])
        fresh = [one for one in held if one not in already]
        already.extend(fresh)
        self._book.wrong(self.key(sensor, rule), holder_of(sensor, held), wrong, now)
        if fresh:
            self._release_shared(sensor, now)
        self._book.restless = True

    def _release_shared(self, sensor: Sensor, now: int) -> None:
        """Let a faulty sensor's alarms go where another sensor sees the same spot."""
        for track in sensor.tracks():
            if sensor.fit(track.judged) or not any(
                self._in_service_beside(track, one) for one in sensor.place.tracks()
            ):
                continue
            for side in (track.lower, track.upper):
                if side.active is not None:
                    key = track.key(side.rule)
                    reason = ("Its sensor is out of service; another one sees the spot",)
                    self._book.right(key, track.holder, reason, now, track.value)
            track.rest()

    def _in_service_beside(self, track: Track, other: Track) -> bool:
        same = (other.spot, other.quantity) == (track.spot, track.quantity)
        return same and other.sensor != track.sensor and self._sensors[other.sensor].fit(track.judged)

    def right(self, sensor: Sensor, rule: str, reason: Sentence, now: int, held: Held = ALL) -> None:
        """Put back in service what a fault held, where it was its last one."""
        left = [one for one in sensor.faults.pop(rule, []) if one not in held]
        if left:
            sensor.faults[rule] = left
        self._book.right(self.key(sensor, rule), holder_of(sensor, held), reason, now, None)
        self._book.restless = True

    def clear(self, sensor: Sensor, rule: str, reason: Sentence, now: int) -> None:
        """Clear a sensor's own alarm of a rule."""
        self._book.right(self.key(sensor, rule), sensor.plan.name, reason, now, None)

    def listen(self, place: Place, now: int) -> None:
        """A place comes back: what was not heard while nobody listened is no silence."""
        for sensor in place.sensors:
            sensor.seen = max(sensor.seen, now)
            self.watch_silence(sensor)

    def forget(self, sensor: Sensor, now: int) -> None:
        """Let a sensor begin anew: nothing is wrong with it that was before."""
        sensor.silent = sensor.heard = sensor.skewed = 0
        sensor.bad = 0.0
        sensor.seen = now
        sensor.faults.clear()
        if sensor.switch is not None:
            sensor.switch.reached = 0
        for track in sensor.tracks():
            track.rest()
        self.watch_silence(sensor)
