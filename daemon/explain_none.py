"""Why there was no alarm at a place at an instant: rule by rule."""

from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum

from daemon.explain_rules import RULES, RuleWords, Sort
from daemon.explain_scene import Seen, seen
from daemon.folders import data_folder
from daemon.logbook import Archive
from daemon.record import AlarmRow
from daemon.rehearsal_answer import voice
from daemon.settings import Loaded
from daemon.texts import Speaker, lasting
from rules.events import AlarmKey
from rules.reading import Quantity
from rules.roster import Curve, Sensor
from rules.track import Side, Track


class Why(StrEnum):
    """Why a rule raised nothing."""

    ALARM = "there was an alarm"
    EXPLAINED = "a wider alarm explained it"
    SHELVED = "it was kept quiet"
    IN_RANGE = "inside the range"
    HOLD = "its hold was not fulfilled"
    NO_RANGE = "nothing is judged there"
    SETTLING = "ideal was settling"
    OUT_OF_SERVICE = "out of service"
    OUT_OF_USE = "out of use"
    FAULT = "the sensor itself was at fault"
    SILENT = "the sensor was silent"
    NO_READINGS = "no readings"
    LID = "an open lid explained it"
    AS_IT_SHOULD_BE = "as it should be"
    NOT_MET = "its condition did not hold"


@dataclass(frozen=True, slots=True)
class NoAlarm:
    """One rule's answer.

    Attributes:
        rule: The rule's name.
        sensor: The sensor that it was put to.
        quantity: What it judged, or None where the sensor itself.
        why: Why nothing was raised.
        words: The same with numbers.
        number: The alarm, where there was one.
    """

    rule: str
    sensor: str
    quantity: Quantity | None
    why: Why
    words: str
    number: int | None = None


def explain_none(archive: Archive, loaded: Loaded, place: str, now: int) -> tuple[NoAlarm, ...] | None:
    """Say of each rule that watches a place why there was no alarm at an instant.

    Args:
        archive: The logbook.
        loaded: The present settings; those of then are judged by.
        place: Its name.
        now: Room time.

    Returns:
        None where there was no such place then.

    Raises:
        NoLogbook: The watch had not run yet by then.
    """
    imported = _only_files(loaded, place)
    looks = seen(archive, loaded, data_folder(loaded), (place, imported), (now,))
    if not looks:
        return None
    rows = [row for row in archive.alarms(now, now + 1) if row.raised <= now]
    speak = voice(loaded, archive.labels(), now)
    return tuple(_Asked(looks[0], rows, speak).answers())


def _only_files(loaded: Loaded, place: str) -> bool:
    mine = [sensor for one in loaded.model.place if one.name == place for sensor in one.sensor]
    return bool(mine) and all(sensor.read.by == "import" for sensor in mine)


@dataclass(frozen=True, slots=True)
class _Asked:
    """One question: a place at an instant, and the alarms that were open then."""

    look: Seen
    rows: list[AlarmRow]
    speak: Speaker

    def answers(self) -> Iterator[NoAlarm]:
        for sensor in self.look.sensors:
            for rule in RULES.values():
                yield from self._of(rule, sensor)

    def _of(self, rule: RuleWords, sensor: Sensor) -> Iterator[NoAlarm]:
        plan = self.look.place.plan
        if not rule.watches(plan.kind, plan.store, sensor.plan.spot):
            return
        if not set(rule.needs) <= set(sensor.curves) or rule.sort is Sort.ROOM:
            return
        if rule.sort is Sort.RANGE:
            yield from self._ranges(rule, sensor)
        elif rule.sort is Sort.CONTACT:
            yield from self._contact(rule, sensor)
        elif rule.sort is Sort.SENSOR:
            yield self._sensor(rule, sensor)
        else:
            quantity = rule.needs[-1]
            key = self._key(sensor, quantity.value, rule)
            answer = self._common(rule, sensor, sensor.curves[quantity], key)
            yield answer or NoAlarm(rule.name, sensor.plan.name, quantity, Why.NOT_MET, _not_met(rule))

    def _key(self, sensor: Sensor, subject: str, rule: RuleWords) -> AlarmKey:
        return AlarmKey(sensor.plan.place, sensor.plan.spot, subject, rule.name)

    # -- what holds for every rule ---------------------------------------------------------

    def _open(
        self, rule: RuleWords, sensor: Sensor, quantity: Quantity | None, key: AlarmKey
    ) -> NoAlarm | None:
        row = next((row for row in self.rows if row.key == key), None)
        alarm = self.look.alarms.get(key)
        if row is None and alarm is None:
            return None
        number = row.number if row else None
        name = sensor.plan.name
        named = f"alarm {number}" if number is not None else "an alarm"
        if row is not None and row.cause is not None:
            words = f"{named} was open; alarm {row.cause} explained it, so nobody was told of it alone"
            return NoAlarm(rule.name, name, quantity, Why.EXPLAINED, words, number)
        if key in self.look.shelved:
            until = self.speak.when(self.look.shelved[key])
            words = f"{named} was open, kept quiet until {until}"
            return NoAlarm(rule.name, name, quantity, Why.SHELVED, words, number)
        return NoAlarm(rule.name, name, quantity, Why.ALARM, f"{named} was open", number)

    def _place(self, rule: RuleWords, sensor: Sensor, quantity: Quantity | None) -> NoAlarm | None:
        place, name = self.look.place, sensor.plan.name
        if not place.plan.in_use:
            return NoAlarm(rule.name, name, quantity, Why.OUT_OF_USE, "the place was out of use")
        if place.out:
            return NoAlarm(rule.name, name, quantity, Why.OUT_OF_SERVICE, "the place was out of service")
        return None

    def _common(self, rule: RuleWords, sensor: Sensor, curve: Curve, key: AlarmKey) -> NoAlarm | None:
        """Say why no rule about the climate can have spoken: service, faults, silence."""
        name, quantity, now = sensor.plan.name, curve.quantity, self.look.now
        found = self._open(rule, sensor, quantity, key) or self._place(rule, sensor, quantity)
        if found is not None:
            return found
        if sensor.silent:
            since = self.speak.when(sensor.seen)
            return NoAlarm(rule.name, name, quantity, Why.SILENT, f"nothing came from it since {since}")
        if not sensor.fit(quantity):
            faults = ", ".join(sensor.faults)
            return NoAlarm(rule.name, name, quantity, Why.FAULT, f"the sensor was out of service: {faults}")
        if curve.newest < 0 or curve.value != curve.value:
            return NoAlarm(rule.name, name, quantity, Why.NO_READINGS, "no reading had come yet")
        if now - curve.newest > sensor.stand:
            words = f"the newest reading was {lasting(now - curve.newest)} old"
            return NoAlarm(rule.name, name, quantity, Why.NO_READINGS, words)
        return None

    # -- by sort ------------------------------------------------------------------------------

    def _ranges(self, rule: RuleWords, sensor: Sensor) -> Iterator[NoAlarm]:
        curve = sensor.curves[rule.needs[0]]
        for track in (curve.track, curve.egg_track):
            if track is None:
                continue
            for side in (track.lower, track.upper):
                if side.rule == rule.name:
                    found = self._common(rule, sensor, curve, track.key(side.rule))
                    yield found or self._side(rule, track, side)

    def _side(self, rule: RuleWords, track: Track, side: Side) -> NoAlarm:
        limits = self.look.limits(track)
        if limits.range is None:
            return NoAlarm(rule.name, track.sensor, track.quantity, Why.NO_RANGE, "no range is set there")
        value = self.speak.value(track.quantity, track.value)
        turned = track.value * side.sign
        ideal = _end(limits.range.ideal, side) if limits.range.ideal else float("inf")
        safe = _end(limits.range.safe, side) if limits.range.safe else float("inf")
        bound = "up to" if side.sign > 0 else "from"
        bounds = ", ".join(
            f"{name} {bound} {self.speak.value(track.quantity, limit * side.sign)}"
            for name, limit in (("ideal", ideal), ("safe", safe))
            if limit != float("inf")
        )
        where = f"{value}; {bounds or 'no limit on this side'}"
        if turned <= min(ideal, safe):
            return NoAlarm(rule.name, track.sensor, track.quantity, Why.IN_RANGE, where)
        if self.look.now < self.look.place.hush_until:
            return NoAlarm(rule.name, track.sensor, track.quantity, Why.LID, f"{where}; the lid was open")
        if turned <= safe and not limits.ideal_counts:
            ends = self.speak.when(self.look.place.since + self.look.place.plan.settling)
            words = f"{where}; ideal does not count before {ends}"
            return NoAlarm(rule.name, track.sensor, track.quantity, Why.SETTLING, words)
        return NoAlarm(rule.name, track.sensor, track.quantity, Why.HOLD, f"{where}; {_hold(side)}")

    def _contact(self, rule: RuleWords, sensor: Sensor) -> Iterator[NoAlarm]:
        switch = sensor.switch
        if switch is None or switch.rule.name != rule.name:
            return
        name = sensor.plan.name
        key = self._key(sensor, name, rule)
        found = self._open(rule, sensor, None, key) or self._place(rule, sensor, None)
        if found is not None:
            yield found
        elif switch.wrong_since < 0:
            yield NoAlarm(rule.name, name, None, Why.AS_IT_SHOULD_BE, "its last reading was as it should be")
        else:
            lasted, need = self.look.now - switch.wrong_since, switch.rule.stages[0][0]
            words = f"not as it should be for {lasting(lasted)}; an alarm comes after {lasting(need)}"
            yield NoAlarm(rule.name, name, None, Why.HOLD, words)

    def _sensor(self, rule: RuleWords, sensor: Sensor) -> NoAlarm:
        name = sensor.plan.name
        rows = [
            row for row in self.rows if row.key.rule == rule.name and name in row.key.subject.split(" and ")
        ]
        key = rows[0].key if rows else self._key(sensor, name, rule)
        found = self._open(rule, sensor, None, key) or self._place(rule, sensor, None)
        if found is not None:
            return found
        if rule.name == "silent" and sensor.plan.silence:
            gone = lasting(self.look.now - sensor.seen)
            words = f"something came {gone} before; it counts as silent after {lasting(sensor.plan.silence)}"
            return NoAlarm(rule.name, name, None, Why.HOLD, words)
        if rule.name == "silent":
            return NoAlarm(rule.name, name, None, Why.NOT_MET, "it is never called silent")
        return NoAlarm(rule.name, name, None, Why.NOT_MET, _not_met(rule))


def _end(span: object, side: Side) -> float:
    end = getattr(span, "high" if side.sign > 0 else "low")
    return float("inf") if end is None else float(end) * side.sign


def _not_met(rule: RuleWords) -> str:
    return rule.says


def _hold(side: Side) -> str:
    parts = []
    for name, hold in (("ideal", side.on_ideal), ("safe", side.on_safe)):
        if hold.since >= 0:
            confirmed = "" if hold.confirmed else ", and no second reading had confirmed it"
            parts.append(
                f"{name} was left for {lasting(hold.covered)} of its hold of {lasting(hold.need)}{confirmed}"
            )
    return "; ".join(parts) or "no hold was running"
