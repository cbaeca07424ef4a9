"""Instants as people and files write them: ISO 8601 to room time and back."""

from datetime import datetime, timedelta, tzinfo

from daemon.calendars import instant_of
from daemon.exporting import iso as iso_wall
from daemon.logbook import Labels
from daemon.units import Hours

FIRST_YEAR, LAST_YEAR = 1971, 2199
"""Windows reach so far: calendars are made a few weeks beyond them."""


def iso(labels: Labels, now: int) -> str:
    """Write an instant of room time as ISO 8601 UTC."""
    return iso_wall(labels.wall(now))


def parsed(text: str, zone: tzinfo) -> int:
    """Read ISO 8601; without an offset it is the room's time, first pass of a repeated hour.

    Returns:
        Unix ms.

    Raises:
        ValueError: The text is no instant.
    """
    try:
        instant = datetime.fromisoformat(text.strip())
    except ValueError:
        raise ValueError(f'"{text}" is no instant; write it like 2026-11-24T21:00') from None
    if not FIRST_YEAR <= instant.year <= LAST_YEAR:
        raise ValueError(f'"{text}" is not in the years {FIRST_YEAR} to {LAST_YEAR}')
    if instant.tzinfo is None:
        instant = instant.replace(tzinfo=zone, fold=0)
    return int(instant.timestamp() * 1000)


def last_dusk(hours: Hours, zone: tzinfo, wall: int) -> int:
    """Give the last end of the day at or before an instant, Unix ms."""
    today = datetime.fromtimestamp(wall / 1000, zone).date()
    dusks = (instant_of(today - timedelta(days=back), hours.end, zone) for back in range(-1, 3))
    return max(dusk for dusk in dusks if dusk <= wall)


def local_day(wall: int, zone: tzinfo) -> str:
    """Give the local date of an instant, ISO 8601."""
    return datetime.fromtimestamp(wall / 1000, zone).date().isoformat()
