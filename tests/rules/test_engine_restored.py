"""A state that is taken back under a plan that is not quite the one of that time."""

import math
from dataclasses import replace

from rules.engine import Engine
from rules.events import Cleared, Raised, Tick
from rules.plan import ContactKind, ContactPlan, PlaceKind, Store
from rules.reading import HOUR, MINUTE, Quantity, Reading
from rules.roster import outermost
from tests.kit.rooms import (
    EVERY,
    T0,
    Act,
    Mood,
    contact,
    copied,
    one_box,
    place,
    play,
    sensor,
    small_room,
    spot,
    steadily,
    told,
)


def without(plan, *names, contacts=()):
    """Take sensors, places and contacts out of a plan."""
    return replace(
        plan,
        places=tuple(one for one in plan.places if one.name not in names),
        sensors=tuple(one for one in plan.sensors if one.name not in names and one.place not in names),
        contacts=tuple(one for one in plan.contacts if one.name not in contacts),
    )


def cold_night():
    """Give a small room without mains whose every place is cold, with its alarms."""
    evening = [Act("rounds", much=4), Act("contact", who=0), Act("all", mood=Mood.TOO_LOW)]
    return play([*evening, Act("rounds", much=12)])


class TestAnotherPlan:
    def test_more_than_there_was_begins_anew(self):
        """Places, sensors and contacts that the state knows nothing of begin as new ones."""
        player = cold_night()
        grown = replace(
            player.plan,
            places=(*player.plan.places, place("box-9")),
            sensors=(*player.plan.sensors, sensor("z", "box-9")),
            contacts=(*player.plan.contacts, ContactPlan("fourth")),
        )
        engine = copied(grown, player.lead)
        assert engine.open_alarms() == player.lead.open_alarms()
        effects = told(engine, steadily("z", [36.0] * 4, start=player.now + EVERY))
        assert [one.alarm.place for one in effects if isinstance(one, Raised)] == ["box-9"]

    def test_less_than_there_was_is_let_be(self):
        """A state that remembers a place, a sensor and a contact too many is taken back for the rest."""
        player = cold_night()
        less = without(player.plan, "inc-1", "c", contacts=("first",))
        engine = copied(less, player.lead)
        start = player.now + EVERY
        both = [
            one
            for pair in zip(*(steadily(n, [30.0] * 12, start=start) for n in "ab"), strict=True)
            for one in pair
        ]
        cleared = [one.alarm for one in told(engine, both) if isinstance(one, Cleared)]
        assert ("box-1", "too cool") in [(one.place, one.rule) for one in cleared]

    def test_a_quantity_less_is_let_be(self):
        """Where a sensor measures one quantity less than in the state, the other one goes on."""
        player = play([Act("rounds", much=5)])
        sensors = tuple(
            replace(one, quantities=one.quantities[:1]) if one.name == "a" else one
            for one in player.plan.sensors
        )
        engine = copied(replace(player.plan, sensors=sensors), player.lead)
        assert engine._sensors["a"].curves.keys() == {Quantity.TEMPERATURE}
        before = player.lead._sensors["a"].curves[Quantity.TEMPERATURE]
        assert engine._sensors["a"].curves[Quantity.TEMPERATURE].newest == before.newest


class TestCleverPlaces:
    def test_a_circle_of_places_ends(self):
        """Places that stand in each other are no reason to look for ever."""
        places = (place("x", inside="y"), place("y", inside="x"))
        engine = Engine(one_box(places=(*places, place("box-1"))))
        assert outermost(engine._places, "x") in {"x", "y"}
        assert outermost({}, "gone") == "gone"


class TestPlansThatComeAndGo:
    def test_a_place_that_went_has_no_day_any_more(self):
        """A change of day and night that was due in a place that is gone changes nothing."""
        plan = small_room()
        engine = Engine(plan)
        engine.step(replace(without(plan, "pen"), now=T0 + MINUTE))
        engine.step(Tick(T0 + 3 * HOUR))
        assert "pen" not in engine._places

    def test_a_shorter_silence_counts_at_once(self):
        """A sensor that is set to be missed sooner is missed sooner, from its last reading on."""
        engine = Engine(one_box())
        told(engine, steadily("a", [30.0] * 3))
        sooner = one_box(now=T0 + 4 * MINUTE, sensors=(sensor("a", "box-1", silence=4 * MINUTE),))
        effects = told(engine, [sooner, Tick(T0 + 7 * MINUTE + 1)])
        assert [(one.alarm.rule, one.now) for one in effects if isinstance(one, Raised)] == [
            ("silent", T0 + 7 * MINUTE)
        ]

    def test_what_a_place_was_watched_for_goes_with_its_kind(self):
        """A box that becomes an enclosure is not watched any more for what only boxes do."""
        engine = Engine(one_box())
        told(engine, steadily("a", [30.0] * 3))
        enclosure = place("box-1", PlaceKind.ENCLOSURE)
        engine.step(one_box(now=T0 + 4 * MINUTE, places=(enclosure,)))
        rules = engine._findings.eyes["a"].state()["rules"]
        assert "heading" in rules
        assert "creeping" not in rules


class TestColdStores:
    def plan(self):
        """Give a refrigerator with food, kept between 2 and 8 °C."""
        cold = spot(Quantity.TEMPERATURE, replace(one_box().places[0].ranges[0].day, ideal=None))
        span = replace(cold.day.safe, low=1.0, high=8.0)
        ranges = (replace(cold, day=replace(cold.day, safe=span), night=replace(cold.day, safe=span)),)
        fridge = place("box-1", PlaceKind.COLD_STORE, store=Store.REFRIGERATOR, ranges=ranges)
        return one_box(places=(fridge,))

    def raised(self, values):
        """Give the rules of the alarms that a run of readings raises, across a restart."""
        engine = Engine(self.plan())
        readings = steadily("a", values)
        effects = told(engine, readings[:70])
        engine = copied(self.plan(), engine)
        return {one.alarm.rule for one in [*effects, *told(engine, readings[70:])] if isinstance(one, Raised)}

    def test_a_door_is_no_alarm(self):
        """Warm air through an open door for some minutes reaches nothing that lies there."""
        assert self.raised([5.0] * 60 + [15.0] * 8 + [5.0] * 20) == set()

    def lost(self, *, mains):
        """Play three days of a thermostat, then nothing cools; give what is open, and why."""
        plan = self.plan()
        wire = contact("mains", "box-1", ContactKind.MAINS, silence=0)
        engine = Engine(replace(plan, sensors=(*plan.sensors, wire)))
        fault = 60 * 24 * 3
        swing = [4.0 + math.sin(math.pi * minute / 18) for minute in range(fault)]
        told(engine, steadily("a", swing))
        if not mains:
            now = T0 + (fault + 1) * EVERY
            engine.step(Reading("mains", Quantity.CONTACT, 0.0, now, now))
        warm = [4.0 + minute / 20 for minute in range(120)]
        told(engine, steadily("a", warm, start=T0 + (fault + 1) * EVERY))
        return {one.key.rule: one.cause and one.cause.rule for one in engine.open_alarms()}

    def test_a_lost_compressor_is_one_trouble(self):
        """However many rules see that nothing cools, one of them says so and explains the others."""
        found = self.lost(mains=True)
        assert {"not cooling", "too warm"} <= set(found)
        assert [cause for cause in found.values() if cause is None] == [None]

    def test_without_the_mains_nothing_can_cool(self):
        """With the mains lost it is no news, though the rise began a little before."""
        found = self.lost(mains=False)
        assert found["mains lost"] is None
        assert found["not cooling"] == "mains lost"
        assert found["too warm"] == "mains lost"

    def test_what_lies_there_gets_warm_in_the_end(self):
        """A refrigerator that stays warm is an alarm, and cold air is one at once."""
        assert "too warm" in self.raised([5.0 + i % 5 / 10 for i in range(300)] + [15.0] * 90)
        assert "too cool" in self.raised([5.0] * 60 + [0.0] * 20)


class TestEggs:
    def test_the_egg_is_kept_over_a_restart_and_over_the_same_plan(self):
        """What the egg feels and how long it has been too warm goes on, whether restarted or planned anew."""
        plan = one_box(places=(place("box-1", egg_lag=30 * MINUTE),))
        values = [30.0] * 40 + [36.0] * 60
        readings = steadily("a", values)
        straight, other = Engine(plan), Engine(plan)
        expected = told(straight, readings)
        effects = told(other, readings[:60])
        other.step(replace(plan, now=readings[59].now))
        effects += told(copied(plan, other), readings[60:])
        assert any(isinstance(one, Raised) for one in expected)
        assert effects == expected


class TestWhatIsNotJudged:
    def test_what_was_heard_already_changes_nothing(self):
        """The same reading twice, and an older one after it, are neither judged nor a sign of life."""
        engine = Engine(one_box())
        readings = steadily("a", [30.0, 30.1])
        told(engine, readings)
        due = engine.next_due()
        now = readings[1].now + MINUTE
        again = [
            replace(one, value=value, now=now) for one, value in zip(readings, (36.0, 30.1), strict=True)
        ]
        assert told(engine, again) == []
        assert engine.next_due() == due
        assert engine._sensors["a"].seen == readings[1].now

    def test_a_quantity_that_nobody_asked_for_is_only_a_sign_of_life(self):
        """Humidity of a sensor that was set up as a thermometer is not judged, but it is not silent."""
        engine = Engine(one_box())
        readings = [
            Reading("a", Quantity.HUMIDITY, 5.0, T0 + minute * MINUTE, T0 + minute * MINUTE)
            for minute in range(1, 30)
        ]
        assert told(engine, readings) == []

    def test_a_contact_in_a_place_tells_no_climate(self):
        """A lid is no thermometer: nothing that knows physics watches it."""
        lid = contact("lid", "box-1", ContactKind.LID, silence=0)
        engine = Engine(one_box(sensors=(sensor("a", "box-1"), lid)))
        assert set(engine._findings.eyes) == {"a"}
