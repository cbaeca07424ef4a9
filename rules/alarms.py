"""The book of alarms: what is wrong, through its life.

An alarm is (place, spot, subject, rule). Several sensors can hold one alarm: the
first raises it, it clears when none in service holds it any more. A wider cause
suppresses by design what it explains; acknowledging, shelving and suppression hold
for the priority at which they were given.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from typing import TypedDict, Unpack

from rules.events import AlarmKey, Change, Changed, Cleared, Effect, Raised
from rules.life import Life, Signal, after
from rules.plan import Priority
from rules.track import sensor_of
from rules.words import Sentence


@dataclass(frozen=True, slots=True)
class Wrong:
    """What makes or renews an alarm.

    Attributes:
        priority: How soon a person must act.
        since: When the trouble began (room time, ms).
        value: The value that is wrong, or None.
        reason: What is wrong, with numbers.
        advice: What to try, or ().
    """

    priority: Priority
    since: int
    value: float | None = None
    reason: Sentence = ()
    advice: Sentence = ()


@dataclass(slots=True)
class Alarm:
    """One open alarm. Owned by the book.

    Attributes:
        key: Who it is.
        raised: When it was raised.
        wrong: What is wrong, as last said.
        life: Its own state.
        holders: Sensors that hold it ("" for a rule that is not one sensor's).
        cause: The wider alarm that explains it, or None.
        explained_at: The priority at which the cause took it over.
        spoken: The instant from which repeats and escalation count.
        repeats: How many repeats went out since ``spoken``.
        told: Contacts that were told of it.
        waits: Ideal is settling: no repeats.
        freed: The cause that explained it until it ended, while that is to be said, or None.
        voiced: Its priority when a message of its cause named it, or None.
    """

    key: AlarmKey
    raised: int
    wrong: Wrong
    life: Life
    holders: dict[str, None]
    cause: AlarmKey | None = None
    explained_at: Priority | None = None
    spoken: int = 0
    repeats: int = 0
    told: dict[str, None] | None = None
    waits: bool = False
    freed: AlarmKey | None = None
    voiced: Priority | None = None

    @property
    def priority(self) -> Priority:
        """How soon a person must act."""
        return self.wrong.priority


@dataclass(frozen=True, slots=True)
class Shelf:
    """Quiet for a while: until when, up to which priority, by whom."""

    until: int
    priority: Priority
    by: str


class Said(TypedDict, total=False):
    """What may go with a change: who, until when, and why."""

    by: str
    until: int
    reason: Sentence
    advice: Sentence
    value: float | None


MOST_PASSES = 4
"""Causes nest at most as deep as box, incubator, room, mains."""

Cause = Callable[[Alarm], AlarmKey | None]
"""Finds the open alarm that explains another, or None."""


class Book:
    """Every open alarm and every shelf. Owned by the engine.

    Attributes:
        open: The open alarms by identity, in the order in which they were raised.
        returned: Alarms that are right again and that nobody has seen, by identity.
        shelves: Who is kept quiet.
        to_say: What changed and may have to be said.
        ended: What cleared and may have to be said.
        taken_back: Acknowledgements that were taken back: they repeat again.
        restless: An alarm came or went: causes must be weighed again.
    """

    def __init__(self, out: list[Effect], open_: dict[AlarmKey, Alarm], cause: Cause) -> None:
        """Keep the open alarms in ``open_``; effects go to ``out``."""
        self._out = out
        self._cause = cause
        self.open = open_
        self.returned: dict[AlarmKey, int] = {}
        self.shelves: dict[AlarmKey, Shelf] = {}
        self.to_say: list[tuple[Alarm, Change | None]] = []
        self.ended: list[Alarm] = []
        self.taken_back: list[Alarm] = []
        self.restless: bool = False

    @property
    def stirred(self) -> bool:
        """Tell whether something happened that must be weighed or said."""
        return bool(self.restless or self.to_say or self.ended or self.taken_back)

    # -- wrong and right -------------------------------------------------------

    def wrong(self, key: AlarmKey, holder: str, wrong: Wrong, now: int) -> Alarm:
        """Raise an alarm, or add a holder, or let it get worse."""
        alarm = self.open.get(key)
        if alarm is None:
            return self._raise(key, holder, wrong, now)
        alarm.holders[holder] = None
        if wrong.priority.rank > alarm.priority.rank:
            self._worsen(alarm, wrong, now)
        elif wrong.reason and wrong.reason != alarm.wrong.reason and wrong.priority is alarm.priority:
            alarm.wrong = replace(wrong, since=min(wrong.since, alarm.wrong.since))
            self._change(alarm, Change.SAID_ANEW, now, **_said(wrong))
        return alarm

    def _raise(self, key: AlarmKey, holder: str, wrong: Wrong, now: int) -> Alarm:
        alarm = Alarm(key, now, wrong, after(Life.NORMAL, Signal.WRONG), {holder: None}, spoken=now)
        self.returned.pop(key, None)
        alarm.cause = self._cause(alarm)
        alarm.explained_at = wrong.priority if alarm.cause else None
        self.open[key] = alarm
        self.restless = True
        self._out.append(
            Raised(
                now,
                key,
                wrong.priority,
                wrong.since,
                wrong.value,
                wrong.reason,
                wrong.advice,
                (sensor_of(holder),) if holder else (),
                alarm.cause,
            )
        )
        if self.shelf_of(alarm) is not None:
            self._change(alarm, Change.SHELVED, now, until=self.shelves[key].until)
        self.to_say.append((alarm, None))
        return alarm

    def _worsen(self, alarm: Alarm, wrong: Wrong, now: int) -> None:
        alarm.wrong = replace(wrong, since=min(wrong.since, alarm.wrong.since))
        alarm.life = after(alarm.life, Signal.WORSE)
        alarm.spoken, alarm.repeats = now, 0
        alarm.waits, alarm.freed = False, None
        self._change(alarm, Change.WORSE, now, **_said(wrong))
        self.to_say.append((alarm, Change.WORSE))

    def right(self, key: AlarmKey, holder: str, reason: Sentence, now: int, value: float | None) -> bool:
        """Let ``holder`` go; the alarm clears when nobody holds it. True when it did."""
        alarm = self.open.get(key)
        if alarm is None or holder not in alarm.holders:
            return False
        del alarm.holders[holder]
        if alarm.holders:
            return False
        self.clear(alarm, reason, now, value)
        return True

    def clear(self, alarm: Alarm, reason: Sentence, now: int, value: float | None = None) -> None:
        """End an alarm, whoever held it."""
        del self.open[alarm.key]
        if after(alarm.life, Signal.RIGHT) is Life.RETURNED:
            self.returned[alarm.key] = alarm.raised
        self._out.append(Cleared(now, alarm.key, alarm.raised, alarm.priority, reason, value))
        self.ended.append(alarm)
        self.restless = True

    def weigh_causes(self, now: int) -> None:
        """Look again at who explains whom: a wider alarm came or went."""
        self.restless = False
        for _ in range(MOST_PASSES):
            moved = [self._weigh(alarm, now) for alarm in tuple(self.open.values())]
            if not any(moved):
                return

    def _weigh(self, alarm: Alarm, now: int) -> bool:
        cause = self._cause(alarm)
        if cause == alarm.cause:
            return False
        was, alarm.cause = alarm.cause, cause
        if cause is None:
            alarm.explained_at = None
            alarm.spoken, alarm.repeats = now, 0
            alarm.freed = was
            self._change(alarm, Change.UNSUPPRESSED, now, reason=alarm.wrong.reason)
            self.to_say.append((alarm, None))
        else:
            alarm.explained_at = alarm.explained_at if was else alarm.priority
            self._change(alarm, Change.SUPPRESSED, now)
        return True

    # -- what keepers do -------------------------------------------------------

    def seen(self, key: AlarmKey, raised: int, by: str, now: int) -> None:
        """Acknowledge an alarm and what it explains; a later alarm is not meant."""
        alarm = self.open.get(key)
        if alarm is None:
            if self.returned.get(key) == raised:
                del self.returned[key]
            return
        if alarm.raised != raised:
            return
        for one in (alarm, *self.explained_by(key)):
            if one.life is not Life.ACKNOWLEDGED:
                one.life = after(one.life, Signal.SEEN)
                self._change(one, Change.ACKNOWLEDGED, now, by=by)

    def unseen(self, key: AlarmKey, raised: int, by: str, now: int) -> None:
        """Take an acknowledgement back; repeats count from now."""
        alarm = self.open.get(key)
        if alarm is None or alarm.raised != raised or alarm.life is not Life.ACKNOWLEDGED:
            return
        alarm.life = after(alarm.life, Signal.UNSEEN)
        alarm.spoken, alarm.repeats = now, 0
        self._change(alarm, Change.TAKEN_BACK, now, by=by)
        self.taken_back.append(alarm)

    def shelve(self, key: AlarmKey, raised: int, until: int, by: str, now: int) -> None:
        """Keep an alarm quiet until an instant, at the priority that it has."""
        alarm = self.open.get(key)
        if alarm is None or alarm.raised != raised or until <= now:
            return
        self.shelves[key] = Shelf(until, alarm.priority, by)
        self._change(alarm, Change.SHELVED, now, by=by, until=until)

    def unshelve(self, key: AlarmKey, by: str, now: int) -> None:
        """End the quiet: the alarm, where it is still open, speaks again."""
        if self.shelves.pop(key, None) is None:
            return
        alarm = self.open.get(key)
        if alarm is None:
            return
        self._change(alarm, Change.UNSHELVED, now, by=by)
        if alarm.life is Life.UNACKNOWLEDGED:
            alarm.spoken, alarm.repeats = now, 0
            self.to_say.append((alarm, None))

    # -- looking ---------------------------------------------------------------

    def shelf_of(self, alarm: Alarm) -> Shelf | None:
        """Give the shelf that keeps this alarm quiet; none once it is worse than shelved."""
        shelf = self.shelves.get(alarm.key)
        if shelf is None or alarm.priority.rank > shelf.priority.rank:
            return None
        return shelf

    def explained_by(self, key: AlarmKey) -> tuple[Alarm, ...]:
        """Give the open alarms that ``key`` explains, in the order in which they were raised."""
        return tuple(alarm for alarm in self.open.values() if alarm.cause == key)

    def at_place(self, places: Iterable[str]) -> tuple[Alarm, ...]:
        """Give the open alarms of some places."""
        names = frozenset(places)
        return tuple(alarm for alarm in self.open.values() if alarm.key.place in names)

    def _change(self, alarm: Alarm, change: Change, now: int, **said: Unpack[Said]) -> None:
        changed = Changed(now, alarm.key, alarm.raised, change, alarm.priority, cause=alarm.cause, **said)
        self._out.append(changed)


def _said(wrong: Wrong) -> Said:
    """Give what goes with a change that says something new."""
    return {"reason": wrong.reason, "advice": wrong.advice, "value": wrong.value}
