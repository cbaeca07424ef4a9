"""Windows of time as a keeper names them: a night, the last six hours, a season."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta, tzinfo

from daemon.drawing import Notch
from daemon.page.room import DayHours
from daemon.texts import USUAL, Forms
from rules.reading import DAY, HOUR, MINUTE

SPANS = {"6h": 6 * HOUR, "24h": DAY, "7d": 7 * DAY, "season": 180 * DAY}
"""Windows that a place offers, by the word in the address (ms)."""

LONGEST = 3 * 366 * DAY
"""No window is longer (ms)."""

SHORTEST = 2 * MINUTE
"""Nor shorter (ms)."""

AHEAD = 0.08
"""Share of a window that is kept free right of now, for what is foreseen."""

_STEPS = (5, 15, 30, 60, 120, 180, 360, 720, 1440)
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class Wall:
    """Room time and local time, both ways. Without an offset local time is unknown."""

    zone: tzinfo | None
    offset: int | None
    forms: Forms = USUAL

    def local(self, at: int) -> datetime:
        """Give the local time of an instant; as UTC of room time where it is unknown."""
        return (_EPOCH + timedelta(milliseconds=at + (self.offset or 0))).astimezone(self.zone or UTC)

    def instant(self, day: date, minutes: int) -> int:
        """Give the instant of a local time (the first, where an hour is repeated)."""
        whole = datetime(day.year, day.month, day.day, tzinfo=self.zone or UTC)
        naive = whole.replace(tzinfo=None) + timedelta(minutes=minutes)
        local = naive.replace(tzinfo=self.zone or UTC)
        return int((local - _EPOCH) / timedelta(milliseconds=1)) - (self.offset or 0)


@dataclass(frozen=True, slots=True)
class Window:
    """A stretch of time to show. ``night`` is the date of its dusk, if it is a night."""

    start: int
    end: int
    now: int
    night: date | None = None

    @property
    def until(self) -> int:
        """Where readings end: the end or the present."""
        return min(self.end, self.now)

    @property
    def live(self) -> bool:
        """Tell whether the present is on the axis."""
        return self.now <= self.end


def last_night(wall: Wall, hours: DayHours, now: int) -> Window:
    """Give the window from the last dusk till now and a little beyond."""
    today = wall.local(now).date()
    dusk = wall.instant(today, hours.end)
    if dusk > now - HOUR:
        today -= timedelta(days=1)
        dusk = wall.instant(today, hours.end)
    return Window(dusk, now + max(int((now - dusk) * AHEAD), 45 * MINUTE), now, today)


def night_of(wall: Wall, hours: DayHours, day: date, now: int) -> Window:
    """Give the night that begins on a date: from dusk till an hour after dawn."""
    newest = last_night(wall, hours, now)
    if newest.night is None or day >= newest.night:
        return newest
    dusk = wall.instant(day, hours.end)
    return Window(dusk, wall.instant(day + timedelta(days=1), hours.begin) + HOUR, now, day)


def last_span(span: int, now: int) -> Window:
    """Give the last ``span`` ms and a little beyond."""
    return Window(now - span, now + int(span * AHEAD / 2), now)


def between(start: int, end: int, now: int) -> Window:
    """Give a window that was asked for, mended where it is inside out or out of bounds."""
    start, end = min(start, end), max(start, end)
    end = min(max(end, SHORTEST), now + DAY)
    start = max(min(start, end - SHORTEST), end - LONGEST)
    return Window(start, end, now)


def day_edges(wall: Wall, hours: DayHours, start: int, end: int) -> Iterator[tuple[int, int, bool]]:
    """Give the spans of day (True) and night (False) that cover [start, end)."""
    day = wall.local(start).date() - timedelta(days=1)
    at, is_day = start, False
    turns: list[tuple[int, bool]] = []
    while not turns or turns[-1][0] < end:
        for minutes, begins in sorted(((hours.begin, True), (hours.end, False))):
            turns.append((wall.instant(day, minutes), begins))
        day += timedelta(days=1)
    for turn, begins in turns:
        if turn <= start:
            is_day = begins
        elif turn < end:
            yield at, turn, is_day
            at, is_day = turn, begins
    if at < end:
        yield at, end, is_day


def notches(wall: Wall, start: int, end: int, most: int = 14) -> tuple[Notch, ...]:
    """Give the lines of a time axis: round local hours or days, at most about ``most``."""
    minutes = (end - start) / MINUTE
    step = next((step for step in _STEPS if minutes / step <= most), 0)
    if not step:
        return tuple(_days(wall, start, end, most))
    return tuple(_hours(wall, start, end, step))


def _hours(wall: Wall, start: int, end: int, step: int) -> Iterator[Notch]:
    """Give round times of the day."""
    day = wall.local(start).date()
    last = -1
    while (begin := wall.instant(day, 0)) < end:
        for minute in range(0, 1440, step):
            at = wall.instant(day, minute) if minute else begin
            if start <= at <= end and at > last:
                last = at
                yield Notch(at, _clock(wall.forms, day, minute, step), strong=minute == 0)
        day += timedelta(days=1)


def _clock(forms: Forms, day: date, minute: int, step: int) -> str:
    """Say a time of the day as short as the axis allows: "22:00", "10 pm", "14 May"."""
    if step >= 1440 or (step >= 360 and minute == 0):
        return short_date(day, forms)
    words = forms.time(*divmod(minute, 60))
    return words.replace(":00 ", " ")


def _days(wall: Wall, start: int, end: int, most: int) -> Iterator[Notch]:
    """Give every n-th midnight."""
    first = wall.local(start).date()
    days = (end - start) / DAY
    step = next((n for n in (2, 3, 7, 14, 30, 60, 91) if days / n <= most), 182)
    for n in range(int(days) + 2):
        day = first + timedelta(days=n)
        if day.toordinal() % step:
            continue
        at = wall.instant(day, 0)
        if start <= at <= end:
            yield Notch(at, short_date(day, wall.forms), strong=False)


def short_date(day: date, forms: Forms) -> str:
    """Say a date without its year: "14 May"; in a room that writes 5/14, "May 14"."""
    return _in_words(day, _MONTHS[day.month - 1][:3], forms)


def long_date(day: date, forms: Forms) -> str:
    """Say a date with its month in full: "14 May", "May 14"."""
    return _in_words(day, _MONTHS[day.month - 1], forms)


def _in_words(day: date, month: str, forms: Forms) -> str:
    return f"{month} {day.day}" if forms.date == "month/day/year" else f"{day.day} {month}"


_MONTHS = (
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
)
