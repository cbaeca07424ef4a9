"""Nights played by the real judge into a real logbook, without threads, sockets or waiting.

A :class:`Played` watch is opened, told of rounds of values and of orders, closed and
opened again, as a watch would be; what it recorded is what ``ovigil run`` records.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

from daemon.clock import ManualClock
from daemon.judge import Before
from daemon.logbook import Archive, Logbook
from daemon.opening import Opened, open_watch
from daemon.record import AlarmRow, Asked, Batch, Entered, Json, Kind
from daemon.settings import Loaded, load
from daemon.standing import settings_entry
from daemon.taking import Look, take
from rules.reading import HOUR, SECOND, Quantity
from sensors.reader import Arrival, Value

WALL = 1_795_590_000_000 // HOUR * HOUR
"""Wall clock at the beginning, Unix ms."""

ROOM = """\
[room]
name = "Loft"
time_zone = "Europe/Lisbon"
data = "state"
day = "07:00-21:00"

[[contact]]
name = "first"
reach = "first"
"""

PLACE = """
[[place]]
name = "{name}"
kind = "{kind}"
settling = "0 min"
temperature = {{ ideal = [{ideal}], safe = ["26 C", "33 C"] }}
hold = {{ ideal = "{hold}", safe = "2 min", off = "2 min" }}
deadband = {{ temperature = "{deadband}" }}

[[place.sensor]]
name = "{name}"
silence = "10 min"
read = {{ by = "{by}", every = "{every}"{topic} }}
"""


@dataclass(frozen=True, slots=True)
class Pen:
    """One place of a made-up room, with one thermometer of the same name."""

    name: str = "pen-1"
    kind: str = "enclosure"
    ideal: str = '"28 C", "31 C"'
    hold: str = "10 min"
    deadband: str = "0.3 C"
    every: str = "60 s"
    by: str = "mqtt"

    def text(self) -> str:
        """Write it as the config does."""
        topic = f', topic = "loft/{self.name}", temperature = "/t"' if self.by == "mqtt" else ""
        if self.by == "import":
            topic = ', quantities = ["temperature"]'
        return PLACE.format(
            name=self.name,
            kind=self.kind,
            ideal=self.ideal,
            hold=self.hold,
            deadband=self.deadband,
            every=self.every,
            by=self.by,
            topic=topic,
        )


def room_text(*pens: Pen, broker: bool = True, contact: bool = True) -> str:
    """Write the settings of a room."""
    head = ROOM if contact else ROOM.split("[[contact]]", maxsplit=1)[0]
    link = '\n[broker]\nhost = "127.0.0.1"\n' if broker else ""
    return head + link + "".join(pen.text() for pen in pens)


def written(folder: Path, text: str, name: str = "room.toml") -> Loaded:
    """Put settings into a folder and load them."""
    path = folder / name
    path.write_text(text, "utf-8")
    return load(path, {})


@dataclass(slots=True)
class Played:
    """A watch that is moved by hand."""

    loaded: Loaded
    folder: Path
    clock: ManualClock = field(default_factory=lambda: ManualClock(WALL, boottime=HOUR))
    opened: Opened | None = None
    asked: int = 0

    def open(self) -> None:
        """Start: the record is replayed, the span away is told."""
        opened = self.opened = open_watch(self.loaded, self.folder, self.clock)
        with Logbook.open(self.folder) as book:
            book.commit(list(opened.batches))
        opened.standing.plan  # noqa: B018 - made at opening
        self.round({}, replan=True, journal=opened.journal)

    def close(self, away: int) -> None:
        """End, and let time pass without a watch."""
        self.opened = None
        self.clock.advance(away)

    def reload(self, loaded: Loaded) -> None:
        """Take other settings."""
        self.loaded = loaded
        opened = self._here()
        opened.standing.loaded = loaded
        self.round({}, replan=True, journal=[settings_entry(loaded, opened.room.now())])

    def pass_time(self, ms: int) -> None:
        """Let time pass."""
        self.clock.advance(ms)

    def round(
        self,
        values: Mapping[str, float],
        *,
        replan: bool = False,
        journal: Iterable[Entered] = (),
        order: Mapping[str, Json] | None = None,
        late_by: int = 0,
        link: int = 1,
    ) -> int:
        """Judge one round of temperatures by sensor; give its room time."""
        opened = self._here()
        now = opened.room.now() // SECOND * SECOND
        if now < opened.room.now():
            self.clock.advance(now + SECOND - opened.room.now())
            now = opened.room.now()
        before = self._before(now, list(journal), order, replan=replan)
        stamp = None if not late_by else self.clock.wall() - late_by
        arrivals = [
            (
                now,
                Arrival(name, {Quantity.TEMPERATURE: Value(value)}, self.clock.boottime(), stamp, link=link),
            )
            for name, value in values.items()
        ]
        batches = [tick] if (tick := opened.judge.tick(now)) is not None else []
        batches.append(opened.judge.round(arrivals, now, opened.offset, before).batch)
        with Logbook.open(self.folder) as book:
            book.commit(batches)
        self.clock.advance(SECOND)
        return now

    def minutes(self, curve: Iterable[Mapping[str, float]], every: int = 60 * SECOND) -> None:
        """Judge one round after the other, all in one commit."""
        opened = self._here()
        batches: list[Batch] = []
        now = opened.room.now() // SECOND * SECOND + SECOND
        self.clock.advance(now - opened.room.now())
        for values in curve:
            now = opened.room.now()
            tick = opened.judge.tick(now)
            batches += [tick] if tick is not None else []
            arrivals = [
                (now, Arrival(name, {Quantity.TEMPERATURE: Value(value)}, self.clock.boottime(), link=1))
                for name, value in values.items()
            ]
            batches.append(opened.judge.round(arrivals, now, opened.offset, Before()).batch)
            self.clock.advance(every)
        with Logbook.open(self.folder) as book:
            book.commit(batches)

    def rows(self) -> list[AlarmRow]:
        """Give the alarms of the logbook."""
        with Archive.open(self.folder) as archive:
            return archive.alarms()

    def label(self, number: int, label: str) -> None:
        """Say of an alarm what it was."""
        self.round({}, order={"verb": "label", "alarm": number, "label": label})

    def _before(
        self, now: int, journal: list[Entered], order: Mapping[str, Json] | None, *, replan: bool
    ) -> Before:
        opened = self._here()
        events: list[object] = []
        if replan:
            plan, entered = opened.standing.renew(replace(opened.standing.basis, offset=opened.offset), now)
            opened.judge.door.plan(plan)
            events.append(plan)
            journal.append(entered)
        rows: tuple[AlarmRow, ...] = ()
        if order is not None:
            self.asked += 1
            asked = Asked(self.asked, self.clock.wall(), "first", "command", dict(order))
            look = Look(now, opened.standing.plan, self._row, opened.standing.basis.overrides, lambda _: None)
            taken = take(asked, look)
            assert not taken.answer.startswith("refused"), taken.answer
            events += taken.events
            journal += [taken.entered] if taken.entered else []
            rows = (taken.row,) if taken.row else ()
        return Before(events=tuple(events), journal=tuple(journal), alarms=rows)  # type: ignore[arg-type]

    def _row(self, number: int) -> AlarmRow | None:
        row = self._here().judge.ledger.row(number)
        if row is not None:
            return row
        with Archive.open(self.folder) as archive:
            return archive.alarm(number)

    def _here(self) -> Opened:
        assert self.opened is not None, "not open"
        return self.opened


def journaled(folder: Path) -> list[tuple[str, int, tuple[str, ...]]]:
    """Give what the journal says of alarms that came and went: (kind, instant, identity)."""
    with Archive.open(folder) as archive:
        entries = archive.journal(kinds=[Kind.RAISED, Kind.CLEARED])
    return [
        (one.kind.value, one.now, tuple(str(part) for part in one.body["alarm"]))  # type: ignore[union-attr]
        for one in entries
    ]
