"""Readings out of the logbook, as CSV or JSON, in the order of their instants.

Both write as they read: a season does not have to fit into memory. ``value`` has the
correction in force applied, ``raw`` is the record; importing an export again means
``CsvForm(value="raw")``.
"""

import csv
import json
import math
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import TextIO

from daemon.logbook import Archive, Labels
from rules.reading import DAY, Quality, Quantity

COLUMNS = ("time", "sensor", "quantity", "value", "raw", "quality", "place", "spot")
"""Columns of the CSV and keys of the JSON."""

_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n", "'")
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)

Corrected = Callable[[str, Quantity, float, int], float]
"""Gives the corrected value of (sensor, quantity, raw, instant)."""


@dataclass(frozen=True, slots=True)
class ExportRow:
    """One reading as it leaves the house.

    Attributes:
        wall: Unix ms.
        sensor: The sensor's name.
        quantity: What was measured.
        value: Corrected; °C, percent or 0/1; NaN where there is none.
        raw: As recorded.
        quality: Grade and reason.
        place: Where the sensor is by the present config, or "".
        spot: Where in the place, or "".
    """

    wall: int
    sensor: str
    quantity: Quantity
    value: float
    raw: float
    quality: Quality
    place: str = ""
    spot: str = ""


def export_rows(
    archive: Archive,
    window: tuple[int, int],
    *,
    where: Mapping[str, tuple[str, str]],
    corrected: Corrected,
    sensors: frozenset[str] | None = None,
) -> Iterator[ExportRow]:
    """Go through the readings of a window, by instant, then sensor and quantity.

    Args:
        archive: The logbook.
        window: Room time, since <= at < until.
        where: (place, spot) by sensor.
        corrected: The correction in force.
        sensors: Only these, or None for all.
    """
    labels = archive.labels()
    keys = sorted(key for key in archive.series() if sensors is None or key[0] in sensors)
    for since, until in _days(archive, window):
        found = [
            (at, sensor, quantity.value, index, raw, code)
            for sensor, quantity in keys
            for index, (at, raw, code) in enumerate(archive.curve(sensor, quantity, since, until))
        ]
        found.sort(key=lambda row: row[:4])
        for at, sensor, name, _, raw, code in found:
            yield _row(labels, (at, sensor, Quantity(name), raw, code), where, corrected)


def write_csv(rows: Iterable[ExportRow], out: TextIO) -> int:
    """Write CSV with a header; give the number of readings.

    A text that a spreadsheet would take for a formula gets an apostrophe in front.
    """
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(COLUMNS)
    count = 0
    for row in rows:
        count += 1
        writer.writerow(
            (
                iso(row.wall),
                safe(row.sensor),
                row.quantity.value,
                _number(row.value),
                _number(row.raw),
                row.quality.words,
                safe(row.place),
                safe(row.spot),
            )
        )
    return count


def write_json(rows: Iterable[ExportRow], out: TextIO) -> int:
    """Write one JSON object ``{"readings": [...]}``; give the number of readings.

    Values are °C, percent or 0/1, null where there is none; instants ISO 8601 UTC.
    """
    count = 0
    out.write('{"readings": [')
    for row in rows:
        out.write(",\n" if count else "\n")
        count += 1
        json.dump(_plain(row), out)
    out.write("\n]}\n")
    return count


def iso(wall: int) -> str:
    """Write Unix ms as ISO 8601 UTC, with milliseconds only where there are some."""
    when = (_EPOCH + timedelta(milliseconds=wall)).isoformat(
        timespec="milliseconds" if wall % 1000 else "seconds"
    )
    return when.replace("+00:00", "Z")


def safe(text: str) -> str:
    """Keep a spreadsheet from taking a text for a formula."""
    return "'" + text if text.startswith(_FORMULA) else text


def _days(archive: Archive, window: tuple[int, int]) -> Iterator[tuple[int, int]]:
    """Cut the window into days, no further than the record goes."""
    span = archive.span()
    if span is None:
        return
    since, until = max(window[0], span[0]), min(window[1], span[1] + 1)
    while since < until:
        end = min(until, (since // DAY + 1) * DAY)
        yield since, end
        since = end


def _row(
    labels: Labels,
    reading: tuple[int, str, Quantity, float, int],
    where: Mapping[str, tuple[str, str]],
    corrected: Corrected,
) -> ExportRow:
    at, sensor, quantity, raw, code = reading
    place, spot = where.get(sensor, ("", ""))
    value = raw if math.isnan(raw) else corrected(sensor, quantity, raw, at)
    return ExportRow(labels.wall(at), sensor, quantity, value, raw, Quality.of(code), place, spot)


def _number(value: float) -> str:
    return "" if math.isnan(value) else f"{value:.3f}".rstrip("0").rstrip(".")


def _plain(row: ExportRow) -> dict[str, str | float | None]:
    numbers = {
        name: None if math.isnan(value) else value for name, value in (("value", row.value), ("raw", row.raw))
    }
    return {
        "time": iso(row.wall),
        "sensor": row.sensor,
        "quantity": row.quantity.value,
        **numbers,
        "quality": row.quality.words,
        "place": row.place,
        "spot": row.spot,
    }
