"""Drills 20 and 21: nonsense on every way in, and attacks on the page."""

import random
import re
import signal
import socket
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass, replace
from io import BytesIO
from pathlib import Path
from urllib.error import HTTPError
from urllib.request import Request, urlopen

from daemon.csvfile import BadLine, CsvForm, CsvRefused, parse
from daemon.record import Kind
from daemon.settings import SettingsError, load_text
from rules.reading import Quantity
from sensors.payload import PayloadError, Pick, decode
from sensors.sysfs import SourceError, read_number
from sensors.topics import MqttSensor, Topics
from tests.drills.drill import Drill, Measured, awaited, borne_out
from tests.drills.ingest import MANY, WIDE, verdict
from tests.kit.broker import Broker, free_port, until
from tests.kit.receivers import http_receiver
from tests.kit.watch import ROOT, Feeder, Layout, LiveWatch, missing

# -- 20 ----------------------------------------------------------------------------------------


SEEDS = (
    b'{"t": 28.5, "h": 80, "ts": 1795000000000, "n": 7}', b"28.5", b"true", b'"NaN"', b"[1,2,[3]]", b"",
    b'{"t": {"v": [28.5]}}', "\ufeff28.5".encode("utf-16"), b'{"t":1e400}', b"[" * 3_000, b'{"t":' * 700,
    b'{"t": 28.5, "t": 1}', b"9" * 5000, b'{"t": "\\ud800"}', b"\x00\xff\xfe", b"-127", b"85.0", b"null",
)  # fmt: skip


def mutated(dice: random.Random, seed: bytes) -> bytes:
    """Change some bytes, cut, double or splice."""
    data = bytearray(seed)
    for _ in range(dice.randrange(1, 6)):
        at = dice.randrange(len(data) + 1)
        how = dice.randrange(5)
        if how == 0 and data:
            data[at % len(data)] = dice.randrange(256)
        elif how == 1:
            data[at:at] = dice.randbytes(dice.randrange(1, 5))
        elif how == 2:
            del data[at : at + dice.randrange(1, 8)]
        elif how == 3:
            data[at:at] = data[: dice.randrange(20)]
        else:
            data[at:at] = dice.choice(
                (b"{", b"}", b"[", b'"', b",", b":", b"e9", b"-", b"0" * 20, b"\\u0000")
            )
    return bytes(data)


def fuzzed(folder: Path, full: bool) -> Iterator[Measured]:
    """Any bytes as payload, topic, CSV and settings: nothing gets out, everything is counted."""
    dice = random.Random(20)
    payloads = 3_000_000 if full else 150_000
    uncaught: Counter[str] = Counter()
    taken = rejected = 0
    picks = (Pick({Quantity.TEMPERATURE: "/t"}, "/ts", "/n"), Pick({Quantity.TEMPERATURE: ""}))
    for number in range(payloads):
        payload = mutated(dice, SEEDS[number % len(SEEDS)])
        try:
            picks[number & 1].take(decode(payload))
            taken += 1
        except PayloadError as reject:
            rejected += bool(reject.reason)
        except Exception as fault:
            uncaught[type(fault).__name__] += 1
    yield Measured(f"payloads of {payloads:,} that got out", uncaught.total(), 0, str(dict(uncaught)))
    yield Measured("payloads that nobody counted", payloads - taken - rejected - uncaught.total(), 0)
    yield Measured("topics that got out", _topics(dice, payloads // 10), 0)
    yield Measured("files that got out", _files(dice, 20_000 if full else 1_500), 0)
    yield Measured(
        "files of the kernel that got out", _kernel_files(dice, folder, 60_000 if full else 3_000), 0
    )
    yield Measured("settings that got out", _settings(dice, folder, 4_000 if full else 300), 0)
    yield from _on_the_wire(folder / "wire", dice, 4_000 if full else 1_500)


def _topics(dice: random.Random, count: int) -> int:
    topics = Topics([MqttSensor("any", "cellar/+", Pick({Quantity.TEMPERATURE: ""}))])
    uncaught = 0
    for _ in range(count):
        name = "".join(
            chr(dice.choice((dice.randrange(32, 127), dice.randrange(0x110000)))) for _ in range(6)
        )
        try:
            topics.find(dice.choice(("cellar/", "$SYS/", "", "/")) + name)
        except Exception:
            uncaught += 1
    return uncaught


def _files(dice: random.Random, count: int) -> int:
    seed = (
        b"time,sensor,quantity,value\n2026-01-10T22:00:00+00:00,box-1,temperature,29.5\r\n# x\n\n"
        b"2026-01-10T22:01:00+00:00,box-1,humidity,80\n"
    )
    uncaught = 0
    for _ in range(count):
        try:
            for line in parse(BytesIO(mutated(dice, seed)), CsvForm()):
                assert not isinstance(line, BadLine) or line.reason
        except CsvRefused:
            continue
        except Exception:
            uncaught += 1
    return uncaught


SYSFS = (
    b"85000\n",
    b"-127000",
    b"23456\n",
    b"",
    b"nan",
    b"0x1A",
    b"9" * 400,
    b"7 5\n",
    b"\xff\xfe",
    b"aa : crc=aa YES\n",
)


def _kernel_files(dice: random.Random, folder: Path, count: int) -> int:
    """Read files as the kernel's drivers might garble them."""
    uncaught = 0
    file = folder / "temperature"
    for number in range(count):
        file.write_bytes(mutated(dice, SYSFS[number % len(SYSFS)]))
        try:
            read_number(file)
        except SourceError:
            continue
        except Exception:
            uncaught += 1
    return uncaught


def _settings(dice: random.Random, folder: Path, count: int) -> int:
    seed = Layout().text(1883).encode()
    uncaught = 0
    for _ in range(count):
        text = mutated(dice, seed).decode("utf-8", "replace")
        try:
            load_text(text, folder / "room.toml")
        except SettingsError:
            continue
        except Exception:
            uncaught += 1
    return uncaught


def _on_the_wire(folder: Path, dice: random.Random, count: int) -> Iterator[Measured]:
    """The same to a running watch: it stays, counts, says little, and keeps its settings."""
    with (
        Broker(folder / "b", extra=MANY) as broker,
        LiveWatch(folder / "w", replace(WIDE, commit="1 s"), broker) as watch,
    ):
        nonsense = [mutated(dice, SEEDS[n % len(SEEDS)]) for n in range(count)]
        broker.publish((f"cellar/box-{n % 10}", payload) for n, payload in enumerate(nonsense))
        good = watch.config.read_text()
        for _ in range(3):
            watch.config.write_bytes(mutated(dice, good.encode()) + b"\n[[[")
            watch.signal(signal.SIGHUP)
            time.sleep(1.3)
        watch.config.write_text(good)
        with Feeder(watch) as feeder:
            time.sleep(2)
        awaited(lambda: not missing(watch, feeder.acked), 20)
        yield borne_out(verdict(watch, feeder.acked), "good readings among the nonsense")
        kept = sum(watch.config.name in text for text in watch.log.splitlines() if "refused" in text)
        alive = watch.process is not None and watch.process.poll() is None
        watch.stop()
        with watch.archive() as archive:
            lines = archive.journal(kinds=[Kind.REJECTED])
        counted = sum(int(str(line.body["count"])) for line in lines)
    wanted = sum(_is_reject(payload) for payload in nonsense)
    yield Measured("the watch ended under nonsense", float(not alive), 0)
    yield Measured("rejects that the journal did not count", abs(wanted - counted), wanted * 0.02)
    yield Measured("wrong settings that were not refused aloud", 3 - kept, 0)
    yield Measured("lines of the log for each source", watch.log.count("\n") / 10, 3)
    odd = sum(ord(sign) < 32 for text in watch.log.split("\n") for sign in text)
    yield Measured("control characters in the log", odd, 0)


def _is_reject(payload: bytes) -> bool:
    pick = Pick({Quantity.TEMPERATURE: "/t"}, "/ts")
    try:
        return bool(pick.take(decode(payload)).problems)
    except PayloadError:
        return True


# -- 21 -----------------------------------------------------------------------------------------


FORM = "Content-Type: application/x-www-form-urlencoded"


@dataclass(frozen=True, slots=True)
class Served:
    """The page of a watch as a process of its own, and its passcode."""

    port: int
    passcode: str
    process: int = 0

    @property
    def host(self) -> str:
        """Its own name."""
        return f"127.0.0.1:{self.port}"

    def ask(self, path: str, *lines: str, body: str = "", host: str = "") -> str:
        """Ask for a path, with a body by POST; give the answer's head, "" where there is none."""
        method = "POST" if body else "GET"
        said = [f"{method} {path} HTTP/1.1", f"Host: {host or self.host}", "Connection: close", *lines]
        said += [f"Content-Length: {len(body)}", FORM] if body else []
        try:
            with socket.create_connection(("127.0.0.1", self.port), 2) as link:
                link.settimeout(4)
                link.sendall(("\r\n".join(said) + "\r\n\r\n" + body).encode("utf-8", "surrogatepass"))
                return link.recv(8192).decode("latin-1").partition("\r\n\r\n")[0]
        except OSError:
            return ""

    def whole(self, path: str) -> bytes:
        """Read a page whole."""
        asked = Request(f"http://{self.host}{path}")
        with suppress(HTTPError), urlopen(asked, timeout=10) as answer:
            return bytes(answer.read())
        return b""

    def status(self, path: str, *lines: str, body: str = "", host: str = "") -> int | None:
        """Give the answer's code; None where there is none."""
        found = re.match(r"HTTP/1.1 (\d+)", self.ask(path, *lines, body=body, host=host))
        return int(found[1]) if found else None


@contextmanager
def page_of(watch: LiveWatch) -> Iterator[Served]:
    """Serve the page of a watch, and end it."""
    port = free_port()
    words = [sys.executable, "-m", "daemon.cli", "page", str(watch.config), "--port", str(port)]
    told = watch.folder / "page.said"
    with told.open("wb") as out:
        page = subprocess.Popen(words, cwd=ROOT, stdout=out, stderr=subprocess.DEVNULL)
    try:
        until(lambda: Served(port, "").status("/") is not None, "the page answers", 20)
        found = re.search(r"passcode, shown only now: (\S+)", told.read_text())
        yield Served(port, found[1] if found else "", page.pid)
    finally:
        page.terminate()
        page.wait(10)


def page_attacked(folder: Path, full: bool) -> Iterator[Measured]:
    """Hundreds of slow connections, and what a stranger in the network may try.

    Each guard by itself, with headers, cookies and the escaping of names, is held by
    tests/page/test_guard.py; escaping in exports by tests/daemon/test_exporting.py.
    """
    crowd = 500 if full else 200
    with (
        http_receiver() as phone,
        Broker(folder / "b", extra=MANY) as broker,
        LiveWatch(
            folder / "w", replace(WIDE, hold="1 s", contacts={"phone": phone.reach()}), broker
        ) as watch,
        Feeder(watch, pace=0.05) as feeder,
        page_of(watch) as page,
    ):
        until(lambda: len(watch.entries()) > 5, "readings are recorded", 30)
        with ExitStack() as slow:
            for _ in range(crowd):
                with suppress(OSError):
                    one = slow.enter_context(socket.create_connection(("127.0.0.1", page.port), 1))
                    one.sendall(b"GET / HTTP/1.1\r\nHost: ")
            feeder.celsius = 36.0
            due = time.monotonic()
            until(lambda: phone.got, "the alarm is told", 20)
            alarm = phone.got[0].at - due
            begun = time.monotonic()
            until(lambda: page.status("/") == 200, "the page answers", 20)
            took = time.monotonic() - begun
        yield Measured(f"alarm told under {crowd} slow connections after, s", alarm, 6)
        yield Measured("the page answers after, s", took, 1)
        served = [words for words, refused in _refused(page).items() if not refused]
        yield Measured("attacks that were not refused", len(served), 0, f"not refused: {served}")
        broken = _fuzzed_requests(page, 2_000 if full else 300)
        yield Measured("requests that the page failed on", broken, 0)
        yield Measured("the page does not answer afterwards", float(page.status("/") != 200), 0)
        with watch.archive() as archive:
            yield Measured("orders by strangers", len(archive.orders()), 0)
        feeder.stop()
        awaited(lambda: not missing(watch, feeder.acked), 20)
        yield borne_out(verdict(watch, feeder.acked, phone))


def _refused(page: Served) -> dict[str, bool]:
    """Try what a stranger may try; tell of each whether it was refused."""
    order = "verb=ack&alarm=1&next=/"
    login = f"by=Ines&passcode={page.passcode}"
    injected = page.ask("/login", body=login + "&next=/%0d%0aSet-Cookie:%20planted=1")
    tries = [page.status("/login", body=f"by=x&passcode=wrong{n}") for n in range(12)]
    return {
        "a foreign host": page.status("/", host="evil.example") == 421,
        "a path outside": page.status("/../../etc/passwd") == 404,
        "a path outside, hidden": page.status("/static/%2e%2e/%2e%2e/etc/passwd") == 404,
        "an order without login": page.status("/orders", body=order) == 401,
        "an order from elsewhere": page.status("/orders", "Origin: http://evil.example", body=order) == 403,
        "an order across sites": page.status("/orders", "Sec-Fetch-Site: cross-site", body=order) == 403,
        "an order by reading": page.status(f"/orders?{order}") in (404, 405),
        "a large body": page.status("/orders", body="x" * 20_000) == 413,
        "a planted header": bool(injected) and "planted" not in injected.partition("location")[0].lower(),
        "a header by a name": "evil: 1" not in page.ask("/place/%0d%0aevil:%201").lower(),
        "guessing": 429 in tries,
    }


def _fuzzed_requests(page: Served, count: int) -> int:
    """Ask for all kinds of things; count the answers that say that the page failed."""
    dice = random.Random(21)
    paths = ("/", "/place/box-0", "/alarm/1", "/alarms", "/sensors", "/clutches", "/orders", "/login", "/x")
    failed = 0
    for _ in range(count):
        path = dice.choice(paths) + dice.choice(("", "?from=", "?span=", "?to=", "/"))
        path += (
            mutated(dice, dice.choice((b"2026-01-10T22:00", b"-1", b"1e400", b"%ff%00", b"nan")))
            .hex(" ")
            .replace(" ", "%")
        )
        body = mutated(dice, b"verb=ack&alarm=1&by=x").decode("latin-1") if dice.random() < 0.3 else ""
        code = page.status(path, body=re.sub(r"[^ -~]", "%", body))
        failed += code is None or (code >= 500 and code != 503)
    return failed


DRILLS = (
    Drill(20, "nonsense on every way in", fuzzed),
    Drill(21, "the page under attack", page_attacked),
)
