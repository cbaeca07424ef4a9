"""A room with a season: clutches that hatch, grow, lack a record or are over, and an enclosure."""

import json
import math
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from daemon.clutch_entry import order_of
from daemon.logbook import Logbook
from daemon.record import Asked, Batch, Entered, Entry, Json, Kind
from rules.reading import DAY, HOUR, MINUTE, Quantity

HEAD = """\
[room]
name = "Attic"
time_zone = "UTC"
show = "{show}"
data = "state"
day = "08:00-20:00"

[broker]
host = "127.0.0.1"
"""

PLACE = """
[[place]]
name = "{name}"
kind = "{kind}"
temperature = {{ ideal = ["27 C", "30 C"], safe = ["25 C", "33 C"] }}
[[place.sensor]]
name = "{name}"
spot = "{spot}"
read = {{ by = "mqtt", topic = "attic/{name}", temperature = "/t", every = "30 min" }}
"""

CLUTCH = """
[[clutch]]
id = "{id}"
species = "{species}"
laid = {laid}
eggs = {eggs}
box = "{box}"
{more}
"""

REARING = """
[[place]]
name = "rearing"
kind = "enclosure"
[[place.range]]
spot = "warm side"
when = "day"
temperature = { ideal = ["28 C", "32 C"], safe = ["24 C", "36 C"] }
[[place.range]]
spot = "warm side"
when = "night"
temperature = { ideal = ["20 C", "25 C"], safe = ["16 C", "28 C"] }
[[place.sensor]]
name = "rearing"
spot = "warm side"
read = { by = "mqtt", topic = "attic/rearing", temperature = "/t", every = "30 min" }
"""

BOXES = {"box-1": 28.6, "box-2": 27.9, "box-3": 29.2, "box-4": 28.0, "box-5": 28.3}
"""Mean temperature of each box, °C."""


@dataclass(frozen=True, slots=True)
class ClutchRoom:
    """What was written: the config, its data folder, and the present (Unix ms; room time is the same)."""

    config: Path
    folder: Path
    now: int


def write_clutch_room(folder: Path, now: int, show: str = "C") -> ClutchRoom:
    """Write eighty days of a season that ends now.

    P-01 hatches since yesterday, H-02 is on the way, F-03 has no record, P-04 is over and
    was weighed, E-05 asks for its sex.
    """
    folder.mkdir(parents=True, exist_ok=True)
    config, state = folder / "room.toml", folder / "state"
    config.write_text(_config(now, show), "utf-8")
    start = now - 80 * DAY
    with Logbook.open(state) as book:
        book.note_boot("boot-1", start, 0, trusted=True)
        for day in range(start, now, 5 * DAY):
            book.commit([Batch(min(day + 5 * DAY, now), tuple(_readings(day, now)))])
            book.seal(min(day + 5 * DAY, now) - 2 * HOUR)
        book.commit([Batch(now, journal=tuple(_log(now)))])
    return ClutchRoom(config, state, now)


def _config(now: int, show: str) -> str:
    def laid(days: int) -> str:
        return datetime.fromtimestamp((now - days * DAY) / 1000, UTC).date().isoformat()

    places = [PLACE.format(name=name, kind="box", spot="substrate") for name in BOXES]
    clutches = [
        CLUTCH.format(id="P-01", species="Paroedura picta", laid=laid(56), eggs=4, box="box-1", more=""),
        CLUTCH.format(
            id="H-02",
            species="Pituophis melanoleucus",
            laid=laid(31),
            eggs=9,
            box="box-2",
            more='parents = "Runa, Otto"',
        ),
        CLUTCH.format(id="F-03", species="Pogona vitticeps", laid=laid(12), eggs=18, box="box-3", more=""),
        CLUTCH.format(id="P-04", species="Paroedura picta", laid=laid(72), eggs=2, box="box-4", more=""),
        CLUTCH.format(
            id="E-05", species="Testudo hermanni", laid=laid(30), eggs=6, box="box-5", more="sex = true"
        ),
    ]
    day = datetime.fromtimestamp(now / 1000, UTC).date().isoformat()
    reminder = f'\n[[reminder]]\ntext = "crickets out of the refrigerator"\non = {day}\n'
    again = f'\n[[reminder]]\ntext = "turn the spring tails"\nevery = "3 days"\nsince = {laid(1)}\n'
    return HEAD.format(show=show) + "".join(places) + REARING + "".join(clutches) + reminder + again


def _readings(start: int, now: int) -> Iterator[Entry]:
    for at in range(start, min(start + 5 * DAY, now), 30 * MINUTE):
        wave = 0.5 * math.sin(2 * math.pi * at / DAY) + 0.3 * math.sin(at / (9 * DAY))
        for name, mean in BOXES.items():
            if not (name == "box-2" and now - 20 * DAY < at < now - 19 * DAY):
                yield Entry(name, Quantity.TEMPERATURE, round(mean + wave, 2), at, at)
        hour = datetime.fromtimestamp(at / 1000, UTC).hour
        yield Entry("rearing", Quantity.TEMPERATURE, 30.0 if 8 <= hour < 20 else 22.0, at, at)


def entry(number: int, clutch: str, at: int, **parts: Json) -> Entered:
    """Make a journal line of an egg log, as the watch writes it."""
    body: dict[str, Json] = {**order_of(clutch, parts), "order": number, "by": "Ines"}
    return Entered(at, Kind.EGG_LOG, body)


def _log(now: int) -> Iterator[Entered]:
    deeds: list[tuple[str, float, dict[str, Json]]] = [
        ("P-04", 71, {"deed": "weighed", "grams": 2.9}),
        ("P-04", 60, {"deed": "weighed", "grams": 2.8}),
        ("P-04", 40, {"deed": "weighed", "grams": 2.66}),
        ("P-04", 25, {"deed": "weighed", "grams": 2.58}),
        ("P-04", 15.2, {"deed": "pipped", "count": 1}),
        ("P-04", 15, {"deed": "hatched", "count": 2}),
        ("P-04", 14, {"deed": "moved", "of": "hatchling", "count": 2, "box": "rearing"}),
        ("H-02", 23, {"deed": "candled", "note": "nine with vessels"}),
        ("H-02", 5, {"deed": "slumped", "count": 1}),
        ("E-05", 22, {"deed": "candled"}),
        ("P-01", 1.1, {"deed": "pipped", "count": 1}),
        ("P-01", 0.6, {"deed": "hatched", "count": 1}),
    ]
    for number, (clutch, ago, parts) in enumerate(deeds, 1):
        yield entry(number, clutch, now - round(ago * DAY), **parts)


def take_orders(room: ClutchRoom, asked: list[Asked]) -> None:
    """Take egg orders as the watch does: journal and answer."""
    lines = tuple(
        Entered(room.now, Kind.EGG_LOG, {**one.body, "order": one.id, "by": one.by}) for one in asked
    )
    answers = tuple((one.id, room.now, "noted") for one in asked)
    with Logbook.open(room.folder) as book:
        book.commit([Batch(room.now, journal=lines, answers=answers, urgent=True)])


def entry_of(asked: Asked) -> dict[str, Json]:
    """Give the entry that an egg order holds."""
    found: dict[str, Json] = json.loads(str(asked.body["entry"]))
    return found
