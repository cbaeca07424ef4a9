"""When something is due that a keeper wants at an hour of the day or of the week. Pure.

By the local clock while somebody vouches for it; else a day (a week) after the last
time, since no hour is known then.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta, tzinfo

from daemon.calendars import instant_of
from daemon.units import Weekly
from rules.reading import DAY, SECOND


@dataclass(frozen=True, slots=True)
class Moment:
    """One instant as the shell knows it.

    Attributes:
        now: Room time, ms.
        offset: Wall minus room, or None while nobody vouches for the clock.
        zone: The room's time zone.
    """

    now: int
    offset: int | None
    zone: tzinfo


def daily_due(minute: int, moment: Moment, last: int) -> bool:
    """Tell whether something of each day is due.

    Args:
        minute: Its minute of the day.
        moment: Now.
        last: Room time at which it was done last (or from which on it counts), ms.
    """
    return _due(moment, last, DAY, lambda: _days(minute, moment))


def weekly_due(at: Weekly, moment: Moment, last: int) -> bool:
    """Tell whether something of each week is due; as :func:`daily_due`."""
    return _due(moment, last, 7 * DAY, lambda: _weeks(at, moment))


def _due(moment: Moment, last: int, period: int, instants: Callable[[], Iterator[int]]) -> bool:
    if moment.offset is None:
        return moment.now - last >= period
    now = moment.now + moment.offset
    newest = max((at for at in instants() if at <= now), default=None)
    return newest is not None and newest - moment.offset > last


def _days(minute: int, moment: Moment) -> Iterator[int]:
    """Give that hour of today and of the days before, Unix ms."""
    today = _local(moment).date()
    yield from (instant_of(today - timedelta(days=back), minute, moment.zone) for back in range(3))


def _weeks(at: Weekly, moment: Moment) -> Iterator[int]:
    """Give that hour of this week and of the weeks before, Unix ms."""
    today = _local(moment).date()
    day = today - timedelta(days=(today.weekday() - at.weekday) % 7)
    yield from (instant_of(day - timedelta(days=7 * back), at.minute, moment.zone) for back in range(2))


def _local(moment: Moment) -> datetime:
    return datetime.fromtimestamp((moment.now + (moment.offset or 0)) / SECOND, moment.zone)
