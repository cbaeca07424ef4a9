"""The one checker of histories: what was promised to the outside against what is on the card.

A drill writes down what happened outside of the watch: readings that the watch had
acknowledged, messages that a receiver took. Afterwards the logbook must bear it out:

* acknowledged ⊆ stored ∪ listed as not recorded, and nothing stored that never was sent
  (on a card that lies: ∪ of a span in which, as the journal says, nobody watched)
* raised ⊆ delivered ∪ queued (or ended, seen or explained before it could be said)
* delivered ⊆ raised ∪ sent "not recorded"
* nothing from replay in the outbox: each message stands there once, for each line that
  the journal has of it
"""

import re
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from daemon.logbook import Archive
from daemon.record import AlarmRow, Alert, Kind
from rules.reading import MINUTE, SECOND, Quantity
from tests.kit.receivers import Got

Acked = tuple[str, int, float]
"""Sensor, stamp, °C."""

SPOKEN_WITHIN = 11 * MINUTE
"""The engine keeps a distance between messages; after so long an open alarm has been said."""

ROUND = 2 * SECOND
"""A reading is judged within this (ms)."""

_NUMBERS = re.compile(r"alarms? (\d+(?:(?:, | and )\d+\b(?! more))*)", re.IGNORECASE)
NOT_RECORDED = "Not recorded"


@dataclass(slots=True)
class History:
    """What happened outside.

    Attributes:
        acked: Readings that the watch has acknowledged (or the broker, which keeps them).
        sent: Every reading that was ever sent; None: not looked at.
        delivered: Texts that receivers took, with their titles.
        told: Whether there is anybody to tell.
        lies: The card lied: what lies in a span that the journal names as unwatched is listed by that.
    """

    acked: list[Acked] = field(default_factory=list)
    sent: set[Acked] | None = None
    delivered: list[str] = field(default_factory=list)
    told: bool = True
    lies: bool = False

    def take(self, got: Iterable[Got]) -> None:
        """Add what an HTTP receiver took."""
        self.delivered += [f"{one.json['title']}\n{one.json['message']}" for one in got]


@dataclass(frozen=True, slots=True)
class Verdict:
    """What the checker found.

    Attributes:
        lost_readings: Acknowledged and neither stored nor listed.
        doubled: Stamped readings that are stored more than once.
        invented: Stored and never sent.
        lost_alerts: Alarms of which nobody was told and nothing waits.
        unknown: Alarm numbers that were delivered and never raised.
        replayed: Messages that stand twice in the outbox, or that nothing in the journal explains.
        readings: So many acknowledged readings were looked for.
        alerts: So many alarms were, of which somebody was to be told.
    """

    lost_readings: tuple[Acked, ...] = ()
    doubled: tuple[Acked, ...] = ()
    invented: tuple[Acked, ...] = ()
    lost_alerts: tuple[int, ...] = ()
    unknown: tuple[int, ...] = ()
    replayed: tuple[str, ...] = ()
    readings: int = 0
    alerts: int = 0

    @property
    def faults(self) -> int:
        """Count them all."""
        parts = (self.lost_readings, self.doubled, self.invented, self.lost_alerts, self.unknown)
        return sum(len(part) for part in parts) + len(self.replayed)

    def __str__(self) -> str:
        counts = f"{self.readings} readings, {self.alerts} alarms: "
        names = (name for name in self.__slots__ if name not in ("readings", "alerts"))
        amiss = (f"{name}: {getattr(self, name)[:5]}" for name in names if getattr(self, name))
        return counts + ("; ".join(amiss) or "nothing amiss")


def judged(archive: Archive, history: History) -> Verdict:
    """Hold a history against a logbook."""
    stored = Counter(
        (one.sensor, one.stamp, one.raw)
        for one in archive.replay_rows(0)
        if one.quantity is Quantity.TEMPERATURE and one.stamp is not None
    )
    acked = dict.fromkeys(history.acked)
    lost = [one for one in acked if one not in stored]
    if history.lies:
        spans = _unwatched(archive)
        lost = [one for one in lost if not any(start <= one[1] < end for start, end in spans)]
    known = set(stored) if history.sent is None else set(history.sent)
    rows = {row.number: row for row in archive.alarms()}
    return Verdict(
        lost_readings=_not_listed(lost, _listed(archive)),
        doubled=tuple(one for one, count in stored.items() if count > 1),
        invented=tuple(one for one in stored if one not in known),
        lost_alerts=_unsaid(archive, rows) if history.told else (),
        unknown=tuple(
            number
            for words in history.delivered
            if NOT_RECORDED not in words
            for number in _numbers(words)
            if number not in rows
        ),
        replayed=_replayed(archive),
        readings=len(acked),
        alerts=sum(not row.imported for row in rows.values()) if history.told else 0,
    )


def _unwatched(archive: Archive) -> list[tuple[int, int]]:
    """Give the spans (Unix ms) in which, as the journal says, nobody watched.

    A reading that came in the last round before such a span is of the span.
    """
    labels = archive.labels()
    found = []
    for line in archive.journal(kinds=[Kind.AWAY, Kind.RESTORED]):
        since = line.body.get("since", line.body.get("from"))
        start = 0 if since is None else labels.wall(int(str(since))) - ROUND
        found.append((start, labels.wall(line.now)))
    return found


def _listed(archive: Archive) -> Counter[str]:
    """Count the readings that are listed as not recorded, by sensor."""
    found: Counter[str] = Counter()
    for line in archive.journal(kinds=[Kind.NOT_RECORDED]):
        counts = line.body.get("readings")
        if isinstance(counts, Mapping):
            found.update({name: int(str(count)) for name, count in counts.items()})
    return found


def _not_listed(lost: list[Acked], listed: Counter[str]) -> tuple[Acked, ...]:
    left = Counter(listed)
    missing = []
    for one in lost:
        if left[one[0]] > 0:
            left[one[0]] -= 1
        else:
            missing.append(one)
    return tuple(missing)


def _unsaid(archive: Archive, rows: Mapping[int, AlarmRow]) -> tuple[int, ...]:
    """Give the alarms that should have been said by now and of which no message is known."""
    outbox = archive.outbox()
    carried = {number for alert in outbox if not _given_up(alert) for number in alert.alarms}
    now = archive.last_instant() or 0
    missing = []
    for row in rows.values():
        if row.imported or row.number in carried:
            continue
        quiet = row.cause is not None or row.acknowledged is not None or row.shelved_until is not None
        ended = row.cleared is not None and row.alerted is None
        if row.alerted is not None or not (quiet or ended or now - row.raised < SPOKEN_WITHIN):
            missing.append(row.number)
    return tuple(missing)


def _given_up(alert: Alert) -> bool:
    return alert.done is not None and alert.outcome.startswith("given up")


def _numbers(words: str) -> list[int]:
    return [int(number) for found in _NUMBERS.findall(words) for number in re.findall(r"\d+", found)]


def _replayed(archive: Archive) -> tuple[str, ...]:
    rows = archive.alarms()
    imported = {row.number for row in rows if row.imported}
    keys = Counter((one.contact, one.now, one.title, one.alarms) for one in archive.outbox())
    told = Counter(
        (str(line.body["contact"]), line.now, str(line.body["title"]), _whole(line.body["alarms"]))
        for line in archive.journal(kinds=[Kind.TOLD])
    )
    found = [f"twice: {key[2]}" for key, count in keys.items() if count > 1]
    found += [f"of a file: {key[2]}" for key in keys if imported & set(key[3])]
    reports = {one.title for one in archive.outbox() if one.tone in ("report", "test")}
    found += [f"unexplained: {key[2]}" for key in keys if key not in told and key[2] not in reports]
    return tuple(found)


def _whole(numbers: object) -> tuple[int, ...]:
    return tuple(int(str(one)) for one in numbers) if isinstance(numbers, list) else ()
