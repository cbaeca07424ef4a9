"""Plans: changed ranges, day and night, an unknown calendar, settling, out of service."""

from dataclasses import replace

import pytest

from rules.calendar import Calendar
from rules.engine import Engine
from rules.events import Change, Changed, Cleared, Notice, Order, Raised, Tick, Tone, Verb
from rules.plan import ROOM_DAY, PlaceKind, Priority, Stage
from rules.reading import HOUR, MINUTE, SECOND, Quality, Quantity, Reading
from rules.span import Range, Span
from tests.kit.rooms import BY_DAY, BY_NIGHT, EVERY, T0, WARM, one_box, place, sensor, spot, steadily, told


def of(effects, *kinds):
    """Give (minutes since the beginning, rule, what) of effects of some kinds about ranges."""
    rules = ("too warm", "too cool", "too dry", "too humid")
    return [(one.now - T0) // MINUTE for one in effects if isinstance(one, kinds) and one.alarm.rule in rules]


def boxed(range_, **given):
    """Give a plan whose box has another range of temperature."""
    return one_box(places=(place("box-1", ranges=(spot(Quantity.TEMPERATURE, range_),), **given),))


class TestChangedRange:
    def open_alarm(self):
        """Give an engine with an open medium alarm at 32 °C since minute 6."""
        engine = Engine(one_box())
        assert of(told(engine, steadily("a", [32.0] * 8)), Raised) == [6]
        return engine

    def test_inside_the_new_range_it_clears_with_that_reason(self):
        """An open alarm is judged by the new range: inside it clears and says why."""
        engine = self.open_alarm()
        plan = replace(boxed(Range(Span(28.5, 32.5), Span(26, 34))), now=T0 + 9 * MINUTE)
        cleared = [one for one in engine.step(plan) if isinstance(one, Cleared)]
        assert [one.reason for one in cleared] == [("Inside the range that counts now",)]

    def test_outside_it_stays_with_its_acknowledgement(self):
        """Outside it stays, acknowledged as it was, and goes up only after the new hold."""
        engine = self.open_alarm()
        alarm = engine.open_alarms()[0]
        engine.step(Order(T0 + 8 * MINUTE + 1, "Ines", Verb.ACKNOWLEDGE, alarm.key, alarm.raised))
        assert engine.step(replace(boxed(Range(Span(28, 30), Span(26, 31.5))), now=T0 + 8 * MINUTE + 2)) == ()
        assert [(one.raised, one.life.value) for one in engine.open_alarms()] == [(alarm.raised, "C")]
        effects = told(engine, steadily("a", [32.0] * 5, start=T0 + 9 * MINUTE))
        worse = [one for one in effects if isinstance(one, Changed) and one.change is Change.WORSE]
        assert [(one.now - T0) // MINUTE for one in worse] == [11]

    def test_a_running_hold_restarts_only_where_the_range_changed(self):
        """A new upper limit lets its hold begin anew; a new lower one does not."""
        for range_, minute in (
            (Range(Span(28.5, 31.5), Span(26, 33)), 9),
            (Range(Span(28, 31), Span(25, 33)), 6),
        ):
            engine = Engine(one_box())
            told(engine, steadily("a", [32.0] * 3))
            engine.step(replace(boxed(range_), now=T0 + 3 * MINUTE + 1))
            assert of(told(engine, steadily("a", [32.0] * 9, start=T0 + 4 * MINUTE)), Raised) == [minute]

    @pytest.mark.parametrize("need", [90, 150], ids=["shorter", "longer"])
    def test_another_hold_counts_at_once(self, need):
        """A hold that is changed while it runs is fulfilled by its new measure, without a reading."""
        engine = Engine(one_box())
        told(engine, steadily("a", [36.5] * 2))
        engine.step(replace(boxed(WARM, hold_safe=need * SECOND), now=T0 + 2 * MINUTE + 1))
        effects = engine.step(Tick(T0 + 9 * MINUTE))
        assert [one.now - T0 for one in effects if isinstance(one, Raised)] == [(60 + need) * SECOND]

    def test_what_is_not_in_the_settings_any_more_clears(self):
        """A sensor or a place that goes takes its alarms with it."""
        engine = self.open_alarm()
        effects = engine.step(one_box(now=T0 + 9 * MINUTE, sensors=()))
        assert of(effects, Cleared) == [9]
        engine = self.open_alarm()
        effects = engine.step(one_box(now=T0 + 9 * MINUTE, sensors=(), places=()))
        assert of(effects, Cleared) == [9]


class TestDayAndNight:
    NIGHT = T0 + 2 * HOUR

    def room(self, **given):
        """Give an enclosure whose day ends after two hours; both periods count for half an hour more."""
        pen = place(
            "box-1",
            PlaceKind.ENCLOSURE,
            settle=30 * MINUTE,
            ranges=(spot(Quantity.TEMPERATURE, BY_DAY, BY_NIGHT),),
        )
        calendars = {ROOM_DAY: Calendar(first=True, edges=(self.NIGHT,))}
        return one_box(places=(pen,), calendars=calendars, **given)

    @pytest.mark.parametrize(
        ("value", "minute", "priority"),
        [
            (30.5, 152, Priority.HIGH),
            (29.0, 155, Priority.MEDIUM),
            (23.0, 125, Priority.MEDIUM),
            (19.0, 122, Priority.HIGH),
            (36.5, 122, Priority.HIGH),
            (26.0, None, None),
        ],
        ids=[
            "above night's safe",
            "above night's ideal",
            "below both",
            "below both safe",
            "above both",
            "night",
        ],
    )
    def test_the_wider_of_both_counts_after_a_change(self, value, minute, priority):
        """After the change the wider of both counts for the settle time, safe too."""
        engine = Engine(self.room())
        effects = told(engine, steadily("a", [31.0] * 119))
        effects += told(engine, steadily("a", [value] * 60, start=self.NIGHT + SECOND))
        found = [one for one in effects if isinstance(one, Raised) and one.alarm.rule.startswith("too")]
        assert [((one.now - T0) // MINUTE, one.priority) for one in found[:1]] == (
            [] if minute is None else [(minute, priority)]
        )

    def test_an_unknown_calendar_lets_the_wider_count(self):
        """While the time is not trusted the wider of day and night counts, safe too."""
        for value, priority in (
            (32.5, None),
            (24.5, None),
            (35.0, "medium"),
            (21.0, "medium"),
            (37.0, "high"),
        ):
            engine = Engine(replace(self.room(), calendars={}))
            found = [one for one in told(engine, steadily("a", [value] * 9)) if isinstance(one, Raised)]
            assert [one.priority.value for one in found] == ([] if priority is None else [priority])


class TestSettling:
    @pytest.mark.parametrize(("value", "minute"), [(32.0, 66), (36.5, 3)], ids=["ideal", "safe"])
    def test_a_new_place_lets_only_safe_count(self, value, minute):
        """Ideal counts after the settling time, safe at once."""
        engine = Engine(one_box(places=(place("box-1", settling=HOUR),)))
        assert of(told(engine, steadily("a", [value] * 90)), Raised) == [minute]

    def test_another_stage_settles_anew(self):
        """A change of stage lets ideal settle again; an open alarm on ideal waits without repeats."""
        plan = one_box(places=(place("box-1", settling=2 * HOUR, stage=Stage.INCUBATION),))
        engine = Engine(plan)
        told(engine, steadily("a", [30.0] * 120))
        told(engine, steadily("a", [32.0] * 9, start=T0 + 121 * MINUTE))
        changed = place("box-1", settling=2 * HOUR, stage=Stage.HATCHING)
        now = T0 + 130 * MINUTE
        assert not of(engine.step(replace(plan, now=now, places=(changed,))), Cleared)
        effects = told(engine, steadily("a", [32.0] * 100, start=now + MINUTE))
        assert not [
            one for e in effects if isinstance(e, Notice) for one in e.told if one.tone is Tone.REPEAT
        ]
        assert engine.open_alarms()[0].waits

    def test_a_hold_begins_only_when_ideal_counts(self):
        """Time beyond ideal while it settles does not count towards the hold."""
        engine = Engine(one_box(places=(place("box-1", settling=10 * MINUTE),)))
        assert of(told(engine, steadily("a", [32.0] * 30)), Raised) == [16]


class TestOutOfService:
    def test_nothing_is_judged_there(self):
        """A place out of service has no alarms, and gets none."""
        engine = Engine(one_box())
        told(engine, steadily("a", [32.0] * 8))
        effects = engine.step(Order(T0 + 9 * MINUTE, "Ines", Verb.OUT_OF_SERVICE, place="box-1"))
        assert of(effects, Cleared) == [9]
        assert not of(told(engine, steadily("a", [36.5] * 90, start=T0 + 10 * MINUTE)), Raised)
        assert not engine.open_alarms()
        assert not [one for one in engine.step(Tick(T0 + 9 * HOUR)) if isinstance(one, Raised)]

    def test_back_in_service_it_settles(self):
        """A place that comes back lets ideal settle first."""
        engine = Engine(one_box(places=(place("box-1", settling=HOUR),)))
        engine.step(Order(T0 + MINUTE, "Ines", Verb.OUT_OF_SERVICE, place="box-1"))
        now = T0 + 3 * HOUR
        engine.step(Order(now, "Ines", Verb.IN_SERVICE, place="box-1"))
        effects = told(engine, steadily("a", [32.0] * 90, start=now + MINUTE))
        assert of(effects, Raised) == [180 + 66]

    def test_back_in_service_its_silence_begins_anew(self):
        """What was not heard while a place was out of service is no silence."""
        engine = Engine(one_box())
        engine.step(Order(T0 + MINUTE, "Ines", Verb.OUT_OF_SERVICE, place="box-1"))
        now = T0 + 3 * HOUR
        engine.step(Order(now, "Ines", Verb.IN_SERVICE, place="box-1"))
        effects = engine.step(Tick(now + 20 * MINUTE))
        assert [(one.now - now, one.alarm.rule) for one in effects if isinstance(one, Raised)] == [
            (10 * MINUTE, "silent")
        ]

    def test_out_of_use_is_the_same(self):
        """A place that the settings put out of use has no alarms."""
        engine = Engine(one_box())
        told(engine, steadily("a", [32.0] * 8))
        effects = engine.step(one_box(now=T0 + 9 * MINUTE, places=(place("box-1", in_use=False),)))
        assert of(effects, Cleared) == [9]
        assert not of(told(engine, steadily("a", [36.5] * 30, start=T0 + 10 * MINUTE)), Raised)


class TestTwoSensors:
    """Two sensors at one spot are judged each on its own: one alarm."""

    def engine(self):
        """Give an engine with two thermometers at one spot."""
        return Engine(one_box(sensors=(sensor("a", "box-1"), sensor("b", "box-1"))))

    def play(self, engine, pairs, start=1):
        """Play a pair of values a minute; None is silence."""
        found = []
        for index, pair in enumerate(pairs, start):
            at = T0 + index * EVERY
            for name, value in zip("ab", pair, strict=True):
                if value is not None:
                    found += engine.step(Reading(name, Quantity.TEMPERATURE, value, at, at))
        return found

    def test_it_is_one_alarm(self):
        """Raised by the first, it is not raised again by the second."""
        assert of(self.play(self.engine(), [(32.0, 32.1)] * 20), Raised) == [6]

    def test_it_clears_when_none_in_service_holds_it(self):
        """One that is right again leaves the other's alarm."""
        engine = self.engine()
        self.play(engine, [(32.0, 32.0)] * 9)
        assert not of(self.play(engine, [(30.0, 32.0)] * 9, 10), Cleared)
        assert of(self.play(engine, [(30.0, 30.0)] * 9, 19), Cleared) == [22]

    def test_a_faulty_one_does_not_hold_it(self):
        """A sensor that shows a fault of its own lets the alarm go that only it holds."""
        engine = self.engine()
        self.play(engine, [(32.0, 30.0)] * 9)
        assert of(self.play(engine, [(None, 30.0)] * 12, 10), Cleared) == [19]

    def test_its_only_sensor_out_of_service_explains_it(self):
        """Where it was the only one, the alarm stays, explained by the fault."""
        engine = Engine(one_box())
        told(engine, steadily("a", [32.0] * 9))
        effects = engine.step(Tick(T0 + 30 * MINUTE))
        assert not of(effects, Cleared)
        suppressed = [one for one in effects if isinstance(one, Changed) and one.change is Change.SUPPRESSED]
        assert [(one.alarm.rule, one.cause.rule) for one in suppressed] == [("too warm", "silent")]
        back = told(engine, steadily("a", [32.0] * 3, start=T0 + 31 * MINUTE))
        assert [
            one.alarm.rule for one in back if isinstance(one, Changed) and one.change is Change.UNSUPPRESSED
        ] == ["too warm"]


class TestFaults:
    @pytest.mark.parametrize(
        "quality",
        [Quality.NOT_A_NUMBER, Quality.FAULT_CODE, Quality.IMPOSSIBLE, Quality.LATE, Quality.SPIKE],
        ids=lambda quality: quality.name,
    )
    @pytest.mark.parametrize("value", [36.5, 30.0], ids=["warm", "right"])
    def test_what_is_not_good_is_never_climate(self, quality, value):
        """Bad, late or doubtful values neither raise nor clear an alarm about climate."""
        engine = Engine(one_box())
        assert not of(told(engine, steadily("a", [value] * 30, quality=quality)), Raised, Cleared)
        engine = Engine(one_box())
        told(engine, steadily("a", [36.5] * 9))
        rest = steadily("a", [value] * 30, start=T0 + 10 * MINUTE, quality=quality)
        assert not of(told(engine, rest), Raised, Cleared)

    def test_three_implausible_readings_are_a_fault(self):
        """A few implausible values are the sensor's own alarm; good ones end it."""
        engine = Engine(one_box())
        bad = told(engine, steadily("a", [85.0] * 4, quality=Quality.FAULT_CODE))
        assert [((one.now - T0) // MINUTE, one.alarm.rule) for one in bad if isinstance(one, Raised)] == [
            (3, "implausible")
        ]
        good = told(engine, steadily("a", [30.0 + n % 2 / 10 for n in range(40)], start=T0 + 5 * MINUTE))
        assert [one.alarm.rule for one in good if isinstance(one, Cleared)] == ["implausible"]

    def test_silence_is_an_alarm_and_blindness_is_urgent(self):
        """Nothing from an egg box's only thermometer: medium, and high half an hour later."""
        effects = Engine(one_box()).step(Tick(T0 + 2 * HOUR))
        silent = [(one.now - T0, one.priority) for one in effects if isinstance(one, Raised)]
        worse = [(one.now - T0, one.priority) for one in effects if isinstance(one, Changed)]
        assert silent == [(10 * MINUTE, Priority.MEDIUM)]
        assert worse == [(40 * MINUTE, Priority.HIGH)]

    def test_a_wrong_clock_is_a_fault_of_medium_priority(self):
        """Three stamps in a row that are far off are said once; the readings count."""
        engine = Engine(one_box())
        effects = told(engine, steadily("a", [36.5] * 9, skew=HOUR))
        rules = [(one.alarm.rule, one.priority) for one in effects if isinstance(one, Raised)]
        assert ("its clock is wrong", Priority.MEDIUM) in rules
        assert ("too warm", Priority.HIGH) in rules
