"""What the rules that know physics find becomes alarms of the room, and ends."""

import math
from dataclasses import replace

from rules.calendar import Calendar
from rules.creeping import CREEPING, CREPT
from rules.engine import Engine
from rules.events import Changed, Cleared, Notice, Order, Raised, Shown, Tick, Verb
from rules.plan import ROOM_DAY, ContactKind, ContactPlan, PlaceKind, Priority
from rules.reading import DAY, HOUR, MINUTE, Quality, Quantity, Reading
from rules.shifted import RULE as SHIFTED
from rules.span import Range, Span
from rules.watchers import Eyes
from tests.kit.rooms import EVERY, T0, WARM, copied, one_box, organ, place, sensor, spot, steadily, told

T, H = Quantity.TEMPERATURE, Quantity.HUMIDITY


def pairs(name, values, *, start=1):
    """Give readings of temperature and humidity, a minute apart; None is left out."""
    found = []
    for index, (warmth, wet) in enumerate(values):
        at = T0 + (start + index) * EVERY
        found += [Reading(name, H, wet, at, at)] if wet is not None else []
        found += [Reading(name, T, warmth, at, at)] if warmth is not None else []
    return found


def merged(*curves):
    """Put curves into one order of time."""
    return sorted((one for curve in curves for one in curve), key=lambda one: one.at)


def raised(effects, rule):
    """Give what was raised by a rule."""
    return [one for one in effects if isinstance(one, Raised) and one.alarm.rule == rule]


def cleared(effects, rule):
    """Give what cleared of a rule."""
    return [one for one in effects if isinstance(one, Cleared) and one.alarm.rule == rule]


def moving(count, base=30.0):
    """Give values as a living sensor has them."""
    return [base + (index % 7) * 0.05 for index in range(count)]


class TestFaultsOfASensor:
    def test_a_frozen_value_is_stuck_until_it_moves(self):
        """A thermometer that says the same for a day is out of service till it moves."""
        plan = one_box(places=(place("box-1", advice="Tap its plug."),))
        engine = Engine(plan)
        effects = told(engine, steadily("a", [*moving(60), *[30.0] * (25 * 60)]))
        (stuck,) = raised(effects, "stuck")
        assert stuck.advice == ("Tap its plug.",)
        assert not engine._sensors["a"].fit(T)
        effects = told(engine, steadily("a", moving(20, 30.1), start=T0 + 1600 * MINUTE))
        assert cleared(effects, "stuck")
        assert engine._sensors["a"].fit(T)

    def test_values_that_jump_and_come_back_are_spikes(self):
        """Four readings that jump out and back within an hour are the sensor's fault, and none is judged."""
        values = moving(60)
        for minute in (10, 20, 30, 40):
            values[minute] = 39.0
        effects = told(Engine(one_box()), steadily("a", values))
        assert [one.value for one in raised(effects, "spikes")]
        assert raised(effects, "too warm") == []

    def test_a_fault_of_two_quantities_ends_one_by_one(self):
        """A sensor stuck in both quantities is out of service until both move again."""
        engine = Engine(one_box(sensors=(sensor("a", "box-1", T, H),)))
        flat = [(30.0, 80.0)] * (25 * 60)
        effects = told(engine, pairs("a", [*[(30.0 + i % 5 / 10, 80.0 + i % 5) for i in range(60)], *flat]))
        assert raised(effects, "stuck")
        sensor_ = engine._sensors["a"]
        assert not sensor_.fit(T)
        assert not sensor_.fit(H)
        told(engine, pairs("a", [(30.0 + i % 5 / 10, 80.0) for i in range(10)], start=1600))
        assert sensor_.fit(T)
        assert not sensor_.fit(H)
        told(engine, pairs("a", [(30.0, 80.0 + i % 5) for i in range(10)], start=1700))
        assert sensor_.fit(H)

    def test_air_that_was_too_humid_first_is_no_fault_of_the_sensor(self):
        """Where it was too humid before water was seen on the sensor, that alarm stands on its own."""
        wet = (spot(T, WARM), spot(H, Range(Span(75.0, 90.0), Span(60.0, 95.0)), deadband=3.0))
        engine = Engine(one_box(places=(place("box-1", ranges=wet),), sensors=(sensor("a", "box-1", T, H),)))
        effects = told(engine, pairs("a", [(30.0 + i % 5 / 10, 98.6 + i % 3 / 10) for i in range(100)]))
        assert raised(effects, "too humid")
        assert raised(effects, "saturated")
        open_ = {one.key.rule: one.cause for one in engine.open_alarms()}
        assert open_["too humid"] is None

    def test_spoilt_readings_are_nobodys_fault(self):
        """Readings that were spoilt on their way are not held against the sensor."""
        readings = steadily("a", [30.0] * 9, quality=Quality.SPOILT)
        assert told(Engine(one_box()), readings) == []

    def test_a_clock_that_is_a_little_off_is_let_be(self):
        """A stamp that is off for one reading and right again says nothing of the clock."""
        off, right = steadily("a", [30.0], skew=HOUR), steadily("a", [30.1] * 4, start=T0 + 2 * EVERY, skew=1)
        assert told(Engine(one_box()), [*off, *right]) == []


class TestSlowTrouble:
    """A box that is opened every noon, in a room with day and night."""

    def room(self, **given):
        """Give the box with a lid, and days of twelve hours."""
        edges = tuple(T0 + half * 12 * HOUR for half in range(1, 160))
        slow = sensor("a", "box-1", every=5 * MINUTE, silence=HOUR)
        base = one_box(
            sensors=(slow, organ("lid", "box-1", ContactKind.LID)),
            calendars={ROOM_DAY: Calendar(first=True, edges=edges)},
        )
        return replace(base, **given)

    def days(self, first, last, level):
        """Give what its sensors say from one day to another; ``level`` is °C by the day."""
        found = []
        for step in range(first * 288, last * 288):
            at, day = T0 + (step + 1) * 5 * MINUTE, step / 288
            wobble = 0.06 * math.sin(step) + (0.3 if step % 288 == 144 else 0.0)
            found.append(Reading("a", T, round(level(day) + wobble, 2), at, at))
            if step % 288 in {143, 144}:
                found.append(Reading("lid", Quantity.CONTACT, float(step % 288 == 144), at, at))
        return found

    def test_a_creep_is_told_before_the_range_is_left(self):
        """Neither day and night nor the lid make it forget; nor does a restart in the middle."""
        level = lambda day: 29.4 + 0.3 * max(0.0, day - 2)  # noqa: E731
        engine, plan = Engine(self.room()), self.room()
        said = told(engine, self.days(0, 3, level))
        other = copied(plan, engine)
        later = [told(one, self.days(3, 7, level)) for one in (engine, other)]
        assert raised(said, CREEPING) == []
        assert later[0] == later[1]
        (found,) = raised(later[0], CREEPING)
        assert found.now < T0 + 6 * DAY
        assert found.priority is Priority.MEDIUM
        assert not raised(later[0], "too warm")

    def test_a_creep_that_no_slope_shows_is_told_by_its_sums(self):
        """0.03 K a day after three weeks: nothing to wake anybody for, and told before the range is left."""
        engine = Engine(self.room())
        said = told(engine, self.days(0, 60, lambda day: 29.2 + 0.03 * max(0.0, day - 22)))
        assert [(one.alarm.rule, one.priority) for one in said if isinstance(one, Raised)] == [
            (CREPT, Priority.LOW)
        ]

    def test_what_a_quicker_rule_told_is_learnt_anew(self):
        """A set-point that was bumped is one alarm, not two."""
        engine = Engine(self.room())
        said = told(engine, self.days(0, 60, lambda day: 29.2 + (1.0 if day > 25 else 0.0)))
        assert [one.alarm.rule for one in said if isinstance(one, Raised)] == [SHIFTED]

    def test_another_level_that_is_asked_for_is_no_creep(self):
        """With other ranges the old level is forgotten."""
        engine = Engine(self.room())
        told(engine, self.days(0, 30, lambda _: 29.2))
        cooler = place("box-1", ranges=(spot(T, Range(Span(27.0, 29.0), Span(25.0, 31.0))),))
        said = told(engine, [self.room(now=T0 + 30 * DAY + MINUTE, places=(cooler,))])
        said += told(engine, self.days(30, 70, lambda _: 28.0))
        assert [
            one.alarm.rule for one in said if isinstance(one, Raised) and one.alarm.place == "box-1"
        ] == []


class TestTwoAtOneSpot:
    def plan(self, **given):
        """Give a box with two thermometers at its one spot."""
        return one_box(sensors=(sensor("a", "box-1", **given), sensor("b", "box-1", **given)))

    def both(self, apart, hours=4):
        """Give readings of both, ``apart`` from each other."""
        values = moving(hours * 60, 29.5)
        return merged(steadily("a", values), steadily("b", [value + apart for value in values]))

    def test_two_that_disagree_are_one_doubt(self):
        """Two thermometers that stand apart for hours are one alarm that names both; both stay in service."""
        engine = Engine(self.plan())
        effects = told(engine, self.both(1.8))
        (doubt,) = raised(effects, "sensors disagree")
        assert doubt.alarm.subject == "a and b"
        assert engine._sensors["a"].fit(T)
        assert engine._sensors["b"].fit(T)

    def test_sensors_of_low_accuracy_may_stand_further_apart(self):
        """What the makers' own errors allow is no disagreement."""
        assert raised(told(Engine(self.plan(error={T: 1.0})), self.both(1.8)), "sensors disagree") == []

    def test_a_pair_is_taken_back(self):
        """A doubt that was half reached before a restart is told at the same minute after it."""
        plan, readings = self.plan(), self.both(1.8)
        one = Engine(plan)
        straight = raised(told(one, readings), "sensors disagree")
        two = Engine(plan)
        first = told(two, readings[:160])
        again = raised([*first, *told(copied(plan, two), readings[160:])], "sensors disagree")
        assert again == straight

    def test_the_second_of_a_pair_that_went_is_held_against_nobody(self):
        """What was remembered of a pair whose first sensor is gone is forgotten."""
        plan = self.plan()
        engine = Engine(plan)
        told(engine, self.both(0.1, hours=1))
        alone = copied(replace(plan, sensors=plan.sensors[1:]), engine)
        assert alone._findings.eyes["b"].state()["pairs"] == {}


class TestWhatIsNotKnown:
    def test_a_hygrometer_alone_explains_nothing(self):
        """Without a temperature beside it nobody says how much of dry air is warmth."""
        engine = Engine(one_box(sensors=(sensor("a", "box-1", H),)))
        effects = told(engine, pairs("a", [(None, 50.0 + i % 3) for i in range(10)]))
        (dry,) = raised(effects, "too dry")
        assert not any("moisture" in str(part) for part in dry.reason)

    def test_humidity_before_the_first_temperature_is_judged_by_itself(self):
        """Where only the humidity of a sensor arrives it is judged, and not explained."""
        engine = Engine(one_box(sensors=(sensor("a", "box-1", T, H),)))
        effects = told(engine, pairs("a", [(None, 50.0 + i % 3) for i in range(10)]))
        assert raised(effects, "too dry")

    def test_what_heads_nowhere_has_no_forecast(self):
        """A curve that keeps its range has no way out to be shown."""
        engine = Engine(one_box())
        told(engine, steadily("a", moving(90)))
        eyes = engine._findings.eyes["a"]
        assert isinstance(eyes, Eyes)
        assert eyes.forecast() == ()


FALL = [30.0 - 0.12 * minute for minute in range(40)]
"""A box that loses its heat: 0.12 K a minute."""


class TestHeatLost:
    def room(self, count=4, kind=PlaceKind.INCUBATOR):
        """Give a room with its own air and some incubators that stand in it."""
        names = [f"inc-{number}" for number in range(1, count + 1)]
        places = (
            place("cellar", PlaceKind.ROOM, ranges=()),
            *(place(n, kind, inside="cellar") for n in names),
        )
        sensors = (sensor("air", "cellar", spot="air"), *(sensor(n, n) for n in names))
        return one_box(places=places, sensors=sensors), names

    def play(self, plan, curves):
        """Play curves; give the engine and what came of them."""
        engine = Engine(plan)
        return engine, told(engine, merged(*(steadily(name, values) for name, values in curves.items())))

    def test_several_places_at_once_are_one_alarm_of_the_room(self):
        """Three incubators that get too cool at once are one trouble of the room, which explains each."""
        plan, names = self.room()
        still = [15.0 + (i % 5) * 0.03 for i in range(420)]
        curves = {name: [*moving(300), *FALL, *moving(80, 25.3)] for name in names[:3]}
        engine, effects = self.play(plan, {"air": still, names[3]: moving(420), **curves})
        (common,) = raised(effects, "several places at once")
        assert common.alarm.place == "cellar"
        assert common.priority is Priority.HIGH
        causes = {one.key.place: one.cause for one in engine.open_alarms() if one.key.rule == "too cool"}
        assert set(causes) == set(names[:3])
        assert {cause.rule for cause in causes.values()} == {"several places at once"}
        warm = merged(*(steadily(n, moving(40), start=T0 + 430 * MINUTE) for n in names))
        assert cleared(told(engine, [*warm, Tick(T0 + 500 * MINUTE)]), "several places at once")

    def test_a_way_out_is_told_and_shown_before_the_range_is_left(self):
        """A fall is told with a forecast on the page while the place is still inside safe."""
        plan, names = self.room(1)
        still = [15.0 + (i % 5) * 0.03 for i in range(420)]
        _, effects = self.play(plan, {"air": still, names[0]: [*moving(300), *FALL]})
        (heading,) = raised(effects, "heading out of range")
        assert heading.value > WARM.safe.low
        shown = [one.detail for one in effects if isinstance(one, Shown) and one.detail]
        assert {"expected", "limit"} <= set(dict(shown[0]))
        assert not [one for one in effects if isinstance(one, Changed) and one.alarm.place == "cellar"]


class TestOpenLids:
    def test_a_drop_that_only_a_lid_makes_is_waited_for(self):
        """An incubator that drops abruptly after calm hours was opened: neither it nor its box is told."""
        places = (
            place("inc-1", PlaceKind.INCUBATOR),
            place("box-1", inside="inc-1"),
            place("box-2"),
        )
        sensors = (sensor("i", "inc-1"), sensor("b", "box-1"), sensor("c", "box-2"))
        engine = Engine(one_box(places=places, sensors=sensors))
        calm = moving(5 * 60)
        fallen = [*calm, *[27.8 + (i % 3) * 0.05 for i in range(12)], *moving(30)]
        effects = told(engine, merged(*(steadily(name, fallen) for name in "ibc")))
        assert [one.alarm for one in effects if isinstance(one, Raised)] == []
        eyes = engine._findings.eyes
        assert eyes["i"].opened_until > 0

    def test_without_a_calm_past_the_same_drop_is_told(self):
        """The same drop in a place that is not known yet counts from its first minute."""
        engine = Engine(one_box())
        fallen = [*moving(30), *[27.8 + (i % 3) * 0.05 for i in range(12)]]
        assert raised(told(engine, steadily("a", fallen)), "too cool")


class TestSurfaces:
    def test_a_surface_is_judged_by_its_range_alone(self):
        """A basking surface follows its lamp: no rule about the air of a place watches it, its range does."""
        pen = place("box-1", PlaceKind.ENCLOSURE)
        plan = one_box(places=(pen,), sensors=(sensor("a", "box-1", spot="basking surface"),))
        engine = Engine(plan)
        effects = told(engine, steadily("a", [*moving(60), *moving(9, 36.0)]))
        assert raised(effects, "too warm")
        assert "heading" not in engine._findings.eyes["a"].state()["rules"]


class TestTheEgg:
    def test_a_late_reading_brings_the_egg_up_to_date(self):
        """What arrives late is not judged, but the egg's own temperature follows it."""
        plan = one_box(places=(place("box-1", egg_lag=30 * MINUTE),))
        engine = Engine(plan)
        told(engine, steadily("a", [30.0] * 30))
        egg = engine._sensors["a"].curves[T].egg
        late = steadily("a", [34.0] * 9, start=T0 + 31 * EVERY, quality=Quality.LATE)
        assert told(engine, late) == []
        assert 30.1 < egg.egg < 34.0

    def test_air_around_an_egg_without_a_safe_range_is_not_judged(self):
        """Where only ideal is set, the egg is judged by it and the air beside the egg by nothing."""
        only_ideal = (spot(T, Range(Span(28.5, 31.0), None)),)
        plan = one_box(places=(place("box-1", egg_lag=30 * MINUTE, ranges=only_ideal),))
        effects = told(Engine(plan), steadily("a", [*moving(60), *moving(90, 36.0)]))
        assert {one.alarm.rule for one in effects if isinstance(one, Raised)} == {"too warm"}


class TestTheSunOutdoors:
    def test_nothing_is_foreseen_from_a_sensor_in_the_sun(self):
        """While the sun stands on an outdoor sensor its curve is no forecast of the air's."""
        outdoors = place("box-1", PlaceKind.OUTDOOR, ranges=(spot(T, Range(None, Span(3.0, 34.0))),))
        engine = Engine(one_box(places=(outdoors,), sensors=(sensor("a", "box-1", T, H),)))
        shade = [(20.0 + i % 5 / 10, 60.0 - i % 3) for i in range(180)]
        sunny = [(20.0 + min(i, 16) + i % 5 / 10, 60.0 - i % 3) for i in range(90)]
        effects = told(engine, pairs("a", [*shade, *sunny]))
        assert raised(effects, "sun on the sensor")
        assert raised(effects, "range will be left") == []
        assert engine._findings.eyes["a"].state()["rules"]["ahead"]["values"] == []


class TestWaitingToBeTold:
    def test_what_was_seen_while_it_waited_is_not_said(self):
        """An alarm that waits for the end of quiet hours and is acknowledged meanwhile is never sent."""
        quiet = Calendar(first=True, edges=(T0 + HOUR,))
        contacts = (ContactPlan("first", quiet="quiet"),)
        engine = Engine(
            one_box(contacts=contacts, calendars={ROOM_DAY: Calendar(first=True), "quiet": quiet})
        )
        effects = told(engine, steadily("a", [32.0] * 8))
        (alarm,) = engine.open_alarms()
        order = Order(T0 + 9 * MINUTE, "Ines", Verb.ACKNOWLEDGE, alarm.key, alarm.raised)
        effects += told(engine, [order, *steadily("a", [32.0] * 60, start=T0 + 10 * MINUTE)])
        assert not [one for one in effects if isinstance(one, Notice)]
