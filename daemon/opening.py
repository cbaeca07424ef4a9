"""Opening the watch: logbook, clocks and engine as if it had never stopped."""

from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from queue import Empty, SimpleQueue

from daemon import recovery
from daemon.clock import Anchor, Clock, RoomClock
from daemon.door import Door
from daemon.judge import Judge
from daemon.ledger import Ledger
from daemon.logbook import Archive, Logbook
from daemon.record import AlarmRow, Batch, Entered, Entry, Json, Kind
from daemon.settings import Loaded
from daemon.standing import Basis, Standing, Texts, basis_of, settings_entry
from rules.engine import Engine

NUMBERS = 1_000
"""So many alarm numbers are set aside at a time."""

REMEMBERED_ROWS = 50_000
"""So many rows back the door looks for stamps and counters that were taken."""


class Numbers(Iterator[int]):
    """Alarm numbers out of blocks that the logbook set aside. Owned by the judge's thread."""

    def __init__(self, first: range) -> None:
        """Begin with one block."""
        self._blocks = deque([first])
        self.more: SimpleQueue[range] = SimpleQueue()
        self.asked = False

    def __next__(self) -> int:
        """Give the next number."""
        self._take_more()
        if not self._blocks[0] and len(self._blocks) > 1:
            self._blocks.popleft()
        block = self._blocks[0]
        if not block:
            raise RuntimeError("no alarm number is left and the logbook gave no more")
        self._blocks[0] = block[1:]
        return block[0]

    @property
    def left(self) -> int:
        """Tell how many are left."""
        self._take_more()
        return sum(len(block) for block in self._blocks)

    def _take_more(self) -> None:
        try:
            while True:
                self._blocks.append(self.more.get_nowait())
                self.asked = False
        except Empty:
            return


@dataclass(slots=True)
class Opened:
    """A watch that is ready to run.

    Attributes:
        room: Room time.
        offset: Wall minus room, or None while the clock is not trusted.
        standing: The settings in force.
        judge: With an engine that is up to the last record.
        numbers: Alarm numbers.
        journal: What the first round must write.
        batches: What must be committed before it.
        away: Since when nobody watched, or None at the very first start.
        readings: How many readings were replayed.
    """

    room: RoomClock
    offset: int | None
    standing: Standing
    judge: Judge
    numbers: Numbers
    journal: list[Entered]
    batches: list[Batch]
    away: int | None
    readings: int


def open_watch(loaded: Loaded, folder: Path, clock: Clock) -> Opened:
    """Open the logbook and bring the engine up to now.

    Args:
        loaded: The settings.
        folder: Folder of the logbook; nobody else watches by it.
        clock: The clocks.

    Raises:
        LogbookNewer, LogbookDamaged, CannotRecord: The logbook cannot be used.
    """
    with Logbook.open(folder) as logbook, Archive.open(folder) as archive:
        last = logbook.last_instant()
        room = RoomClock(clock, last, _last_anchor(archive))
        offset = label(logbook, clock, room)
        now = room.now()
        standing = Standing(loaded, _last_basis(archive, loaded, offset), now)
        numbers = Numbers(logbook.reserve_numbers(NUMBERS))
        ledger = Ledger(numbers, standing.speaker, address=loaded.model.page.address or "")
        door = Door(standing.plan)
        found = recovery.recover(archive, Texts(archive, loaded.path).plan_of, door)
        judge = Judge(found.engine if found else Engine(standing.plan), door, ledger)
        batches = _caught_up(archive, judge, found, last, now)
        known = loaded.digest in {
            str(one.body.get("digest")) for one in archive.journal(kinds=[Kind.SETTINGS])
        }
        door.remember(_recent(archive, last))
        for row in _ended_and_waiting(archive):
            ledger.recall(row)
    door.plan(standing.plan)
    journal = [] if known else [settings_entry(loaded, now)]
    journal.append(Entered(now, Kind.START, _start_body(room, loaded)))
    away = last if found and last is not None and now > last else None
    readings = found.readings if found else 0
    return Opened(room, offset, standing, judge, numbers, journal, batches, away, readings)


def label(logbook: Logbook, clock: Clock, room: RoomClock) -> int | None:
    """Note how wall clock and room time lie; give the offset where the clock is trusted.

    The label of a clock that is not trusted is noted too, as such: better than none, and
    put right by the first trusted one.
    """
    room.poll()
    trusted = room.trusted()
    offset = room.offset() if trusted else clock.wall() - room.now()
    logbook.note_boot(clock.boot(), room.now(), offset, trusted=trusted)
    return offset if trusted else None


def _caught_up(
    archive: Archive, judge: Judge, found: recovery.Recovered | None, last: int | None, now: int
) -> list[Batch]:
    """Make journal and engine agree, say what was not said, and tell of the span away."""
    if found is None:
        return []
    page = recovery.reconcile(judge.engine, archive, judge.ledger, now)
    judge.ledger.write(found.effects, page)
    batches = [judge.batch(now, page)]
    if last is not None and now > last:
        batches.append(judge.away(last, now))
    return batches


def _last_anchor(archive: Archive) -> Anchor | None:
    starts = archive.journal(kinds=[Kind.START])
    body = starts[-1].body.get("anchor") if starts else None
    if not isinstance(body, dict):
        return None
    return Anchor(str(body["boot"]), int(str(body["boottime"])), int(str(body["room"])))


def _start_body(room: RoomClock, loaded: Loaded) -> dict[str, Json]:
    anchor = room.anchor()
    body: dict[str, Json] = {"boot": anchor.boot, "boottime": anchor.boottime, "room": anchor.room}
    return {"anchor": body, "digest": loaded.digest}


def _last_basis(archive: Archive, loaded: Loaded, offset: int | None) -> Basis:
    plans = archive.journal(kinds=[Kind.PLAN])
    if not plans:
        return Basis(loaded.digest, offset)
    return replace(basis_of(plans[-1].body), offset=offset)


def _ended_and_waiting(archive: Archive) -> Iterator[AlarmRow]:
    """Give the alarms that have ended and of which an alert still waits."""
    waiting = [alert for alert in archive.outbox() if alert.done is None]
    for number in dict.fromkeys(number for alert in waiting for number in alert.alarms):
        row = archive.alarm(number)
        if row is not None and row.cleared is not None:
            yield row


def _recent(archive: Archive, last: int | None) -> Iterator[Entry]:
    """Give what was taken lately, for the door."""
    if last is None:
        return iter(())
    return archive.replay_rows(max(archive.last_row() - REMEMBERED_ROWS, 0))
