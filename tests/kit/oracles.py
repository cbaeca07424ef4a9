"""What must hold of any evening, worked out from events and effects alone.

Each function goes over what was told and what was answered, knows nothing of the engine's
inside, and fails with an assertion that shows the effect that should not be.
"""

from bisect import bisect_right
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from rules.calendar import Calendar
from rules.engine import Engine
from rules.events import (
    AlarmKey,
    Away,
    Change,
    Changed,
    Cleared,
    Effect,
    Event,
    Notice,
    Raised,
    Tone,
)
from rules.plan import Plan, Priority
from rules.reading import MINUTE, Grade, Quantity, Reading
from rules.span import Span

CLIMATE = {"too warm": 1, "too humid": 1, "too cool": -1, "too dry": -1}
"""Rules of ranges with their side."""


@dataclass
class Lived:
    """One open alarm as its effects tell it."""

    raised: int
    priority: Priority
    seen: bool = False


class Lives:
    """Follows every identity through its life and refuses what the standard does not know."""

    def __init__(self) -> None:
        self.open: dict[AlarmKey, Lived] = {}
        self.now = 0
        self.worst = 0

    def take(self, effects: Iterable[Effect]) -> None:
        """Follow effects in order."""
        for effect in effects:
            assert effect.now >= self.now, f"an effect steps back: {effect}"
            self.now = effect.now
            if isinstance(effect, Raised):
                assert effect.alarm not in self.open, f"raised twice: {effect}"
                assert effect.since <= effect.now
                self.open[effect.alarm] = Lived(effect.now, effect.priority)
            elif isinstance(effect, Changed):
                self._changed(effect)
            elif isinstance(effect, Cleared):
                lived = self.open.pop(effect.alarm)
                assert (lived.raised, lived.priority) == (effect.raised, effect.priority), effect
                assert effect.reason, f"cleared without a reason: {effect}"

    def _changed(self, effect: Changed) -> None:
        lived = self.open[effect.alarm]
        assert lived.raised == effect.raised, effect
        if effect.change is Change.WORSE:
            assert effect.priority.rank > lived.priority.rank, effect
            lived.priority, lived.seen = effect.priority, False
            self.worst += 1
        assert effect.priority is lived.priority, f"a priority that went astray: {effect}"
        if effect.change is Change.ACKNOWLEDGED:
            assert not lived.seen, f"acknowledged twice: {effect}"
            lived.seen = True
        if effect.change is Change.TAKEN_BACK:
            assert lived.seen, f"taken back, never given: {effect}"
            lived.seen = False

    def agree(self, engine: Engine) -> None:
        """Every raised alarm was cleared or is still open, and the engine knows the same."""
        known = {one.key: (one.raised, one.priority) for one in engine.open_alarms()}
        assert known == {key: (one.raised, one.priority) for key, one in self.open.items()}


# -- holds ------------------------------------------------------------------------------


class Story:
    """What was told, sorted for looking back: good readings and spans away."""

    def __init__(self, events: Sequence[Event], plans: Sequence[Plan]) -> None:
        self.good: dict[tuple[str, Quantity], list[Reading]] = defaultdict(list)
        self.aways = [event for event in events if isinstance(event, Away)]
        self.plans = [(event.now, plan) for event, plan in zip(events, plans, strict=True)]
        self.loaded = [event for event in events if isinstance(event, Plan)]
        for event in events:
            if isinstance(event, Reading) and event.quality.grade is Grade.GOOD:
                self.good[(event.sensor, event.quantity)].append(event)

    def plan_at(self, instant: int) -> Plan:
        """Give the plan that was in force at an instant."""
        before = [plan for plan in self.loaded if plan.now <= instant]
        return before[-1] if before else self.plans[0][1]

    def away(self, start: int, end: int) -> int:
        """Give how much of a stretch nobody watched."""
        return sum(max(0, min(end, one.now) - max(start, one.since)) for one in self.aways)

    def covered(
        self, key: tuple[str, Quantity], until: int, stand: int, bad: Span, side: int
    ) -> tuple[int, int]:
        """Give how long, and over how many readings, a curve was beyond a limit up to an instant.

        Args:
            key: Sensor and quantity.
            until: The instant from which to look back.
            stand: How long a reading stands at most.
            bad: The span that was left (or, for ``side`` 0, that must hold the value).
            side: +1 above, -1 below, 0 inside.
        """
        readings = self.good[key]
        index = bisect_right([one.at for one in readings], until) - 1
        covered, count, later = 0, 0, until
        while index >= 0 and _beyond(readings[index].value, bad, side):
            reading = readings[index]
            passed = later - reading.at - self.away(reading.at, later)
            covered += min(passed, stand)
            count, later, index = count + 1, reading.at, index - 1
        return covered, count


def _beyond(value: float, span: Span, side: int) -> bool:
    if side == 0:
        return span.holds(value)
    return (
        (span.high is not None and value > span.high)
        if side > 0
        else (span.low is not None and value < span.low)
    )


def every_alarm_had_its_hold(story: Story, effects: Iterable[Effect]) -> int:
    """No alarm of a range without covered time beyond the limit, confirmed by a second reading.

    Returns:
        How many alarms were looked at.
    """
    seen = 0
    for effect in effects:
        rule = effect.alarm.rule if isinstance(effect, Raised) else ""
        if not isinstance(effect, Raised) or rule not in CLIMATE or effect.alarm.place == "pen":
            continue
        plan = story.plan_at(effect.now)
        place = next(one for one in plan.places if one.name == effect.alarm.place)
        if place.egg_lag is not None:
            continue
        quantity = Quantity(effect.alarm.subject)
        wanted = next(one for one in place.ranges if one.quantity is quantity and one.day is not None)
        high = effect.priority is Priority.HIGH
        span = wanted.day.safe if high else wanted.day.ideal  # type: ignore[union-attr]  # chosen so
        need = place.hold_safe if high else place.hold_ideal
        sensor = next(one for one in plan.sensors if one.name == effect.sensors[0])
        covered, count = story.covered(
            (sensor.name, quantity),
            effect.now,
            2 * sensor.every,
            span,
            CLIMATE[rule],  # type: ignore[arg-type]
        )
        assert covered >= need, f"{covered} of {need} ms covered: {effect}"
        assert count >= 2, f"not confirmed: {effect}"
        seen += 1
    return seen


def nothing_clears_unseen(story: Story, effects: Iterable[Effect]) -> int:
    """What is "right again" had been right over covered time, deadband and all.

    Returns:
        How many clearings were looked at.
    """
    seen = 0
    for effect in effects:
        if not isinstance(effect, Cleared) or effect.reason[0] != "Right again: ":
            continue
        plan = story.plan_at(effect.now)
        place = next(one for one in plan.places if one.name == effect.alarm.place)
        if place.egg_lag is not None or place.name == "pen":
            continue
        quantity = Quantity(effect.alarm.subject)
        wanted = next(one for one in place.ranges if one.quantity is quantity and one.day is not None)
        ideal = wanted.day.ideal  # type: ignore[union-attr]  # chosen so
        upper = CLIMATE[effect.alarm.rule] > 0
        inside = (
            Span(None, round(ideal.high - wanted.deadband, 3))  # type: ignore[union-attr,operator]
            if upper
            else Span(round(ideal.low + wanted.deadband, 3), None)  # type: ignore[union-attr,operator]
        )
        best = max(
            story.covered((one.name, quantity), effect.now, 2 * one.every, inside, 0)
            for one in plan.sensors
            if one.place == place.name and quantity in one.quantities
        )
        assert best[0] >= place.hold_off, f"only {best[0]} ms right: {effect}"
        assert best[1] >= 2, effect
        seen += 1
    return seen


# -- notices ----------------------------------------------------------------------------


def _state(calendar: Calendar | None, instant: int) -> bool | None:
    if calendar is None:
        return None
    return calendar.first != bool(sum(edge <= instant for edge in calendar.edges) % 2)


def notices_keep_the_rules(story: Story, effects: Sequence[Effect]) -> int:
    """At most three in ten minutes, quiet hours, duty and priorities are kept, nothing is said empty.

    Returns:
        How many notices were looked at.
    """
    sent: dict[str, list[int]] = defaultdict(list)
    for effect in effects:
        if not isinstance(effect, Notice):
            continue
        plans = [story.plan_at(effect.now), story.plan_at(effect.now - 1)]
        contact = next(one for one in plans[0].contacts if one.name == effect.contact)
        recent = [at for at in sent[effect.contact] if at > effect.now - 10 * MINUTE]
        assert len(recent) < 3, f"a fourth in ten minutes: {effect}"
        sent[effect.contact].append(effect.now)
        assert effect.told, f"an empty notice: {effect}"
        assert effect.priority is max((one.priority for one in effect.told), key=lambda one: one.rank)
        quiet = contact.quiet and all(_state(plan.calendars.get(contact.quiet), effect.now) for plan in plans)
        duty = contact.on_duty and _state(plans[0].calendars.get(contact.on_duty), effect.now)
        assert duty is not False, f"not on duty: {effect}"
        for told in effect.told:
            assert not quiet or told.priority is Priority.HIGH, f"in quiet hours: {effect}"
            if told.tone is not Tone.RIGHT_AGAIN:
                assert told.priority in contact.priorities, effect
        tones = [(one.alarm, one.raised) for one in effect.told]
        assert len(set(tones)) == len(tones), f"said twice in one notice: {effect}"
    return sum(len(instants) for instants in sent.values())


def repeats_end(effects: Iterable[Effect]) -> int:
    """No alarm is repeated to a contact more than eight times without getting worse or being taken back.

    Returns:
        The most repeats that one alarm had.
    """
    counts: dict[tuple[str, AlarmKey, int], int] = defaultdict(int)
    most = 0
    for effect in effects:
        if isinstance(effect, Changed) and effect.change in (
            Change.WORSE,
            Change.TAKEN_BACK,
            Change.UNSHELVED,
            Change.UNSUPPRESSED,
        ):
            for key in [key for key in counts if key[1] == effect.alarm]:
                counts[key] = 0
        if isinstance(effect, Notice):
            for told in effect.told:
                if told.tone is Tone.REPEAT:
                    key = (effect.contact, told.alarm, told.raised)
                    counts[key] += 1
                    most = max(most, counts[key])
                    assert counts[key] <= 8, f"a ninth repeat: {effect}"
                    assert told.priority is not Priority.LOW, effect
    return most
