"""Drills 1 to 5: readings on their way from the broker to the card."""

import random
import signal
import subprocess
import threading
import time
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from daemon.logbook import Archive
from daemon.record import Kind
from tests.drills.card import Card, card
from tests.drills.drill import Drill, Measured, tool
from tests.kit.broker import Broker, until
from tests.kit.history import History, Verdict, judged
from tests.kit.receivers import http_receiver
from tests.kit.watch import Feeder, Layout, LiveWatch, message, missing, wall

MANY = ("max_inflight_messages 2000",)
MEMORY = (*MANY, "max_queued_messages 100000")
"""For a broker that is not restarted: saving its state at each change would take all the time."""

WIDE = Layout(sensors=10, window=2000)


def published(watch: LiveWatch, count: int, first: int = 0) -> list[tuple[str, int, float]]:
    """Publish readings with stamps one ms apart; give what the broker took: all of it."""
    start = wall()
    sent = [
        (f"box-{n % watch.layout.sensors}", start + n, round(29 + n % 70 / 100, 2))
        for n in range(first, first + count)
    ]
    client = Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5)
    client.max_inflight_messages_set(500)
    client.connect("127.0.0.1", watch.broker.port, keepalive=20)
    client.loop_start()
    until(client.is_connected, "the publisher connects")
    infos = [
        client.publish(*message(watch.layout, int(name[4:]), celsius, at), qos=1)
        for name, at, celsius in sent
    ]
    for info in infos:
        info.wait_for_publish(40)
    assert all(info.is_published() for info in infos), "the broker did not acknowledge"
    watch.broker.dismiss(client)
    return sent


def verdict(watch: LiveWatch, acked: list[tuple[str, int, float]], *, told: bool = False) -> Verdict:
    """Hold what was acknowledged against the logbook."""
    with watch.archive() as archive:
        return judged(archive, History(acked=acked, told=told))


# -- 1 ------------------------------------------------------------------------------


def killed(folder: Path, full: bool) -> Iterator[Measured]:
    """Kill the watch at random moments while readings and alarms go on."""
    kills, dice = 50 if full else 5, random.Random(1)
    with (
        http_receiver() as phone,
        Broker(folder / "b", extra=MANY) as broker,
        LiveWatch(
            folder / "w", replace(WIDE, hold="2 s", contacts={"phone": phone.reach()}), broker
        ) as watch,
        Feeder(watch, pace=0.03) as feeder,
    ):
        for kill in range(kills):
            feeder.celsius = 36.0 if kill % 3 == 1 else 29.5
            time.sleep(dice.uniform(0.05, 1.2))
            watch.kill()
            watch.start(wait=kill % 4 != 0 or kill == kills - 1)
        feeder.celsius = 29.5
        feeder._end.set()
        until(lambda: not missing(watch, feeder.acked), "everything is drained", 40)
        with watch.archive() as archive:
            history = History(acked=list(feeder.acked))
            history.take(phone.got)
            found = judged(archive, history)
            amiss = len(archive.verify())
    note = f"{kills} kills, {len(feeder.acked)} readings; {found}"
    yield Measured("readings, alerts lost or doubled", found.faults, 0, note)
    yield Measured("damage found in the logbook", amiss, 0)


# -- 2, 3 -----------------------------------------------------------------------------


def powered_off(folder: Path, full: bool) -> Iterator[Measured]:
    """Cut the power of the card under the running watch."""
    cuts, dice = (40 if full else 2), random.Random(2)
    lost = {"paused": 0, "running": 0}
    starts: list[float] = []
    for how in lost:
        base = folder / how
        base.mkdir()
        with card(base) as mine, Broker(base / "b", extra=MANY) as broker:
            watch = LiveWatch(base / "w", WIDE, broker, env={"STATE_DIRECTORY": str(mine.folder / "state")})
            acked: list[tuple[str, int, float]] = []
            damage = 0
            for _ in range(cuts):
                acked += _cut_once(watch, mine, dice.uniform(0.1, 1.5), paused=how == "paused")
                damage += _started_again(watch, mine, acked, starts)
            with _archive(mine) as archive:
                found = judged(archive, History(acked=acked, told=False))
            lost[how] = found.faults + damage
            watch.ears.close()
    note = f"{cuts} cuts each; slowest start {max(starts):.1f} s"
    yield Measured("lost or doubled, writer paused", lost["paused"], 0, note)
    yield Measured("lost or doubled, in the middle of a call", lost["running"], 0)
    yield Measured("slowest start after a cut, s", max(starts), 5)


def _started_again(
    watch: LiveWatch, mine: Card, acked: list[tuple[str, int, float]], starts: list[float]
) -> int:
    """Start after a cut, let everything be drained; give how much is damaged."""
    begun = time.monotonic()
    watch.start()
    starts.append(time.monotonic() - begun)
    until(lambda: not _absent(mine, acked), "everything is drained", 20)
    watch.kill()
    with _archive(mine) as archive:
        return len(archive.verify())


def _cut_once(watch: LiveWatch, mine: Card, seconds: float, *, paused: bool) -> list[tuple[str, int, float]]:
    """Let the watch run, cut the power, and put the card in again."""
    watch.start()
    with Feeder(watch, pace=0.01) as feeder:
        time.sleep(seconds)
        if paused:
            watch.signal(signal.SIGSTOP)
        mine.cut()
    watch.kill()
    mine.unmount()
    mine.mount()
    return feeder.acked


def _archive(mine: Card) -> Archive:
    return Archive.open(mine.folder / "state")


def _absent(mine: Card, acked: list[tuple[str, int, float]]) -> bool:
    with _archive(mine) as archive:
        stored = {(one.sensor, one.stamp, one.raw) for one in archive.replay_rows(0)}
    return any(one not in stored for one in acked)


LIAR = """
int fsync(int fd) { return 0; }
int fdatasync(int fd) { return 0; }
"""


def lied_to(folder: Path, full: bool) -> Iterator[Measured]:
    """A card that says "written" and is not: start after the cut, and the gap is named."""
    source, library = folder / "liar.c", folder / "liar.so"
    source.write_text(LIAR)
    subprocess.run([tool("gcc"), "-shared", "-fPIC", "-o", str(library), str(source)], check=True)
    silent, slowest = 0, 0.0
    for number in range(10 if full else 1):
        base = folder / str(number)
        base.mkdir()
        with card(base) as mine, Broker(base / "b", extra=MANY) as broker:
            state = {"STATE_DIRECTORY": str(mine.folder / "state")}
            watch = LiveWatch(base / "w", WIDE, broker, env={**state, "LD_PRELOAD": str(library)})
            watch.start()
            mine.sync()
            with Feeder(watch, pace=0.02):
                time.sleep(3)
                mine.cut()
            cut = wall()
            watch.kill()
            mine.unmount()
            mine.mount()
            watch.env = state
            begun = time.monotonic()
            watch.start()
            slowest = max(slowest, time.monotonic() - begun)
            time.sleep(1.5)
            watch.kill()
            watch.ears.close()
            silent += not _gap_named(mine, cut)
    yield Measured("cuts after which the gap is not named", silent, 0)
    yield Measured("slowest start, s", slowest, 10)


def _gap_named(mine: Card, cut: int) -> bool:
    """Tell whether the journal names a span without a watch in which the cut lies."""
    with _archive(mine) as archive:
        lines = archive.journal(kinds=[Kind.AWAY, Kind.RESTORED])
        starts = archive.journal(kinds=[Kind.START])
        labels = archive.labels()
    spans = [(int(str(one.body.get("since") or one.body.get("from") or 0)), one.now) for one in lines]
    begun_anew = len(starts) == 1
    return begun_anew or any(
        labels.wall(since) - 1000 <= cut <= labels.wall(until_) for since, until_ in spans
    )


# -- 4 --------------------------------------------------------------------------------


def burst(folder: Path, full: bool) -> Iterator[Measured]:
    """Ten thousand readings at once and three kills."""
    count, dice = 10_000, random.Random(4)
    with (
        Broker(folder / "b", persistence=False, extra=MEMORY) as broker,
        LiveWatch(folder / "w", WIDE, broker) as watch,
    ):
        sent = published(watch, count // 2)
        for part in range(3):
            time.sleep(dice.uniform(0.2, 1.5))
            watch.kill()
            if part == 1:
                sent += published(watch, count // 2, count)
            watch.start(wait=part == 2)
        begun = time.monotonic()
        until(lambda: not missing(watch, sent), "everything is drained", 60)
        drained = time.monotonic() - begun
        found = verdict(watch, sent)
        with watch.archive() as archive:
            rows = [(one.now, one.at, one.sensor) for one in archive.replay_rows(0) if one.stamp]
        disorder = sum(a > b for a, b in pairwise(rows))
    yield Measured("readings lost or doubled", found.faults, 0, str(found))
    yield Measured("drained after the last start, s", drained, 10)
    yield Measured("readings judged out of order", disorder, 0)


# -- 5 ---------------------------------------------------------------------------------


def broker_lost(folder: Path, full: bool) -> Iterator[Measured]:
    """The broker restarts gracefully and by force, the watch away or there."""
    with (
        Broker(folder / "b", extra=MANY) as broker,
        LiveWatch(folder / "w", WIDE, broker) as watch,
    ):
        watch.stop()
        sent = published(watch, 1500)
        broker.stop()
        broker.start()
        watch.start()
        until(lambda: not missing(watch, sent), "everything is drained", 30)
        yield Measured("lost after the broker ended, watch away", verdict(watch, sent).faults, 0)
        watch.stop()
        sent += published(watch, 1500, 2000)
        time.sleep(3)
        broker.kill()
        broker.start()
        watch.start()
        until(lambda: not missing(watch, sent), "everything is drained", 30)
        yield Measured("lost after the broker was killed, watch away", verdict(watch, sent).faults, 0)
        for seconds in (1, 20 if full else 8):
            again, back = _back_after(watch, seconds)
            yield Measured(f"connected after a broker that was away {seconds} s is back, s", again, 5.5)
            yield Measured("… and the next reading recorded after, s", back, 10)


def _back_after(watch: LiveWatch, seconds: float) -> tuple[float, float]:
    """Give how long after the broker is back the watch is connected, and a reading is on the card, s."""
    watch.broker.kill()
    time.sleep(seconds)
    watch.broker.start()
    begun, before = time.monotonic(), len(watch.entries())
    until(lambda: _connected(watch), "the watch connects", 70)
    again = time.monotonic() - begun
    with Feeder(watch, pace=0.1):
        until(lambda: len(watch.entries()) > before, "readings come again", 70)
    return again, time.monotonic() - begun


def _connected(watch: LiveWatch) -> bool:
    """Tell whether the watch has a connection to the broker's port, as the kernel says."""
    assert watch.process is not None
    mine = set()
    for link in Path(f"/proc/{watch.process.pid}/fd").iterdir():
        with suppress(OSError):
            mine.add(str(link.readlink()))
    rows = [row.split() for row in Path("/proc/net/tcp").read_text().splitlines()[1:]]
    return any(
        row[2].endswith(f":{watch.broker.port:04X}") and row[3] == "01" and f"socket:[{row[9]}]" in mine
        for row in rows
    )


def network_cut(watch: LiveWatch, seconds: float) -> None:
    """Freeze the broker: packets go nowhere, as with a cut network."""
    watch.broker.freeze()
    timer = threading.Timer(seconds, watch.broker.thaw)
    timer.start()
    timer.join()


def frozen_network(folder: Path, full: bool) -> Iterator[Measured]:
    """Nothing gets through for a while, then everything."""
    with (
        Broker(folder / "b", extra=MANY) as broker,
        LiveWatch(folder / "w", WIDE, broker) as watch,
    ):
        sent = published(watch, 200)
        network_cut(watch, 45 if full else 6)
        sent += published(watch, 200, 1000)
        until(lambda: not missing(watch, sent), "everything is drained", 40)
        yield Measured("lost or doubled after a cut of the network", verdict(watch, sent).faults, 0)


def all_of_five(folder: Path, full: bool) -> Iterator[Measured]:
    """Broker and network."""
    yield from broker_lost(folder / "broker", full)
    yield from frozen_network(folder / "network", full)


DRILLS = (
    Drill(1, "kill -9 while readings come", killed),
    Drill(2, "power cut", powered_off, root=True),
    Drill(3, "a card that lies, then a power cut", lied_to, fast=False, root=True),
    Drill(4, "burst of 10,000 and three kills", burst),
    Drill(5, "broker and network lost", all_of_five),
)
