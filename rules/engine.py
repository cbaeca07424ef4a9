"""The engine: events in, effects out.

Theory of operation
-------------------
``step`` is the only way in. Every event carries ``now``; before it is taken, everything
that became due *before* ``now`` is settled in order of (instant, key), so that an effect
carries the instant at which it became due and nobody can tell how often the engine was
ticked. What is due *at* ``now`` waits until the events of that instant have been taken:
at one and the same instant the order is plan, order, readings, then what is due.

A due thing is a pair (instant, key) in a heap; the key's first word names the handler.
Nothing is ever taken out of the heap early: a handler looks whether its thing is still
due, and does nothing otherwise. So the heap needs no bookkeeping when a reading makes a
delay moot, which is what happens nearly always. Equal pairs merge when they are taken
out, so that plans and spans away leave no chains behind.

House rules: state changes only here and in the objects that the engine owns; no clock,
no calendar, no chance; two engines that are told the same say the same.
"""

from collections.abc import Callable
from functools import partial
from heapq import heapify, heappop, heappush

from rules.alarms import Alarm, Book, Wrong
from rules.calendar import Calendar
from rules.causes import Causes
from rules.common import Together
from rules.contact import Switch
from rules.events import AlarmKey, Away, Effect, Event, Order, Verb
from rules.findings import Findings
from rules.health import Health
from rules.hold import NEVER
from rules.plan import ContactKind, Plan, Priority
from rules.reading import Grade, Quantity, Reading
from rules.roster import HUSH, HUSH_AFTER, Curve, Place, Sensor, outermost
from rules.snapshot import book_of, book_state, telling_of, telling_state
from rules.speech import call_reason, range_advice, right_reason
from rules.telling import Telling
from rules.track import EGG, Call, Track
from rules.words import Sentence

SCHEMA = 1
"""Number of the form of :meth:`Engine.state`; another number is not understood."""

AT_RETURN = frozenset({"tell", "repeat", "escalation", "group", "freed"})
"""What became due while nobody ran is said once, on return, not once for each instant."""


class Engine:
    """Judges one room. Owned by one thread; deterministic."""

    def __init__(self, plan: Plan) -> None:
        """Begin at ``plan.now`` with the plan in force and nothing known."""
        self._out: list[Effect] = []
        self._heap: list[tuple[int, tuple[str, ...]]] = []
        self._places: dict[str, Place] = {}
        self._sensors: dict[str, Sensor] = {}
        self._tracks: dict[tuple[str, str], Track] = {}
        self._calendars: dict[str, Calendar] = {}
        self._now = plan.now
        open_alarms: dict[AlarmKey, Alarm] = {}
        together = Together()
        causes = Causes(self._places, self._sensors, open_alarms, together)
        self._book = Book(self._out, open_alarms, causes.of)
        self._health = Health(self._sensors, self._book, self._schedule)
        self._findings = Findings(self._places, self._sensors, self._book, self._health, self._out, together)
        outer = partial(outermost, self._places)
        self._telling = Telling(self._out, self._book, self._schedule, outer)
        self._handlers: dict[str, Callable[[tuple[str, ...], int], None]] = {
            "hold": self._due_hold,
            "switch": self._due_switch,
            "silence": self._health.due_silence,
            "period": self._due_period,
            "shelf": self._due_shelf,
            "tell": lambda key, now: self._telling.tell(key[1], now),
            "repeat": lambda key, now: self._telling.repeat(AlarmKey(*key[1:]), now),
            "escalation": lambda key, now: self._telling.escalate(key[1], AlarmKey(*key[2:]), now),
            "group": lambda key, now: self._telling.group(AlarmKey(*key[1:]), now),
            "freed": lambda key, now: self._telling.freed(AlarmKey(*key[1:]), now),
        }
        self._take_plan(plan)

    # -- the way in ---------------------------------------------------------------

    def step(self, event: Event) -> tuple[Effect, ...]:
        """Take one event and give what comes of it.

        Args:
            event: What happened; its ``now`` never steps back.

        Returns:
            The effects in order, those that became due before ``now`` first.

        Raises:
            ValueError: ``now`` steps back: a bug in the caller; nothing was taken.
        """
        now = event.now
        if now < self._now:
            raise ValueError(f"the engine is at {self._now} and was told of {now}")
        if type(event) is Reading:
            if self._heap and self._heap[0][0] < now:
                self._settle(now)
            self._now = now
            self._take_reading(event)
        elif type(event) is Away:
            self._take_away(event)
        else:
            self._settle(now)
            self._now = now
            if type(event) is Order:
                self._take_order(event)
            elif type(event) is Plan:
                self._take_plan(event)
        if self._book.stirred:
            self._finish(now)
        if not self._out:
            return ()
        effects = tuple(self._out)
        self._out.clear()
        return effects

    def next_due(self) -> int | None:
        """Give the instant at which a tick brings something, or None."""
        return self._heap[0][0] + 1 if self._heap else None

    # -- time ---------------------------------------------------------------------

    def _schedule(self, instant: int, key: tuple[str, ...]) -> None:
        heappush(self._heap, (max(instant, self._now), key))

    def _settle(self, before: int, *, returning: int | None = None) -> None:
        """Let everything count that is due before an instant.

        Args:
            before: Room time, ms; exclusive.
            returning: Where nobody ran: the instant of return, at which what is only to
                be said is said.
        """
        heap = self._heap
        while heap and heap[0][0] < before:
            instant, key = heappop(heap)
            while heap and heap[0] == (instant, key):
                heappop(heap)
            if returning is not None and key[0] in AT_RETURN:
                heappush(heap, (returning, key))
                continue
            self._now = max(self._now, instant)
            self._handlers[key[0]](key, self._now)
            self._finish(self._now)

    def _finish(self, now: int) -> None:
        """Weigh causes and gather what is to be said after something happened."""
        if self._book.restless:
            self._findings.sweep(now)
            self._book.weigh_causes(now)
        self._telling.gather(now)

    # -- readings -----------------------------------------------------------------

    def _take_reading(self, reading: Reading) -> None:
        sensor = self._sensors.get(reading.sensor)
        if sensor is None:
            return
        grade = reading.quality.grade
        curve = sensor.curves.get(reading.quantity)
        if grade is Grade.LATE:
            self._take_late(curve, reading)
            return
        if curve is not None and reading.at <= curve.newest and _adds_nothing(reading, curve):
            return
        self._health.hear(sensor, reading)
        if curve is None:
            return
        curve.newest = reading.at
        if grade is Grade.BAD:
            self._health.take_bad(sensor, reading)
            return
        if sensor.bad:
            self._health.take_plausible(sensor, reading)
        curve.value = reading.value
        if sensor.switch is not None:
            self._take_contact(sensor, sensor.switch, reading)
        elif curve.track is not None and grade is Grade.GOOD and sensor.place.judged:
            self._see(curve, curve.track, reading)

    def _see(self, curve: Curve, track: Track, reading: Reading) -> None:
        """Show a good reading to the rules that know physics, then judge it by its range."""
        sensor = curve.sensor
        eyes = self._findings.eyes[sensor.plan.name]
        if reading.quantity is sensor.plan.quantities[0]:
            eyes.heard(reading.at)
        eyes.see(reading.quantity, reading.at, reading.value, reading.now)
        if not sensor.faults or sensor.fit(reading.quantity):
            self._judge(curve, track, reading)

    def _take_late(self, curve: Curve | None, reading: Reading) -> None:
        """A late reading raises and clears nothing; a newer one brings the egg up to date."""
        if curve is not None and curve.egg is not None and reading.at > curve.newest:
            curve.egg.see(reading.at, reading.value)

    def _judge(self, curve: Curve, track: Track, reading: Reading) -> None:
        place = curve.sensor.place
        if curve.egg is not None and curve.egg_track is not None:
            felt = curve.egg.see(reading.at, reading.value)
            if not curve.egg_track.calm:
                self._wait_for_lid(curve, curve.egg_track, reading)
            self._judge_by(curve.egg_track, reading, felt)
        elif curve.goods is not None:
            # Cold air is judged at once; warm air only as far as it reaches what lies there.
            goods = round(curve.goods.see(reading.at, reading.value), 3)
            self._judge_by(track, reading, min(goods, reading.value))
            return
        if reading.at < place.hush_until:
            track.pause()
        if not track.calm:
            self._wait_for_lid(curve, track, reading)
        if reading.at < place.hush_until and track.calm:
            track.value = reading.value
            return
        self._judge_by(track, reading, reading.value)

    def _wait_for_lid(self, curve: Curve, track: Track, reading: Reading) -> None:
        """Wait for a drop that only an open lid makes; safe is never waited for on a guess."""
        if reading.at < self._findings.eyes[curve.sensor.plan.name].opened_until:
            track.pause_lower()

    def _judge_by(self, track: Track, reading: Reading, value: float) -> None:
        for call in track.see(reading.at, value):
            self._take_call(track, call, reading.now)
        if not track.calm:
            self._schedule_track(track)

    def _schedule_track(self, track: Track) -> None:
        due = track.due()
        if due != NEVER:
            self._schedule(due, ("hold", track.sensor, track.quantity.value))

    def _due_hold(self, key: tuple[str, ...], now: int) -> None:
        track = self._tracks.get((key[1], key[2]))
        if track is None or track.due() > now:
            return
        for call in track.fulfil(now):
            self._take_call(track, call, now)
        self._schedule_track(track)

    def _take_call(self, track: Track, call: Call, now: int) -> None:
        key = track.key(call.rule)
        if not call.wrong:
            reason = right_reason(track, call)
            self._book.right(key, track.holder, reason, now, track.value)
            return
        plan = self._places[track.place].plan
        reason = call_reason(track, call, plan)
        if track.quantity is Quantity.HUMIDITY:
            why = self._findings.eyes[track.sensor].explain()
            reason = (*reason, ". ", *why) if why else reason
        advice = (plan.advice,) if plan.advice else range_advice(plan, call.rule, self._warmth(track))
        wrong = Wrong(call.priority, call.since, track.value, reason, advice)
        alarm = self._book.wrong(key, track.holder, wrong, now)
        alarm.waits = False
        self._findings.weigh(key, call.since, now)

    def _warmth(self, track: Track) -> float:
        """Give the temperature beside a track's value, °C, or NaN."""
        curve = self._sensors[track.sensor].curves.get(Quantity.TEMPERATURE)
        return curve.value if curve else float("nan")

    # -- contacts -------------------------------------------------------------------

    def _take_contact(self, sensor: Sensor, switch: Switch, reading: Reading) -> None:
        wrong_before = switch.wrong_since >= 0
        had = switch.see(reading.at, reading.value, reading.note)
        if had:
            self._health.clear(sensor, switch.rule.name, ("As it should be again",), reading.now)
        elif switch.wrong_since >= 0:
            self._due_switch(("switch", sensor.plan.name), reading.now)
        if sensor.plan.contact in (ContactKind.LID, ContactKind.DOOR):
            self._take_lid(sensor.place, reading, opened=switch.wrong_since >= 0 and not wrong_before)

    def _take_lid(self, place: Place, reading: Reading, *, opened: bool) -> None:
        if opened:
            place.hush_until = reading.at + HUSH
        elif reading.value > 0:
            place.hush_until = min(place.hush_until, reading.at + HUSH_AFTER)
        self._findings.hush(place)

    def _due_switch(self, key: tuple[str, ...], now: int) -> None:
        sensor = self._sensors.get(key[1])
        if sensor is None or sensor.switch is None or not sensor.place.judged:
            return
        switch = sensor.switch
        due = switch.due()
        while due is not None and due <= now:
            wrong = self._switch_wrong(sensor, switch)
            self._book.wrong(self._health.key(sensor, switch.rule.name), sensor.plan.name, wrong, now)
            due = switch.due()
        if due is not None:
            self._schedule(due, key)

    def _switch_wrong(self, sensor: Sensor, switch: Switch) -> Wrong:
        note = f": {switch.note}" if switch.note else ""
        own = sensor.place.plan.advice
        advice = (own,) if own else switch.rule.advice
        return Wrong(switch.reach(), switch.wrong_since, None, (f"{switch.rule.says}{note}",), advice)

    # -- orders -----------------------------------------------------------------------

    def _take_order(self, order: Order) -> None:
        if order.verb is Verb.ACKNOWLEDGE and order.alarm and order.raised is not None:
            self._book.seen(order.alarm, order.raised, order.by, order.now)
        elif order.verb is Verb.TAKE_BACK and order.alarm and order.raised is not None:
            self._book.unseen(order.alarm, order.raised, order.by, order.now)
        elif order.verb is Verb.SHELVE and order.alarm and order.raised is not None and order.until:
            self._book.shelve(order.alarm, order.raised, order.until, order.by, order.now)
            self._schedule(order.until, ("shelf", *order.alarm))
        elif order.verb is Verb.UNSHELVE and order.alarm:
            self._book.unshelve(order.alarm, order.by, order.now)
        elif order.verb in (Verb.OUT_OF_SERVICE, Verb.IN_SERVICE) and order.place in self._places:
            self._set_service(self._places[order.place], order)

    def _due_shelf(self, key: tuple[str, ...], now: int) -> None:
        alarm = AlarmKey(*key[1:])
        shelf = self._book.shelves.get(alarm)
        if shelf is not None and shelf.until <= now:
            self._book.unshelve(alarm, "", now)

    def _set_service(self, place: Place, order: Order) -> None:
        out = order.verb is Verb.OUT_OF_SERVICE
        if place.out == out:
            return
        place.out = out
        if out:
            self._close_place(place, ("Taken out of service",), order.now)
        else:
            place.since = order.now
            self._health.listen(place, order.now)
        self._refresh(place, order.now)

    def _close_place(self, place: Place, reason: Sentence, now: int) -> None:
        for alarm in self._book.at_place([place.plan.name]):
            self._book.clear(alarm, reason, now)
        for sensor in self._sensors.values():
            if sensor.place is place:
                self._health.forget(sensor, now)

    # -- away ---------------------------------------------------------------------------

    def _take_away(self, away: Away) -> None:
        """Nobody watched: what needs readings stands still, what is only time runs on."""
        self._settle(away.since)
        self._now = max(self._now, away.since)
        span = max(away.now - self._now, 0)
        for sensor in self._sensors.values():
            sensor.seen += span
            if sensor.switch is not None:
                sensor.switch.away(span)
        for track in self._tracks.values():
            track.away(span)
        self._findings.away(away.since, away.now)
        for place in self._places.values():
            if away.since < place.since + place.plan.settling:
                place.since += span
        self._settle(away.now, returning=away.now)
        self._now = away.now
        for track in self._tracks.values():
            self._schedule_track(track)
        for sensor in self._sensors.values():
            self._health.watch_silence(sensor)
            self._due_switch(("switch", sensor.plan.name), away.now)
        for place in self._places.values():
            self._refresh(place, away.now)

    # -- plans ----------------------------------------------------------------------------

    def _take_plan(self, plan: Plan) -> None:
        self._calendars = dict(plan.calendars)
        self._take_places(plan)
        self._take_sensors(plan)
        self._arrange(plan)
        self._findings.follow()
        self._telling.plan(plan.contacts, plan.calendars, plan.now)
        for place in self._places.values():
            self._refresh(place, plan.now)

    def _arrange(self, plan: Plan) -> None:
        """Keep everything in the plan's order: a restored engine has it in that one too."""
        places = {one.name: self._places.pop(one.name) for one in plan.places}
        sensors = {one.name: self._sensors.pop(one.name) for one in plan.sensors}
        self._places.update(places)
        self._sensors.update(sensors)
        for place in places.values():
            place.sensors = [sensor for sensor in sensors.values() if sensor.place is place]

    def _take_places(self, plan: Plan) -> None:
        names = {place.name for place in plan.places}
        for name in [name for name in self._places if name not in names]:
            self._close_place(self._places[name], ("Its place is not in the settings any more",), plan.now)
            del self._places[name]
        for one in plan.places:
            place = self._places.get(one.name)
            if place is None:
                self._places[one.name] = Place(one, plan.now)
                continue
            was_judged = place.judged
            place.take(one, plan.now)
            if was_judged and not place.judged:
                self._close_place(place, ("Out of use",), plan.now)
            elif place.judged and not was_judged:
                self._health.listen(place, plan.now)

    def _take_sensors(self, plan: Plan) -> None:
        wanted = {sensor.name: sensor for sensor in plan.sensors}
        for name, sensor in tuple(self._sensors.items()):
            if name not in wanted or not sensor.same_as(wanted[name]):
                self._drop_sensor(sensor, plan.now)
        for one in plan.sensors:
            known = self._sensors.get(one.name)
            if known is None:
                self._add_sensor(Sensor(one, self._places[one.place], plan.now))
                continue
            faster = one.silence != known.plan.silence
            known.plan = one
            known.pace()
            self._lay_eggs(known)
            if faster:
                self._health.watch_silence(known)

    def _add_sensor(self, sensor: Sensor) -> None:
        self._sensors[sensor.plan.name] = sensor
        sensor.place.sensors.append(sensor)
        self._index(sensor)
        self._health.watch_silence(sensor)

    def _index(self, sensor: Sensor) -> None:
        """Let dues find a sensor's tracks."""
        for track in sensor.tracks():
            self._tracks[(sensor.plan.name, track.quantity.value)] = track

    def _lay_eggs(self, sensor: Sensor) -> None:
        """Follow a change of eggs; an alarm of an egg that is gone goes with it."""
        changed = [curve.lay_egg() for curve in sensor.curves.values()]
        if not any(changed):
            return
        sensor.pace()
        key = (sensor.plan.name, Quantity.EGG_TEMPERATURE.value)
        gone = self._tracks.pop(key, None)
        self._index(sensor)
        if gone is not None and key not in self._tracks:
            for side in (gone.lower, gone.upper):
                self._book.right(
                    gone.key(side.rule), gone.holder, ("No eggs there any more",), self._now, None
                )

    def _drop_sensor(self, sensor: Sensor, now: int) -> None:
        name = sensor.plan.name
        for alarm in tuple(self._book.open.values()):
            for holder in (name, name + EGG):
                reason = ("Its sensor is not in the settings any more",)
                self._book.right(alarm.key, holder, reason, now, None)
        for track in sensor.tracks():
            self._tracks.pop((name, track.quantity.value), None)
        sensor.place.sensors.remove(sensor)
        del self._sensors[name]

    def _refresh(self, place: Place, now: int) -> None:
        """Give a place's tracks the limits that are in force, and look again when they change."""
        calendar = self._calendars.get(place.plan.calendar)
        place.refreshed = now
        for track in place.tracks():
            limits = place.limits(track, calendar, now)
            for call in track.put(limits):
                key = track.key(call.rule)
                reason = ("Inside the range that counts now",)
                self._book.right(key, track.holder, reason, now, track.value)
            self._let_wait(track)
            if not track.calm:
                self._schedule_track(track)
        self._findings.refresh(place, calendar, now)
        change = place.next_change(calendar, now)
        if change != NEVER:
            self._schedule(change, ("period", place.plan.name))

    def _let_wait(self, track: Track) -> None:
        for side in (track.lower, track.upper):
            key = track.key(side.rule)
            alarm = self._book.open.get(key)
            if alarm is not None and side.active is Priority.MEDIUM:
                alarm.waits = track.ideal_waits

    def _due_period(self, key: tuple[str, ...], now: int) -> None:
        place = self._places.get(key[1])
        if place is not None:
            self._refresh(place, now)

    # -- looking, keeping ---------------------------------------------------------------

    def open_alarms(self) -> tuple[Alarm, ...]:
        """Give the open alarms in the order in which they were raised."""
        return tuple(self._book.open.values())

    def state(self) -> dict[str, object]:
        """Give everything that the engine knows as plain JSON values."""
        return {
            "schema": SCHEMA,
            "now": self._now,
            "heap": sorted([instant, list(key)] for instant, key in self._heap),
            "places": {name: place.state() for name, place in self._places.items()},
            "sensors": {name: sensor.state() for name, sensor in self._sensors.items()},
            "findings": self._findings.state(),
            "book": book_state(self._book),
            "telling": telling_state(self._telling),
        }

    @classmethod
    def restored(cls, plan: Plan, state: dict[str, object]) -> "Engine":
        """Make the engine that gave ``state`` under ``plan``.

        Args:
            plan: The plan that was in force then.
            state: What :meth:`state` gave.

        Raises:
            ValueError: The state has another form (another version of the program).
        """
        if state.get("schema") != SCHEMA:
            raise ValueError(f"a state of form {state.get('schema')}, not {SCHEMA}")
        engine = cls(plan)
        engine._restore(state)
        return engine

    def _restore(self, state: dict[str, object]) -> None:
        self._now = int(state["now"])  # type: ignore[call-overload]  # plain values by construction
        places, sensors = state["places"], state["sensors"]
        for name, place in self._places.items():
            if name in places:  # type: ignore[operator]
                place.restore(places[name])  # type: ignore[index]
            calendar = self._calendars.get(place.plan.calendar)
            for track in place.tracks():
                track.put(place.limits(track, calendar, place.refreshed))
        for name, sensor in self._sensors.items():
            if name in sensors:  # type: ignore[operator]
                sensor.restore(sensors[name])  # type: ignore[index]
        for place in self._places.values():
            self._findings.refresh(place, self._calendars.get(place.plan.calendar), place.refreshed)
        self._findings.restore(state["findings"])  # type: ignore[arg-type]
        book_of(self._book, state["book"])  # type: ignore[arg-type]
        telling_of(self._telling, state["telling"])  # type: ignore[arg-type]
        self._heap = [(int(instant), tuple(key)) for instant, key in state["heap"]]  # type: ignore[attr-defined]
        heapify(self._heap)
        self._out.clear()


def _adds_nothing(reading: Reading, curve: Curve) -> bool:
    """Tell whether a reading, no newer than the newest judged one, is older or the same again.

    An implausible value is not kept: a second one at the instant of the newest is the same.
    """
    same = reading.value == curve.value or reading.quality.grade is Grade.BAD
    return same or reading.at < curve.newest
