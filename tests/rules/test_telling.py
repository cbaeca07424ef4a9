"""Who is told of what, and when: repeats, escalation, quiet hours, distance, right again."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.calendar import Calendar
from rules.engine import Engine
from rules.events import Away, Notice, Order, Tick, Tone, Verb
from rules.plan import ROOM_DAY, ContactPlan, PlaceKind, Priority
from rules.reading import HOUR, MINUTE, SECOND, Quantity, Reading
from rules.telling import WINDOW, Mouth
from tests.kit.rooms import EVERY, T0, one_box, place, sensor, steadily

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
