"""Drills 1 to 5: readings on their way from the broker to the card."""

import json
import os
import random
import signal
import statistics
import subprocess
import threading
import time
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import datetime
from itertools import pairwise
from pathlib import Path

from paho.mqtt.client import Client

from daemon.logbook import Archive
from rules.reading import MINUTE
from tests.drills.card import Card, card
from tests.drills.drill import Drill, Measured, awaited, borne_out, tool
from tests.kit.broker import Broker, until
from tests.kit.history import Acked, History, Verdict, judged
from tests.kit.receivers import HttpReceiver, http_receiver
from tests.kit.watch import ROOT, Feeder, Layout, LiveWatch, message, missing, wall

MANY = ("max_inflight_messages 2000",)
MEMORY = (*MANY, "max_queued_messages 100000")
"""For a broker that is not restarted: saving its state at each change would take all the time."""

AUTOSAVE = 5
"""The shipped settings let the broker save its state each so many seconds."""

WIDE = Layout(sensors=10, window=2000)


@dataclass(slots=True)
class Shipped(Broker):
    """The broker with the settings that are shipped; only port and places are its own."""

    def _lines(self) -> list[str]:
        """Give the drop-in with our port and places."""
        text = (ROOT / "deploy/mosquitto-ovigil.conf").read_text("utf-8")
        assert f"autosave_interval {AUTOSAVE}\n" in text
        text = text.replace("listener 1883", f"listener {self.port} 127.0.0.1")
        text = text.replace("/etc/mosquitto/ovigil.passwd", str(self._password_file()))
        user = ["user root"] if os.geteuid() == 0 else []
        return [*user, *text.splitlines(), f"persistence_location {self.folder}/", *self.extra]

    def client(self, user: str = "", client_id: str = "", *, inflight: int = 20) -> Client:
        """Connect with the only name that there is."""
        return Broker.client(self, user or next(iter(self.users)), client_id, inflight=inflight)


def published(watch: LiveWatch, count: int, first: int = 0, *, back: int = 0) -> list[Acked]:
    """Publish readings; give what the broker took: all of it.

    Their stamps are one ms apart from now on, or lie over the last ``back`` ms.
    """
    start, step = wall() - back, max(back // count, 1)
    sent = [
        (
            f"box-{n % watch.layout.sensors}",
            start + (n - first * bool(back)) * step,
            round(29 + n % 70 / 100, 2),
        )
        for n in range(first, first + count)
    ]
    client = watch.broker.client(inflight=500)
    infos = [
        client.publish(*message(watch.layout, int(name[4:]), celsius, at), qos=1)
        for name, at, celsius in sent
    ]
    for info in infos:
        info.wait_for_publish(40)
    assert all(info.is_published() for info in infos), "the broker did not acknowledge"
    watch.broker.dismiss(client)
    return sent


def verdict(watch: LiveWatch, acked: list[Acked], *phones: HttpReceiver) -> Verdict:
    """Hold what was acknowledged, and what receivers took, against the logbook of a watch."""
    with watch.archive() as archive:
        return borne(archive, acked, *phones)


def borne(archive: Archive, acked: list[Acked], *phones: HttpReceiver, lies: bool = False) -> Verdict:
    """Hold the same against any logbook."""
    history = History(acked=list(acked), told=bool(phones), lies=lies)
    for phone in phones:
        history.take(phone.got)
    return judged(archive, history)


# -- 1 ------------------------------------------------------------------------------


def killed(folder: Path, full: bool) -> Iterator[Measured]:
    """Kill the watch at random moments, also while it starts, as readings and alarms go on."""
    kills, dice = 50 if full else 15, random.Random(1)
    with (
        http_receiver() as phone,
        Broker(folder / "b", extra=MANY) as broker,
        LiveWatch(
            folder / "w", replace(WIDE, hold="2 s", commit="5 s", contacts={"phone": phone.reach()}), broker
        ) as watch,
        Feeder(watch, pace=0.03) as feeder,
    ):
        for kill in range(kills):
            feeder.celsius = 36.0 if kill % 3 == 1 else 29.5
            time.sleep(dice.uniform(1.2, 3.5) if kill % 4 == 2 else dice.uniform(0.05, 0.7))
            watch.kill()
            watch.start(wait=kill % 3 != 0 or kill == kills - 1)
        feeder.celsius = 29.5
        feeder.stop()
        awaited(lambda: not missing(watch, feeder.acked), 40)
        yield borne_out(verdict(watch, feeder.acked, phone), note=f"{kills} kills")
        with watch.archive() as archive:
            yield Measured("damage found in the logbook", len(archive.verify()), 0)


# -- 2, 3 -----------------------------------------------------------------------------


def powered_off(folder: Path, full: bool) -> Iterator[Measured]:
    """Cut the power of the card under the running watch, its writer stopped before or in mid-call."""
    cuts, dice = (40 if full else 5), random.Random(2)
    starts: list[float] = []
    for how in ("writer paused", "in the middle of a call"):
        base = folder / how
        base.mkdir()
        with card(base) as mine, Broker(base / "b", extra=MANY) as broker:
            state = {"STATE_DIRECTORY": str(mine.folder / "state")}
            acked: list[Acked] = []
            damage = 0
            with LiveWatch(base / "w", WIDE, broker, env=state) as watch:
                for _ in range(cuts):
                    acked += _cut_once(watch, mine, dice.uniform(0.1, 1.2), paused=how == "writer paused")
                    starts.append(_started_again(watch, mine, acked))
                    with _archive(mine) as archive:
                        damage += len(archive.verify())
            with _archive(mine) as archive:
                yield borne_out(borne(archive, acked), how, f"{cuts} cuts")
        yield Measured(f"{how}: damage found", damage, 0)
    yield Measured(
        "slowest start after a cut, s", max(starts), 5, f"median {statistics.median(starts):.1f} s"
    )


def _started_again(watch: LiveWatch, mine: Card, acked: list[Acked]) -> float:
    """Start after a cut and let everything be drained; give how long the start took, s."""
    begun = time.monotonic()
    watch.start()
    took = time.monotonic() - begun
    awaited(lambda: not _absent(mine, acked), 8)
    return took


def _cut_once(watch: LiveWatch, mine: Card, seconds: float, *, paused: bool) -> list[Acked]:
    """Let readings come for a while, cut the power, and put the card in again."""
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


def _absent(mine: Card, acked: list[Acked]) -> bool:
    there = _stored(mine)
    return any(one not in there for one in acked)


def _stored(mine: Card) -> set[tuple[str, int | None, float]]:
    with _archive(mine) as archive:
        return {(one.sensor, one.stamp, one.raw) for one in archive.replay_rows(0)}


LIAR = """
int fsync(int fd) { return 0; }
int fdatasync(int fd) { return 0; }
"""


def lied_to(folder: Path, full: bool) -> Iterator[Measured]:
    """A card that says "written" and is not: it starts after the cut, and all that is lost is named.

    What is lost lies in a span that the journal names and that a contact is told of; nobody
    is told that all was well.
    """
    source, library = folder / "liar.c", folder / "liar.so"
    source.write_text(LIAR)
    subprocess.run([tool("gcc"), "-shared", "-fPIC", "-o", str(library), str(source)], check=True)
    starts, unsaid, praised = [], 0, 0
    for number in range(10 if full else 1):
        base = folder / str(number)
        base.mkdir()
        with card(base) as mine, http_receiver() as phone, Broker(base / "b", extra=MANY) as broker:
            layout = replace(WIDE, contacts={"phone": phone.reach()})
            state = {"STATE_DIRECTORY": str(mine.folder / "state")}
            with LiveWatch(base / "w", layout, broker, env={**state, "LD_PRELOAD": str(library)}) as watch:
                mine.sync()
                acked = _cut_once(watch, mine, 3, paused=False)
                watch.env = state
                begun = time.monotonic()
                watch.start()
                starts.append(time.monotonic() - begun)
                with Feeder(watch, pace=0.05) as feeder, suppress(AssertionError):
                    until(lambda p=phone: p.got, "the span is told", 15)  # type: ignore[misc]
                    time.sleep(1.5)
            told = ("nobody watched", "the logbook was damaged")
            unsaid += not any(words in title for title in phone.titles() for words in told)
            praised += sum("well" in title for title in phone.titles())
            with _archive(mine) as archive:
                lost = sum(one not in _stored(mine) for one in acked)
                until_acked = [one for one in feeder.acked if one in _stored(mine)]
                found = borne(archive, acked + until_acked, phone, lies=True)
            yield borne_out(found, f"cut {number + 1}, beyond the span that is named", f"{lost} lost")
    yield Measured("cuts of whose span nobody was told", unsaid, 0)
    yield Measured("reports that all was well", praised, 0)
    yield Measured("slowest start, s", max(starts), 10)


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
        awaited(lambda: not missing(watch, sent), 60)
        took = time.monotonic() - begun
        yield borne_out(verdict(watch, sent))
        with watch.archive() as archive:
            rows = [(one.now, one.at, one.sensor) for one in archive.replay_rows(0) if one.stamp]
        disorder = sum(a > b for a, b in pairwise(rows))
    yield Measured("drained after the last start, s", took, 10)
    yield Measured("readings judged out of order", disorder, 0)


# -- 5 ---------------------------------------------------------------------------------


def shipped_broker(folder: Path, full: bool) -> Iterator[Measured]:
    """The broker as it is shipped ends and is killed, the watch away for ten minutes' worth of readings.

    What came after its last save may be gone when it is killed, and is then a gap in each curve.
    """
    login = {"OVIGIL_BROKER__USER": "watch"}
    with (
        Shipped(folder / "b", users={"watch": "room-4711"}) as broker,
        LiveWatch(folder / "w", WIDE, broker, env=login, secrets={"broker": "room-4711"}) as watch,
    ):
        watch.stop()
        sent = published(watch, 1500, back=10 * MINUTE)
        broker.stop()
        broker.start()
        watch.start()
        awaited(lambda: not missing(watch, sent), 30)
        yield borne_out(verdict(watch, sent), "the broker ended, watch away")
        watch.stop()
        sent += published(watch, 1500, 2000, back=MINUTE)
        time.sleep(AUTOSAVE + 1)
        with Feeder(watch, pace=0.05) as feeder:
            time.sleep(3)
        gone = wall()
        broker.kill()
        time.sleep(2)
        broker.start()
        watch.start()
        with Feeder(watch, pace=0.05) as again:
            awaited(lambda: not missing(watch, sent), 30)
            time.sleep(3)
        awaited(lambda: not missing(watch, again.acked), 30)
        lost = missing(watch, feeder.acked)
        sure = [one for one in feeder.acked if one[1] < gone - 1000 * (AUTOSAVE + 1)]
        kept = [one for one in feeder.acked if one not in lost]
        yield borne_out(verdict(watch, sent + sure + kept + again.acked), "the broker was killed, watch away")
        yield Measured(
            "what came since its last save and is no gap", _unmarked(watch, lost), 0, f"{len(lost)} lost"
        )


def _unmarked(watch: LiveWatch, lost: set[Acked]) -> int:
    """Count the lost readings at whose instant the review of the night draws no gap.

    A reading stands for twice its pace of a second: the gap begins so much after the last one.
    """
    found = json.loads(watch.command("night", "--json").stdout)
    gaps = {
        curve["sensor"]: [(_ms(gap["from"]), _ms(gap["to"])) for gap in curve["gaps"]]
        for curve in found["curves"]
    }
    return sum(not any(start - 2_000 <= stamp <= end for start, end in gaps[name]) for name, stamp, _ in lost)


def _ms(instant: str) -> int:
    return int(datetime.fromisoformat(instant).timestamp() * 1000)


def broker_back(folder: Path, full: bool) -> Iterator[Measured]:
    """The broker is away while the watch runs: it is heard again soon after it is back."""
    with (
        Broker(folder / "b", extra=MANY) as broker,
        LiveWatch(folder / "w", WIDE, broker) as watch,
    ):
        for seconds in (1, 20) if full else (1,):
            again, back, acked = _back_after(watch, seconds)
            yield Measured(f"connected after a broker that was away {seconds} s is back, s", again, 5.5)
            yield Measured("… and the next reading recorded after, s", back, 10)
            yield borne_out(verdict(watch, acked), f"a broker that was away {seconds} s is back")


def _back_after(watch: LiveWatch, seconds: float) -> tuple[float, float, list[Acked]]:
    """Give how long after the broker is back the watch is connected, and a reading is on the card, s.

    The third is what the broker took from then on, all of it recorded.
    """
    watch.broker.kill()
    time.sleep(seconds)
    watch.broker.start()
    begun, before = time.monotonic(), len(watch.entries())
    until(lambda: _connected(watch), "the watch connects", 70)
    again = time.monotonic() - begun
    with Feeder(watch, pace=0.1) as feeder:
        until(lambda: len(watch.entries()) > before, "readings come again", 70)
        back = time.monotonic() - begun
    awaited(lambda: not missing(watch, feeder.acked), 20)
    return again, back, feeder.acked


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
        network_cut(watch, 45)
        sent += published(watch, 200, 1000)
        awaited(lambda: not missing(watch, sent), 40)
        yield borne_out(verdict(watch, sent), "after a cut of the network")


def all_of_five(folder: Path, full: bool) -> Iterator[Measured]:
    """Broker and network."""
    yield from shipped_broker(folder / "shipped", full)
    yield from broker_back(folder / "back", full)
    if full:
        yield from frozen_network(folder / "network", full)


DRILLS = (
    Drill(1, "kill -9 while readings come", killed),
    Drill(2, "power cut", powered_off, root=True),
    Drill(3, "a card that lies, then a power cut", lied_to, fast=False, root=True),
    Drill(4, "burst of 10,000 and three kills", burst),
    Drill(5, "broker and network lost", all_of_five),
)
