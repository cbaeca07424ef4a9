"""Who explains whom, each relation on its own."""

import pytest

from rules.alarms import Wrong
from rules.causes import MOISTURE_RULES
from rules.engine import Engine
from rules.events import AlarmKey, Raised, Tick
from rules.plan import ContactKind, PlaceKind, Priority
from rules.reading import MINUTE, SECOND, Quality, Quantity, Reading
from tests.kit.rooms import EVERY, T0, contact, one_box, organ, place, sensor


def room():
    """Give two incubators with a box each, the mains of one of them, and a reader."""
    places = (
        place("cellar", PlaceKind.ROOM, ranges=()),
        place("inc-1", PlaceKind.INCUBATOR, inside="cellar"),
        place("box-1", inside="inc-1"),
        place("inc-2", PlaceKind.INCUBATOR, inside="cellar"),
        place("box-2", inside="inc-2"),
    )
    sensors = (
        contact("mains-1", "inc-1", ContactKind.MAINS, silence=0),
        organ("reader/mqtt", "cellar", ContactKind.READER),
        contact("lid", "box-1", ContactKind.LID, silence=0),
        sensor("i1", "inc-1"),
        sensor("b1", "box-1"),
        sensor("i2", "inc-2", reader="1-wire"),
        sensor("b2", "box-2", reader="1-wire"),
    )
    return one_box(places=places, sensors=sensors)


def state(name, minute, *, right=False):
    """Give a contact's state at a minute."""
    at = T0 + minute * EVERY + SECOND
    return Reading(name, Quantity.CONTACT, float(right), at, at)


def minutes(values, start, count, **given):
    """Give readings of some thermometers, a minute apart."""
    return [
        Reading(name, Quantity.TEMPERATURE, value, T0 + minute * EVERY, T0 + minute * EVERY, **given)
        for minute in range(start, start + count)
        for name, value in sorted(values.items())
    ]


WARM = {"i1": 30.0, "b1": 30.0, "i2": 30.0, "b2": 30.0}


def explained(events):
    """Tell events to the room; give what each open alarm's cause is."""
    engine = Engine(room())
    raised = [one for event in sorted(events, key=lambda one: one.now) for one in engine.step(event)]
    assert all(one.cause != one.alarm for one in raised if isinstance(one, Raised))
    return {
        (one.key.place, one.key.rule): (one.cause.place, one.cause.rule) if one.cause else None
        for one in engine.open_alarms()
    }


class TestWhoExplainsWhom:
    def test_the_mains_explain_what_they_feed(self):
        """What follows in a place with its mains lost, and in what stands in it, and nothing else."""
        cold = {**WARM, "i1": 27.0, "b1": 27.0, "b2": 27.0}
        found = explained([*minutes(WARM, 1, 5), state("mains-1", 5), *minutes(cold, 6, 9)])
        assert found == {
            ("inc-1", "mains lost"): None,
            ("inc-1", "too cool"): ("inc-1", "mains lost"),
            ("box-1", "too cool"): ("inc-1", "mains lost"),
            ("box-2", "too cool"): None,
        }

    def test_what_began_long_before_is_not_theirs(self):
        """Trouble that began before the mains were lost is not explained by them."""
        cold = {**WARM, "b1": 27.0}
        found = explained([*minutes(cold, 1, 9), state("mains-1", 9)])
        assert found[("box-1", "too cool")] is None

    def test_a_reader_explains_the_silence_of_its_sensors(self):
        """Where nothing can come in, the sensors of that reader are not silent on their own."""
        found = explained([*minutes(WARM, 1, 5), state("reader/mqtt", 5), Tick(T0 + 25 * MINUTE)])
        assert found == {
            ("cellar", "readings cut off"): None,
            ("inc-1", "silent"): ("cellar", "readings cut off"),
            ("box-1", "silent"): ("cellar", "readings cut off"),
            ("inc-2", "silent"): None,
            ("box-2", "silent"): None,
        }

    def test_an_incubator_explains_its_boxes(self):
        """A cold incubator explains its cold boxes, and not a hot one."""
        cold = {**WARM, "i1": 27.0, "b1": 27.0}
        later = {**WARM, "i1": 27.0}
        found = explained([*minutes(later, 1, 4), *minutes(cold, 5, 9)])
        assert found[("box-1", "too cool")] == ("inc-1", "too cool")
        hot = {**WARM, "i1": 27.0, "b1": 32.0}
        assert explained([*minutes(later, 1, 4), *minutes(hot, 5, 9)])[("box-1", "too warm")] is None

    def test_an_open_lid_explains_what_is_seen_under_it(self):
        """What leaves ideal after the lid was opened follows from it."""
        cold = {**WARM, "b1": 27.0}
        found = explained([*minutes(WARM, 1, 2), state("lid", 2), *minutes(cold, 3, 35)])
        assert found == {("box-1", "lid open"): None, ("box-1", "too cool"): ("box-1", "lid open")}

    @pytest.mark.parametrize("minutes_bad", [4, 9])
    def test_a_fault_explains_what_only_that_sensor_says(self, minutes_bad):
        """An alarm that only a faulty sensor holds is explained by the fault."""
        cold = {**WARM, "b1": 27.0}
        bad = minutes({"b1": 85.0}, 10, minutes_bad, quality=Quality.FAULT_CODE)
        good = minutes({name: value for name, value in WARM.items() if name != "b1"}, 10, minutes_bad)
        found = explained([*minutes(cold, 1, 9), *bad, *good])
        assert found == {
            ("box-1", "too cool"): ("box-1", "implausible"),
            ("box-1", "implausible"): None,
        }


class TestOneTrouble:
    """Which of two alarms of the climate follows from the other."""

    @staticmethod
    def explained(*alarms):
        """Raise alarms (place, rule, priority, minute it began) one by one; give what explains the last."""
        engine = Engine(room())
        book = engine._book
        for minute, (name, rule, priority, since) in enumerate(alarms, 1000):
            subject = "humidity" if rule in MOISTURE_RULES else "temperature"
            wrong = Wrong(priority, T0 + since * MINUTE, reason=("Wrong.",))
            book.wrong(AlarmKey(name, "air", subject, rule), "b1", wrong, T0 + minute * MINUTE)
            book.weigh_causes(T0 + minute * MINUTE)
        last = list(book.open.values())[-1]
        return last.cause and (last.cause.place, last.cause.rule)

    @pytest.mark.parametrize(
        ("one", "other"),
        [
            ("too warm", "too cool"),
            ("too cool", "too warm"),
            ("too warm for food", "too cool"),
            ("thawing", "frost"),
            ("not cooling", "too cool"),
            ("drying out", "too humid"),
        ],
    )
    def test_one_side_never_explains_the_other(self, one, other):
        """A store that freezes is no part of the warmth that was told of before."""
        medium = Priority.MEDIUM
        assert self.explained(("box-1", one, medium, 980), ("box-1", other, medium, 990)) is None
        assert self.explained(("box-1", one, medium, 980), ("box-1", one, medium, 980)) is None

    def test_of_one_side_it_does(self):
        """Warm food follows from a store that nothing cools."""
        found = self.explained(
            ("box-1", "not cooling", Priority.HIGH, 980), ("box-1", "too warm for food", Priority.MEDIUM, 990)
        )
        assert found == ("box-1", "not cooling")

    def test_what_swings_heads_out_again_and_again(self):
        """A forecast follows from the swing of its incubator; what left safe does not, nor through it."""
        swing = ("inc-1", "swinging", Priority.MEDIUM, 500)
        heading = ("box-1", "heading out of range", Priority.HIGH, 990)
        assert self.explained(swing, heading) == ("inc-1", "swinging")
        assert self.explained(swing, heading, ("box-1", "too cool", Priority.HIGH, 1000)) is None
        shifted = ("inc-1", "settled elsewhere", Priority.MEDIUM, 500)
        assert self.explained(shifted, heading) is None

    @pytest.mark.parametrize(("since", "cause"), [(700, ("box-1", "too cool")), (900, None)])
    def test_old_warmth_explains_no_new_damp(self, since, cause):
        """Within six hours moisture follows from warmth; later it is a trouble of its own."""
        cool, dry = Priority.HIGH, Priority.MEDIUM
        found = self.explained(("box-1", "too cool", cool, 400), ("box-1", "too dry", dry, since))
        assert found == cause

    @pytest.mark.parametrize(
        ("rule", "cause"),
        [
            ("too humid", ("cellar", "too humid")),
            ("condensation", ("cellar", "too humid")),
            ("too dry", None),
        ],
    )
    def test_the_rooms_air_explains_that_of_its_places(self, rule, cause):
        """Damp air of the room is one message, and nothing else follows from it."""
        damp = ("cellar", "too humid", Priority.MEDIUM, 980)
        assert self.explained(damp, ("box-2", rule, Priority.MEDIUM, 990)) == cause
        assert self.explained(damp, ("box-2", "too humid", Priority.HIGH, 990)) is None
