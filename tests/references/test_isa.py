"""The alarm life against the standard's state walk, and deadband and on-delay vectors.

Source: alarm state transition of ANSI/ISA-18.2 and IEC 62682 (states A B C D G H I; from
memory), open equivalent OPC UA part 9 (IEC 62541-9, 5.8 and B.1.5). Deadband and delays:
ISA-18.2 10.5.5; the vectors are worked out by hand from its definitions.
"""

from dataclasses import replace

import pytest

from rules.engine import Engine
from rules.events import Cleared, Order, Raised, Tick, Verb
from rules.plan import ContactKind, Priority
from rules.reading import MINUTE, SECOND, Quantity, Reading
from rules.span import Range, Span
from rules.track import Limits, Track
from tests.kit.rooms import EVERY, T0, contact, letters, one_box, place, sensor, spot, steadily, told


def limit(high, *, deadband=0.0, on=0, off=0):
    """Give a track with one upper limit and its delays in minutes."""
    track = Track("box-1", "air", "a", Quantity.TEMPERATURE)
    track.stand = 2 * MINUTE
    track.put(
        Limits(
            Range(None, Span(None, high)),
            deadband,
            ideal_counts=True,
            hold_ideal=0,
            hold_safe=on * MINUTE,
            hold_off=off * MINUTE,
        )
    )
    return track


def active(track, values):
    """Give whether the limit's alarm is active after each of a value a minute."""
    found = []
    for minute, value in enumerate(values):
        track.see(minute * MINUTE, value)
        found.append(track.upper.active is not None)
    return found


class TestDeadband:
    def test_vector(self):
        """High limit 32.0, deadband 0.3: active at the 2nd value, clear at the 5th, active at the 7th."""
        values = [31.9, 32.1, 31.9, 31.8, 31.7, 32.0, 32.1]
        assert active(limit(32.0, deadband=0.3), values) == [False, True, True, True, False, False, True]


class TestOnDelay:
    @pytest.mark.parametrize(
        ("values", "raised"),
        [([32.5] * 9 + [31.9], None), ([32.5] * 11, 10), ([32.5] * 5 + [31.9] + [32.5] * 10, None)],
        ids=["nine then back", "eleven", "interrupted"],
    )
    def test_vectors(self, values, raised):
        """On-delay 10 min at one value a minute: raised at the 11th, not after nine."""
        found = active(limit(32.0, on=10), values)
        assert (found.index(True) if any(found) else None) == raised

    def test_missing_data_neither_satisfies_nor_clears(self):
        """A gap fulfils no on-delay and no off-delay."""
        track = limit(32.0, on=10)
        track.see(0, 32.5)
        track.see(30 * MINUTE, 32.5)
        assert track.upper.active is None
        track = limit(32.0, off=10)
        track.see(0, 32.5)
        track.see(MINUTE, 31.0)
        track.see(60 * MINUTE, 31.0)
        assert track.upper.active is Priority.HIGH

    def test_off_delay_ends_only_what_lasts(self):
        """Off-delay 5 min: five minutes of right values end it, four do not."""
        assert active(limit(32.0, off=5), [32.5, *[31.0] * 5, 32.5])[-1]
        assert not active(limit(32.0, off=5), [32.5, *[31.0] * 6])[-1]


class Walk:
    """Walks one alarm from state to state."""

    def __init__(self):
        places = (
            place("box-1", ranges=(spot(Quantity.TEMPERATURE, Range(Span(28.5, 31.0), Span(26.0, 33.0))),)),
        )
        sensors = (
            replace(sensor("a", "box-1"), silence=0),
            contact("m", "box-1", ContactKind.MAINS, silence=0),
        )
        self.engine = Engine(one_box(places=places, sensors=sensors))
        self.now = T0

    def play(self, value, minutes):
        """Let readings come."""
        told(self.engine, steadily("a", [value] * minutes, start=self.now + EVERY))
        self.now += minutes * EVERY

    def order(self, verb, **given):
        """Give an order about the alarm on warmth (or about the place)."""
        self.now += SECOND
        alarm = next((one for one in self.engine.open_alarms() if one.key.rule == "too warm"), None)
        key, raised = (alarm.key, alarm.raised) if alarm else given.pop("returned", (None, None))
        self.engine.step(Order(self.now, "Ines", verb, key, raised, **given))

    def mains(self, value):
        """Let the mains go or come."""
        self.now += SECOND
        self.engine.step(Reading("m", Quantity.CONTACT, value, self.now, self.now))

    def state(self):
        """Give the letters of the alarm's state."""
        return "".join(sorted(letters(self.engine)))


class TestStateWalk:
    def test_a_b_c_a(self):
        """Normal, unacknowledged, acknowledged, normal: seen while wrong, then right."""
        walk = Walk()
        assert walk.state() == "A"
        walk.play(32.0, 7)
        assert walk.state() == "B"
        walk.order(Verb.ACKNOWLEDGE)
        assert walk.state() == "C"
        walk.play(30.0, 5)
        assert walk.state() == "A"

    def test_a_b_d_a(self):
        """Right again before anybody saw it: returned, and normal once it is seen."""
        walk = Walk()
        walk.play(32.0, 7)
        alarm = walk.engine.open_alarms()[0]
        walk.play(30.0, 5)
        assert walk.state() == "AD"
        walk.order(Verb.ACKNOWLEDGE, returned=(alarm.key, alarm.raised))
        assert walk.state() == "A"

    def test_a_b_d_b(self):
        """Wrong again before anybody saw it: unacknowledged again, one alarm and not two."""
        walk = Walk()
        walk.play(32.0, 7)
        walk.play(30.0, 5)
        walk.play(32.0, 7)
        assert walk.state() == "B"

    def test_b_c_b(self):
        """An acknowledgement that is taken back, and one that falls because it got worse."""
        walk = Walk()
        walk.play(32.0, 7)
        walk.order(Verb.ACKNOWLEDGE)
        walk.order(Verb.TAKE_BACK)
        assert walk.state() == "B"
        walk.order(Verb.ACKNOWLEDGE)
        assert walk.state() == "C"
        walk.play(36.5, 4)
        assert walk.state() == "B"

    def test_g_and_back(self):
        """Shelved by a keeper for a time; unshelved by itself when it is over."""
        walk = Walk()
        walk.play(32.0, 7)
        walk.order(Verb.SHELVE, until=walk.now + 20 * MINUTE)
        assert walk.state() == "BG"
        walk.play(32.0, 22)
        assert walk.state() == "B"

    def test_h_and_back(self):
        """Suppressed by design while its cause is there."""
        walk = Walk()
        walk.play(30.0, 3)
        walk.mains(0.0)
        walk.play(32.0, 7)
        assert walk.state() == "BH"
        walk.mains(1.0)
        walk.engine.step(Tick(walk.now + SECOND))
        assert "H" not in walk.state()

    def test_i_and_back(self):
        """Out of service: nothing is judged until it is back."""
        walk = Walk()
        walk.play(32.0, 7)
        walk.order(Verb.OUT_OF_SERVICE, place="box-1")
        assert "I" in walk.state()
        walk.play(36.5, 30)
        assert not walk.engine.open_alarms()
        walk.order(Verb.IN_SERVICE, place="box-1")
        walk.play(32.0, 8)
        assert walk.state() == "B"

    def test_it_is_not_latched(self):
        """What is right again is never held for its own sake (state E is not used)."""
        engine = Engine(one_box())
        effects = told(engine, steadily("a", [32.0] * 9 + [30.0] * 9))
        kinds = [type(one) for one in effects if isinstance(one, Raised | Cleared)]
        assert kinds == [Raised, Cleared]
        assert not engine.open_alarms()
