"""Two-state quantities: stages, going up, away, kept as text."""

import json

import pytest

from rules.contact import CONTACT_RULES, ORGANS, Switch
from rules.engine import Engine
from rules.events import Change, Changed, Cleared, Raised, Tick
from rules.plan import ContactKind, Priority
from rules.reading import HOUR, MINUTE, Quantity, Reading
from tests.kit.rooms import T0, contact, one_box, told


class TestTable:
    def test_every_kind_has_its_rule(self):
        """Each kind says what it means, in stages that go up."""
        assert set(CONTACT_RULES) == set(ContactKind)
        for rule in CONTACT_RULES.values():
            waits = [wait for wait, _ in rule.stages]
            ranks = [priority.rank for _, priority in rule.stages]
            assert rule.stages
            assert waits == sorted(waits)
            assert ranks == sorted(ranks)
            assert rule.says
            assert rule.advice

    def test_a_keepers_own_contacts_are_no_organs(self):
        """Lid, door and mains belong to the keeper; the rest to the watch."""
        assert set(ContactKind) - ORGANS == {ContactKind.LID, ContactKind.DOOR, ContactKind.MAINS}


class TestInTheEngine:
    @pytest.mark.parametrize("kind", list(ContactKind), ids=str)
    def test_each_stage_is_reached_at_its_time(self, kind):
        """An alarm at the first stage, worse at the next, cleared with the state."""
        engine = Engine(one_box(sensors=(contact("x", "box-1", kind, silence=0),)))
        effects = list(engine.step(Reading("x", Quantity.CONTACT, 0.0, T0, T0)))
        effects += engine.step(Tick(T0 + 2 * HOUR))
        found = [(one.now - T0, one.priority) for one in effects if isinstance(one, Raised | Changed)]
        assert found == list(CONTACT_RULES[kind].stages)
        back = engine.step(Reading("x", Quantity.CONTACT, 1.0, T0 + 2 * HOUR, T0 + 2 * HOUR))
        assert [one.alarm.rule for one in back if isinstance(one, Cleared)] == [CONTACT_RULES[kind].name]

    def test_shut_in_time_it_is_no_alarm(self):
        """A lid that is shut before its time was never an alarm."""
        engine = Engine(one_box(sensors=(contact("x", "box-1", ContactKind.LID, silence=0),)))
        states = [(0, 0.0), (19, 1.0), (20, 0.0), (39, 1.0)]
        readings = [
            Reading("x", Quantity.CONTACT, value, T0 + at * MINUTE, T0 + at * MINUTE) for at, value in states
        ]
        assert told(engine, [*readings, Tick(T0 + 9 * HOUR)]) == []

    def test_a_sign_of_life_does_not_begin_it_anew(self):
        """The same state again goes on counting from when it began."""
        engine = Engine(one_box(sensors=(contact("x", "box-1", ContactKind.LID, silence=0),)))
        readings = [
            Reading("x", Quantity.CONTACT, 0.0, T0 + m * MINUTE, T0 + m * MINUTE) for m in range(0, 40, 5)
        ]
        effects = told(engine, readings)
        assert [one.now - T0 for one in effects if isinstance(one, Raised)] == [20 * MINUTE]
        assert not [one for one in effects if isinstance(one, Changed) and one.change is Change.WORSE]


class TestSwitch:
    def test_away_stands_still(self):
        """A span away makes the next stage later by just that span."""
        switch = Switch(ContactKind.READER)
        switch.see(1_000, 0.0, "refused")
        before = switch.due()
        switch.away(500)
        assert switch.due() == before + 500

    def test_kept_as_text_it_is_the_same(self):
        """Its state goes through JSON and back."""
        switch, other = Switch(ContactKind.READER), Switch(ContactKind.READER)
        switch.see(1_000, 0.0, "refused")
        assert switch.reach() is Priority.MEDIUM
        other.restore(json.loads(json.dumps(switch.state())))
        assert (other.due(), other.note, other.reach()) == (switch.due(), "refused", Priority.HIGH)
