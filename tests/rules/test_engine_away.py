"""Away: the span in which the watch did not run satisfies, raises and clears nothing."""

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rules.engine import Engine
from rules.events import Away, Changed, Cleared, Order, Raised, Tick, Verb
from rules.plan import ContactKind
from rules.reading import HOUR, MINUTE, SECOND, Quantity, Reading
from tests.kit.rooms import (
    EVERY,
    T0,
    Act,
    Mood,
    contact,
    copied,
    evenings,
    one_box,
    place,
    play,
    sensor,
    steadily,
    told,
)


def raised(effects, rule="too warm"):
    """Give when an alarm of a rule was raised, or None."""
    return next((one.now for one in effects if isinstance(one, Raised) and one.alarm.rule == rule), None)


class TestHolds:
    @settings(max_examples=120, deadline=None)
    @given(st.integers(1, 12), st.integers(1, 3 * HOUR), st.sampled_from([32.0, 36.5]), st.integers(1, 59))
    def test_a_hold_is_later_by_at_most_the_span(self, before, span, value, rest):
        """A restart in the middle of a hold makes the alarm later by at most the span away."""
        plan = one_box(places=(place("box-1", hold_ideal=15 * MINUTE, hold_safe=10 * MINUTE),))
        straight = raised(told(Engine(plan), steadily("a", [value] * 30)))
        engine = Engine(plan)
        effects = told(engine, steadily("a", [value] * before))
        since = T0 + before * EVERY + rest * SECOND
        engine = copied(plan, engine)
        effects += engine.step(Away(since, since + span))
        effects += told(engine, steadily("a", [value] * 30, start=since + span + (60 - rest) * SECOND))
        late = raised(effects) - straight
        assert 0 <= late <= span

    @given(st.integers(1, 12 * HOUR))
    def test_it_fulfils_nothing(self, span):
        """Whatever ran when the watch ended has not come nearer when it is back."""
        engine = Engine(one_box())
        told(engine, steadily("a", [36.5] * 2))
        since = T0 + 2 * EVERY + SECOND
        effects = engine.step(Away(since, since + span))
        assert effects == ()
        assert raised(told(engine, [Tick(since + span + 58 * SECOND)])) is None
        assert raised(told(engine, [Tick(since + span + 2 * MINUTE)])) == T0 + 3 * EVERY + span

    @pytest.mark.parametrize("hours", [1, 30])
    def test_it_is_no_silence(self, hours):
        """Only time in which the watch listened counts as silence."""
        engine = Engine(one_box())
        told(engine, steadily("a", [30.0] * 5))
        since = T0 + 5 * EVERY + MINUTE
        back = since + hours * HOUR
        effects = list(engine.step(Away(since, back)))
        effects += engine.step(Tick(back + 9 * MINUTE))
        assert effects == []
        assert raised(engine.step(Tick(back + 9 * MINUTE + SECOND)), "silent") == back + 9 * MINUTE

    def test_an_open_lid_stands_still(self):
        """The twenty minutes of a lid go on where they stood."""
        lid = contact("lid", "box-1", ContactKind.LID, silence=0)
        engine = Engine(one_box(sensors=(replace(sensor("a", "box-1"), silence=0), lid)))
        engine.step(Reading("lid", Quantity.CONTACT, 0.0, T0 + 1, T0 + 1))
        engine.step(Away(T0 + 10 * MINUTE, T0 + 5 * HOUR))
        effects = engine.step(Tick(T0 + 6 * HOUR))
        assert raised(effects, "lid open") == T0 + 5 * HOUR + 10 * MINUTE + 1

    def test_settling_stands_still(self):
        """A new place settles for as long as the watch ran."""
        engine = Engine(one_box(places=(place("box-1", settling=HOUR),)))
        told(engine, steadily("a", [32.0] * 30))
        since = T0 + 30 * EVERY
        engine.step(Away(since, since + 5 * HOUR))
        effects = told(engine, steadily("a", [32.0] * 60, start=since + 5 * HOUR + EVERY))
        assert raised(effects) == T0 + 6 * HOUR + 6 * MINUTE


class TestLives:
    @settings(max_examples=80, deadline=None)
    @given(evenings(20), st.integers(1, 40))
    def test_it_raises_and_clears_nothing(self, evening, minutes):
        """In a span away no alarm about climate or silence begins, gets worse or ends by itself."""
        player = play(evening)
        since = player.now + 1
        list(player.lead.step(Tick(since)))  # what is due at the last instant is not of the span
        effects = list(player.lead.step(Away(since, player.now + minutes * MINUTE)))
        reason = ("Inside the range that counts now",)
        assert not [one for one in effects if isinstance(one, Raised)]
        assert not [one for one in effects if isinstance(one, Cleared) and one.reason != reason]

    @settings(max_examples=80, deadline=None)
    @given(evenings(20), st.integers(1, 3 * 60))
    def test_acknowledgement_and_shelving_survive(self, evening, minutes):
        """After a restart every open alarm is as it was; only a shelf's end may have come."""
        player = play([Act("all", mood=Mood.TOO_HIGH), Act("rounds", much=9), *evening])
        before = {
            one.key: (one.raised, one.life, one.priority, one.cause) for one in player.lead.open_alarms()
        }
        engine = copied(player.plan, player.lead)
        engine.step(Away(player.now, player.now + minutes * MINUTE))
        after = {one.key: (one.raised, one.life, one.priority, one.cause) for one in engine.open_alarms()}
        assert after.items() <= before.items()

    def test_a_shelf_ends_at_its_instant(self):
        """Shelving is time and runs on: it ends while nobody ran, at its own instant."""
        engine = Engine(one_box())
        told(engine, steadily("a", [36.5] * 9))
        alarm = engine.open_alarms()[0]
        now = T0 + 9 * EVERY + SECOND
        engine.step(Order(now, "Ines", Verb.SHELVE, alarm.key, alarm.raised, until=now + HOUR))
        effects = engine.step(Away(now + MINUTE, now + 5 * HOUR))
        assert [(one.now, one.change.value) for one in effects if isinstance(one, Changed)] == [
            (now + HOUR, "unshelved")
        ]
