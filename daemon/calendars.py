"""Local schedules as instants: hours of the day and dates of a time zone, in room time.

Rules know no calendar, so the shell turns "07:00-21:00" into the instants at
which it begins and ends. Where the clock is put forward over an edge, the edge
is the instant of the change; where an hour is repeated, its first pass counts.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta, tzinfo

from daemon.units import MIDNIGHT, Dates, Hours
from rules.calendar import Calendar
from rules.reading import SECOND

AHEAD_DAYS = 40
"""Calendars reach this many days ahead; the plan is made anew long before."""

BEHIND_DAYS = 2
"""They begin this many days back, so that the last change of period is in them."""


@dataclass(frozen=True, slots=True)
class WallOffset:
    """How room time and the trusted wall clock lie to each other.

    Attributes:
        offset_ms: Wall clock (Unix ms) = room time + offset.
    """

    offset_ms: int


def instant_of(day: date, minute: int, zone: tzinfo) -> int:
    """Give the instant of a local hour.

    Args:
        day: The local day.
        minute: Minute of that day, 0 to 1440 (the end of the day).
        zone: The time zone.

    Returns:
        Unix ms. An hour that the day has twice is its first pass; one that it lacks is
        the instant at which the clock is put forward.
    """
    whole, rest = divmod(minute, MIDNIGHT)
    local = datetime(day.year, day.month, day.day, tzinfo=zone) + timedelta(days=whole, minutes=rest)
    local = local.replace(fold=0)
    early = local.astimezone(UTC)
    if early.astimezone(zone).replace(tzinfo=None) == local.replace(tzinfo=None):
        return _unix(early)
    return _change_between(local.replace(fold=1).astimezone(UTC), early, zone)


def hours_calendar(hours: Hours, zone: tzinfo, now: int, clock: WallOffset) -> Calendar:
    """Turn hours of the day into a calendar; true within them."""
    spans = (
        (
            instant_of(day, hours.start, zone),
            instant_of(day, hours.end + (MIDNIGHT if hours.end < hours.start else 0), zone),
        )
        for day in _days(now + clock.offset_ms, zone)
    )
    return _calendar(spans, now, clock)


def dates_calendar(days: Iterable[Dates], zone: tzinfo, now: int, clock: WallOffset) -> Calendar:
    """Turn days into a calendar; true from the first day's midnight to the last one's end."""
    spans = sorted((instant_of(each.first, 0, zone), instant_of(each.last, MIDNIGHT, zone)) for each in days)
    return _calendar(spans, now, clock)


def at_hour(minute: int, zone: tzinfo, after: int) -> int:
    """Give the next instant of an hour of the day.

    Args:
        minute: Minute of the day.
        zone: The time zone.
        after: Unix ms.

    Returns:
        Unix ms, later than ``after``.
    """
    day = datetime.fromtimestamp(after / SECOND, zone).date()
    return next(
        instant
        for instant in (instant_of(day + timedelta(days=ahead), minute, zone) for ahead in range(-1, 4))
        if instant > after
    )


def _days(wall: int, zone: tzinfo) -> Iterator[date]:
    """Give the local days that a calendar covers."""
    today = datetime.fromtimestamp(wall / SECOND, zone).date()
    for ahead in range(-BEHIND_DAYS - 1, AHEAD_DAYS + 1):
        yield today + timedelta(days=ahead)


def _calendar(spans: Iterable[tuple[int, int]], now: int, clock: WallOffset) -> Calendar:
    """Join ascending spans of Unix ms into edges of room time around ``now``."""
    joined: list[list[int]] = []
    for start, end in spans:
        if start >= end:
            continue
        if joined and start <= joined[-1][1]:
            joined[-1][1] = max(joined[-1][1], end)
        else:
            joined.append([start, end])
    edges = [instant - clock.offset_ms for span in joined for instant in span]
    day = 86_400 * SECOND
    first, last = now - BEHIND_DAYS * day, now + AHEAD_DAYS * day
    passed = sum(1 for edge in edges if edge <= first)
    return Calendar(passed % 2 == 1, tuple(edge for edge in edges if first < edge <= last))


def _change_between(before: datetime, after: datetime, zone: tzinfo) -> int:
    """Find the second at which the clock is put forward between two instants."""
    low, high = _unix(min(before, after)) // SECOND, _unix(max(before, after)) // SECOND
    start = _offset(low, zone)
    while high - low > 1:
        middle = (low + high) // 2
        if _offset(middle, zone) == start:
            low = middle
        else:
            high = middle
    return high * SECOND


def _offset(second: int, zone: tzinfo) -> timedelta | None:
    """Give the zone's offset at a Unix second."""
    return datetime.fromtimestamp(second, zone).utcoffset()


def _unix(instant: datetime) -> int:
    """Give Unix ms."""
    return round(instant.timestamp() * SECOND)
