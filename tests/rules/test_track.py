"""One curve against ideal and safe: deadband, delays, going up and not down."""

import json

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
