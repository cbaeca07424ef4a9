"""Who is told of what, and when: repeats, escalation, quiet hours, distance, right again."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.alarms import Wrong
from rules.calendar import Calendar
from rules.common import RULE as COMMON
from rules.engine import Engine
from rules.events import AlarmKey, Away, Notice, Order, Tick, Tone, Verb
from rules.life import Life
from rules.plan import ROOM_DAY, ContactKind, ContactPlan, PlaceKind, Priority
from rules.reading import HOUR, MINUTE, SECOND, Quantity, Reading
from rules.telling import WINDOW, Mouth
from tests.kit.rooms import EVERY, T0, contact, one_box, place, sensor, steadily

HIGH_ONLY = frozenset({Priority.HIGH})
BY_DAY = Calendar(first=True)


def evening(contacts, values, *, calendars=None, hours=12):
    """Play one thermometer's values a minute, the last one on and on; give the engine and its notices."""
    plan = one_box(contacts=contacts, calendars=calendars or {ROOM_DAY: BY_DAY})
    engine, found = Engine(plan), []
    values = [*values, *[values[-1]] * (hours * 60 - len(values))]
    for reading in steadily("a", values):
        found += [effect for effect in engine.step(reading) if isinstance(effect, Notice)]
    return engine, found


def said(notices, contact_name="first"):
    """Give (minutes after the beginning, tones) of what a contact was told."""
    return [
        ((notice.now - T0) // MINUTE, *(one.tone for one in notice.told))
        for notice in notices
        if notice.contact == contact_name
    ]


class TestRepeats:
    def test_high_is_repeated_eight_times(self):
        """An unacknowledged high alarm is said again after 10, 20, 40 min, then each hour, eight times."""
        _, notices = evening((ContactPlan("first"),), [36.5])
        first, *again = said(notices)
        assert first == (3, Tone.RAISED)
        assert [minute - 3 for minute, _ in again] == [10, 20, 40, 60, 120, 180, 240, 300]
        assert {tone for _, tone in again} == {Tone.REPEAT}

    def test_medium_is_repeated_once(self):
        """An unacknowledged medium alarm is said again once, after an hour."""
        _, notices = evening((ContactPlan("first"),), [32.0])
        assert said(notices) == [(6, Tone.RAISED), (66, Tone.REPEAT)]

    def test_medium_waits_for_the_day(self):
        """By night the repeat of a medium alarm waits until the day begins."""
        night = Calendar(first=False, edges=(T0 + 5 * HOUR,))
        _, notices = evening((ContactPlan("first"),), [32.0], calendars={ROOM_DAY: night})
        assert said(notices) == [(6, Tone.RAISED), (300, Tone.REPEAT)]

    def test_an_unknown_day_lets_it_repeat(self):
        """Where the time of day is not known, no hour is night."""
        _, notices = evening((ContactPlan("first"),), [32.0], calendars={"none": BY_DAY})
        assert said(notices) == [(6, Tone.RAISED), (66, Tone.REPEAT)]

    @pytest.mark.parametrize("verb", [Verb.ACKNOWLEDGE, Verb.SHELVE], ids=str)
    def test_what_was_seen_is_not_repeated(self, verb):
        """Acknowledged or shelved, nothing is said again."""
        engine, notices = evening((ContactPlan("first"),), [36.5], hours=1)
        assert len(notices) == 4
        alarm = engine.open_alarms()[0]
        now = T0 + HOUR + SECOND
        engine.step(Order(now, "Ines", verb, alarm.key, alarm.raised, until=now + 9 * HOUR))
        assert not [
            e
            for e in engine.step(Tick(now + 8 * HOUR))
            if isinstance(e, Notice)
            and e.contact == "first"
            and any(told.alarm == alarm.key for told in e.told)
        ]

    def test_taken_back_it_repeats_from_then(self):
        """An acknowledgement that is taken back lets repeats count anew."""
        engine, _ = evening((ContactPlan("first"),), [36.5], hours=1)
        alarm = engine.open_alarms()[0]
        now = T0 + HOUR + SECOND
        for verb in (Verb.ACKNOWLEDGE, Verb.TAKE_BACK):
            engine.step(Order(now, "Ines", verb, alarm.key, alarm.raised))
        notices = []
        for reading in steadily("a", [36.5] * 15, start=now + EVERY):
            notices += [one for one in engine.step(reading) if isinstance(one, Notice)]
        assert [one.now - now for one in notices] == [10 * MINUTE]
        assert [one.tone for one in notices[0].told] == [Tone.REPEAT]

    def test_after_a_span_away_it_is_said_once(self):
        """Repeats that became due while nobody ran are one message on return."""
        engine, _ = evening((ContactPlan("first"),), [36.5], hours=1)
        back = T0 + 6 * HOUR
        notices = [one for one in engine.step(Away(T0 + HOUR + SECOND, back)) if isinstance(one, Notice)]
        notices += [one for one in engine.step(Tick(back + SECOND)) if isinstance(one, Notice)]
        assert [(one.now, [told.tone for told in one.told]) for one in notices] == [(back, [Tone.REPEAT])]


class TestGoingUp:
    def test_it_speaks_again_after_an_acknowledgement(self):
        """An acknowledged medium alarm that becomes high is a new alert, and repeats again."""
        engine, _ = evening((ContactPlan("first"),), [32.0] * 20, hours=0)
        alarm = engine.open_alarms()[0]
        now = T0 + 20 * MINUTE + SECOND
        engine.step(Order(now, "Ines", Verb.ACKNOWLEDGE, alarm.key, alarm.raised))
        found = []
        for reading in steadily("a", [36.5] * 20, start=now + EVERY):
            found += [one for one in engine.step(reading) if isinstance(one, Notice)]
        assert [told.tone for one in found for told in one.told] == [Tone.WORSE, Tone.REPEAT]

    def test_it_speaks_again_on_the_shelf(self):
        """Shelving holds for the priority at which it was given."""
        engine, _ = evening((ContactPlan("first"),), [32.0] * 20, hours=0)
        alarm = engine.open_alarms()[0]
        now = T0 + 20 * MINUTE + SECOND
        engine.step(Order(now, "Ines", Verb.SHELVE, alarm.key, alarm.raised, until=now + 5 * HOUR))
        found = []
        for reading in steadily("a", [36.5] * 5, start=now + EVERY):
            found += [one for one in engine.step(reading) if isinstance(one, Notice)]
        assert [told.tone for one in found for told in one.told] == [Tone.WORSE]

    def test_before_the_first_word_it_is_said_as_raised(self):
        """What got worse while it waited is said first as raised, at its new priority."""
        quiet = {ROOM_DAY: BY_DAY, "quiet": Calendar(first=True)}
        _, notices = evening(
            (ContactPlan("first", quiet="quiet"),), [32.0] * 12 + [36.5], calendars=quiet, hours=1
        )
        assert said(notices)[0][1] is Tone.RAISED
        assert notices[0].priority is Priority.HIGH


class TestEscalation:
    CONTACTS = (ContactPlan("first"), ContactPlan("second", HIGH_ONLY, after=15 * MINUTE))

    def test_the_next_contact_is_told_when_nobody_has_seen_it(self):
        """After its time the second contact is told, and of repeats from then on."""
        _, notices = evening(self.CONTACTS, [36.5], hours=1)
        assert said(notices, "second") == [(18, Tone.ESCALATION), (23, Tone.REPEAT), (43, Tone.REPEAT)]

    def test_acknowledged_in_time_nobody_else_is_told(self):
        """An acknowledgement keeps the second contact out of it."""
        engine, _ = evening(self.CONTACTS, [36.5] * 10, hours=0)
        alarm = engine.open_alarms()[0]
        engine.step(Order(T0 + 11 * MINUTE, "Ines", Verb.ACKNOWLEDGE, alarm.key, alarm.raised))
        assert not [
            one
            for one in engine.step(Tick(T0 + 5 * HOUR))
            if isinstance(one, Notice)
            and one.contact == "second"
            and any(told.alarm == alarm.key for told in one.told)
        ]

    def test_at_the_instant_of_a_repeat_it_is_still_news(self):
        """A contact that hears of an alarm for the first time is not told of a repeat."""
        contacts = (ContactPlan("first"), ContactPlan("second", after=10 * MINUTE))
        _, notices = evening(contacts, [36.5], hours=1)
        assert said(notices, "second")[0] == (13, Tone.ESCALATION)

    def test_priorities_are_the_contacts_own(self):
        """A contact for high only hears nothing of medium."""
        _, notices = evening(self.CONTACTS, [32.0], hours=3)
        assert said(notices, "second") == []


class TestHours:
    def test_quiet_hours_let_only_high_through(self):
        """A medium alarm waits for the end of the quiet hours; a high one does not."""
        calendars = {ROOM_DAY: BY_DAY, "quiet": Calendar(first=True, edges=(T0 + 5 * HOUR,))}
        contacts = (ContactPlan("first", quiet="quiet"),)
        _, medium = evening(contacts, [32.0], calendars=calendars)
        _, high = evening(contacts, [36.5], calendars=calendars)
        assert said(medium)[0][0] == 5 * 60
        assert said(medium)[0][1] is Tone.RAISED
        assert said(high)[0] == (3, Tone.RAISED)

    def test_off_duty_nothing_is_said(self):
        """Who is not on duty hears nothing, high or not, until duty begins."""
        calendars = {ROOM_DAY: BY_DAY, "duty": Calendar(first=False, edges=(T0 + 2 * HOUR,))}
        _, notices = evening((ContactPlan("first", on_duty="duty"),), [36.5], calendars=calendars, hours=3)
        assert said(notices)[0][0] == 2 * 60

    def test_unknown_hours_are_neither_quiet_nor_off_duty(self):
        """A calendar that is not known keeps nobody from being told."""
        _, notices = evening((ContactPlan("first", quiet="quiet", on_duty="duty"),), [32.0], hours=1)
        assert said(notices)[0][0] == 6

    def test_what_was_right_again_before_it_was_said_is_not_said(self):
        """An alarm that came and went in quiet hours is no news in the morning."""
        calendars = {ROOM_DAY: BY_DAY, "quiet": Calendar(first=True, edges=(T0 + 5 * HOUR,))}
        contacts = (ContactPlan("first", quiet="quiet"),)
        _, notices = evening(contacts, [32.0] * 20 + [30.0], calendars=calendars)
        assert notices == []

    def test_the_same_plan_again_drops_nothing_that_waits(self):
        """A plan that comes again while something waits changes neither its time nor its tone."""
        calendars = {ROOM_DAY: BY_DAY, "duty": Calendar(first=False, edges=(T0 + HOUR,))}
        plan = one_box(contacts=(ContactPlan("first", on_duty="duty"),), calendars=calendars)
        found = []
        for again in (False, True):
            engine, effects = Engine(plan), []
            effects += engine.step(Tick(T0 + 30 * MINUTE))
            alarm = engine.open_alarms()[0]
            effects += engine.step(Order(T0 + 30 * MINUTE, "Ines", Verb.ACKNOWLEDGE, alarm.key, alarm.raised))
            if again:
                effects += engine.step(replace(plan, now=T0 + 31 * MINUTE))
            found.append([*effects, *engine.step(Tick(T0 + 2 * HOUR))])
        assert found[0] == found[1]
        assert [one.tone for e in found[0] if isinstance(e, Notice) for one in e.told][:1] == [Tone.RAISED]


class TestRightAgain:
    def test_who_was_told_is_told_that_it_is_right(self):
        """When it is right again, that is said to those who heard of it."""
        _, notices = evening(
            (ContactPlan("first"), ContactPlan("second", HIGH_ONLY)), [32.0] * 20 + [30.0], hours=1
        )
        assert said(notices) == [(6, Tone.RAISED), (24, Tone.RIGHT_AGAIN)]
        assert said(notices, "second") == []


class TestDistance:
    @given(st.lists(st.integers(0, 5 * MINUTE), max_size=60))
    def test_never_more_than_three_in_ten_minutes(self, steps):
        """However often something is to be said, no ten minutes hold more than three messages."""
        mouth, now, sent = Mouth(ContactPlan("first")), T0, []
        for step in steps:
            now += step
            allowed = mouth.allowed(now)
            assert now <= allowed <= now + WINDOW
            assert mouth.allowed((now + allowed) // 2) == allowed
            if allowed == now:
                sent.append(now)
                mouth.sent = sent[-3:]
        assert all(third >= first + WINDOW for first, third in zip(sent, sent[3:], strict=False))

    def test_many_at_once_are_one_message(self):
        """A whole row of pens that the sun reaches in one minute is one message, gravest first."""
        places = tuple(place(f"box-{n}", PlaceKind.OUTDOOR) for n in range(12))
        plan = one_box(places=places, sensors=tuple(sensor(f"s{n:02}", f"box-{n}") for n in range(12)))
        engine, notices = Engine(plan), []
        for minute in range(1, 9):
            for n in range(12):
                value = 36.5 if n < 6 else 32.0
                reading = Reading(
                    f"s{n:02}", Quantity.TEMPERATURE, value, T0 + minute * EVERY, T0 + minute * EVERY
                )
                notices += [one for one in engine.step(reading) if isinstance(one, Notice)]
        notices += [one for one in engine.step(Tick(T0 + 9 * EVERY)) if isinstance(one, Notice)]
        assert [len(one.told) for one in notices] == [6, 6]
        assert [one.priority for one in notices] == [Priority.HIGH, Priority.MEDIUM]


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

    @pytest.mark.parametrize("seen", [False, True], ids=["unseen", "acknowledged"])
    def test_a_place_that_fails_later_is_told_of_though_several_are_wrong(self, seen):
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


class TestComesAndGoes:
    """The more often the same thing comes and goes, the more seldom it is news."""

    @staticmethod
    def news(value, hours):
        """Play ten minutes out of range at the given hours; give the hours at which that was news."""
        minutes = max(hours) * 60 + 120
        values = [30.0 + 0.06 * (minute % 3) for minute in range(minutes)]
        for hour in hours:
            values[hour * 60 : hour * 60 + 10] = [value] * 10
        _, notices = evening((ContactPlan("first"),), values, hours=1)
        return [minute // 60 for minute, *tones in said(notices) if Tone.RAISED in tones]

    def test_every_two_hours_it_is_told_ever_more_seldom(self):
        """What leaves ideal every two hours for two days is news four times, not twenty-four."""
        assert self.news(32.0, range(2, 50, 2)) == [2, 4, 10, 28]

    def test_what_is_high_is_told_each_time(self):
        """A heater that fails again and again wakes each time."""
        assert self.news(36.5, range(2, 20, 4)) == [2, 6, 10, 14, 18]

    def test_forgotten_it_is_news_as_on_the_first_day(self):
        """After a day and a half without it, it is told again, and again after an hour."""
        assert self.news(32.0, [2, 4, 6, 48, 50]) == [2, 4, 48, 50]

    def test_at_the_same_hour_each_day_it_becomes_seldom(self):
        """What leaves ideal each evening is told on some evenings and not on all."""
        told = self.news(32.0, range(20, 20 + 24 * 8, 24))
        assert told[:3] == [20, 44, 68]
        assert len(told) <= 5


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
