"""One curve against ideal and safe: deadband, delays, going up and not down."""

import json
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.hold import NEVER
from rules.plan import Priority
from rules.reading import MINUTE, Quantity
from rules.span import Range, Span
from rules.track import Limits, Track

WARM = Range(Span(28.5, 31.0), Span(26.0, 33.0))


def limits(range_=WARM, deadband=0.3, ideal=20, safe=2, off=5, *, counts=True):
    """Give limits with delays in minutes."""
    holds = (ideal * MINUTE, safe * MINUTE, off * MINUTE)
    return Limits(range_, deadband, counts, *holds)


def track(given=None, **kinds):
    """Give a track of a thermometer at a minute's pace."""
    made = Track("box-1", "air", "a", Quantity.TEMPERATURE)
    made.stand = 2 * MINUTE
    made.put(given or limits(**kinds))
    return made


def calls(made, values, *, start=0):
    """See one value a minute; give (minute, rule, wrong, priority) of what came of it."""
    found = []
    for index, value in enumerate(values, start):
        for call in made.see(index * MINUTE, value):
            found.append((index, call.rule, call.wrong, call.priority))  # noqa: PERF401 - reads better
    return found


class TestSides:
    @pytest.mark.parametrize(
        ("value", "minute", "rule", "priority"),
        [
            (31.1, 20, "too warm", Priority.MEDIUM),
            (28.4, 20, "too cool", Priority.MEDIUM),
            (33.1, 2, "too warm", Priority.HIGH),
            (25.9, 2, "too cool", Priority.HIGH),
        ],
        ids=["above ideal", "below ideal", "above safe", "below safe"],
    )
    def test_each_limit_has_its_own_delay(self, value, minute, rule, priority):
        """Ideal is left with a long hold, safe with a short one."""
        assert calls(track(), [value] * 25)[0] == (minute, rule, True, priority)

    @pytest.mark.parametrize("value", [28.5, 31.0, 30.0], ids=["low end", "high end", "middle"])
    def test_an_end_is_inside(self, value):
        """A value at the limit has not left it."""
        made = track(ideal=0, safe=0)
        assert calls(made, [value] * 9) == []
        assert made.due() == NEVER

    def test_it_goes_up_and_not_down(self):
        """Medium becomes high beyond safe; back beyond ideal only it stays high."""
        made = track(ideal=3, safe=2)
        found = calls(made, [32.0] * 4 + [34.0] * 3 + [32.0] * 9 + [30.0] * 6)
        assert [(minute, wrong, priority) for minute, _, wrong, priority in found] == [
            (3, True, Priority.MEDIUM),
            (6, True, Priority.HIGH),
            (21, False, Priority.HIGH),
        ]

    def test_since_is_when_ideal_was_left(self):
        """An alarm on safe tells since when the curve was out of ideal."""
        made = track()
        made.see(0, 31.5)
        made.see(MINUTE, 33.5)
        made.see(2 * MINUTE, 33.5)
        found = made.see(3 * MINUTE, 33.5)
        assert [(call.priority, call.since) for call in found] == [(Priority.HIGH, 0)]

    def test_both_limits_at_one_reading_are_one_call_since_ideal_was_left(self):
        """Where both delays end with one reading it is high, since ideal was left."""
        made = track(ideal=4, safe=2)
        found = []
        for minute, value in enumerate([32.0, 32.0, 34.0, 34.0, 34.0]):
            found += made.see(minute * MINUTE, value)
        assert [(call.priority, call.since) for call in found] == [(Priority.HIGH, 0)]


class TestDeadband:
    @given(st.integers(-30_000, 50_000), st.integers(0, 3_000))
    def test_a_value_just_at_the_deadband_clears(self, limit, band):
        """At the limit less the deadband, to the stored digit, it is right again."""
        high, deadband = limit / 1000, band / 1000
        for side in (1, -1):
            span = Span(None, high) if side > 0 else Span(high, None)
            made = track(limits(Range(None, span), deadband, 0, 0, 0))
            made.see(0, round(high + side * 1.0, 3))
            assert made.upper.active or made.lower.active
            made.see(MINUTE, round(high - side * deadband, 3))
            assert not made.upper.active
            assert not made.lower.active

    def test_within_the_deadband_it_stays(self):
        """Inside the limit but within the deadband is not right again."""
        made = track(ideal=0, safe=0, off=0)
        assert [wrong for *_, wrong, _ in calls(made, [31.1, 30.9, 30.8, 30.7])] == [True, False]


class TestNewLimits:
    def test_inside_the_new_range_it_clears(self):
        """An open alarm is judged by the new range: inside it clears."""
        made = track(ideal=0)
        calls(made, [32.0])
        found = made.put(limits(Range(Span(28.5, 32.5), Span(26, 34))))
        assert [(call.wrong, call.rule) for call in found] == [(False, "too warm")]

    def test_outside_the_new_range_it_stays(self):
        """Outside it stays, and goes up only after the new hold."""
        made = track(ideal=0)
        calls(made, [32.5, 32.5])
        assert made.put(limits(Range(Span(28.5, 31.0), Span(26, 32.0)))) == ()
        assert calls(made, [32.5] * 4, start=2) == [(4, "too warm", True, Priority.HIGH)]

    def test_a_hold_restarts_only_where_its_limit_changed(self):
        """A changed safe limit leaves the hold on ideal as it is."""
        made = track(ideal=4)
        calls(made, [32.0] * 3)
        made.put(limits(Range(Span(28.5, 31.0), Span(25.0, 34.0)), ideal=4))
        assert calls(made, [32.0] * 2, start=3) == [(4, "too warm", True, Priority.MEDIUM)]
        other = track(ideal=4)
        calls(other, [32.0] * 3)
        other.put(limits(Range(Span(28.5, 31.5), Span(26.0, 33.0)), ideal=4))
        assert calls(other, [32.0] * 5, start=3) == [(7, "too warm", True, Priority.MEDIUM)]

    def test_while_ideal_settles_only_safe_counts(self):
        """Nothing comes of ideal while it does not count; an open alarm on it waits."""
        made = track(limits(counts=False, ideal=0))
        assert calls(made, [32.0] * 9) == []
        assert made.ideal_waits
        assert calls(made, [34.0] * 3, start=9)[0][3] is Priority.HIGH

    def test_nothing_is_judged_without_a_range(self):
        """Where the range goes, an alarm goes."""
        made = track(ideal=0)
        calls(made, [32.0])
        found = made.put(limits(None))
        assert [call.wrong for call in found] == [False]
        assert calls(made, [90.0, -40.0], start=1) == []


class TestState:
    @given(st.lists(st.sampled_from([18.0, 27.0, 30.0, 30.9, 32.0, 36.0]), max_size=30))
    def test_kept_as_text_it_goes_straight_on(self, values):
        """Its state goes through JSON and back; what follows is the same."""
        made, other = track(ideal=3), track(ideal=3)
        calls(made, values)
        other.restore(json.loads(json.dumps(made.state())))
        assert other.due() == made.due()
        rest = [32.0, 34.0, 34.0, 34.0, 30.0, 30.0, 30.0, 30.0, 30.0, 30.0, 20.0, 20.0, 20.0]
        assert calls(made, rest, start=len(values)) == calls(other, rest, start=len(values))


class TestReturning:
    """While a curve comes back by itself the delays begin anew, for so long at most."""

    @staticmethod
    def back(most=60, slow=0, hold_slow=None):
        """Give limits under which a curve that comes back is waited for, in minutes."""
        holds = (20 * MINUTE, 2 * MINUTE, 5 * MINUTE)
        long = None if hold_slow is None else hold_slow * MINUTE
        return Limits(WARM, 0.3, True, *holds, slow=slow, hold_slow=long, returning=most * MINUTE)

    def test_what_comes_back_is_waited_for(self):
        """From 32.5 °C back to ideal within 40 min: no alarm, where a plain hold of 20 min gives one."""
        coming = [32.5 - 0.04 * minute for minute in range(45)]
        assert calls(track(self.back()), coming) == []
        assert calls(track(), coming)[0] == (20, "too warm", True, Priority.MEDIUM)

    def test_what_stays_is_told_after_the_hold(self):
        """A value that does not move is told after the hold itself, to the minute."""
        assert calls(track(self.back()), [32.0] * 25)[0] == (20, "too warm", True, Priority.MEDIUM)

    def test_what_gets_worse_is_told_after_the_hold(self):
        """A value that goes on outwards is told after the hold itself."""
        going = [31.1 + 0.02 * minute for minute in range(25)]
        assert calls(track(self.back()), going)[0] == (20, "too warm", True, Priority.MEDIUM)

    def test_a_swing_does_not_come_back(self):
        """A value that swings beyond ideal is told soon after the hold: it is never nearer than before."""
        swinging = [31.5 + (0.4 if minute % 10 < 5 else -0.4) for minute in range(60)]
        (minute, *_), *_ = calls(track(self.back()), swinging)
        assert minute <= 30

    def test_it_is_waited_for_so_long_at_most(self):
        """Coming back ever so slowly it is told at the latest a hold after the longest wait."""
        slowly = [32.9 - 0.01 * minute for minute in range(120)]
        (minute, *_), *_ = calls(track(self.back(most=40)), slowly)
        assert 40 <= minute <= 60

    def test_since_is_when_it_left(self):
        """An alarm after a wait tells since when ideal was left, not since when the delay began anew."""
        made = track(self.back())
        values = [32.5 - 0.04 * minute for minute in range(20)] + [31.7] * 30
        found = [call for at, value in enumerate(values) for call in made.see(at * MINUTE, value)]
        assert [call.since for call in found] == [0]

    def test_safe_waits_on_its_slow_side_only(self):
        """Below safe and coming back: the cool side waits a third as long, the warm side not at all."""
        cool = [22.0 + 0.1 * minute for minute in range(30)]
        made = track(self.back(slow=-1, hold_slow=8))
        (minute, rule, *_), *_ = calls(made, cool)
        assert rule == "too cool"
        assert 20 <= minute <= 28
        warm = [36.0 - 0.1 * minute for minute in range(30)]
        assert calls(track(self.back(slow=-1, hold_slow=8)), warm)[0] == (2, "too warm", True, Priority.HIGH)

    def test_the_slow_side_has_a_hold_of_its_own(self):
        """A value that stays below safe is told after the slow side's hold, above it after the short one."""
        made = track(self.back(slow=-1, hold_slow=8))
        assert calls(made, [25.0] * 12)[0] == (8, "too cool", True, Priority.HIGH)
        made = track(self.back(slow=-1, hold_slow=8))
        assert calls(made, [34.0] * 12)[0] == (2, "too warm", True, Priority.HIGH)

    def test_a_limit_that_moves_is_waited_for_longer(self):
        """As the night begins a warm place may take three times as long, while it cools; no longer."""
        cooler = replace(self.back(most=40), range=Range(Span(24.0, 26.0), Span(20.0, 34.0)))
        made = track(self.back(most=40))
        calls(made, [30.0] * 30)
        made.put(cooler)
        (minute, *_), *_ = calls(made, [30.0 - 0.01 * step for step in range(200)], start=30)
        assert 30 + 120 <= minute <= 30 + 140
        made = track(self.back(most=40))
        calls(made, [30.0] * 30)
        made.put(cooler)
        assert calls(made, [30.0] * 30, start=30)[0] == (50, "too warm", True, Priority.MEDIUM)

    def test_a_limit_that_moved_does_not_count_for_what_comes_later(self):
        """A value that was right under the new limit too is waited for no longer than ever."""
        made = track(self.back(most=40))
        calls(made, [30.0] * 30)
        made.put(replace(self.back(most=40), range=Range(Span(28.0, 30.5), Span(20.0, 34.0))))
        calls(made, [30.0] * 30, start=30)
        slowly = [32.0 - 0.01 * minute for minute in range(140)]
        (minute, *_), *_ = calls(made, slowly, start=60)
        assert 60 + 40 <= minute <= 60 + 60

    def test_a_span_away_is_not_waited(self):
        """The clock of the wait stands still while nobody watches."""
        made = track(self.back(most=40))
        calls(made, [32.9 - 0.01 * minute for minute in range(30)])
        made.away(60 * MINUTE)
        (minute, *_), *_ = calls(made, [32.6 - 0.01 * step for step in range(90)], start=90)
        assert 100 <= minute <= 120

    def test_a_snapshot_keeps_it(self):
        """A track from a snapshot in the middle of a wait goes on as one that never stopped."""
        coming = [32.5 - 0.04 * minute for minute in range(20)] + [31.7] * 40
        whole, first = track(self.back()), track(self.back())
        calls(first, coming[:15])
        second = track(self.back())
        second.restore(json.loads(json.dumps(first.state())))
        assert calls(second, coming[15:], start=15) == calls(whole, coming)
