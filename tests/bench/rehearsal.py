"""Rehearsal: two settings on two processes beside reading and judging once, measured alone.

Nights of 120 curves at 30 s in a real logbook, sealed hour by hour. Fourteen nights would
take minutes to lay out, so that a share of them is played (``SHARE``): decoding and judging
cost the same for each reading, and all figures are ratios of the same run.
"""

import math
import random
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path

from daemon.door import Door
from daemon.logbook import Archive, Logbook
from daemon.night import Window
from daemon.record import Batch, Entered, Entry, Kind
from daemon.rehearsal import rehearse, window_of
from daemon.settings import Loaded, load
from daemon.standing import Basis, Texts, settings_entry
from rules.engine import Engine
from rules.reading import HOUR, SECOND, Quantity, Reading
from tests.bench.figure import Figure, compared

PLACES = 60
EVERY = 30 * SECOND
NIGHTS = 14
SHARE = 1 / 12
"""So much of fourteen times 24 h is played: 28 h."""

BOUND = 1.5
START = 1_795_000_000_000 // HOUR * HOUR
NAME = "14 nights of 120 curves rehearsed by two settings, beside reading and judging them once (s)"
SHELL = "one night of one place rehearsed from the shell, beside a bare interpreter start (s)"

HEAD = """\
[room]
name = "Loft"
time_zone = "Europe/Lisbon"
data = "state"
day = "07:00-21:00"

[broker]
host = "127.0.0.1"
"""

PLACE = """
[[place]]
name = "{name}"
kind = "box"
temperature = {{ ideal = ["28.5 C", "31 C"], safe = ["26 C", "33 C"] }}
humidity = {{ ideal = [70, 92], safe = [60, 98] }}
hold = {{ ideal = "{hold}" }}

[[place.sensor]]
name = "{name}"
spot = "substrate"
read = {{ by = "mqtt", topic = "loft/{name}", temperature = "/t", humidity = "/h", every = "30 s" }}
"""


def figures() -> list[Figure]:
    """Measure both."""
    with tempfile.TemporaryDirectory() as base:
        return [_two_settings(Path(base, "room")), _from_the_shell(Path(base, "place"))]


def _two_settings(folder: Path) -> Figure:
    hours = int(NIGHTS * 24 * SHARE)
    current, proposed = laid_out(folder, PLACES, hours)
    alone = _timed(lambda: once(current, folder / "state"))
    with Archive.open(folder / "state") as archive:
        window = window_of(archive, None) or Window(0, 1)
    both = _timed(lambda: rehearse((current, proposed), folder / "state", window, lambda _: None))
    note = f"{hours} h of {2 * PLACES} curves played, times {round(1 / SHARE)}; it needs two free processors"
    return compared(NAME, both / SHARE, alone / SHARE, bound=BOUND, note=note)


def _from_the_shell(folder: Path) -> Figure:
    current, proposed = laid_out(folder, 1, 12)
    command = [
        sys.executable,
        "-m",
        "daemon.cli",
        "rehearse",
        str(current.path),
        str(proposed.path),
        "--json",
    ]
    ours = min(_run(command) for _ in range(3))
    bare = min(_run([sys.executable, "-c", "pass"]) for _ in range(3))
    return compared(SHELL, ours, bare, note="the limit is importing the settings model")


def once(loaded: Loaded, folder: Path) -> int:
    """Read the record and judge it once, with nothing else around it; give the readings."""
    with Archive.open(folder) as archive:
        plan = Texts(archive, loaded.path).plan_of(archive.journal(kinds=[Kind.PLAN])[0])
        assert plan is not None
        engine, door = Engine(plan), Door(plan)
        step = engine.step
        count = 0
        for entry in archive.replay(0, 1 << 60):
            reading = door.again(entry, None)
            if isinstance(reading, Reading):
                step(reading)
                count += 1
        return count


def laid_out(folder: Path, places: int, hours: int) -> tuple[Loaded, Loaded]:
    """Write two settings and a logbook of some hours."""
    folder.mkdir()
    both = [
        _written(folder / f"{name}.toml", places, hold)
        for name, hold in (("room", "20 min"), ("new", "40 min"))
    ]
    current, proposed = both
    with Logbook.open(folder / "state") as book:
        book.note_boot("boot-1", START, 0, trusted=True)
        basis = Basis(current.digest, 0).body()
        book.commit(
            [Batch(START, journal=(settings_entry(current, START), Entered(START, Kind.PLAN, basis)))]
        )
        for hour in range(hours):
            since = START + hour * HOUR
            book.commit(list(_rounds(since + SECOND, since + HOUR, places)))
            book.seal(since + HOUR)
    return current, proposed


def _written(path: Path, places: int, hold: str) -> Loaded:
    text = HEAD + "".join(PLACE.format(name=f"box-{n:02}", hold=hold) for n in range(places))
    path.write_text(text, "utf-8")
    return load(path, {})


def _rounds(since: int, until: int, places: int) -> Iterator[Batch]:
    dice = random.Random(since)
    for at in range(since, until, EVERY):
        hours = (at - START) / HOUR
        entries = []
        for number in range(places):
            trip = 2.2 * max(math.sin(hours * 0.7 + number), 0.8) - 1.76
            warm = 29.7 + 0.25 * math.sin(hours * 2.1 + number) + trip * 4 + dice.gauss(0, 0.04)
            damp = 81 + 2 * math.sin(hours / 3 + number) + dice.gauss(0, 0.3)
            name = f"box-{number:02}"
            entries.append(Entry(name, Quantity.TEMPERATURE, round(warm, 2), at, at))
            entries.append(Entry(name, Quantity.HUMIDITY, round(damp, 1), at, at))
        yield Batch(at, tuple(sorted(entries, key=lambda one: (one.sensor, one.quantity.value))))


def _timed(work: Callable[[], object]) -> float:
    begin = time.perf_counter()
    work()
    return time.perf_counter() - begin


def _run(command: list[str]) -> float:
    return _timed(lambda: subprocess.run(command, check=True, stdout=subprocess.DEVNULL))


if __name__ == "__main__":
    for figure in figures():
        print(figure.as_json())
