"""Sentences in a keeper's words."""

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.texts import Forms, Speaker, fixed, lasting, listed, piece, plural
from rules.reading import DAY, HOUR, MINUTE, SECOND, Quantity
from rules.span import Span
from rules.words import Degrees, Instant, Kelvin, Lasting, Number, Percent

LISBON = ZoneInfo("Europe/Lisbon")
NOON = int(datetime(2026, 11, 24, 12, 0, tzinfo=UTC).timestamp() * 1000)
"""The wall clock (Unix ms) at room time 0 in these tests."""


def speaker(show: str = "C", now: int = 0, offset: int | None = NOON) -> Speaker:
    """Make a speaker in Lisbon whose room time 0 is noon."""
    return Speaker(show=show, zone=LISBON, offset=offset, now=now)  # type: ignore[arg-type]


class TestValues:
    @pytest.mark.parametrize(
        ("said", "celsius", "fahrenheit"),
        [
            (Degrees(28.3), "28.3 °C", "82.9 °F"),
            (Degrees(-17.8), "-17.8 °C", "0.0 °F"),
            (Degrees(-0.04), "0.0 °C", "31.9 °F"),
            (Degrees(float("nan")), "unknown", "unknown"),
            (Kelvin(0.278), "0.3 °C", "0.5 °F"),
            (Kelvin(0.02), "0.02 °C", "0.04 °F"),
            (Percent(68.4), "68 %", "68 %"),
            (Number(1.234, "kPa", 2), "1.23 kPa", "1.23 kPa"),
            ("as it is", "as it is", "as it is"),
        ],
        ids=str,
    )
    def test_each_kind_of_value_reads_in_both_scales(self, said, celsius, fahrenheit):
        """A value carries its unit, and only temperatures follow the scale."""
        assert speaker("C").say((said,)) == celsius
        assert speaker("F").say((said,)) == fahrenheit

    def test_two_values_that_differ_never_read_the_same(self):
        """33.04 °C over a limit of 33 °C is not told as "33.0 above 33.0"."""
        said = speaker().say(
            (Degrees(33.04), " above ", Degrees(33.0), ", ", Percent(74.6), " of ", Percent(75))
        )

        assert said == "33.04 °C above 33.00 °C, 74.6 % of 75.0 %"

    @pytest.mark.parametrize(
        ("span", "words"),
        [
            (Span(26, 33), "26.0 to 33.0 °C"),
            (Span(26, None), "at least 26.0 °C"),
            (Span(None, -17.8), "at most -17.8 °C"),
        ],
        ids=["both", "low", "high"],
    )
    def test_a_span_is_told_with_its_open_side(self, span, words):
        """An open side is said in words, and the unit stands once."""
        assert speaker().span(Quantity.TEMPERATURE, span) == words

    @pytest.mark.parametrize("quantity", list(Quantity), ids=str)
    def test_every_quantity_can_be_said(self, quantity):
        """No quantity is without a way to be told, an unknown value included."""
        assert speaker().value(quantity, 1.0)
        assert speaker().value(quantity, float("nan")) == "unknown"

    def test_a_contact_is_told_in_words(self):
        """A two-state value is never a bare 0 or 1."""
        assert piece(Quantity.CONTACT, 0.0) == "not as it should be"

    @given(st.floats(allow_nan=False, min_value=-1e6, max_value=1e6), st.integers(0, 3))
    def test_a_rounded_zero_has_no_sign(self, value, digits):
        """No text ever holds "-0" alone."""
        text = fixed(value, digits)

        assert not (text.startswith("-") and float(text) == 0)


class TestTime:
    @pytest.mark.parametrize(
        ("span", "words"),
        [
            (-5, "0 s"),
            (40 * SECOND, "40 s"),
            (MINUTE, "1 min"),
            (90 * SECOND, "90 s"),
            (150 * SECOND, "2 min 30 s"),
            (20 * MINUTE, "20 min"),
            (HOUR, "1 h"),
            (90 * MINUTE, "90 min"),
            (3 * HOUR, "3 h"),
            (3 * HOUR + 20 * MINUTE, "3 h 20 min"),
            (26 * HOUR, "26 h"),
            (2 * DAY, "2 days"),
            (60 * HOUR, "2 days 12 h"),
            (30 * DAY + HOUR, "30 days"),
        ],
        ids=str,
    )
    def test_a_span_reads_as_a_keeper_says_it(self, span, words):
        """One unit where it suffices, two where one would mislead."""
        assert lasting(span) == words
        assert speaker().say((Lasting(span),)) == words

    @given(st.integers(0, 40 * DAY))
    def test_a_span_is_never_told_more_than_a_tenth_wrong(self, span):
        """Reading the words back gives the span within 10 % or half a second."""
        unit = {"s": SECOND, "min": MINUTE, "h": HOUR, "days": DAY}
        words = lasting(span).split()
        back = sum(int(n) * unit[u] for n, u in zip(words[::2], words[1::2], strict=True))

        assert abs(back - span) <= max(span * 0.1, 500)

    def test_near_is_told_by_the_clock_and_far_with_its_date(self):
        """Within 18 h the clock suffices; beyond, weekday and date stand before it."""
        voice = speaker(now=0)

        assert voice.say(("since ", Instant(-8 * HOUR))) == "since 04:00"
        assert voice.say((Instant(-20 * HOUR),)) == "Mon 2026-11-23 16:00"
        assert voice.say((Instant(20 * HOUR),)) == "Wed 2026-11-25 08:00"

    @pytest.mark.parametrize(
        ("at", "words"),
        [(-2 * HOUR, "about 2 h ago"), (40 * MINUTE, "in about 40 min"), (-SECOND, "just now")],
        ids=["past", "future", "now"],
    )
    def test_without_a_trusted_clock_age_is_told(self, at, words):
        """While the clock is not trusted no time of day is claimed."""
        voice = speaker(offset=None)

        assert voice.say((Instant(at),)) == words
        assert voice.clock(at) == voice.date(at) == words
        assert voice.utc(at) is None

    def test_an_hour_that_comes_twice_names_its_zone(self):
        """When the clocks go back, 01:30 says which of the two it is."""
        first = int(datetime(2026, 10, 25, 0, 30, tzinfo=UTC).timestamp() * 1000)
        voice = Speaker(zone=LISBON, offset=0, now=first)

        assert [voice.when(first), voice.when(first + HOUR), voice.when(first + 2 * HOUR)] == [
            "01:30 WEST",
            "01:30 WET",
            "02:30",
        ]

    @pytest.mark.parametrize(
        ("forms", "clock", "day"),
        [
            (Forms(), "00:05", "Tue 2026-11-24"),
            (Forms("12 h", "month/day/year"), "12:05 am", "Tue 11/24/2026"),
            (Forms("24 h", "day.month.year"), "00:05", "Tue 24.11.2026"),
        ],
        ids=["as usual", "12 h, month first", "day first"],
    )
    def test_hours_and_dates_are_written_as_the_room_likes(self, forms, clock, day):
        """Both forms are the config's; morning and afternoon are named only in the 12 h form."""
        voice = Speaker(zone=LISBON, offset=NOON, now=0, forms=forms)
        midnight = -12 * HOUR + 5 * MINUTE

        assert (voice.clock(midnight), voice.date(midnight)) == (clock, day)
        assert voice.when(-20 * HOUR).startswith("Mon")

    @pytest.mark.parametrize(
        ("hour", "words"), [(0, "12:00 am"), (11, "11:00 am"), (12, "12:00 pm"), (23, "11:00 pm")]
    )
    def test_noon_and_midnight_of_the_12_h_form(self, hour, words):
        """Midnight is 12 am and noon is 12 pm."""
        assert Forms("12 h").time(hour, 0) == words

    def test_without_a_zone_utc_is_shown_and_named(self):
        """A room without a time zone never shows a bare clock."""
        assert Speaker(offset=NOON).clock(0) == "12:00 UTC"

    def test_machines_get_utc(self):
        """The machine form is ISO 8601 in UTC."""
        assert speaker().utc(0) == "2026-11-24T12:00:00.000Z"

    @given(st.integers(-(2**62), 2**62), st.integers(-(2**40), 2**40))
    def test_any_instant_can_be_told(self, at, offset):
        """An absurd instant is told by its age, never with an error."""
        assert Speaker(zone=LISBON, offset=offset).when(at)


class TestLists:
    def test_long_lists_are_cut(self):
        """A reader in a hurry sees four names and how many more there are."""
        names = [f"box-{n}" for n in range(1, 10)]

        assert listed(names) == "box-1, box-2, box-3, box-4 and 5 more"
        assert listed(names[:5]) == "box-1, box-2, box-3, box-4 and box-5"
        assert listed(names[:1]) == "box-1"
        assert listed([]) == ""

    def test_counts_agree_with_their_noun(self):
        """One place, two places."""
        assert [plural(1, "place"), plural(2, "place"), plural(2, "box", "boxes")] == [
            "1 place",
            "2 places",
            "2 boxes",
        ]
