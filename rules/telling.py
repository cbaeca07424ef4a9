"""Telling people: who is told of what, and when.

One mouth per contact. What is to be said is gathered and goes out as one message;
messages to one contact keep a distance, so that no ten minutes hold more than three.
Repeats while unacknowledged: high after 10, 20, 40, then every 60 min, at most 8;
medium once after 60 min, by day.

Source: repeats and escalation are our own (common practice, no source); three messages
in ten minutes after the flood figures of EEMUA 191 / ISA-18.2, far below them because a
keeper sleeps.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

from rules.alarms import Alarm, Book
from rules.calendar import Calendar, next_edge, state_at
from rules.causes import MAINS_LOST, RANGE_RULES, WARMTH_RULES
from rules.common import RULE as COMMON
from rules.events import AlarmKey, Change, Effect, Notice, Told, Tone
from rules.faults import FAULT_RULES
from rules.heading import RULE as HEADING
from rules.hold import NEVER
from rules.life import Life
from rules.plan import ROOM_DAY, ContactPlan, Priority
from rules.reading import MINUTE, SECOND

HIGH_REPEATS = (10 * MINUTE, 20 * MINUTE, 40 * MINUTE, *(hour * 60 * MINUTE for hour in range(1, 6)))
"""After how long an unacknowledged high alarm is said again: eight times in all."""

MEDIUM_REPEAT = 60 * MINUTE
"""After how long an unacknowledged medium alarm is said again, once, by day."""

DISTANCES = (0, 60 * SECOND, 3 * MINUTE)
"""Least distance to the message before, by how many went out in the last ten minutes."""

WINDOW = 10 * MINUTE
"""No window of this length holds more than three messages to one contact."""

FIRST = frozenset({Tone.RAISED, Tone.ESCALATION})
"""Tones in which a contact first hears of an alarm; nothing that comes later hides them."""

WIDE = frozenset({MAINS_LOST, COMMON})
"""Causes that reach many places."""

WORSE_GROUP = 180 * MINUTE
"""A cause speaks for the places that left safe at most this often, and ever more rarely (ms)."""

NEW_PLACE = 20 * MINUTE
"""… and for places of which nobody was told at most this often (ms)."""

SAID_SO = 60 * MINUTE
"""Within this a high alarm has said itself that safe would be left, and repeats anyway (ms)."""

AGAIN, SELDOM = 60 * MINUTE, 48 * 60 * MINUTE
"""What was told, ended and comes again within this is a repeat and no news, unless it is high (ms).
Each time that it is news again the pause is four times as long, up to the second."""

FREED = {Priority.HIGH: 30 * MINUTE, Priority.MEDIUM: 60 * MINUTE, Priority.LOW: 60 * MINUTE}
"""What its cause explained has so long to come right when the cause has ended (ms)."""

FORGOTTEN = 36 * 60 * MINUTE
"""What has not come again for so long is news as on the first day (ms)."""


@dataclass(frozen=True, slots=True)
class Lately:
    """An alarm that was told and ended.

    Attributes:
        ended: When it last ended, told or not (ms).
        priority: Its priority when it was told.
        hushed: It is no news before this instant (ms).
        pause: For how long it was made no news (ms).
    """

    ended: int
    priority: Priority
    hushed: int
    pause: int


class Mouth:
    """What waits to be said to one contact, and when they were last spoken to.

    Attributes:
        plan: The contact.
        waiting: Tone by alarm (identity and instant), in order of coming.
        sent: Instants of the newest messages, at most three.
    """

    __slots__ = ("plan", "sent", "waiting")

    def __init__(self, plan: ContactPlan) -> None:
        """Begin with nothing to say."""
        self.plan = plan
        self.waiting: dict[tuple[AlarmKey, int], tuple[Tone, Priority]] = {}
        self.sent: list[int] = []

    def allowed(self, now: int) -> int:
        """Give the earliest instant at which the next message may go.

        Asked again before that instant, it gives the same one: a message that leaves the
        window on the way is reckoned with.
        """
        recent = [sent for sent in self.sent if sent > now - WINDOW]
        left = len(recent)
        if not left:
            return now
        earliest = recent[-1] + WINDOW
        for gone in range(left):
            if left - gone < len(DISTANCES):
                free = recent[gone - 1] + WINDOW if gone else now
                earliest = min(earliest, max(free, recent[-1] + DISTANCES[left - gone]))
        return earliest


Schedule = Callable[[int, tuple[str, ...]], None]
"""Asks the engine to call back at an instant with a key."""


class Telling:
    """Every mouth. Owned by the engine."""

    def __init__(
        self, out: list[Effect], book: Book, schedule: Schedule, outer: Callable[[str], str]
    ) -> None:
        """Begin with no contacts; ``outer`` gives the outermost place in which a place stands."""
        self._out = out
        self._book = book
        self._schedule = schedule
        self._outer = outer
        self._calendars: Mapping[str, Calendar] = {}
        self.mouths: dict[str, Mouth] = {}
        self.spoken_for: dict[AlarmKey, int] = {}
        self.lately: dict[AlarmKey, Lately] = {}

    def plan(self, contacts: tuple[ContactPlan, ...], calendars: Mapping[str, Calendar], now: int) -> None:
        """Take contacts and schedules; what waits for a contact that stays goes on waiting."""
        self._calendars = calendars
        mouths = {contact.name: self.mouths.get(contact.name) or Mouth(contact) for contact in contacts}
        for contact in contacts:
            mouths[contact.name].plan = contact
        self.mouths = mouths
        for name, mouth in mouths.items():
            if mouth.waiting:
                self._schedule(now, ("tell", name))

    # -- what is to be said ------------------------------------------------------

    def gather(self, now: int) -> None:
        """Take what the book has to say and set when it is said again."""
        book = self._book
        for alarm in book.ended:
            self._remember(alarm, now)
        for alarm, change in book.to_say:
            if book.open.get(alarm.key) is not alarm:
                continue
            if alarm.cause is not None:
                self._speak_as_cause(alarm, now)
            elif change is None and _may_come_right(alarm):
                self._schedule(now + FREED[alarm.priority], ("freed", *alarm.key))
            elif book.shelf_of(alarm) is None and alarm.life is Life.UNACKNOWLEDGED:
                self._begin(alarm, Tone.WORSE if change is Change.WORSE else Tone.RAISED, now)
        book.to_say.clear()
        for alarm in book.taken_back:
            self._set_repeat(alarm)
            self._set_escalation(alarm)
        book.taken_back.clear()
        for alarm in book.ended:
            self._say_right_again(alarm, now)
        book.ended.clear()

    def _begin(self, alarm: Alarm, tone: Tone, now: int) -> bool:
        """Say an alarm, where it is news, and set when it is said again; True where it is known."""
        known = self._known(alarm)
        if not known:
            self._say(alarm, tone, now)
        self._set_repeat(alarm)
        self._set_escalation(alarm)
        return known

    def freed(self, key: AlarmKey, now: int) -> None:
        """Say what is still wrong a while after the cause that explained it has ended."""
        alarm = self._book.open.get(key)
        if alarm is None or alarm.freed is None:
            return
        due = alarm.spoken + FREED[alarm.priority]
        if now < due:
            self._schedule(due, ("freed", *key))
            return
        wanted, alarm.spoken = self._wants_voice(alarm), now
        if wanted and self._begin(alarm, Tone.RAISED, now) and alarm.priority is Priority.HIGH:
            self._say(alarm, Tone.REPEAT, now)
        alarm.freed = None

    def _remember(self, alarm: Alarm, now: int) -> None:
        """Remember an alarm that ended: the more often it comes and goes, the more seldom it is news."""
        before = self.lately.get(alarm.key)
        if not alarm.told:
            if before is not None:
                self.lately[alarm.key] = replace(before, ended=now)
            return
        pause = AGAIN
        if before is not None and alarm.raised - before.ended < FORGOTTEN:
            pause = min(4 * before.pause, SELDOM)
        self.lately[alarm.key] = Lately(now, alarm.priority, now + pause, pause)

    def _known(self, alarm: Alarm) -> bool:
        """Tell whether it, or what explained it there, was told and ended lately: it repeats, no more.

        What is high is always news: a heater that fails a second time must wake as the first did.
        A forecast that came to nothing a while ago is not: it is said when it has lasted.
        """
        cause, alarm.freed = alarm.freed, None
        if cause is not None and alarm.voiced is not None and alarm.priority.rank <= alarm.voiced.rank:
            return True
        if alarm.priority is Priority.HIGH and cause is None and alarm.key.rule != HEADING:
            return False
        said_it = cause is not None and (cause.place == alarm.key.place or cause.rule == COMMON)
        same = cause if cause is not None and said_it else alarm.key
        before = self._foreseen(alarm.key) if same.rule == HEADING else self.lately.get(same)
        if before is None or alarm.raised - before.ended >= FORGOTTEN:
            return False
        return alarm.raised < before.hushed and alarm.priority.rank <= before.priority.rank

    def _foreseen(self, key: AlarmKey) -> Lately | None:
        """Give the forecast of a place, of what it stands in or with, that is no news for longest."""
        outer = self._outer(key.place)
        told = (
            one for at, one in self.lately.items() if at.rule == key.rule and self._outer(at.place) == outer
        )
        return max(told, key=lambda one: one.hushed, default=None)

    def _say(self, alarm: Alarm, tone: Tone, now: int, priority: Priority | None = None) -> None:
        """Say an alarm to whoever is told of it; ``priority`` where what it explains is graver."""
        waited, grave = now - alarm.spoken, priority or alarm.priority
        grave = max(grave, alarm.priority, key=lambda one: one.rank)
        for mouth in self.mouths.values():
            if mouth.plan.after <= waited and grave in mouth.plan.priorities:
                self._put(mouth, alarm, (tone, grave), now)

    def _put(self, mouth: Mouth, alarm: Alarm, said: tuple[Tone, Priority], now: int) -> None:
        tone, priority = said
        key = (alarm.key, alarm.raised)
        waits = mouth.waiting.get(key)
        if waits is not None and (waits[0] in FIRST or tone is Tone.REPEAT) and tone is not Tone.RIGHT_AGAIN:
            tone = waits[0]
        mouth.waiting[key] = (tone, priority)
        self._schedule(max(now, mouth.allowed(now)), ("tell", mouth.plan.name))

    def _speak_as_cause(self, alarm: Alarm, now: int) -> None:
        """An explained alarm says more than its cause has said: the cause says so, with the places."""
        cause = self._book.open.get(alarm.cause) if alarm.cause else None
        if cause is None or not self._says_more(alarm, cause):
            return
        same = cause.key.place == alarm.key.place and cause.key not in self.spoken_for
        if not same or now >= self._group_due(cause, alarm):
            self.group(cause.key, now)

    def _says_more(self, alarm: Alarm, cause: Alarm) -> bool:
        """Tell whether an explained alarm left safe since, or is out of safe where nobody was told of.

        Lost mains say nothing of the climate.
        """
        unsafe = alarm.priority is Priority.HIGH and alarm.key.rule in RANGE_RULES
        worse = alarm.explained_at is not alarm.priority
        return worse or (unsafe and (cause.key.rule == MAINS_LOST or self._is_news(alarm, cause)))

    def _is_news(self, alarm: Alarm, cause: Alarm) -> bool:
        """Tell whether no message spoke of the warmth of a place where, of several, one more is wrong.

        It may have a trouble of its own. Every other cause stands at the place or around it.
        """
        there = [one for one in self._book.at_place((alarm.key.place,)) if one.key.rule in WARMTH_RULES]
        return cause.key.rule == COMMON and not any(one.told or one.voiced for one in there)

    def _group_due(self, cause: Alarm, alarm: Alarm) -> int:
        """Give when a cause may speak for an alarm, or NEVER: for what it spoke of ever more rarely.

        The cause of one place, or of what stands in it, has said it with the first. What is
        high and about the same quantity has said so itself; of the mains that is not true.
        """
        last, wide = self.spoken_for.get(cause.key), cause.key.rule in WIDE
        news = self._is_news(alarm, cause)
        if last is None:
            said_so = cause.priority is Priority.HIGH and cause.key.subject == alarm.key.subject
            return cause.spoken + (NEW_PLACE if news else SAID_SO) if said_so else 0
        if news:
            return last + NEW_PLACE
        if alarm.raised > last:
            return last + (WORSE_GROUP if wide else SAID_SO)
        return last + max(WORSE_GROUP, 2 * (last - cause.raised)) if wide else NEVER

    def group(self, key: AlarmKey, now: int) -> None:
        """Say for a cause what has left safe since it last spoke."""
        cause = self._book.open.get(key)
        if cause is None or self._book.shelf_of(cause) is not None:
            return
        last = self.spoken_for.get(key, 0)
        more = [
            one for one in self._book.explained_by(key) if one.spoken > last and self._says_more(one, cause)
        ]
        if not more:
            return
        due = min(self._group_due(cause, one) for one in more)
        if now < due:
            if due < NEVER:
                self._schedule(due, ("group", *key))
            return
        self.spoken_for[key] = now
        gravest = max((one.priority for one in more), key=lambda priority: priority.rank)
        self._say(cause, Tone.WORSE, max(now, cause.spoken), gravest)

    def _say_right_again(self, alarm: Alarm, now: int) -> None:
        self.spoken_for.pop(alarm.key, None)
        self.lately = {key: one for key, one in self.lately.items() if now - one.ended < FORGOTTEN}
        for mouth in self.mouths.values():
            key = (alarm.key, alarm.raised)
            if alarm.told and mouth.plan.name in alarm.told:
                self._put(mouth, alarm, (Tone.RIGHT_AGAIN, alarm.priority), now)
            else:
                mouth.waiting.pop(key, None)

    # -- again ------------------------------------------------------------------

    def _set_repeat(self, alarm: Alarm) -> None:
        after = self._repeat_after(alarm)
        if after is not None:
            self._schedule(alarm.spoken + after, ("repeat", *alarm.key))

    def _repeat_after(self, alarm: Alarm) -> int | None:
        if alarm.priority is Priority.HIGH and alarm.repeats < len(HIGH_REPEATS):
            return HIGH_REPEATS[alarm.repeats]
        return MEDIUM_REPEAT if alarm.priority is Priority.MEDIUM and alarm.repeats == 0 else None

    def repeat(self, key: AlarmKey, now: int) -> None:
        """Say an unacknowledged alarm again, if it is due."""
        alarm = self._book.open.get(key)
        if alarm is None or not self._wants_voice(alarm):
            return
        after = self._repeat_after(alarm)
        if after is None or now < alarm.spoken + after:
            return
        if alarm.priority is Priority.MEDIUM:
            day = self._calendars.get(ROOM_DAY)
            if state_at(day, now) is False:
                self._schedule(next_edge(day, now), ("repeat", *key))
                return
        alarm.repeats += 1
        if not alarm.waits:
            self._say(alarm, Tone.REPEAT, now)
        self._set_repeat(alarm)

    def _set_escalation(self, alarm: Alarm) -> None:
        for mouth in self.mouths.values():
            if mouth.plan.after > 0 and alarm.priority in mouth.plan.priorities:
                self._schedule(alarm.spoken + mouth.plan.after, ("escalation", mouth.plan.name, *alarm.key))

    def escalate(self, contact: str, key: AlarmKey, now: int) -> None:
        """Tell the next contact of an alarm that nobody has seen."""
        alarm, mouth = self._book.open.get(key), self.mouths.get(contact)
        if alarm is None or mouth is None or not self._wants_voice(alarm):
            return
        if now >= alarm.spoken + mouth.plan.after and contact not in (alarm.told or {}):
            self._put(mouth, alarm, (Tone.ESCALATION, alarm.priority), now)

    def _wants_voice(self, alarm: Alarm) -> bool:
        quiet = self._book.shelf_of(alarm) is not None or alarm.cause is not None
        return alarm.life is Life.UNACKNOWLEDGED and not quiet

    # -- saying it ---------------------------------------------------------------

    def tell(self, contact: str, now: int) -> None:
        """Send what waits for a contact as one message, if it may go now.

        Asked too early it changes nothing: what was settled is dropped only when it
        would be said.
        """
        mouth = self.mouths.get(contact)
        if mouth is None or not mouth.waiting:
            return
        hours = self._hours(mouth, now)
        if hours > now:
            self._schedule(hours, ("tell", contact))
        if not self._due(mouth, now):
            return
        allowed = mouth.allowed(now)
        if allowed > now:
            self._schedule(allowed, ("tell", contact))
            return
        self._forget_settled(mouth)
        due = self._due(mouth, now)
        if due:
            self._send(mouth, due, now)

    def _due(self, mouth: Mouth, now: int) -> dict[tuple[AlarmKey, int], tuple[Tone, Priority]]:
        return {key: said for key, said in mouth.waiting.items() if self._may_go(mouth, said[1], now)}

    def _send(self, mouth: Mouth, said: dict[tuple[AlarmKey, int], tuple[Tone, Priority]], now: int) -> None:
        told = []
        for (key, raised), (tone, priority) in said.items():
            del mouth.waiting[(key, raised)]
            explained = self._book.explained_by(key)
            for one in explained:
                one.voiced = one.priority
            told.append(Told(key, raised, priority, tone, tuple(one.key for one in explained)))
            alarm = self._book.open.get(key)
            if alarm is not None and alarm.raised == raised:
                alarm.told = {**(alarm.told or {}), mouth.plan.name: None}
        told.sort(key=lambda one: (one.tone is Tone.RIGHT_AGAIN, -one.priority.rank, one.raised, one.alarm))
        mouth.sent = [*mouth.sent, now][-len(DISTANCES) :]
        gravest = max((one.priority for one in told), key=lambda priority: priority.rank)
        self._out.append(Notice(now, mouth.plan.name, gravest, tuple(told)))

    def _forget_settled(self, mouth: Mouth) -> None:
        """Drop what somebody has seen or what needs no saying any more."""
        for key, (tone, _) in tuple(mouth.waiting.items()):
            if tone is Tone.RIGHT_AGAIN:
                continue
            alarm = self._book.open.get(key[0])
            gone = alarm is None or alarm.raised != key[1]
            if gone or (
                alarm is not None and not self._wants_voice(alarm) and not self._speaks_for(alarm, tone)
            ):
                del mouth.waiting[key]

    def _speaks_for(self, cause: Alarm, tone: Tone) -> bool:
        """Tell whether a cause that somebody has seen still speaks for what got worse since."""
        if tone is not Tone.WORSE or cause.cause is not None or self._book.shelf_of(cause) is not None:
            return False
        return any(one.life is Life.UNACKNOWLEDGED for one in self._book.explained_by(cause.key))

    def _may_go(self, mouth: Mouth, priority: Priority, now: int) -> bool:
        on_duty = mouth.plan.on_duty is None or state_at(self._calendars.get(mouth.plan.on_duty), now)
        if on_duty is False:
            return False
        quiet = mouth.plan.quiet is not None and state_at(self._calendars.get(mouth.plan.quiet), now)
        return priority is Priority.HIGH or not quiet

    def _hours(self, mouth: Mouth, now: int) -> int:
        """Give the next instant at which quiet hours or duty change while something waits."""
        keys = [key for key in (mouth.plan.quiet, mouth.plan.on_duty) if key is not None]
        edges = [next_edge(self._calendars.get(key), now) for key in keys]
        return min((edge for edge in edges if edge != NEVER), default=now)


def _may_come_right(alarm: Alarm) -> bool:
    """Tell whether what explained an alarm until now was trouble that ended, so that it may end too.

    A sensor that is sound again, and readings that come again, leave what was wrong as it is.
    """
    return alarm.freed is not None and alarm.freed.rule not in FAULT_RULES and alarm.key.rule != "silent"
