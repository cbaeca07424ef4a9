"""Values as a keeper writes them."""

from collections.abc import Callable
from contextlib import suppress
from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon import units
from rules.reading import DAY, HOUR, MINUTE, SECOND
from rules.span import Span


def named(value: object) -> str:
    """Name a reading function by its name, so that every worker collects alike."""
    return getattr(value, "__name__", None) or str(value)


@pytest.mark.parametrize(
    ("read", "text", "value"),
    [
        (units.duration, "30 s", 30 * SECOND),
        (units.duration, "20min", 20 * MINUTE),
        (units.duration, "72 h", 72 * HOUR),
        (units.duration, "1.5 h", 90 * MINUTE),
        (units.duration, "3 days", 3 * DAY),
        (units.temperature, "28.5 C", 28.5),
        (units.temperature, "83 F", 28.333),
        (units.temperature, "-17.8 °C", -17.8),
        (units.difference, "0.5 F", 0.278),
        (units.difference, "0.3 C", 0.3),
        (units.difference, "0.3 K", 0.3),
        (units.mass, "1.5 g", 1.5),
        (units.percent, 75, 75.0),
        (units.clock, "24:00", 1440),
        (units.time_of_day, "07:15", 435),
        (units.hours, "22:30-06:30", units.Hours(1350, 390)),
        (units.hours, "00:00-24:00", units.Hours(0, 1440)),
        (units.dates, "2026-12-20/2027-01-03", units.Dates(date(2026, 12, 20), date(2027, 1, 3))),
        (units.weekly, "Sunday 10:00", units.Weekly(6, 600)),
        (units.temperature_span, ["none", "-17.8 C"], Span(None, -17.8)),
        (units.temperature_span, ["80 F", "90 F"], Span(26.667, 32.222)),
        (units.humidity_span, [60, 100], Span(60.0, None)),
        (units.humidity_span, ["none", 50], Span(None, 50.0)),
    ],
    ids=named,
)
def test_what_is_written_is_understood(read: Callable[[object], object], text: object, value: object) -> None:
    """Each unit is read into the program's own."""
    assert read(text) == value


@pytest.mark.parametrize(
    ("read", "text", "part"),
    [
        (units.duration, 30, "no span of time"),
        (units.duration, "30", "no span of time"),
        (units.duration, "-5 s", "out of bounds"),
        (units.duration, "9999 days", "out of bounds"),
        (units.temperature, 28.5, 'write "28.5 C"'),
        (units.temperature, "28.5", "no temperature"),
        (units.temperature, "28,5 C", "no temperature"),
        (units.temperature, "300 K", "no temperature"),
        (units.temperature, "1e400 C", "no temperature"),
        (units.temperature, "9" * 40 + " C", "digits"),
        (units.temperature, "999 C", "out of bounds"),
        (units.temperature, True, "no temperature"),
        (units.difference, 0.3, "has no unit"),
        (units.difference, "-1 C", "out of bounds"),
        (units.percent, float("nan"), "no percentage"),
        (units.percent, float("inf"), "no percentage"),
        (units.percent, True, "no percentage"),
        (units.percent, "75", "no percentage"),
        (units.percent, 101, "no percentage"),
        (units.mass, "0 g", "out of bounds"),
        (units.mass, 1.5, "no mass"),
        (units.clock, "7:60", "no hour"),
        (units.clock, "25:00", "no hour"),
        (units.time_of_day, "24:00", "no hour"),
        (units.hours, "07:00", "no hours"),
        (units.hours, "07:00-07:00", "no hours"),
        (units.dates, "2026-13-01/2026-13-02", "no such day"),
        (units.dates, "2027-01-03/2026-12-20", "ends before"),
        (units.dates, "tomorrow", "no dates"),
        (units.weekly, "someday 10:00", "no instant"),
        (units.temperature_span, ["31 C", "28 C"], "inside out"),
        (units.temperature_span, ["none", "none"], "both are open"),
        (units.temperature_span, "28 C", "pair"),
        (units.humidity_span, [90, 70], "inside out"),
        (units.humidity_span, ["none", 100], "both are open"),
    ],
    ids=named,
)
def test_what_cannot_be_meant_is_refused(read: Callable[[object], object], text: object, part: str) -> None:
    """The sentence says what is wrong and what is allowed."""
    with pytest.raises(ValueError, match=part):
        read(text)


_ALL = (
    units.duration, units.temperature, units.difference, units.percent, units.mass, units.clock, units.hours,
    units.dates, units.weekly, units.temperature_span, units.humidity_span,
)  # fmt: skip


_ANYTHING = st.one_of(
    st.text(max_size=30),
    st.integers(),
    st.floats(),
    st.booleans(),
    st.none(),
    st.lists(st.text(max_size=8), max_size=3),
    st.just(10**400),
)


@given(st.sampled_from(_ALL), _ANYTHING)
def test_anything_is_read_or_refused(read: Callable[[object], object], value: object) -> None:
    """Any value is read or refused with a sentence, never worse."""
    with suppress(ValueError):
        assert read(value) is not None


@given(st.integers(1, 400 * 24 * 60))
def test_a_span_of_time_is_written_as_it_is_read(minutes: int) -> None:
    """Writing and reading a span of time gives the same."""
    assert units.duration(units.say_duration(minutes * MINUTE)) == minutes * MINUTE


def test_people_read_their_own_unit() -> None:
    """°F where the keeper wants it; a difference is not a temperature."""
    assert units.say_temperature(28.5, "F") == "83.3 °F"
    assert units.say_temperature(-0.001, "C") == "0 °C"
    assert units.say_difference(0.278, "F") == "0.5 °F"
    assert units.say_difference(0.3, "C") == "0.3 K"
