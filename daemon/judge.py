"""The judge: rounds of the engine.

It owns engine, door and ledger. A round takes what the inbox held, hands it over as one
batch in the order (at, sensor, quantity) at a whole second of room time, and gives back
a :class:`daemon.record.Batch` for the recorder with the acknowledgements that are due
after its commit. Nothing here waits for a disk.
"""

from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from itertools import chain

from daemon.door import Door, Taken
from daemon.ledger import Ledger, Page
from daemon.record import AlarmRow, Batch, Entered, Entry, Kind
from rules.engine import Engine
from rules.events import Away, Effect, Order, Tick
from rules.plan import Plan
from rules.reading import MINUTE, SECOND, Reading
from sensors.reader import Arrival, Reject, Settled

REJECTS_SAID = 10 * MINUTE
"""One source's rejects become at most one journal line in this time."""

MOST_SOURCES = 500
"""So many sources are counted one by one."""

OTHERS = "other sources"
"""What the rest is counted under."""


@dataclass(frozen=True, slots=True)
class Round:
    """What came of one round.

    Attributes:
        batch: For the recorder.
        settled: To be called once the batch is on the card.
        strangers: Arrivals of sensors that are not in the settings.
    """

    batch: Batch
    settled: tuple[Settled, ...]
    strangers: tuple[Arrival, ...] = ()


@dataclass(slots=True)
class Rejects:
    """Counts what was no measurement; one journal line for a source in ten minutes.

    Attributes:
        total: How many since the start, by source.
    """

    total: Counter[str] = field(default_factory=Counter)
    _waiting: Counter[str] = field(default_factory=Counter)
    _reason: dict[str, str] = field(default_factory=dict)
    _said: dict[str, int] = field(default_factory=dict)

    def take(self, reject: Reject) -> None:
        """Count one."""
        known = reject.source in self.total or len(self.total) < MOST_SOURCES
        source = reject.source if known else OTHERS
        self.total[source] += 1
        self._waiting[source] += 1
        self._reason[source] = f"{reject.reason} ({reject.start})" if reject.start else reject.reason

    def hurry(self) -> None:
        """Let the next lines come whatever was said lately: it is the end."""
        self._said.clear()

    def lines(self, now: int) -> Iterator[Entered]:
        """Give the journal lines that are due."""
        for source, count in tuple(self._waiting.items()):
            last = self._said.get(source)
            if last is not None and now - last < REJECTS_SAID:
                continue
            self._said[source] = now
            del self._waiting[source]
            reason = self._reason.pop(source)
            yield Entered(now, Kind.REJECTED, {"source": source, "count": count, "reason": reason})


class Judge:
    """Owns the engine. One thread: the watch's own."""

    def __init__(self, engine: Engine, door: Door, ledger: Ledger) -> None:
        """Go on with an engine, a door and a ledger."""
        self.engine = engine
        self.door = door
        self.ledger = ledger
        self.rejects = Rejects()
        self.taken = 0

    def round(
        self, came: Iterable[tuple[int, Arrival | Reject]], now: int, offset: int | None, before: "Before"
    ) -> Round:
        """Judge one batch.

        Args:
            came: What the inbox held, each with the room time at which it came in.
            now: A whole second of room time, not before the last round or tick.
            offset: Wall minus room, or None while the clock is not trusted.
            before: Plan and orders of this instant.
        """
        page = Page(journal=list(before.journal))
        taken: list[Taken] = []
        settled: list[Settled] = []
        strangers: list[Arrival] = []
        for at, arrival in came:
            if isinstance(arrival, Reject):
                self.rejects.take(arrival)
                settled += [arrival.settled] if arrival.settled else []
                continue
            one = self.door.take(arrival, at, now, offset)
            if one is None:
                strangers.append(arrival)
                continue
            taken.append(one)
            settled += [one.settled] if one.settled else []
        pairs = sorted(
            chain.from_iterable(zip(t.entries, t.readings, strict=True) for t in taken), key=_order
        )
        self.step(chain(before.events, (reading for _, reading in pairs)), page)
        self.taken += len(pairs)
        page.journal.extend(self.rejects.lines(now))
        batch = self._batch(now, page, tuple(entry for entry, _ in pairs), before)
        return Round(batch, tuple(settled), tuple(strangers))

    def tick(self, now: int) -> Batch | None:
        """Let time pass; None where nothing came of it."""
        page = Page()
        self.step((Tick(now),), page)
        if not (page.journal or page.alarms or page.shown):
            return None
        return self._batch(now, page, (), Before())

    def away(self, since: int, now: int) -> Batch:
        """Tell the engine that nobody watched."""
        page = Page(journal=[Entered(now, Kind.AWAY, {"since": since})])
        self.step((Away(since, now),), page)
        return self._batch(now, page, (), Before())

    def step(self, events: Iterable[Plan | Order | Reading | Tick | Away], page: Page) -> None:
        """Tell the engine of events in order and write what comes of them onto a page."""
        step, write = self.engine.step, self.ledger.write
        for event in events:
            effects: tuple[Effect, ...] = step(event)
            if effects:
                write(effects, page)

    def batch(self, now: int, page: Page) -> Batch:
        """Give a page that was written outside a round (after a restart) as a batch."""
        return self._batch(now, page, (), Before())

    def _batch(self, now: int, page: Page, entries: tuple[Entry, ...], before: "Before") -> Batch:
        for row in before.alarms:
            self.ledger.label(row, page)
        return Batch(
            now=now,
            entries=entries,
            journal=tuple(page.journal),
            alarms=tuple(page.alarms.values()),
            alerts=tuple(page.alerts),
            answers=before.answers,
            shown=page.shown,
            urgent=bool(page.alarms or before.answers),
        )


@dataclass(frozen=True, slots=True)
class Before:
    """What is taken ahead of the readings of one instant.

    Attributes:
        events: A plan, then orders.
        journal: Their journal lines.
        answers: Answers to orders: (id, room time, words).
        alarms: Alarm rows that people changed without the engine (labels).
    """

    events: tuple[Plan | Order, ...] = ()
    journal: tuple[Entered, ...] = ()
    answers: tuple[tuple[int, int, str], ...] = ()
    alarms: tuple[AlarmRow, ...] = ()


def whole_second(now: int) -> int:
    """Give the whole second at or before an instant."""
    return now - now % SECOND


def _order(pair: tuple[Entry, Reading]) -> tuple[int, str, str]:
    entry = pair[0]
    return entry.at, entry.sensor, entry.quantity.value
