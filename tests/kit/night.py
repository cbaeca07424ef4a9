"""A small night of our own, written through the real logbook: what page tests and bench read."""

import math
import random
from dataclasses import dataclass, replace
from pathlib import Path

from daemon.logbook import Logbook
from daemon.record import AlarmRow, Batch, Entered, Entry, Kind
from rules.events import AlarmKey
from rules.plan import Priority
from rules.reading import HOUR, MINUTE, Quality, Quantity

HEAD = """\
[room]
name = "Cellar"
time_zone = "Europe/Lisbon"
data = "state"
show = "{show}"
day = "07:00-21:00"
"""

PLACE = """
[[place]]
name = "{name}"
kind = "{kind}"
{extra}
temperature = {{ ideal = [{tideal}], safe = [{tsafe}] }}
humidity = {{ ideal = [70, 92], safe = [60, 98] }}

[[place.sensor]]
name = "{name}-sensor"
spot = "{spot}"
read = {{ by = "mqtt", topic = "cellar/{name}", temperature = "/t", humidity = "/h", every = "{every}" }}
"""

NOW = 1_795_590_000_000
"""Wall clock and room time at the end of the night: 2026-11-25 07:00 in Lisbon."""

KINDS = ("box", "incubator", "enclosure", "box")


@dataclass(frozen=True)
class Night:
    """A written night: where its config is, and when it ended."""

    config: Path
    folder: Path
    now: int
    names: tuple[str, ...]


def name_of(index: int) -> str:
    """Name the places: boxes, incubators and enclosures."""
    return f"{KINDS[index % 4]}-{index + 1}"


def write_config(folder: Path, places: int, *, every: str = "30 s", show: str = "C") -> Path:
    """Write a config with a broker that is never asked."""
    parts = [HEAD.format(show=show), '\n[broker]\nhost = "127.0.0.1"\n']
    for i in range(places):
        egg = KINDS[i % 4] == "box"
        extra = (
            'species = "Paroedura picta"\nstage = "incubation"\negg_mass = "1.5 g"'
            if egg
            else 'advice = "Look at the plug first."'
        )
        spot = "substrate" if egg and i != 3 else "air"
        parts.append(
            PLACE.format(
                name=name_of(i),
                kind=KINDS[i % 4],
                extra=extra,
                spot=spot,
                every=every,
                tideal='"28.5 C", "31 C"',
                tsafe='"26 C", "33 C"',
            )
        )
    path = folder / "room.toml"
    path.write_text("".join(parts), encoding="utf-8")
    return path


def value(index: int, at: int, rng: random.Random) -> tuple[float, float] | None:
    """Give temperature and humidity of a place at an instant before the end (ms, negative), or None."""
    hours = at / HOUR
    warm = 29.7 + 0.25 * math.sin(hours * 2.1 + index) + rng.gauss(0, 0.04)
    damp = 81 + 2 * math.sin(hours / 3 + index) + rng.gauss(0, 0.3)
    if index == 1 and hours > -3.4:
        warm -= 1.05 * (hours + 3.4)
    if index == 0 and hours > -7.8:
        damp -= 2.6 * (hours + 7.8)
    if index == 2 and hours > -3:
        return None
    if index == 4 and -5.2 < hours < -4.4:
        warm += 2.6 * math.sin((hours + 5.2) / 0.8 * math.pi)
    if index == 5 and -6 < hours < -5.3:
        return None
    return round(warm, 2), round(damp, 1)


def write_night(
    folder: Path, *, places: int = 16, hours: float = 12.0, every: int = 30_000, now: int = NOW, seed: int = 7
) -> Night:
    """Write a night of many places, with what went wrong in three of them.

    Args:
        folder: Where config and data folder go.
        places: How many places.
        hours: Length of the record, back from ``now``.
        every: Interval of readings (ms).
        now: The end, Unix ms; room time is the same.
        seed: Of the noise.
    """
    config = write_config(folder, places, every=f"{every // 1000} s")
    rng = random.Random(seed)
    state = folder / "state"
    names = tuple(name_of(i) for i in range(places))
    with Logbook.open(state) as book:
        book.note_boot("boot-1", now - int(hours * HOUR), 0, trusted=True)
        start = now - int(hours * HOUR)
        for at in range(start, now + 1, 20 * every):
            batches = [_round(t, now, names, rng) for t in range(at, min(at + 20 * every, now + 1), every)]
            book.commit(batches)
        book.seal(now - 2 * HOUR)
        book.commit([_alarms(now, names)])
    return Night(config, state, now, names)


def _round(at: int, now: int, names: tuple[str, ...], rng: random.Random) -> Batch:
    """Make the batch of one round of every place."""
    entries: list[Entry] = []
    for index, name in enumerate(names):
        pair = value(index, at - now, rng)
        if pair is None:
            continue
        for quantity, number in zip((Quantity.TEMPERATURE, Quantity.HUMIDITY), pair, strict=True):
            entries.append(Entry(f"{name}-sensor", quantity, number, at, at, Quality.GOOD))
    return Batch(at, tuple(entries))


def alarm_rows(now: int, names: tuple[str, ...]) -> tuple[AlarmRow, ...]:
    """Give the night's alarms: drying out, too cool and seen, silent, and one that is over."""
    dry = AlarmRow(
        1, AlarmKey(names[0], "substrate", "humidity", "drying out"), Priority.HIGH, now - int(7.8 * HOUR),
        now - int(5.4 * HOUR),
        words="drying out since 23:10. 61 %, left ideal at 03:30. Not warmer: all of the fall is moisture.",
        advice="Seal and water tray first.", sensors=(f"{names[0]}-sensor",), value=61.0,
    )  # fmt: skip
    cool = AlarmRow(
        2, AlarmKey(names[1], "air", "temperature", "too cool"), Priority.HIGH, now - int(3.3 * HOUR),
        now - int(2.2 * HOUR), acknowledged=now - 2 * HOUR, acknowledged_by="first",
        words="too cool: 26.1 °C and falling since 03:42.", advice="Look at the plug first.", value=26.1,
    )  # fmt: skip
    silent = AlarmRow(
        3, AlarmKey(names[2], "air", f"{names[2]}-sensor", "silent"), Priority.MEDIUM, now - 3 * HOUR,
        now - int(2.8 * HOUR), words="sensor silent since 04:00. Last value 29.6 °C.",
        sensors=(f"{names[2]}-sensor",),
    )  # fmt: skip
    over = AlarmRow(
        4, AlarmKey(names[4], "substrate", "temperature", "too warm"), Priority.MEDIUM, now - 5 * HOUR,
        now - int(4.9 * HOUR), cleared=now - int(4.4 * HOUR), words="too warm: 32.1 °C.", value=32.1,
    ) if len(names) > 4 else None  # fmt: skip
    return tuple(row for row in (dry, cool, silent, over) if row is not None)


def _alarms(now: int, names: tuple[str, ...]) -> Batch:
    """Make the batch of the night's alarms and what the engine foresees."""
    shown = {
        f"{names[1]}/air/temperature/{names[1]}-sensor": {
            "now": now, "value": 26.1, "limit": 26.0, "early": now + 8 * MINUTE,
            "expected": now + 20 * MINUTE, "late": now + 44 * MINUTE,
        }
    }  # fmt: skip
    order = Entered(
        now - 2 * HOUR, Kind.ORDER, {"verb": "acknowledge", "alarm": 2, "by": "first", "source": "command"}
    )
    return Batch(now, journal=(order,), alarms=alarm_rows(now, names), shown=shown, urgent=True)


def later(row: AlarmRow, **parts: object) -> AlarmRow:
    """Give an alarm as it is after something happened."""
    return replace(row, **parts)  # type: ignore[arg-type]
