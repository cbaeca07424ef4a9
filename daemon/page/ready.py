"""Whether an enclosure is ready for its hatchlings, for the page of its place."""

from dataclasses import dataclass, replace

from daemon.page.strips import Pen
from daemon.page.times import day_edges
from daemon.readying import ready_by
from rules.calendar import Calendar
from rules.plan import PlaceKind, PlacePlan
from rules.readiness import LAST
from rules.reading import DAY

KINDS = frozenset({PlaceKind.ENCLOSURE, PlaceKind.OUTDOOR})
"""Where hatchlings go."""


@dataclass(frozen=True, slots=True)
class ReadyView:
    """A place's readiness, ready to be written."""

    words: str
    missing: tuple[str, ...]


def readiness_view(pen: Pen, place: PlacePlan) -> ReadyView:
    """Judge a place by the last two days."""
    now = pen.source.now
    start = now - LAST
    plan = replace(pen.room.plan, calendars={place.calendar: _calendar(pen, place.calendar, start, now)})
    found = ready_by(pen.source.archive, plan, place.name, (start, now), LAST)
    missing = tuple(pen.speaker.say(sentence) for sentence in found.missing)
    if found.ready:
        return ReadyView(f"It is ready: right for the last {found.hours:.0f} hours, by day and by night.", ())
    since = f" Right since {pen.speaker.when(found.since)}." if found.since and found.since < now else ""
    return ReadyView(
        f"It is not ready yet; what is asked is {found.hours:.0f} hours of right.{since}", missing
    )


def _calendar(pen: Pen, key: str, start: int, now: int) -> Calendar:
    """Give the days and nights around a window."""
    edges = list(day_edges(pen.wall, pen.room.hours(key), start - DAY, now + DAY))
    return Calendar(edges[0][2], tuple(begin for begin, _, _ in edges[1:]))
