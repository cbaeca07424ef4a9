"""What the watch did by the clock before this start, as the logbook has it."""

from dataclasses import dataclass, field

from daemon.alerting import AWAY_WORDS, REPORT, TEST, of_morning
from daemon.logbook import Archive
from daemon.record import Entered, Entry, Kind
from rules.reading import DAY, HOUR


@dataclass(frozen=True, slots=True)
class History:
    """What counts from before.

    Attributes:
        started: Room time of this start.
        born: Room time of the very first start.
        backup: Of the last copy that was tried, or None.
        test: Of the last weekly test, or None.
        morning: Of the last morning report, by contact.
        away: Since when nobody watched, where that is to be reported, or None.
        before: The newest reading of each curve.
        restored: What was done about a damaged logbook before this start, or None.
        trial: Contacts of a weekly test that was begun and has no result yet, with what is known of each.
    """

    started: int
    born: int
    backup: int | None = None
    test: int | None = None
    morning: dict[str, int] = field(default_factory=dict)
    away: int | None = None
    before: tuple[Entry, ...] = ()
    restored: Entered | None = None
    trial: dict[str, str | None] = field(default_factory=dict)


def history_of(archive: Archive, started: int, away: int | None, *, longest: int) -> History:
    """Read it.

    Args:
        archive: The logbook, before this start has written anything.
        started: Room time of this start, ms.
        away: Since when nobody watched, or None at the very first start.
        longest: A span away that is no longer than this, and ended well, is not reported (ms).
    """
    starts = archive.journal(kinds=[Kind.START])
    reports = [alert for alert in archive.outbox(started - 8 * DAY) if alert.tone == REPORT]
    away_said = max((alert.now for alert in reports if AWAY_WORDS in alert.title), default=None)
    told = away is None or (away_said is not None and started - away_said < HOUR)
    if not told and away is not None and started - away <= longest and not _died(archive):
        told = True
    return History(
        started,
        starts[0].now if starts else started,
        _last(archive, Kind.BACKUP),
        _last(archive, Kind.TEST),
        {alert.contact: alert.now for alert in reports if of_morning(alert)},
        None if told else away,
        tuple(archive.latest().values()),
        _restored(archive),
        _trial(archive),
    )


def _restored(archive: Archive) -> Entered | None:
    """Give the restore after which no watch has begun yet; a keeper's own is no news."""
    lines = archive.journal(kinds=[Kind.START, Kind.RESTORED])
    return lines[-1] if lines and lines[-1].kind is Kind.RESTORED and lines[-1].body.get("damage") else None


def _trial(archive: Archive) -> dict[str, str | None]:
    """Give the contacts of a test without a result; of those whose message is settled, what became of it."""
    tests = archive.journal(kinds=[Kind.TEST])
    if not tests or not tests[-1].body.get("begun"):
        return {}
    sent = [one for one in archive.outbox(tests[-1].now) if one.tone == TEST and one.now == tests[-1].now]
    return {one.contact: one.outcome if one.done is not None else None for one in sent}


def _died(archive: Archive) -> bool:
    """Tell whether the last watch ended without saying so."""
    ends = archive.journal(kinds=[Kind.START, Kind.STOP])
    return bool(ends) and ends[-1].kind is Kind.START


def _last(archive: Archive, kind: Kind) -> int | None:
    found = archive.journal(kinds=[kind])
    return found[-1].now if found else None
