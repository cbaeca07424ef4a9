"""Drills 14, 15, 16 and 25: cards that are full, fail, are slow, or lie damaged; and their copies."""

import json
import os
import random
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager, suppress
from dataclasses import replace
from pathlib import Path

from daemon.logbook import Archive, Logbook
from daemon.logbook.backup import make, verify
from daemon.logbook.recovery import restore
from daemon.logbook.schema import FILE
from daemon.record import Batch, Kind
from rules.reading import HOUR, SECOND, Quantity
from tests.drills.card import card, run, small_card
from tests.drills.drill import Drill, Measured, awaited, borne_out, tool
from tests.drills.ingest import MANY, MEMORY, WIDE, borne, published, verdict
from tests.kit.broker import Broker, until
from tests.kit.history import Acked, Verdict
from tests.kit.logbooks import BASE, entry, recorded
from tests.kit.receivers import HttpReceiver, http_receiver
from tests.kit.watch import Feeder, LiveWatch, missing, wall

LAYOUT = replace(
    WIDE,
    hold="1 s",
    commit="1 s",
    more="""
[[contact]]
name = "urgent"
reach = "urgent"
priorities = ["high"]
""",
)
"""One contact hears everything, the other only what is urgent: messages to one keep a distance."""


HOUR_OF_READINGS = 120 * 360
"""120 curves at ten seconds."""


def told_of(phone: HttpReceiver, words: str) -> Callable[[], bool]:
    """Ask whether a receiver was told of something."""
    return lambda: any(words in title for title in phone.titles())


def watch_of(folder: Path, broker: Broker, state: Path, reach: tuple[str, str], **more: object) -> LiveWatch:
    """Lay out a watch whose logbook lies on a card of its own, with both contacts."""
    env = {"STATE_DIRECTORY": str(state)}
    layout = replace(LAYOUT, contacts={"phone": reach[0]})
    watch = LiveWatch(folder, layout, broker, env=env, **more)  # type: ignore[arg-type]
    secret = folder / "credentials" / "urgent"
    secret.touch(mode=0o600)
    secret.write_text(reach[1])
    return watch


def stored(state: Path) -> set[tuple[str, int | None, float]]:
    """Give the readings on a card."""
    with Archive.open(state) as archive:
        found = archive.replay_rows(0)
        return {(one.sensor, one.stamp, one.raw) for one in found if one.quantity is Quantity.TEMPERATURE}


def absent(state: Path, acked: list[tuple[str, int, float]]) -> int:
    """Count the acknowledged readings that a card lacks."""
    there = stored(state)
    return sum(one not in there for one in acked)


# -- 14 -----------------------------------------------------------------------------------


def full_or_failing(folder: Path, full: bool) -> Iterator[Measured]:
    """The card is full, then free again; and another becomes read-only."""
    (folder / "full").mkdir()
    with small_card(folder / "full", 12) as small:
        yield from _troubled(folder / "full", small / "state", _Full(small), "full")
    (folder / "failing").mkdir()
    with card(folder / "failing", 64) as mine:
        yield from _troubled(
            folder / "failing", mine.folder / "state", _Trouble(mine.fail, mine.again), "read-only"
        )
    if full:
        yield from _injected(folder / "injected")
        with small_card(folder / "long", 12) as small:
            yield from _overfull(folder / "long", small / "state", _Full(small))


class _Trouble:
    """How trouble begins and ends."""

    def __init__(self, begin: Callable[[], None], end: Callable[[], None]) -> None:
        self.begin = begin
        self.end = end


class _Full(_Trouble):
    """Takes all room, and what becomes free again, until it ends."""

    def __init__(self, folder: Path) -> None:
        self._file = folder / "filler"
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        super().__init__(self._thread.start, self._free)

    def _run(self) -> None:
        number = os.open(self._file, os.O_CREAT | os.O_WRONLY, 0o600)
        while not self._ending.wait(0.02):
            with suppress(OSError):
                while not self._ending.is_set():
                    os.write(number, bytes(4096))
        os.close(number)

    def _free(self) -> None:
        self._ending.set()
        self._thread.join()
        self._file.unlink()


def _troubled(folder: Path, state: Path, trouble: _Trouble, words: str) -> Iterator[Measured]:
    """Play one trouble: told, judged on, and when it is over everything is there or its span is named.

    A card that has become read-only takes nothing again before it is put in anew, and
    the watch with it: what it had in memory is then a span in which nobody watched.
    """
    with (
        http_receiver() as phone,
        http_receiver() as urgent,
        Broker(folder / "b", extra=MANY) as broker,
        watch_of(folder / "w", broker, state, (phone.reach(), urgent.reach())) as watch,
        Feeder(watch, pace=0.03) as feeder,
    ):
        until(lambda: state.exists() and len(stored(state)) > 5, "readings are recorded", 30)
        begun = time.monotonic()
        trouble.begin()
        awaited(told_of(phone, "cannot record"), 90)
        said = time.monotonic() - begun
        feeder.celsius = 36.0
        due = time.monotonic()
        awaited(lambda: urgent.got, 30)
        alarm = time.monotonic() - due
        marked = bool(urgent.got) and "Not recorded" in urgent.got[0].json["message"]
        yield Measured(f'{words}: "cannot record" told after, s', said, 60)
        yield Measured(f"{words}: an alarm told meanwhile after, s", alarm, 6)
        yield Measured(f"{words}: that alert is not marked", float(not marked), 0)
        assert watch.process is not None
        yield Measured(f"{words}: restarts", watch.starts - 1 + (watch.process.poll() is not None), 0)
        feeder.stop()
        if words == "read-only":
            watch.kill()
            trouble.end()
            watch.start()
            until(lambda: _span_named(state), "the span is journaled", 20)
        else:
            trouble.end()
            awaited(lambda: not absent(state, feeder.acked), 40)
        with Archive.open(state) as archive:
            lies = words == "read-only"
            yield borne_out(borne(archive, feeder.acked, phone, urgent, lies=lies), words)


def _span_named(state: Path) -> bool:
    with Archive.open(state) as archive:
        return bool(archive.journal(kinds=[Kind.AWAY]))


def _overfull(folder: Path, state: Path, trouble: _Trouble) -> Iterator[Measured]:
    """More than memory holds while nothing can be recorded: the oldest go, and are listed by sensor."""
    with (
        Broker(folder / "b", persistence=False, extra=MEMORY) as broker,
        LiveWatch(folder / "w", WIDE, broker, env={"STATE_DIRECTORY": str(state)}) as watch,
    ):
        sent = published(watch, 200)
        until(lambda: not absent(state, sent), "readings are recorded", 30)
        trouble.begin()
        for part in range(7):
            sent += published(watch, 10_000, 10_000 * (part + 1))
        until(lambda: "OK" if watch.ears.heard("WATCHDOG=1", time.monotonic() - 1) else "", "it goes on", 20)
        time.sleep(10)
        trouble.end()
        until(lambda: _listed(state), "what did not fit is listed", 60)
        until(lambda: not verdict_of(state, sent).lost_readings, "the rest is recorded", 60)
        listed = _listed(state)
        yield borne_out(verdict_of(state, sent), "70,000 readings on a full card", f"{listed} listed")
        short = max(HOUR_OF_READINGS - (len(sent) - listed), 0)
        yield Measured("readings short of an hour's that memory holds", short, 0)


def verdict_of(state: Path, sent: list[Acked]) -> Verdict:
    """Hold readings against the logbook of a folder."""
    with Archive.open(state) as archive:
        return borne(archive, sent)


def _listed(state: Path) -> int:
    """Count the readings that the journal lists as not recorded."""
    with Archive.open(state) as archive:
        lines = archive.journal(kinds=[Kind.NOT_RECORDED])
    counts = [line.body["readings"] for line in lines]
    return sum(int(str(count)) for one in counts if isinstance(one, dict) for count in one.values())


def _injected(folder: Path) -> Iterator[Measured]:
    """Calls of the kernel fail at the n-th time, for a stretch, while the watch runs."""
    cases = (
        "fdatasync:error=EIO:when=3..9",
        "pwrite64:error=EIO:when=20..40",
        "pwrite64:error=ENOSPC:when=20..40",
    )
    for number, case in enumerate(cases):
        base = folder / str(number)
        log = base / "strace.log"
        with (
            Broker(base / "b", extra=MANY) as broker,
            LiveWatch(base / "w", replace(WIDE, commit="1 s"), broker) as watch,
        ):
            with Feeder(watch, pace=0.03) as feeder, _failing(watch, case, log):
                until(lambda log=log: "INJECTED" in log.read_text(), "calls fail", 60)  # type: ignore[misc]
                time.sleep(8)
            awaited(lambda w=watch, f=feeder: not missing(w, f.acked), 40)  # type: ignore[misc]
            note = f"{log.read_text().count('INJECTED')} injected"
            yield borne_out(verdict(watch, feeder.acked), case, note)


@contextmanager
def _failing(watch: LiveWatch, case: str, log: Path) -> Iterator[None]:
    """Let calls of a running watch fail as ``case`` says."""
    assert watch.process is not None
    log.touch()
    words = ["-f", "-qq", "-o", str(log), "-e", f"trace={case.partition(':')[0]}", "-e", f"inject={case}"]
    strace = subprocess.Popen([tool("strace"), *words, "-p", str(watch.process.pid)])
    try:
        yield
    finally:
        strace.terminate()
        strace.wait(10)


# -- 15 ------------------------------------------------------------------------------------


def slow_or_frozen(folder: Path, full: bool) -> Iterator[Measured]:
    """Each commit takes its time; then the card freezes for half a minute."""
    for milliseconds in (100, 2_000) if full else ():
        yield from _slow(folder / str(milliseconds), milliseconds)
    yield from _frozen(folder / "frozen", 30 if full else 12)


def _slow(folder: Path, milliseconds: int) -> Iterator[Measured]:
    """Let each flush of the card take so long."""
    case = f"fdatasync:delay_enter={1000 * milliseconds}"
    words = f"-D -f --seccomp-bpf -qq -o /dev/null -e trace=fdatasync -e inject={case}"
    before = (tool("strace"), *words.split())
    layout = replace(WIDE, hold="1 s", commit="1 s")
    with (
        http_receiver() as phone,
        Broker(folder / "b", extra=MANY) as broker,
        LiveWatch(
            folder / "w", replace(layout, contacts={"phone": phone.reach()}), broker, before=before
        ) as watch,
    ):
        with Feeder(watch, pace=0.03) as feeder:
            until(lambda: len(watch.entries()) > 5, "readings are recorded", 40)
            feeder.celsius = 36.0
            until(lambda: phone.got, "an alarm is told", 30)
            arrived = time.time() - (time.monotonic() - phone.got[0].at)
        awaited(lambda: not missing(watch, feeder.acked), 40)
        yield borne_out(verdict(watch, feeder.acked, phone), f"{milliseconds} ms a commit")
        late = arrived - min(row.raised for row in watch.alarms("too warm")) / 1000
        yield Measured(f"{milliseconds} ms a commit: alarm due to the phone, s", late, 5)


def _frozen(folder: Path, seconds: int) -> Iterator[Measured]:
    """Freeze the file system of the card."""
    folder.mkdir()
    with (
        card(folder, 64) as mine,
        http_receiver() as phone,
        http_receiver() as urgent,
        Broker(folder / "b", extra=MANY) as broker,
        watch_of(folder / "w", broker, mine.folder / "state", (phone.reach(), urgent.reach())) as watch,
    ):
        state = mine.folder / "state"
        with Feeder(watch, pace=0.05) as feeder:
            until(lambda: state.exists() and len(stored(state)) > 5, "readings are recorded", 30)
            run(tool("fsfreeze"), "-f", str(mine.folder))
            frozen = time.monotonic()
            try:
                feeder.celsius = 36.0
                while time.monotonic() - frozen < seconds:
                    time.sleep(0.2)
            finally:
                run(tool("fsfreeze"), "-u", str(mine.folder))
            until(lambda: urgent.got, "the alarm is told", 30)
            alarm = urgent.got[0].at - frozen
            feeder.celsius = 29.5
        awaited(lambda: not absent(state, feeder.acked), 40)
        pings = [
            at for at, words in watch.ears.said if "WATCHDOG" in words and frozen < at < frozen + seconds
        ]
        with Archive.open(state) as archive:
            yield borne_out(borne(archive, feeder.acked, phone, urgent), f"frozen {seconds} s")
        yield Measured(f"frozen {seconds} s: alarm told after, s", alarm, seconds + 5)
        yield Measured("frozen: seconds without a sign of life", seconds - len(pings), 5)


# -- 16 --------------------------------------------------------------------------------------


def damaged(folder: Path, full: bool) -> Iterator[Measured]:
    """Header, page, truncation: set aside, a copy put back, watching on; flipped bits are found."""
    hurts: dict[str, Callable[[bytearray], None]] = {
        "header": lambda data: data.__setitem__(slice(0, 64), os.urandom(64)),
        "pages": lambda data: data.__setitem__(slice(3 * 4096, 12 * 4096), os.urandom(9 * 4096)),
        "truncated": lambda data: data.__delitem__(slice(len(data) // 3, None)),
    }
    slowest, unkept, unnamed, lost = 0.0, 0, 0, 0
    for name, hurt in hurts.items():
        base = folder / name
        with (
            Broker(base / "b", extra=MANY) as broker,
            LiveWatch(base / "w", replace(WIDE, commit="1 s"), broker) as watch,
        ):
            sent = published(watch, 300)
            until(lambda w=watch, s=sent: not missing(w, s), "readings are recorded", 30)  # type: ignore[misc]
            make(watch.state, watch.state / "backups", wall())
            watch.stop()
            with closing(sqlite3.connect(watch.state / FILE)) as connection:
                connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            data = bytearray((watch.state / FILE).read_bytes())
            hurt(data)
            (watch.state / FILE).write_bytes(data)
            begun = time.monotonic()
            watch.start()
            slowest = max(slowest, time.monotonic() - begun)
            files = [one for one in watch.state.rglob("*") if one.is_file()]
            unkept += not any(one.read_bytes()[:4096] == bytes(data[:4096]) for one in files)
            lost += len(missing(watch, sent))
            with watch.archive() as archive:
                unnamed += not archive.journal(kinds=[Kind.RESTORED])
    yield Measured("slowest start on a damaged logbook, s", slowest, 10)
    yield Measured("damaged files not kept", unkept, 0)
    yield Measured("restores that the journal does not tell of", unnamed, 0)
    yield Measured("readings of the copy missing", lost, 0)
    yield from _flipped(folder / "flips", 300 if full else 25)


def _flipped(folder: Path, flips: int) -> Iterator[Measured]:
    """Flip bits in a year's file: each flip that changes a value is found."""
    recorded(folder / "state")
    whole = (folder / "state" / FILE).read_bytes()
    before = _values(folder / "state")
    dice = random.Random(16)
    silent = changed = 0
    other = folder / "other"
    other.mkdir()
    for _ in range(flips):
        data = bytearray(whole)
        data[dice.randrange(100, len(data))] ^= 1 << dice.randrange(8)
        (other / FILE).write_bytes(data)
        if _values(other) != before:
            changed += 1
            silent += not verify(other / FILE)
    yield Measured(
        "flips that changed a value and were not found", silent, 0, f"{changed} of {flips} changed one"
    )


def _values(folder: Path) -> object:
    """Give all values of a logbook; None where it cannot be read."""
    try:
        with Archive.open(folder) as archive:
            return [(one.sensor, one.quantity, one.at, one.raw) for one in archive.replay(0, 2**60)]
    except Exception as fault:
        return type(fault).__name__


# -- 25 -------------------------------------------------------------------------------------


def copied(folder: Path, full: bool) -> Iterator[Measured]:
    """A copy while the watch writes, verified, put back elsewhere: the same curves."""
    state = folder / "state"
    recorded(state, sensors=40 if full else 12, rounds=3_000)
    waits: list[float] = []
    with Logbook.open(state) as logbook:
        copy = subprocess.Popen(
            [sys.executable, "-c", _COPY, str(state), str(folder / "copies")],
            stdout=subprocess.PIPE,
            text=True,
        )
        number = 0
        while copy.poll() is None:
            now = 200 * HOUR + number * SECOND
            begun = time.monotonic()
            logbook.commit([Batch(BASE + now, tuple(entry(f"s{k}", 20.0, now) for k in range(20)))])
            waits.append(time.monotonic() - begun)
            number += 1
            time.sleep(0.01)
        assert copy.stdout is not None
        said = copy.stdout.read()
        copy.stdout.close()
        assert copy.returncode == 0, "the copy could not be made"
    made = Path(json.loads(said))
    damage = verify(made)
    yield Measured("the copy is damaged", len(damage), 0, "; ".join(damage))
    if damage:
        return
    restore(made, folder / "fresh", 0, wall())
    until_ = BASE + 190 * HOUR
    different = _until(state, until_) != _until(folder / "fresh", until_)
    yield Measured("curves that differ after restoring elsewhere", float(different), 0)
    yield Measured("longest wait of a commit meanwhile, ms", max(waits) * 1000, 50, f"{len(waits)} commits")


_COPY = """
import json, sys, time
from pathlib import Path
from daemon.logbook.backup import make
print(json.dumps(str(make(Path(sys.argv[1]), Path(sys.argv[2]), time.time_ns() // 1_000_000).path)))
"""


def _until(folder: Path, end: int) -> list[tuple[str, str, int, float]]:
    with Archive.open(folder) as archive:
        return [(one.sensor, one.quantity.value, one.at, one.raw) for one in archive.replay(0, end)]


DRILLS = (
    Drill(14, "card full, read-only, failing", full_or_failing, root=True),
    Drill(15, "card slow and frozen", slow_or_frozen, root=True),
    Drill(16, "logbook damaged", damaged),
    Drill(25, "copy and restore", copied),
)
