"""Any logger's CSV: flags of the command line as the form of a file, and a preview of it."""

import argparse
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime
from math import isnan
from pathlib import Path
from zoneinfo import ZoneInfo

from daemon.compile import compile as make_plan
from daemon.csvfile import RECORDED, BadLine, CsvForm, CsvReading, parse
from daemon.exporting import iso
from daemon.imports import stranger
from daemon.record import Json
from daemon.settings import Loaded
from daemon.texts import fixed
from rules.reading import Quantity

FIRST = 10
"""So many readings and bad lines are shown."""

UNITS = {Quantity.TEMPERATURE: "°C", Quantity.HUMIDITY: "%"}
SEPARATORS = {"tab": "\t", "\\t": "\t", "semicolon": ";", "comma": ",", "space": " "}


def form_of(given: argparse.Namespace) -> CsvForm:
    """Give the form that the flags describe.

    Raises:
        ValueError: A flag cannot be understood; the sentence says what is allowed.
    """
    separator = SEPARATORS.get(given.separator, given.separator)
    if len(separator) != 1:
        raise ValueError(f'--separator: "{given.separator}" is not one sign (or "tab")')
    if given.decimal not in (".", ",") or given.decimal == separator:
        raise ValueError('--decimal: must be "." or ",", and not the separator')
    values = tuple(_column(text) for text in given.column)
    twice = [quantity.value for _, quantity in values]
    if len(set(twice)) < len(twice):
        raise ValueError("--column: a quantity stands twice; a file has one column for each")
    return CsvForm(
        time=given.time_column,
        sensor=given.sensor_column,
        sensor_name=given.sensor,
        values=values,
        time_format=given.time_format,
        zone=given.zone,
        fahrenheit=given.unit == "F",
        no_value=tuple(given.no_value),
        separator=separator,
        decimal=given.decimal,
    )


def _column(text: str) -> tuple[str, Quantity]:
    """Read ``COLUMN=QUANTITY``; the column's name may hold an equals sign."""
    column, equals, name = text.rpartition("=")
    known = {quantity.value: quantity for quantity in RECORDED}
    if not equals or not column.strip() or name.strip().lower() not in known:
        raise ValueError(f'--column: "{text}" is not COLUMN=QUANTITY with one of {", ".join(known)}')
    return column.strip(), known[name.strip().lower()]


# -- preview ----------------------------------------------------------------------------------


@dataclass(slots=True)
class Column:
    """What was understood of one curve."""

    readings: int = 0
    without: int = 0
    first: int = 0
    last: int = 0
    lowest: float = float("inf")
    highest: float = float("-inf")

    def add(self, line: CsvReading) -> None:
        """Count a reading."""
        self.first = line.wall if not self.readings else min(self.first, line.wall)
        self.last = line.wall if not self.readings else max(self.last, line.wall)
        self.readings += 1
        if isnan(line.value):
            self.without += 1
            return
        self.lowest, self.highest = min(self.lowest, line.value), max(self.highest, line.value)


@dataclass(slots=True)
class Preview:
    """What was understood of a file.

    Attributes:
        first: The first readings.
        curves: Counts and extremes by (sensor, quantity).
        bad: The first lines that would be passed over.
        bad_lines: How many there are.
    """

    first: list[CsvReading] = field(default_factory=list)
    curves: dict[tuple[str, Quantity], Column] = field(default_factory=dict)
    bad: list[BadLine] = field(default_factory=list)
    bad_lines: int = 0

    def add(self, line: CsvReading | BadLine) -> None:
        """Count a line."""
        if isinstance(line, BadLine):
            self.bad_lines += 1
            if len(self.bad) < FIRST:
                self.bad.append(line)
            return
        if len(self.first) < FIRST:
            self.first.append(line)
        self.curves.setdefault((line.sensor, line.quantity), Column()).add(line)


def preview(loaded: Loaded, file: Path, form: CsvForm) -> Preview:
    """Read a file and store nothing.

    Raises:
        CsvRefused: The file cannot be understood at all.
        OSError: It cannot be read.
    """
    plan = make_plan(loaded.model, now=0, clock=None)
    sensors = {sensor.name: sensor for sensor in plan.sensors if sensor.reader != "watch"}
    found = Preview()
    with file.open("rb") as source:
        for line in parse(source, form):
            fault = None if isinstance(line, BadLine) else stranger(line, sensors)
            found.add(line if fault is None else BadLine(line.number, fault))
    return found


def preview_lines(found: Preview, loaded: Loaded) -> Iterator[str]:
    """Say what was understood; times are the room's."""
    zone = ZoneInfo(loaded.model.room.time_zone)
    for line in found.first:
        value = _said(line.quantity, line.value)
        yield f"line {line.number}: {_local(line.wall, zone)}  {line.sensor}  {value}"
    for (sensor, quantity), column in found.curves.items():
        without = f", {column.without} without a value" if column.without else ""
        extremes = ""
        if column.without < column.readings:
            low, high = (_said(quantity, value) for value in (column.lowest, column.highest))
            extremes = f", {low} to {high}"
        yield (
            f"{sensor} {quantity.value}: {column.readings} readings, {_local(column.first, zone)} to "
            f"{_local(column.last, zone)}{extremes}{without}"
        )
    for bad in found.bad:
        yield f"line {bad.number}: {bad.reason}; would be passed over"
    yield f"{found.bad_lines} lines would be passed over; nothing was stored"


def preview_json(found: Preview) -> dict[str, Json]:
    """Give the preview as plain JSON values: instants ISO 8601 UTC, °C, percent."""
    return {
        "stored": 0,
        "first": [
            {
                "line": line.number,
                "time": iso(line.wall),
                "sensor": line.sensor,
                "quantity": line.quantity.value,
                "value": None if isnan(line.value) else line.value,
            }
            for line in found.first
        ],
        "curves": [
            {
                "sensor": sensor,
                "quantity": quantity.value,
                "readings": column.readings,
                "without_value": column.without,
                "from": iso(column.first),
                "to": iso(column.last),
                "lowest": None if column.without == column.readings else column.lowest,
                "highest": None if column.without == column.readings else column.highest,
            }
            for (sensor, quantity), column in found.curves.items()
        ],
        "bad_lines": found.bad_lines,
        "bad": [{"line": line.number, "reason": line.reason} for line in found.bad],
    }


def _said(quantity: Quantity, value: float) -> str:
    if isnan(value):
        return f"{quantity.value} without a value"
    unit = f" {UNITS[quantity]}" if quantity in UNITS else ""
    return f"{fixed(value, 1 if unit else 0)}{unit}"


def _local(wall: int, zone: ZoneInfo) -> str:
    return f"{datetime.fromtimestamp(wall / 1000, zone):%Y-%m-%d %H:%M:%S}"
