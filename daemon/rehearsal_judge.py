"""Recorded nights judged by some settings: one process's work.

The engine is told what the watch's engine was told, in the same order: plans made of the
settings that are rehearsed and of what was known then (the clock, stages by order, names
that were heard), orders, spans away, readings. It begins where the record begins, or some
days before the window with what the newest snapshot knows of the places' time constants,
so that nobody hears of what is only its beginning. Imported nights have an engine of
their own, as when they were imported.
"""

import json
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any

from daemon.door import Door
from daemon.logbook import FAR, Archive
from daemon.night import Window
from daemon.record import Entered, Entry, Kind
from daemon.recovery import IMPORTED
from daemon.rehearsal_plans import (
    heard,
    imported_plan,
    is_organ,
    only_places,
    sensors_of,
    with_learnt,
    with_outer,
)
from daemon.rehearsal_trouble import Yardstick
from daemon.rehearsal_values import Judged, Life, Message, Task
from daemon.standing import HORIZON, Texts, basis_of
from daemon.taking import order_of
from rules.calendar import state_at
from rules.engine import Engine
from rules.events import (
    AlarmKey,
    Away,
    Change,
    Changed,
    Cleared,
    Effect,
    Notice,
    Order,
    Raised,
    Tick,
    Verb,
)
from rules.plan import ROOM_DAY, Plan
from rules.reading import DAY

WARM_UP = 2 * DAY
"""So long before the window the engine begins to learn, silently (ms)."""

OLDEST = DAY
"""A reading may be so much older than the round that judged it (ms), where only some are looked for."""

TOLD_EVERY = 20_000
"""Progress is told each so many readings."""

SERVICE = frozenset({Verb.OUT_OF_SERVICE, Verb.IN_SERVICE})

Act = Plan | Order | Away
Told = Callable[[int], None]


class _Judge:
    """One engine with its door, and the alarms that come of it. One owner."""

    def __init__(self, plan: Plan, engine: Engine, yardstick: Yardstick | None, *, imported: bool) -> None:
        """Begin with an engine that has ``plan``."""
        self.engine = engine
        self.door = Door(plan)
        self.lives: list[Life] = []
        self.messages: list[Message] = []
        self._open: dict[AlarmKey, int] = {}
        self._index: dict[tuple[AlarmKey, int], int] = {}
        self._plan = plan
        self._yardstick = yardstick
        self._imported = imported
        self._measure(plan)

    def _measure(self, plan: Plan) -> None:
        if self._yardstick is not None:
            self._yardstick.plan(plan)

    def tell(self, act: Act | Tick) -> None:
        """Tell the engine of something other than a reading."""
        if isinstance(act, Plan):
            self._plan = act
            self.door.plan(act)
            self._measure(act)
        self.take(self.engine.step(act))

    def read(self, entry: Entry, offset: int | None) -> None:
        """Tell the engine of a recorded reading."""
        reading = self.door.again(entry, offset)
        if reading is None:
            return
        effects = self.engine.step(reading)
        if effects:
            self.take(effects)
        if self._yardstick is not None:
            self._yardstick.see(reading)

    def take(self, effects: tuple[Effect, ...]) -> None:
        """Write down what the engine answered."""
        for effect in effects:
            if isinstance(effect, Raised):
                self._raised(effect)
            elif isinstance(effect, Changed):
                self._changed(effect)
            elif isinstance(effect, Cleared):
                self._cleared(effect)
            elif isinstance(effect, Notice):
                self._told(effect)

    def _raised(self, effect: Raised) -> None:
        self._open[effect.alarm] = self._index[effect.alarm, effect.now] = len(self.lives)
        self.lives.append(
            Life(
                effect.alarm,
                effect.now,
                effect.since,
                None,
                effect.priority,
                effect.value,
                effect.reason,
                effect.sensors,
                effect.cause,
                imported=self._imported,
            )
        )

    def _changed(self, effect: Changed) -> None:
        index = self._open.get(effect.alarm)
        if index is not None and effect.change is Change.WORSE:
            life = self.lives[index]
            reason = effect.reason or life.reason
            self.lives[index] = replace(life, priority=effect.priority, reason=reason)

    def _cleared(self, effect: Cleared) -> None:
        index = self._open.pop(effect.alarm, None)
        if index is not None:
            self.lives[index] = replace(self.lives[index], cleared=effect.now)

    def _told(self, notice: Notice) -> None:
        by_night = state_at(self._plan.calendars.get(ROOM_DAY), notice.now) is False
        self.messages.append(Message(notice.now, notice.contact, notice.priority, by_night))
        for one in notice.told:
            index = self._index.get((one.alarm, one.raised))
            if index is not None and self.lives[index].told is None:
                self.lives[index] = replace(self.lives[index], told=notice.now)

    def open_at(self, key: AlarmKey) -> int | None:
        """Give when the open alarm of an identity was raised, or None."""
        index = self._open.get(key)
        return None if index is None else self.lives[index].raised


Look = Callable[[int, Engine], None]
"""Shown an engine as it is at an instant, all readings of that instant taken."""


def judge(task: Task, told: Told) -> Judged:
    """Judge the recorded nights of a window by some settings.

    Args:
        task: What to judge.
        told: Told how many readings were judged so far.

    Raises:
        NoLogbook, LogbookNewer, LogbookDamaged, CannotRecord: The record cannot be read.
    """
    with Archive.open(task.folder) as archive:
        return _Rehearsing(archive, task).run(told)


def look(
    archive: Archive, task: Task, instants: Iterable[int], show: Look, *, imported: bool = False
) -> None:
    """Show the engine of a window as it was at some instants.

    Args:
        archive: The logbook.
        task: What to judge.
        instants: Room time, ascending, in the window.
        show: Takes each instant and the engine; it only looks.
        imported: The engine of imported nights, not of what came live.
    """
    _Rehearsing(archive, task, _Looks(tuple(instants), show, imported)).run(lambda _: None)


@dataclass(slots=True)
class _Looks:
    """What is to be shown, and how far that is."""

    instants: tuple[int, ...]
    show: Look
    imported: bool
    done: int = 0

    def next(self) -> int:
        """Give the instant at which the next one may be shown."""
        return self.instants[self.done] + 1 if self.done < len(self.instants) else FAR

    def before(self, now: int, judge: _Judge | None) -> None:
        """Show what lies before an instant."""
        while self.done < len(self.instants) and self.instants[self.done] < now:
            instant = self.instants[self.done]
            self.done += 1
            if judge is not None:
                judge.tell(Tick(instant))
                self.show(instant, judge.engine)


class _Rehearsing:
    """The work of :func:`judge`."""

    def __init__(self, archive: Archive, task: Task, looks: _Looks | None = None) -> None:
        self.archive = archive
        self.task = task
        self.looks = looks
        self.texts = Texts(archive, task.loaded.path)
        self.places = with_outer(task)
        self.labels = archive.labels()
        self.begin = self.after = task.window.start - WARM_UP
        self.yardstick = Yardstick(task.window.end) if task.yardstick else None
        self.ended = {(row.key, row.raised): row.cleared for row in archive.alarms() if not row.imported}
        self.live = self._live()
        self.imports: _Judge | None = None
        self._renewed = 0
        self._coming = deque(self._acts())
        self._files = {
            name
            for place in task.loaded.model.place
            for name, sensor in zip(place.sensor_names(), place.sensor, strict=True)
            if sensor.read.by == "import"
        }

    def run(self, told: Told) -> Judged:
        """Go through the record once."""
        turn = self._pass_to(self.begin)
        readings = count = 0
        for count, entry in enumerate(self._entries(), 1):
            now = entry.now
            if now >= turn:
                turn = self._pass_to(now)
            if now >= self.task.window.start:
                readings += 1
            if count % TOLD_EVERY == 0:
                told(count)
            self._read(entry)
        self._pass_to(self.task.window.end)
        told(count)
        return self._found(readings)

    def _pass_to(self, now: int) -> int:
        """Let everything but readings happen up to an instant; give the next one of interest."""
        while self._coming and self._coming[0].now <= now:
            act = self._coming.popleft()
            self._look(act.now)
            self._act(act)
        self._look(now)
        turn = self._coming[0].now if self._coming else FAR
        return min(turn, self.looks.next() if self.looks else FAR)

    def _look(self, now: int) -> None:
        if self.looks is not None:
            self.looks.before(now, self.imports if self.looks.imported else self.live)

    def _read(self, entry: Entry) -> None:
        if entry.quality in IMPORTED or entry.sensor in self._files:
            self._read_imported(entry)
        elif self.live is not None:
            self.live.read(entry, None if entry.stamp is None else self._offset(entry.now))

    def _entries(self) -> Iterator[Entry]:
        """Give the readings in judged order: of the whole room, or of a few places."""
        begin, end = self.begin, self.task.window.end
        if self.places is None:
            return self.archive.replay(begin, end)
        mine = sensors_of(self.task.loaded, self.places)
        series = [key for key in self.archive.series() if key[0] in mine or is_organ(key[0])]
        found = [
            entry
            for sensor, quantity in series
            for entry in self.archive.readings(sensor, quantity, begin - OLDEST, end)
            if begin <= entry.now < end
        ]
        found.sort(key=lambda e: (e.now, e.at, e.sensor, e.quantity.value, e.row or 0))
        return iter(found)

    def _offset(self, now: int) -> int | None:
        return self.labels.offset_at(now) if self.labels.starts else None

    def _act(self, act: Act) -> None:
        if self.live is not None:
            self.live.tell(self._matched(act) if isinstance(act, Order) else act)

    def _matched(self, order: Order) -> Order:
        """Let an order mean the alarm that is open now, unless it meant one that had ended."""
        if order.alarm is None or self.live is None:
            return order
        raised = self.live.open_at(order.alarm)
        if raised is None or raised == order.raised or order.raised is None:
            return order
        ended = self.ended.get((order.alarm, order.raised))
        if ended is not None and ended <= order.now:
            return order
        return replace(order, raised=raised)

    def _found(self, readings: int) -> Judged:
        window = self.task.window
        judges = [one for one in (self.live, self.imports) if one is not None]
        for one in judges:
            one.tell(Tick(max(window.end, window.start + 1)))
        lives = [_within(life, window) for one in judges for life in one.lives]
        alarms = [life for life in lives if life is not None]
        messages = [
            message for one in judges for message in one.messages if window.start <= message.now < window.end
        ]
        trouble = tuple(self.yardstick.trouble(window)) if self.yardstick else ()
        return Judged(
            tuple(sorted(alarms, key=lambda life: (life.raised, life.key))),
            tuple(sorted(messages, key=lambda message: message.now)),
            readings,
            trouble,
        )

    # -- what came live ------------------------------------------------------------------

    def _live(self) -> _Judge | None:
        """Give the engine of what came live, where the watch ever ran."""
        first = next(iter(self._entered(Kind.PLAN)), None)
        if first is None:
            return None
        start = self._first_start(first.now)
        if start > self.begin:
            self.after = start - 1
            plan = self._plan(first, start)
            return _Judge(plan, Engine(plan), self.yardstick, imported=False)
        in_force = self._entered(Kind.PLAN, until=self.begin + 1)[-1]
        return self._from_snapshot() or self._seeded(self._plan(in_force, self.begin))

    def _first_start(self, first_plan: int) -> int:
        starts = [entered.now for entered in self._entered(Kind.START, until=first_plan + 1)]
        return min([*starts[:1], first_plan])

    def _from_snapshot(self) -> _Judge | None:
        """Go on from a snapshot before the warm-up, under the settings of then; ours follow."""
        for snapshot in self.archive.snapshots():
            entries = self._entered(Kind.PLAN, until=snapshot.now + 1)
            if snapshot.now > self.begin or not entries:
                continue
            then = self.texts.plan_of(entries[-1])
            if then is None:
                continue
            try:
                engine = Engine.restored(then, json.loads(snapshot.state))
            except (ValueError, KeyError, TypeError, IndexError):
                continue
            self.begin, self.after = snapshot.now + 1, snapshot.now
            made = _Judge(then, engine, self.yardstick, imported=False)
            made.tell(self._plan(entries[-1], snapshot.now))
            return made
        return None

    def _seeded(self, plan: Plan) -> _Judge:
        """Begin anew, with what the newest snapshot knows of the places' time constants."""
        engine = Engine(plan)
        state = with_learnt(engine.state(), self._newest_state())
        made = _Judge(plan, Engine.restored(plan, state), self.yardstick, imported=False)
        if self.task.orders:
            for order in self._service_before():
                made.tell(replace(order, now=self.begin))
        return made

    def _newest_state(self) -> Mapping[str, Any]:
        for snapshot in self.archive.snapshots():
            state = json.loads(snapshot.state)
            if isinstance(state, dict):
                return state
        return {}

    def _service_before(self) -> Iterator[Order]:
        """Give the last order about the service of each place before the beginning."""
        found: dict[str, Order] = {}
        for entered in self._entered(Kind.ORDER, until=self.begin + 1):
            order = order_of(entered)
            if order is not None and order.verb in SERVICE:
                found[order.place] = order
        return iter(found.values())

    def _acts(self) -> list[Act]:
        """Give all but the readings, in the order in which the engine was told."""
        after, until = self.after, self.task.window.end
        if self.live is None:
            return []
        ranked: list[tuple[int, int, Act]] = []
        for entered in self._entered(Kind.AWAY, Kind.PLAN, Kind.ORDER, since=after + 1, until=until):
            if entered.kind is Kind.AWAY:
                ranked.append((entered.now, 0, Away(int(str(entered.body["since"])), entered.now)))
            elif entered.kind is Kind.PLAN:
                ranked.append((entered.now, 1, self._plan(entered, entered.now)))
            elif self.task.orders and (order := order_of(entered)) is not None:
                ranked.append((entered.now, 2, order))
        ranked.sort(key=lambda item: item[:2])
        return [act for _, _, act in ranked]

    def _entered(self, *kinds: Kind, since: int = -FAR, until: int = FAR) -> list[Entered]:
        return self.archive.journal(since, until, kinds)

    def _plan(self, entered: Entered, now: int) -> Plan:
        basis = basis_of(entered.body)
        then = self.texts.model(basis.digest) if self.task.as_it_was else None
        plan = basis.plan(then or self.task.loaded.model, now)
        return only_places(heard(self.task, plan), self.places)

    # -- what came out of files ------------------------------------------------------------

    def _read_imported(self, entry: Entry) -> None:
        now = entry.now
        if self.imports is None or now - self._renewed > HORIZON:
            plan = only_places(imported_plan(self.task.loaded, self.labels, now), self.places)
            self._renewed = now
            if self.imports is None:
                self.imports = _Judge(plan, Engine(plan), self.yardstick, imported=True)
            self.imports.tell(plan)
        self.imports.read(entry, None)


def _within(life: Life, window: Window) -> Life | None:
    """Cut an alarm's end to the window; None where it lies outside."""
    if life.raised >= window.end or (life.cleared is not None and life.cleared <= window.start):
        return None
    return life
