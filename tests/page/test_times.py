"""Windows and axes in local time, over the changes of the clock."""

import re
from datetime import date
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest

from daemon.page.room import DayHours
from daemon.page.times import Wall, between, day_edges, last_night, night_of, notches
from daemon.texts import Forms
from rules.reading import DAY, HOUR, MINUTE

LISBON = Wall(ZoneInfo("Europe/Lisbon"), 0)
AMERICAN = Wall(ZoneInfo("Europe/Lisbon"), 0, Forms("12 h", "month/day/year"))
HOURS = DayHours(7 * 60, 21 * 60)
SEVEN = 1_795_590_000_000
"""2026-11-25 07:00 in Lisbon (07:00 UTC)."""


def test_an_axis_is_written_in_the_rooms_form() -> None:
    """Hours are 24 h unless the room says 12 h; days stand with their month's name."""
    usual = notches(LISBON, SEVEN - 6 * HOUR, SEVEN)
    twelve = notches(AMERICAN, SEVEN - 6 * HOUR, SEVEN)
    assert [usual[0].words, usual[-1].words] == ["01:00", "07:00"]
    assert [twelve[0].words, twelve[-1].words] == ["1 am", "7 am"]
    season = [notches(wall, SEVEN - 180 * DAY, SEVEN)[0].words for wall in (LISBON, AMERICAN)]
    assert re.fullmatch(r"\d+ [A-Z][a-z]{2}", season[0])
    assert re.fullmatch(r"[A-Z][a-z]{2} \d+", season[1])


def test_a_night_runs_from_dusk() -> None:
    """At seven in the morning the sheet begins at nine in the evening and ends a little after now."""
    window = last_night(LISBON, HOURS, SEVEN)
    assert window.start == SEVEN - 10 * HOUR
    assert SEVEN + 45 * MINUTE <= window.end <= SEVEN + 2 * HOUR
    assert window.night == date(2026, 11, 24)


def test_an_earlier_night_is_whole() -> None:
    """A night that is asked for runs from its dusk till an hour after dawn."""
    window = night_of(LISBON, HOURS, date(2026, 11, 20), SEVEN)
    assert window.end - window.start == 11 * HOUR
    assert not window.live


@pytest.mark.parametrize(
    ("day", "hours"),
    [(date(2026, 10, 24), 11), (date(2026, 3, 28), 9), (date(2026, 6, 1), 10)],
    ids=["clock back", "clock forward", "plain"],
)
def test_nights_of_the_clock_change(day: date, hours: int) -> None:
    """The night of the change is an hour longer or shorter, and its dawn is still at seven."""
    start = LISBON.instant(day, 21 * 60)
    end = LISBON.instant(date.fromordinal(day.toordinal() + 1), 7 * 60)
    assert end - start == hours * HOUR
    (span,) = list(day_edges(LISBON, HOURS, start, end))
    assert span == (start, end, False)


def test_day_and_night_cover_a_window_without_overlap() -> None:
    """The spans of day and night follow each other from the first to the last ms."""
    spans = list(day_edges(LISBON, HOURS, SEVEN - 3 * DAY - 1234, SEVEN + 55))
    assert spans[0][0] == SEVEN - 3 * DAY - 1234
    assert spans[-1][1] == SEVEN + 55
    for one, other in pairwise(spans):
        assert one[1] == other[0]
        assert one[2] is not other[2]


def test_a_day_over_midnight_is_understood() -> None:
    """A day from 18:00 to 06:00 (animals of the night) is day at midnight."""
    spans = list(day_edges(LISBON, DayHours(18 * 60, 6 * 60), SEVEN - 8 * HOUR, SEVEN))
    assert [is_day for _, _, is_day in spans] == [True, False]


@pytest.mark.parametrize("span", [10 * MINUTE, HOUR, 13 * HOUR, DAY, 7 * DAY, 180 * DAY, 1000 * DAY])
def test_an_axis_is_never_crowded_or_empty(span: int) -> None:
    """From ten minutes to three years there are some lines, ascending, and never too many."""
    lines = notches(LISBON, SEVEN - span, SEVEN)
    assert 1 <= len(lines) <= 18
    assert [line.at for line in lines] == sorted({line.at for line in lines})


@pytest.mark.parametrize("pair", [(0, 0), (5, -(10**15)), (10**15, -(10**15)), (SEVEN, SEVEN - 1)])
def test_any_two_numbers_give_a_sound_window(pair: tuple[int, int]) -> None:
    """Whatever is asked for, a window has a length and an axis can be drawn on it."""
    window = between(*pair, SEVEN)
    assert window.end > window.start
    notches(LISBON, window.start, window.end)
