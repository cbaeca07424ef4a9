"""Alarm review: how the alarms themselves do.

Each figure has its definition in words and its source in :data:`DEFINITIONS`. The figures
of the standards are made for operators who sit at a desk; what a keeper with a phone can
bear is far less, so our own goals stand beside them.
"""

from bisect import bisect_right
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from statistics import median

from daemon.logbook import Archive
from daemon.night import Window
from daemon.record import AlarmRow
from daemon.rehearsal_difference import fullest
from rules.events import AlarmKey
from rules.plan import Priority
from rules.reading import DAY, HOUR, MINUTE

TEN_MINUTES = 10 * MINUTE
CHATTER = 3
"""So many times in a minute an alarm chatters; so many times in an hour it returns."""

FLEETING = 5 * MINUTE
"""An alarm that clears within this time by itself was fleeting (ms, ours)."""

LONG_STANDING = DAY
FLOOD_BEGINS, FLOOD_ENDS = 10, 5
TOP = 10
ENOUGH = 30 * DAY
"""So long a record the standard wants before figures mean anything (ms)."""

ISA = "ANSI/ISA-18.2 clause 16, IEC 62682"
EEMUA = "EEMUA 191"
OURS = "ours: one keeper with a phone"


@dataclass(frozen=True, slots=True)
class Definition:
    """What a figure means, and where that comes from."""

    words: str
    source: str
    goal: str = ""


DEFINITIONS: Mapping[str, Definition] = {
    "alarms": Definition(
        "Alarms that were raised and not explained by a wider one (suppressed by design).",
        ISA,
        "about 144 to 150 a day for an operator at a desk; ours: at most 2 alerts a day",
    ),
    "per_ten_minutes": Definition(
        "Alarms in each ten minutes: the mean, the most, and the share of them with more than ten.",
        f"{ISA}; {EEMUA}",
        "one on average is very likely acceptable; more than ten in less than 1 % of them",
    ),
    "alerts_at_night": Definition("Messages to contacts outside the room's day.", OURS, "at most 1 a night"),
    "chattering": Definition(
        "An alarm that is raised three times or more within a minute.", "ISA-TR18.2.5", "none"
    ),
    "returning": Definition(
        "An alarm that is raised three times or more within an hour: what chattering is where "
        "off-delays make it slow.",
        OURS,
        "none",
    ),
    "fleeting": Definition(
        "An alarm that clears by itself within 5 min, that nobody acknowledged, and that does not "
        "come back within an hour.",
        "ISA-TR18.2.5; the minutes are ours",
        "none",
    ),
    "long_standing": Definition(
        "An alarm that stays for more than 24 h (stale).", f"{ISA}; ISA-TR18.2.5", "fewer than 5 a day"
    ),
    "top": Definition(
        "The ten alarms that are raised most, with their share of all.",
        ISA,
        "the ten together at most 1 to 5 % of all where alarms are many",
    ),
    "to_acknowledge": Definition(
        "Time from raising to acknowledging, of the alarms that somebody acknowledged.",
        "ANSI/ISA-18.2 (alarm response); no goal there",
    ),
    "priorities": Definition(
        "Shares of low, medium and high among the alarms raised.", ISA, "about 80, 15 and 5 %"
    ),
    "floods": Definition(
        "A flood begins when ten alarms come within ten minutes and ends when fewer than five do.",
        f"{ISA}; {EEMUA}",
        "less than 1 % of the time",
    ),
}
"""By the name of the figure in :class:`AlarmReview`."""


@dataclass(frozen=True, slots=True)
class DayLoad:
    """Twenty-four hours from ``start`` (room time, ms; the last ones may be fewer)."""

    start: int
    alarms: int
    alerts: int


@dataclass(frozen=True, slots=True)
class TenMinutes:
    """Load per ten minutes: mean, most, and percent of them with more than ten alarms."""

    mean: float
    most: int
    crowded: float


@dataclass(frozen=True, slots=True)
class Repeated:
    """One alarm with how often it was raised and the numbers that it had."""

    alarm: AlarmKey
    times: int
    share: float
    numbers: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Acknowledging:
    """How long acknowledging took (ms), and how many alarms nobody acknowledged."""

    acknowledged: int
    never: int
    median: float | None
    longest: int | None


@dataclass(frozen=True, slots=True)
class Flood:
    """One flood: from its first alarm until it ebbed."""

    start: int
    end: int
    alarms: int


@dataclass(frozen=True, slots=True)
class AlarmReview:
    """The review: what :func:`review` gives. Instants are room time, ms; shares percent.

    Attributes:
        window: What it covers.
        alarms: Alarms raised in it.
        explained: Alarms besides that a wider one explained.
        alerts: Messages to contacts.
        alerts_at_night: Those outside the room's day; 0 where ``by_night`` was not given.
        days: By 24 hours.
        per_ten_minutes: Load per ten minutes.
        chattering, returning: Alarms that did so.
        fleeting: Numbers of the alarms that were.
        long_standing: Numbers of the alarms that were.
        top: The ten most frequent.
        to_acknowledge: By priority, and all under "".
        priorities: Share of each priority.
        floods: In order.
        enough: Whether the window is long enough for the figures to mean something.
    """

    window: Window
    alarms: int
    explained: int
    alerts: int
    alerts_at_night: int
    days: tuple[DayLoad, ...]
    per_ten_minutes: TenMinutes
    chattering: tuple[Repeated, ...]
    returning: tuple[Repeated, ...]
    fleeting: tuple[int, ...]
    long_standing: tuple[int, ...]
    top: tuple[Repeated, ...]
    to_acknowledge: Mapping[str, Acknowledging]
    priorities: Mapping[str, float]
    floods: tuple[Flood, ...]
    enough: bool


def review(archive: Archive, window: Window, by_night: Sequence[tuple[int, int]] = ()) -> AlarmReview:
    """Review the alarms of a window; those of imported nights are left out.

    Args:
        archive: The logbook.
        window: What to review; not empty.
        by_night: The nights in it, as (begin, end) in room time.
    """
    rows = [row for row in archive.alarms(window.start, window.end) if not row.imported]
    alerts = [alert.now for alert in archive.outbox(window.start, window.end) if alert.tone != "test"]
    at_night = sum(any(start <= now < end for start, end in by_night) for now in alerts)
    return reviewed(rows, alerts, at_night, window)


def reviewed(rows: Sequence[AlarmRow], alerts: Sequence[int], at_night: int, window: Window) -> AlarmReview:
    """Review alarms and the instants of alerts that are at hand; see :func:`review`."""
    raised = [row for row in rows if window.start <= row.raised < window.end]
    mine = [row for row in raised if not _explained(row)]
    instants = [row.raised for row in mine]
    return AlarmReview(
        window=window,
        alarms=len(mine),
        explained=len(raised) - len(mine),
        alerts=len(alerts),
        alerts_at_night=at_night,
        days=_days(instants, alerts, window),
        per_ten_minutes=_ten_minutes(instants, window),
        chattering=_repeating(mine, MINUTE),
        returning=_repeating(mine, HOUR),
        fleeting=tuple(_fleeting(mine)),
        long_standing=tuple(row.number for row in rows if _stands(row, window)),
        top=_repeated(mine)[:TOP],
        to_acknowledge=_acknowledging(mine),
        priorities=_shares(mine),
        floods=floods(instants),
        enough=window.end - window.start >= ENOUGH,
    )


def _explained(row: AlarmRow) -> bool:
    """Tell whether a wider alarm explained it and nobody heard of it by itself."""
    return row.cause is not None and row.alerted is None


def _days(raised: Iterable[int], alerts: Iterable[int], window: Window) -> tuple[DayLoad, ...]:
    alarms = Counter((instant - window.start) // DAY for instant in raised)
    messages = Counter((instant - window.start) // DAY for instant in alerts)
    count = -(-(window.end - window.start) // DAY)
    return tuple(
        DayLoad(window.start + day * DAY, alarms[day], messages[day]) for day in range(max(count, 1))
    )


def _ten_minutes(raised: Sequence[int], window: Window) -> TenMinutes:
    periods = max((window.end - window.start) / TEN_MINUTES, 1)
    counts = Counter((instant - window.start) // TEN_MINUTES for instant in raised)
    crowded = sum(1 for count in counts.values() if count > FLOOD_BEGINS)
    return TenMinutes(len(raised) / periods, fullest(raised), 100 * crowded / periods)


def _by_alarm(rows: Iterable[AlarmRow]) -> dict[AlarmKey, list[AlarmRow]]:
    found: dict[AlarmKey, list[AlarmRow]] = {}
    for row in rows:
        found.setdefault(row.key, []).append(row)
    return found


def _repeated(rows: Sequence[AlarmRow]) -> tuple[Repeated, ...]:
    found = [
        Repeated(key, len(mine), 100 * len(mine) / len(rows), tuple(row.number for row in mine))
        for key, mine in _by_alarm(rows).items()
    ]
    return tuple(sorted(found, key=lambda one: (-one.times, one.alarm)))


def _repeating(rows: Sequence[AlarmRow], within: int) -> tuple[Repeated, ...]:
    """Give the alarms that were raised three times or more within a span."""
    often = [
        row
        for mine in _by_alarm(rows).values()
        if fullest([row.raised for row in mine], within) >= CHATTER
        for row in mine
    ]
    return _repeated(often)


def _fleeting(rows: Sequence[AlarmRow]) -> Iterable[int]:
    for mine in _by_alarm(rows).values():
        for index, row in enumerate(mine):
            if row.cleared is None or row.acknowledged is not None or row.cleared - row.raised > FLEETING:
                continue
            back = index + 1 < len(mine) and mine[index + 1].raised - row.cleared <= HOUR
            if not back:
                yield row.number


def _stands(row: AlarmRow, window: Window) -> bool:
    end = window.end if row.cleared is None else row.cleared
    return end - row.raised > LONG_STANDING


def _acknowledging(rows: Sequence[AlarmRow]) -> dict[str, Acknowledging]:
    found = {"": _acknowledged(rows)}
    for priority in Priority:
        mine = [row for row in rows if row.priority is priority]
        if mine:
            found[priority.value] = _acknowledged(mine)
    return found


def _acknowledged(rows: Sequence[AlarmRow]) -> Acknowledging:
    took = [row.acknowledged - row.raised for row in rows if row.acknowledged is not None]
    return Acknowledging(
        len(took), len(rows) - len(took), median(took) if took else None, max(took, default=None)
    )


def _shares(rows: Sequence[AlarmRow]) -> dict[str, float]:
    counts = Counter(row.priority for row in rows)
    return {priority.value: 100 * counts[priority] / max(len(rows), 1) for priority in Priority}


_until = bisect_right


def floods(raised: Iterable[int]) -> tuple[Flood, ...]:
    """Find the floods: ten alarms within ten minutes begin one, fewer than five end it."""
    instants = sorted(raised)
    found: list[Flood] = []
    index = FLOOD_BEGINS - 1
    while index < len(instants):
        first = index - FLOOD_BEGINS + 1
        if instants[index] - instants[first] >= TEN_MINUTES:
            index += 1
            continue
        last = first
        while _until(instants, instants[last] + TEN_MINUTES) - _until(instants, instants[last]) >= FLOOD_ENDS:
            last += 1
        end = instants[last] + TEN_MINUTES
        count = _until(instants, end) - first
        found.append(Flood(instants[first], end, count))
        index = first + count + FLOOD_BEGINS - 1
    return tuple(found)
