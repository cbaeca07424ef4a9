"""The page beside the least that could be done: read the same rows, join the same points."""

import gzip
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from urllib.request import urlopen

from daemon.drawing import Curve, CurveDrawing, Size, Step, draw, stretches
from daemon.logbook import Archive, Logbook
from daemon.page.desk import PageDesk, Who
from daemon.page.following import Following
from daemon.page.settings import opened
from daemon.page.views import Asked, night, place
from daemon.record import Entry
from rules.reading import DAY, HOUR, MINUTE, Quantity
from rules.span import Range, Span
from tests.bench.figure import Figure, bounded, compared
from tests.kit.night import NOW, Night, value, write_night

PLACES = 60
EVERY = 30_000
SEASON = 180 * DAY
MIB = 1024.0

_BARE = """
import sys, uvicorn
from jinja2 import Environment
from starlette.applications import Starlette
from starlette.responses import HTMLResponse
from starlette.routing import Route
page = Environment(autoescape=True).from_string("<p>{{ words }}</p>")
async def give(request): return HTMLResponse(page.render(words="x" * 60000))
app = Starlette(routes=[Route("/", give)])
uvicorn.run(app, port=int(sys.argv[1]), log_config=None, ws="none", http="h11")
"""


def _best(work: Callable[[], object], times: int = 5) -> float:
    """Give the fastest of some runs, ms."""
    found = []
    for _ in range(times):
        begun = time.perf_counter()
        work()
        found.append(1000 * (time.perf_counter() - begun))
    return min(found)


def _year(folder: Path) -> Night:
    """Write a night of sixty places, after a year of the first one."""
    given = write_night(folder, places=PLACES, every=EVERY, hours=13)
    import random

    rng = random.Random(3)

    def past() -> Iterator[Entry]:
        for at in range(NOW - 365 * DAY, NOW - DAY, 5 * MINUTE):
            pair = value(3, at - NOW, rng)
            if pair is not None:
                yield Entry("box-1-sensor", Quantity.TEMPERATURE, pair[0], at, at)
                yield Entry("box-1-sensor", Quantity.HUMIDITY, pair[1], at, at)

    with Logbook.open(given.folder) as book:
        book.import_pages(past())
    return given


def _bare_copy(given: Night) -> sqlite3.Connection:
    """Copy every reading into the plainest table that answers the same questions."""
    bare = sqlite3.connect(given.config.parent / "bare.db")
    bare.execute("CREATE TABLE r (s TEXT, q TEXT, at INTEGER, v REAL, PRIMARY KEY (s, q, at)) WITHOUT ROWID")
    with Archive.open(given.folder) as archive:
        for sensor, quantity in archive.series():
            curve = archive.curve(sensor, quantity, 0, NOW + 1)
            rows = ((sensor, quantity.value, at, v) for at, v, _ in curve)
            bare.executemany("INSERT OR IGNORE INTO r VALUES (?, ?, ?, ?)", rows)
    bare.commit()
    return bare


def _joined(bare: sqlite3.Connection, sensor: str, quantity: str, start: int) -> str:
    """Read one window and join its points: the bare baseline."""
    rows = bare.execute("SELECT at, v FROM r WHERE s = ? AND q = ? AND at >= ?", (sensor, quantity, start))
    points = " ".join(f"{(at - start) / 50_000:.1f},{60 - v:.1f}" for at, v in rows)
    return f'<polyline points="{points}"/>'


def _asked(path: str, parts: dict[str, str], query: dict[str, str]) -> Asked:
    return Asked(Who("x"), path, query, parts)


def drawing_figure() -> Figure:
    """Draw 60 strips of 1,200 readings, beside joining the same points."""
    at = [i * 36_000 for i in range(1_200)]
    warm = [29.6 + (i * 7919 % 100) / 400 for i in range(1_200)]
    steps = (Step(0, 13 * HOUR, Range(Span(28.5, 31), Span(26, 33))),)
    strips = [
        CurveDrawing(0, 13 * HOUR, (Curve("t", stretches(at, warm, 2 * 36_000)),), steps) for _ in range(60)
    ]
    ours = _best(lambda: [draw(strip, Size.THIN) for strip in strips])
    bare = _best(
        lambda: [
            " ".join(f"{t / 36_000:.1f},{40 - v:.1f}" for t, v in zip(at, warm, strict=True)) for _ in strips
        ]
    )
    return compared("60 strips of 1,200 readings beside joined points, ms", ours, bare, bound=4.0)


def _views(given: Night) -> list[Figure]:
    """Make the sheet, a place's night and its season, beside bare reads."""
    bare = _bare_copy(given)
    start = NOW - 10 * HOUR
    room = opened(given.config, {})
    desk = PageDesk(room.room, lambda: NOW + 1_000, Following(room))
    found = []
    body = b""

    def sheet() -> None:
        nonlocal body
        body = bytes(night(desk, _asked("/", {}, {})).body)

    def bare_sheet() -> str:
        return "".join(_joined(bare, f"{name}-sensor", "temperature", start) for name in given.names)

    def of(query: dict[str, str]) -> Callable[[], object]:
        return lambda: place(desk, _asked("/place/box-1", {"place": "box-1"}, query))

    def bare_place(since: int) -> Callable[[], object]:
        return lambda: [_joined(bare, "box-1-sensor", q, since) for q in ("temperature", "humidity")]

    ours = _best(sheet, 3)
    found.append(
        compared("night sheet of 60 places beside bare read and join, ms", ours, _best(bare_sheet), bound=8.0)
    )
    found.append(
        compared(
            "one place's night beside bare read and join, ms",
            _best(of({})),
            _best(bare_place(start)),
            bound=40.0,
        )
    )
    season = _best(of({"window": "season"}))
    found.append(
        compared(
            "a season of one place beside bare read and join, ms",
            season,
            _best(bare_place(NOW - SEASON)),
            bound=1.0,
        )
    )
    sent, plain = len(gzip.compress(body, 6)) / 1000, len(bare_sheet()) / 1000
    found.append(
        bounded("night sheet of 60 places as sent, kB", sent, plain, bound=200.0, note="beside bare points")
    )
    desk._close_archive()
    desk._thread.shutdown()
    bare.close()
    return found


def _port() -> int:
    import socket

    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return int(one.getsockname()[1])


def _resident(code: list[str], port: int, paths: tuple[str, ...]) -> float:
    """Start a server, ask for some pages, and give its resident memory, MiB."""
    process = subprocess.Popen(code, stdout=subprocess.DEVNULL, cwd=Path(__file__).parents[2])
    try:
        for _ in range(200):
            try:
                urlopen(f"http://127.0.0.1:{port}/", timeout=5).close()
                break
            except OSError:
                time.sleep(0.05)
        for path in paths:
            with urlopen(f"http://127.0.0.1:{port}{path}", timeout=10) as answer:
                answer.read()
        status = Path(f"/proc/{process.pid}/status").read_text()
        line = next(line for line in status.splitlines() if line.startswith("VmRSS"))
        return int(line.split()[1]) / MIB
    finally:
        process.terminate()
        process.wait(10)


def memory_figure(given: Night) -> Figure:
    """Weigh the page process after use, beside a bare server of the same libraries."""
    port, other = _port(), _port()
    code = (
        "from pathlib import Path; from daemon.page.serve import run; "
        f"run(Path({str(given.config)!r}), None, {port})"
    )
    paths = ("/", "/place/box-1", "/place/box-1?window=season", "/alarms", "/sensors", "/") * 3
    ours = _resident([sys.executable, "-c", code], port, paths)
    bare = _resident([sys.executable, "-c", _BARE, str(other)], other, ("/",) * 6)
    return bounded(
        "page process after use beside bare starlette, uvicorn and jinja2, MiB", ours, bare, bound=48.0
    )


def figures() -> list[Figure]:
    """Measure everything of the page."""
    with tempfile.TemporaryDirectory() as folder:
        given = _year(Path(folder))
        return [drawing_figure(), *_views(given), memory_figure(given)]
