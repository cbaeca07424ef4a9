"""Who is told of what, and when: one cause one message, and what is said once."""

from dataclasses import replace

import pytest

from rules.alarms import Wrong
from rules.common import RULE as COMMON
from rules.engine import Engine
from rules.events import AlarmKey, Notice, Order, Tick, Tone, Verb
from rules.life import Life
from rules.plan import ContactKind, PlaceKind, Priority
from rules.reading import MINUTE, SECOND, Quantity, Reading
from tests.kit.rooms import EVERY, T0, contact, one_box, place, sensor, steadily


class TestCause:
    """One cause, one message."""

    @staticmethod
    def room():
        """Give a room with the mains, an incubator and two boxes in it."""
        inside = {"inside": "inc-1"}
        places = (
            place("cellar", PlaceKind.ROOM, ranges=()),
            place("inc-1", PlaceKind.INCUBATOR, inside="cellar"),
            place("box-1", **inside),
            place("box-2", **inside),
        )
        sensors = (
            contact("mains", "cellar", ContactKind.MAINS, silence=0),
            sensor("a", "box-1"),
            sensor("b", "box-2"),
        )
        return one_box(places=places, sensors=sensors)

    @staticmethod
    def minutes(engine, value, start, count):
        """Play both boxes at one value; give the notices."""
        found = []
        for minute in range(start, start + count):
            for name in ("a", "b"):
                at = T0 + minute * EVERY
                found += engine.step(Reading(name, Quantity.TEMPERATURE, value, at, at))
        return [one for one in found if isinstance(one, Notice)]

    def lost(self):
        """Let the mains go; give the engine and what was said."""
        engine = Engine(self.room())
        self.minutes(engine, 30.0, 1, 5)
        now = T0 + 5 * EVERY + SECOND
        found = list(engine.step(Reading("mains", Quantity.CONTACT, 0.0, now, now)))
        found += engine.step(Tick(now + SECOND))
        return engine, [one for one in found if isinstance(one, Notice)]

    def test_a_power_cut_is_one_message(self):
        """What the mains explain is raised, suppressed, and not said on its own."""
        engine, notices = self.lost()
        assert [told.alarm.rule for one in notices for told in one.told] == ["mains lost"]
        assert self.minutes(engine, 27.0, 6, 8) == []
        explained = [alarm for alarm in engine.open_alarms() if alarm.cause]
        assert {alarm.key.place for alarm in explained} == {"box-1", "box-2"}

    @pytest.mark.parametrize("seen", [False, True], ids=["unseen", "acknowledged"])
    def test_the_cause_speaks_for_what_left_safe(self, seen):
        """An explained alarm that goes up speaks as its cause, with the places, acknowledged or not."""
        engine, _ = self.lost()
        self.minutes(engine, 27.0, 6, 8)
        if seen:
            mains = next(one for one in engine.open_alarms() if one.key.rule == "mains lost")
            engine.step(Order(T0 + 13 * EVERY + SECOND, "Ines", Verb.ACKNOWLEDGE, mains.key, mains.raised))
        notices = self.minutes(engine, 18.0, 14, 6)
        told = [told for one in notices for told in one.told if told.tone is not Tone.REPEAT]
        assert [(one.alarm.rule, one.tone) for one in told] == [("mains lost", Tone.WORSE)]
        assert {key.place for key in told[0].explains} == {"box-1", "box-2"}

    def test_a_shelved_cause_says_nothing_until_its_shelf_ends(self):
        """Who set the mains aside is not told of the boxes either; when the time is over the mains speak."""
        engine, _ = self.lost()
        self.minutes(engine, 27.0, 6, 8)
        mains = next(one for one in engine.open_alarms() if one.key.rule == "mains lost")
        until = T0 + 60 * EVERY
        engine.step(
            Order(T0 + 13 * EVERY + SECOND, "Ines", Verb.SHELVE, mains.key, mains.raised, until=until)
        )
        assert self.minutes(engine, 18.0, 14, 46) == []
        told = [told for one in self.minutes(engine, 18.0, 60, 2) for told in one.told]
        assert [one.alarm.rule for one in told] == ["mains lost"]
        assert {key.place for key in told[0].explains} == {"box-1", "box-2"}

    def test_a_cause_that_ended_does_not_speak(self):
        """What left safe after the mains had spoken waits for them; when they come back it speaks itself."""
        engine, _ = self.lost()
        for minute in range(6, 60):
            for name, cold in (("a", 18.0), ("b", 18.0 if minute > 40 else 27.0)):
                at = T0 + minute * EVERY
                engine.step(Reading(name, Quantity.TEMPERATURE, cold, at, at))
        told = [one.alarm.rule for one in self.back(engine, 60)]
        assert told == ["mains lost"]
        later = [told for one in self.minutes(engine, 18.0, 66, 180) for told in one.told]
        assert "mains lost" not in {one.alarm.rule for one in later}
        assert {one.alarm.place for one in later} >= {"box-1"}

    def test_the_cause_speaks_for_what_is_out_of_safe_from_the_beginning(self):
        """Who has seen that the mains are lost is told when a box leaves safe in one go."""
        engine, _ = self.lost()
        (mains,) = engine.open_alarms()
        engine.step(Order(T0 + 5 * EVERY + 2 * SECOND, "Ines", Verb.ACKNOWLEDGE, mains.key, mains.raised))
        told = [told for one in self.minutes(engine, 18.0, 6, 30) for told in one.told]
        assert [(one.alarm.rule, one.tone) for one in told] == [("mains lost", Tone.WORSE)]
        assert {key.place for key in told[0].explains} == {"box-1", "box-2"}

    def test_an_open_lid_never_hides_what_is_graver(self):
        """What leaves safe at once under an open lid (medium) is said on its own."""
        lid = contact("lid", "box-1", ContactKind.LID, silence=0)
        engine, notices = Engine(one_box(sensors=(sensor("a", "box-1"), lid))), []
        engine.step(Reading("lid", Quantity.CONTACT, 0.0, T0 + SECOND, T0 + SECOND))
        for reading in steadily("a", [30.0] * 24 + [18.0] * 5):
            notices += [one for one in engine.step(reading) if isinstance(one, Notice)]
        told = [(one.alarm.rule, one.priority) for notice in notices for one in notice.told]
        assert told == [("lid open", Priority.MEDIUM), ("too cool", Priority.HIGH)]

    def test_acknowledging_the_cause_acknowledges_what_it_explains(self):
        """The cause's acknowledgement is that of its places, at the priority that they have."""
        engine, _ = self.lost()
        self.minutes(engine, 27.0, 6, 8)
        mains = next(one for one in engine.open_alarms() if one.key.rule == "mains lost")
        engine.step(Order(T0 + 13 * EVERY + SECOND, "Ines", Verb.ACKNOWLEDGE, mains.key, mains.raised))
        assert {one.life.name for one in engine.open_alarms()} == {"ACKNOWLEDGED"}

    def back(self, engine, minute):
        """Let the mains come back; give what was told within five minutes."""
        now = T0 + minute * EVERY
        found = list(engine.step(Reading("mains", Quantity.CONTACT, 1.0, now, now)))
        found += engine.step(Tick(now + 5 * MINUTE))
        return [told for one in found if isinstance(one, Notice) for told in one.told]

    def test_what_the_cause_named_is_no_news_when_it_goes(self):
        """Places that a message of the mains named are not raised anew with the mains back; they repeat."""
        engine, _ = self.lost()
        self.minutes(engine, 27.0, 6, 8)
        self.minutes(engine, 18.0, 14, 6)
        told = self.back(engine, 21)
        assert [one.alarm.rule for one in told] == ["mains lost"]
        found = self.minutes(engine, 18.0, 27, 50)
        later = [(told.alarm.place, told.tone) for one in found for told in one.told]
        assert ("box-1", Tone.REPEAT) in later
        assert Tone.RAISED not in {tone for _, tone in later}

    def test_when_the_cause_goes_what_stays_speaks(self):
        """With the mains back, a box that is still cold an hour later is said, and explains the other."""
        engine, _ = self.lost()
        self.minutes(engine, 27.0, 6, 8)
        told = self.back(engine, 14)
        assert [(one.alarm.rule, one.tone) for one in told] == [("mains lost", Tone.RIGHT_AGAIN)]
        assert self.minutes(engine, 27.0, 20, 50) == []
        (notice,) = self.minutes(engine, 27.0, 70, 10)
        raised = {one.alarm.place: {key.place for key in one.explains} for one in notice.told}
        assert raised == {"box-1": {"box-2"}}

    def test_what_comes_right_when_the_cause_goes_is_not_said(self):
        """With the mains back the boxes get warm again: nobody is told of them."""
        engine, _ = self.lost()
        self.minutes(engine, 27.0, 6, 8)
        self.back(engine, 14)
        assert self.minutes(engine, 30.0, 20, 100) == []

    def test_what_is_high_when_the_cause_goes_is_said_again_half_an_hour_later(self):
        """Known by a message of the mains, it is said again at once when the time to come right is over."""
        engine, _ = self.lost()
        self.minutes(engine, 27.0, 6, 8)
        self.minutes(engine, 18.0, 14, 6)
        self.back(engine, 21)
        notices = self.minutes(engine, 18.0, 27, 40)
        first = [(one.now - T0) // MINUTE for one in notices]
        assert first[0] == 21 + 30
        assert {told.tone for told in notices[0].told} == {Tone.REPEAT}

    def test_taken_back_within_the_time_it_has_it_anew(self):
        """A keeper who takes back that the boxes were seen lets them have their time anew."""
        engine, _ = self.lost()
        self.minutes(engine, 27.0, 6, 8)
        self.back(engine, 14)
        for minute, verb in ((20, Verb.ACKNOWLEDGE), (40, Verb.TAKE_BACK)):
            assert self.minutes(engine, 27.0, minute, 20) == []
            for alarm in engine.open_alarms():
                engine.step(Order(T0 + minute * EVERY + 20 * MINUTE, "Ines", verb, alarm.key, alarm.raised))
        notices = self.minutes(engine, 27.0, 60, 80)
        assert [(one.now - T0) // MINUTE for one in notices] == [120]

    def test_what_was_seen_meanwhile_is_not_said(self):
        """With the mains back a keeper sees the boxes on the page: nobody is told of them."""
        engine, _ = self.lost()
        self.minutes(engine, 27.0, 6, 8)
        self.back(engine, 14)
        for alarm in engine.open_alarms():
            engine.step(Order(T0 + 20 * EVERY, "Ines", Verb.ACKNOWLEDGE, alarm.key, alarm.raised))
        assert self.minutes(engine, 27.0, 21, 100) == []

    def test_what_gets_worse_when_the_cause_goes_is_said_at_once(self):
        """With the mains back the heater stays off: safe is left, and that is told."""
        engine, _ = self.lost()
        self.minutes(engine, 27.0, 6, 8)
        self.back(engine, 14)
        notices = self.minutes(engine, 18.0, 20, 8)
        assert [(one.alarm.place, one.tone) for one in notices[0].told] == [("box-1", Tone.WORSE)]

    def test_a_later_fault_is_not_hidden_by_one_place_that_stays_out(self):
        """Of three places two come right; a day later another one fails: it is told by itself."""
        names = ("box-1", "box-2", "box-3", "box-4", "box-5")
        places = tuple(place(name) for name in names)
        engine = Engine(one_box(places=places, sensors=tuple(sensor(name[-1], name) for name in names)))
        found = []
        for minute in range(1, 30 * 60):
            at = T0 + minute * EVERY
            for name in "12345":
                cold = (name in "123" and 60 <= minute < 120) or (name == "1" and minute >= 60)
                cold = cold or (name == "4" and minute >= 27 * 60)
                value = (27.5 if cold else 30.0) + 0.1 * (minute % 2)
                found += engine.step(Reading(name, Quantity.TEMPERATURE, value, at, at))
        told = [
            (one.alarm.place, one.tone) for note in found if isinstance(note, Notice) for one in note.told
        ]
        assert ("box-4", Tone.RAISED) in told

    @pytest.mark.parametrize("damp", [False, True], ids=["nothing else", "its damp was told"])
    @pytest.mark.parametrize("seen", [False, True], ids=["unseen", "acknowledged"])
    def test_a_place_that_fails_later_is_told_of_though_several_are_wrong(self, seen, damp):
        """Three places stay out of ideal; hours later others leave safe at once: the room's alarm says so."""
        names = ("box-1", "box-2", "box-3", "box-4", "box-5", "box-6")
        places = tuple(place(name) for name in names)
        engine = Engine(one_box(places=places, sensors=tuple(sensor(name[-1], name) for name in names)))
        found, failed = [], {4: 60 * 4, 5: 60 * 4 + 10, 6: 60 * 6}
        for minute in range(1, 60 * 8):
            at = T0 + minute * EVERY
            for name in "123456":
                value = 27.5 if name in "123" and minute >= 30 else 30.0
                value = 18.0 if minute >= failed.get(int(name), 10**9) else value
                found += engine.step(Reading(name, Quantity.TEMPERATURE, value + 0.1 * (minute % 2), at, at))
            if damp and minute == 100:
                dry = AlarmKey("box-6", "air", "humidity", "too dry")
                engine._book.wrong(dry, "", Wrong(Priority.MEDIUM, at, reason=("Dry.",)), at)
            for alarm in engine.open_alarms() if seen and minute == 60 else ():
                if alarm.key.rule == COMMON:
                    engine.step(Order(at + SECOND, "Ines", Verb.ACKNOWLEDGE, alarm.key, alarm.raised))
        worse = {
            (note.now - T0) // MINUTE: {key.place for key in one.explains}
            for note in found
            if isinstance(note, Notice)
            for one in note.told
            if (one.alarm.rule, one.tone) == (COMMON, Tone.WORSE)
        }
        first = {name: min(now for now, places in worse.items() if name in places) for name in names[3:]}
        late = [first[name] - failed[int(name[-1])] for name in names[3:]]
        assert max(late) <= 25
        assert len(worse) <= 4

    @pytest.mark.parametrize(
        ("orders", "after"),
        [
            ({40: Verb.ACKNOWLEDGE}, 60),
            ({40: Verb.ACKNOWLEDGE, 70: Verb.TAKE_BACK}, 95),
        ],
        ids=["acknowledged", "taken back meanwhile"],
    )
    def test_several_places_have_said_so_for_an_hour(self, orders, after):
        """Places that leave safe soon after the room's alarm are said an hour after it last spoke."""
        places = tuple(place(name) for name in ("box-1", "box-2", "box-3"))
        plan = one_box(places=places, sensors=tuple(sensor(one.name[-1], one.name) for one in places))
        engine, found = Engine(plan), []
        for minute in range(1, 180):
            value = 30.0 if minute < 30 else 27.5 if minute < 50 else 24.0
            for name in "123":
                at = T0 + minute * EVERY
                found += engine.step(Reading(name, Quantity.TEMPERATURE, value + 0.1 * (minute % 2), at, at))
            for alarm in engine.open_alarms() if minute in orders else ():
                if alarm.key.rule == COMMON:
                    order = Order(at + SECOND, "Ines", orders[minute], alarm.key, alarm.raised)
                    found += engine.step(order)
        told = [(one.now, told) for one in found if isinstance(one, Notice) for told in one.told]
        raised = next(now for now, one in told if one.tone is Tone.RAISED)
        worse = next(now for now, one in told if (one.alarm.rule, one.tone) == (COMMON, Tone.WORSE))
        assert (worse - raised) // MINUTE == after


class TestSaidOnce:
    """What a message has said of a place is not said again in other words."""

    INC = AlarmKey("inc-1", "air", "temperature", "heading out of range")

    @staticmethod
    def played(changes, hours=8):
        """Let alarms come (a priority) and go (None) at minutes; give (minute, rule, tone) of all told."""
        plan = TestCause.room()
        engine = Engine(replace(plan, sensors=tuple(replace(one, silence=0) for one in plan.sensors)))
        told = []
        for minute in range(hours * 60):
            now = T0 + minute * MINUTE
            for key, priority in changes.get(minute, ()):
                if priority is None:
                    engine._book.right(key, "", ("Right.",), now, None)
                else:
                    engine._book.wrong(key, "", Wrong(priority, now - MINUTE, reason=("Wrong.",)), now)
                engine._finish(now)
            for alarm in engine.open_alarms():
                if alarm.told and alarm.life is Life.UNACKNOWLEDGED:
                    engine.step(Order(now, "Ines", Verb.ACKNOWLEDGE, alarm.key, alarm.raised))
            notices = [one for one in engine.step(Tick(now + SECOND)) if isinstance(one, Notice)]
            told += [(minute, one.alarm.rule, one.tone) for notice in notices for one in notice.told]
        return [one for one in told if one[2] is not Tone.RIGHT_AGAIN]

    def test_the_cause_of_one_place_speaks_once_more(self):
        """Heat is lost; an hour later it says that safe was left, and not again for each box."""
        boxes = [AlarmKey(f"box-{n}", "air", "temperature", "too cool") for n in (1, 2)]
        changes = {
            10: [(self.INC, Priority.HIGH)],
            20: [(box, Priority.MEDIUM) for box in boxes],
            90: [(boxes[0], Priority.HIGH)],
            300: [(boxes[1], Priority.HIGH)],
        }
        told = self.played(changes)
        assert told == [(10, self.INC.rule, Tone.RAISED), (90, self.INC.rule, Tone.WORSE)]

    def test_what_leaves_safe_anew_is_told_anew(self):
        """Under a swing that lasts for days each way out of safe is told, at most once an hour."""
        swing = AlarmKey("inc-1", "air", "temperature", "swinging")
        warm = AlarmKey("inc-1", "air", "temperature", "too warm")
        changes = {10: [(swing, Priority.MEDIUM)]}
        for start in (60, 150, 180, 1000):
            changes[start] = [(warm, Priority.MEDIUM)]
            changes[start + 5] = [(warm, Priority.HIGH)]
            changes[start + 15] = [(warm, None)]
        worse = [minute for minute, rule, tone in self.played(changes, 24) if tone is Tone.WORSE]
        assert worse == [65, 155, 1005]

    def test_a_forecast_that_came_to_nothing_is_said_when_it_lasts(self):
        """It comes again within the hour: no news when it goes again, repeated when it stays."""
        changes = {
            10: [(self.INC, Priority.HIGH)],
            20: [(self.INC, None)],
            40: [(self.INC, Priority.HIGH)],
            45: [(self.INC, None)],
            60: [(self.INC, Priority.HIGH)],
            200: [(self.INC, None)],
            470: [(self.INC, Priority.HIGH)],
        }
        told = self.played(changes)
        tones = [(minute, tone) for minute, _, tone in told]
        assert tones == [(10, Tone.RAISED), (70, Tone.REPEAT), (470, Tone.RAISED)]

    def test_a_forecast_of_one_incubator_is_one(self):
        """What its boxes foresee soon after is no news either; of another place it is."""
        box, cellar = self.INC._replace(place="box-1"), self.INC._replace(place="cellar")
        changes = {
            10: [(self.INC, Priority.HIGH)],
            20: [(self.INC, None)],
            40: [(box, Priority.HIGH)],
            45: [(box, None)],
            60: [(cellar, Priority.HIGH)],
        }
        assert [minute for minute, *_ in self.played(changes)] == [10, 60]
