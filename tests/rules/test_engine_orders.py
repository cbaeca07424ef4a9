"""Orders about alarms that changed meanwhile, and what a shelf outlives."""

from rules.alarms import MOST_PASSES, Book, Wrong
from rules.engine import Engine
from rules.events import AlarmKey, Change, Changed, Cleared, Notice, Order, Raised, Tick, Tone, Verb
from rules.plan import Priority
from rules.reading import MINUTE, SECOND
from tests.kit.rooms import T0, letters, one_box, steadily, told

BY = "Ines"


def warm():
    """Give an engine with one medium alarm, open since minute 6, and that alarm."""
    engine = Engine(one_box())
    told(engine, steadily("a", [32.0] * 8))
    return engine, engine.open_alarms()[0]


def ordered(engine, verb, alarm, *, raised=None, until=None, at=T0 + 8 * MINUTE + SECOND):
    """Tell an order about an alarm and give what came of it."""
    when = alarm.raised if raised is None else raised
    return engine.step(Order(at, BY, verb, alarm.key, when, until=until))


class TestAnotherAlarmIsMeant:
    def test_an_earlier_alarm_is_not_the_open_one(self):
        """Acknowledging an alarm of the past leaves the one that is open now unacknowledged."""
        engine, alarm = warm()
        assert ordered(engine, Verb.ACKNOWLEDGE, alarm, raised=alarm.raised - MINUTE) == ()
        assert letters(engine) == {"B"}

    def test_a_returned_alarm_is_seen_once_it_is_meant(self):
        """An alarm that went unseen is taken as seen only by an order about that very one."""
        engine, alarm = warm()
        told(engine, steadily("a", [30.0] * 8, start=T0 + 9 * MINUTE))
        assert "D" in letters(engine)
        later = T0 + 20 * MINUTE
        ordered(engine, Verb.ACKNOWLEDGE, alarm, raised=alarm.raised + MINUTE, at=later)
        assert "D" in letters(engine)
        ordered(engine, Verb.ACKNOWLEDGE, alarm, at=later)
        assert "D" not in letters(engine)

    def test_an_order_about_a_place_that_is_gone_changes_nothing(self):
        """A place that was taken out of the settings meanwhile cannot be taken out of service."""
        engine, _ = warm()
        order = Order(T0 + 9 * MINUTE, BY, Verb.OUT_OF_SERVICE, place="box-9")
        assert engine.step(order) == ()
        assert [one.life.value for one in engine.open_alarms()] == ["B"]


class TestShelves:
    def test_a_shelf_that_is_over_before_it_begins_is_none(self):
        """A shelf whose end is past (a slow page) keeps nothing quiet."""
        engine, alarm = warm()
        assert ordered(engine, Verb.SHELVE, alarm, until=T0 + 8 * MINUTE) == ()
        assert "G" not in letters(engine)

    def test_what_comes_again_while_shelved_stays_quiet(self):
        """An alarm that clears and comes again is shelved at once, and nobody is told that it came."""
        engine, alarm = warm()
        ordered(engine, Verb.SHELVE, alarm, until=T0 + 90 * MINUTE)
        effects = told(engine, steadily("a", [30.0] * 8 + [32.0] * 9, start=T0 + 9 * MINUTE))
        kinds = [type(one) for one in effects if isinstance(one, Cleared | Raised | Changed)]
        assert kinds == [Cleared, Raised, Changed]
        assert [one.change for one in effects if isinstance(one, Changed)] == [Change.SHELVED]
        tones = {one.tone for notice in effects if isinstance(notice, Notice) for one in notice.told}
        assert Tone.RAISED not in tones

    def test_a_shelf_that_was_ended_early_ends_once(self):
        """Where a keeper has ended the quiet, the instant until which it was asked for changes nothing."""
        engine, alarm = warm()
        ordered(engine, Verb.SHELVE, alarm, until=T0 + 20 * MINUTE)
        ordered(engine, Verb.UNSHELVE, alarm, at=T0 + 9 * MINUTE)
        effects = told(engine, steadily("a", [32.0] * 15, start=T0 + 10 * MINUTE))
        assert not [one for one in effects if isinstance(one, Changed)]

    def test_an_acknowledged_alarm_says_nothing_when_its_shelf_ends(self):
        """What a keeper has acknowledged is not told again only because a shelf is over."""
        engine, alarm = warm()
        ordered(engine, Verb.ACKNOWLEDGE, alarm)
        ordered(engine, Verb.SHELVE, alarm, until=T0 + 30 * MINUTE)
        effects = told(engine, [*steadily("a", [32.0] * 30, start=T0 + 9 * MINUTE), Tick(T0 + 40 * MINUTE)])
        changes = [one.change for one in effects if isinstance(one, Changed)]
        assert changes == [Change.UNSHELVED]
        assert not [one for one in effects if isinstance(one, Notice)]


class TestCircles:
    def test_alarms_that_explain_each_other_cannot_hold_the_watch_up(self):
        """Causes that change whenever they are looked at are looked at a few times, not for ever."""
        out, open_ = [], {}
        keys = [AlarmKey("box-1", "", "temperature", rule) for rule in ("too cool", "too warm")]
        book = Book(out, open_, lambda alarm: None if alarm.cause else keys[alarm.key == keys[0]])
        for key in keys:
            book.wrong(key, "a", Wrong(Priority.MEDIUM, T0, 20.0, ("x",)), T0)
        out.clear()
        book.weigh_causes(T0 + 1)
        assert len(out) == MOST_PASSES * len(keys)

    def test_what_came_and_went_within_one_round_is_not_told(self):
        """An alarm that is over before the round ends is in the journal and on no phone."""
        engine = Engine(one_box())
        key = AlarmKey("box-1", "", "temperature", "too warm")
        alarm = engine._book.wrong(key, "a", Wrong(Priority.HIGH, T0, 36.0, ("x",)), T0)
        engine._book.clear(alarm, ("y",), T0)
        effects = engine.step(Tick(T0 + 1))
        assert [type(one) for one in effects] == [Raised, Cleared]
