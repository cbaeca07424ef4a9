"""Readings and rooms for tests of the logbook."""

import math
import random
from collections.abc import Iterator
from pathlib import Path

from daemon.logbook import Logbook
from daemon.record import Batch, Entry
from rules.reading import HOUR, SECOND, Quality, Quantity

BASE = 1_795_000_000_000 // HOUR * HOUR
"""A whole hour in room time."""

T = Quantity.TEMPERATURE
H = Quantity.HUMIDITY


def entry(sensor: str = "box-1", raw: float = 28.5, at: int = 0, **more: object) -> Entry:
    """Make an entry ``at`` ms after BASE, judged at once unless told otherwise."""
    given = {"quantity": T, "now": BASE + at} | more
    return Entry(sensor=sensor, raw=raw, at=BASE + at, **given)  # type: ignore[arg-type]


def facts(one: Entry) -> tuple[object, ...]:
    """Give what a page keeps of an entry, comparable though NaN is not."""
    raw = None if math.isnan(one.raw) else one.raw
    return (one.sensor, one.quantity, raw, one.at, one.now, one.quality, one.note)


def night(sensors: int, rounds: int, every: int = 30 * SECOND, seed: int = 1) -> Iterator[Batch]:
    """Make rounds of noisy temperatures (0.01 °C), one batch each."""
    dice = random.Random(seed)
    value = [28 + dice.random() for _ in range(sensors)]
    for index in range(rounds):
        now = BASE + index * every
        entries = []
        for number in range(sensors):
            value[number] += dice.gauss(0, 0.02)
            raw = round(value[number] + dice.gauss(0, 0.01), 2)
            entries.append(Entry(f"box-{number:02}", T, raw, now, now))
        yield Batch(now, tuple(entries))


def recorded(folder: Path, sensors: int = 3, rounds: int = 400) -> None:
    """Fill a logbook with a night, sealed hour by hour."""
    with Logbook.open(folder) as logbook:
        waiting = []
        for batch in night(sensors, rounds):
            waiting.append(batch)
            if batch.now % HOUR == 0:
                logbook.commit(waiting)
                logbook.seal(batch.now)
                waiting = []
        logbook.commit(waiting)


LATE = Quality.LATE
"""Shorter."""
