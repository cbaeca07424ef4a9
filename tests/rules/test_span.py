"""Spans and ranges."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.span import Range, Span

ENDS = st.one_of(st.none(), st.integers(-60, 100))


@st.composite
def spans(draw):
    """Give any span."""
    low, high = draw(ENDS), draw(ENDS)
    if low is None and high is None:
        low = 0
    if low is not None and high is not None and low > high:
        low, high = high, low
    return Span(low, high)


class TestSpan:
    @pytest.mark.parametrize(("low", "high"), [(2, 1), (None, None)], ids=["inside out", "no end"])
    def test_a_meaningless_span_is_refused(self, low, high):
        """An inside-out span and one without ends cannot be made."""
        with pytest.raises(ValueError, match="end"):
            Span(low, high)

    @pytest.mark.parametrize(
        ("span", "value", "inside"),
        [
            (Span(1, 2), 1, True),
            (Span(1, 2), 2, True),
            (Span(1, 2), 2.001, False),
            (Span(None, -17.8), -40, True),
            (Span(None, -17.8), -17.7, False),
            (Span(1, 2), math.nan, False),
            (Span(0, 0), 0, True),
        ],
        ids=["low end", "high end", "above", "open below", "above open", "nan", "one value"],
    )
    def test_both_ends_belong_to_it(self, span, value, inside):
        """Ends are inside, NaN never is."""
        assert span.holds(value) is inside

    @given(spans(), spans(), st.integers(-80, 120))
    def test_wider_holds_what_either_holds(self, one, other, value):
        """The wider of two holds everything that one of them holds, in either order."""
        if (one.low is None and other.high is None) or (one.high is None and other.low is None):
            return
        wide = one.wider(other)
        assert wide == other.wider(one)
        assert wide.holds(value) or not (one.holds(value) or other.holds(value))

    @given(spans())
    def test_wider_of_itself_is_itself(self, span):
        """Nothing is gained by itself."""
        assert span.wider(span) == span


class TestRange:
    @pytest.mark.parametrize(
        ("ideal", "safe"),
        [(Span(1, 4), Span(2, 5)), (Span(2, 6), Span(1, 5)), (None, None)],
        ids=["below", "above", "neither"],
    )
    def test_ideal_must_lie_inside_safe(self, ideal, safe):
        """A range whose spans are not nested cannot be made."""
        with pytest.raises(ValueError, match=r"range|ideal"):
            Range(ideal, safe)

    def test_a_span_that_one_lacks_is_lacking(self):
        """The wider range has an ideal span only where both have one."""
        day, night = Range(Span(30, 33), Span(27, 36)), Range(None, Span(20, 30))
        assert day.wider(night) == Range(None, Span(20, 36))

    def test_nothing_in_common_is_left_as_it_is(self):
        """Where the two share no kind of span, the first stays."""
        assert Range(Span(1, 2), None).wider(Range(None, Span(0, 3))) == Range(Span(1, 2), None)
