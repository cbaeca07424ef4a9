"""The page beside the least that could be done: read the same rows, join the same points."""

import gzip
import hashlib
import random
import shutil
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import astuple
from pathlib import Path
from urllib.request import urlopen

from daemon.drawing import Curve, CurveDrawing, Size, Step, draw, stretches
from daemon.logbook import FILE, Archive, pages, schema, sealing
from daemon.page.desk import PageDesk, Who
from daemon.page.following import Following
from daemon.page.settings import opened
from daemon.page.views import Asked, night, place
from rules.reading import DAY, HOUR, MINUTE
from rules.span import Range, Span
from tests.bench.figure import Figure, bounded, compared
from tests.kit import night as kit_night
from tests.kit.night import NOW, Night, name_of, value, write_night

PLACES = 60
EVERY = 60_000
HOURS = 13.0
VARIANTS = 97
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


def _year() -> Night:
    """Give a year of sixty places at a reading a minute: 120 curves, 63 million readings.

    It is built once and kept in the temp folder under a key of the code that writes it.
    The last 13 hours go through the logbook; the hours before are pages of the logbook's
    own making that come again and again, so that the year is written in seconds.
    """
    key = hashlib.sha256()
    for module in (kit_night, pages, sealing, schema, sys.modules[__name__]):
        key.update(Path(str(module.__file__)).read_bytes())
    folder = Path(tempfile.gettempdir()) / f"ovigil-bench-year-{key.hexdigest()[:12]}"
    names = tuple(name_of(i) for i in range(PLACES))
    if not (folder / "whole").exists():
        shutil.rmtree(folder, ignore_errors=True)
        folder.mkdir()
        given = write_night(folder, places=PLACES, every=EVERY, hours=HOURS)
        _write_past(given.folder / FILE)
        _bare_copy(given)
        (folder / "whole").touch()
    return Night(folder / "room.toml", folder / "state", NOW, names)


def _write_past(file: Path) -> None:
    """Put a year of pages before the night."""
    last = (NOW - int(HOURS * HOUR)) // HOUR
    rng = random.Random(3)
    made = [_page(i, quantity, rng) for i in range(VARIANTS) for quantity in (0, 1)]
    with sqlite3.connect(file, isolation_level=None) as book:
        book.execute("PRAGMA synchronous = OFF")
        series = [row[0] for row in book.execute("SELECT id FROM series ORDER BY id")]
        rows = (
            (sealing.page_key(hour, number), *made[2 * ((hour * 7 + number) % VARIANTS) + number % 2])
            for hour in range(last - 365 * 24, last)
            for number in series
        )
        book.execute("BEGIN")
        book.executemany(
            "INSERT INTO pages (key, n, counted, low, high, total, stamped, flags, packed, digest)"
            " VALUES (?, ?, ?, ?, ?, ?, 0, 0, ?, zeroblob(16))",
            rows,
        )
        book.execute("UPDATE series SET first_hour = ?", (last - 365 * 24,))
        book.execute("COMMIT")
    book.close()


def _page(index: int, quantity: int, rng: random.Random) -> tuple[object, ...]:
    """Make one hour of readings: its summary, and its readings as the logbook packs them."""
    at = [minute * MINUTE for minute in range(60)]
    pairs = [value(3, index * HOUR + one, rng) or (29.7, 81.0) for one in at]
    column = pages.Column(at, [round(1000 * pair[quantity]) for pair in pairs], bytes(60), at)
    return (*astuple(pages.summarised(column)), pages.pack(column, 0))


def _bare_copy(given: Night) -> None:
    """Copy the readings that are asked for into the plainest table that answers the same questions."""
    bare = sqlite3.connect(given.config.parent / "bare.db")
    bare.execute("CREATE TABLE r (s TEXT, q TEXT, at INTEGER, v REAL, PRIMARY KEY (s, q, at)) WITHOUT ROWID")
    with Archive.open(given.folder) as archive:
        for sensor, quantity in archive.series():
            since = NOW - SEASON if sensor == "box-1-sensor" else NOW - 14 * HOUR
            curve = archive.curve(sensor, quantity, since, NOW + 1)
            rows = ((sensor, quantity.value, at, v) for at, v, _ in curve)
            bare.executemany("INSERT OR IGNORE INTO r VALUES (?, ?, ?, ?)", rows)
    bare.commit()
    bare.close()


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
    bare = sqlite3.connect(given.config.parent / "bare.db")
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
    given = _year()
    return [drawing_figure(), *_views(given), memory_figure(given)]
