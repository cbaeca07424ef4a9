"""Schedules as instants: the state at an instant, the edge before and the edge after it."""

from hypothesis import given
from hypothesis import strategies as st

from rules.calendar import Calendar, last_edge, next_edge, state_at


@given(
    st.booleans(),
    st.lists(st.integers(0, 1000), unique=True, max_size=8).map(sorted),
    st.integers(-5, 1005),
)
def test_edges_turn_the_state(first, edges, instant):
    """The state turns over at each edge, the edge itself included."""
    calendar = Calendar(first, tuple(edges))
    expected = first
    for edge in edges:
        expected = not expected if edge <= instant else expected
    assert state_at(calendar, instant) is expected
    before, after = last_edge(calendar, instant), next_edge(calendar, instant)
    assert before is None or before <= instant
    assert after > instant


def test_no_calendar_is_not_known():
    """Without a calendar no state and no edge is known."""
    assert state_at(None, 0) is None
    assert last_edge(None, 0) is None
