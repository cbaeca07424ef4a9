"""Readings out of a CSV file: any bytes in, lines or reasons out.

The default form is ``time,sensor,quantity,value`` with an optional fifth column
``arrived``, in any order; times are ISO 8601 with offset. Another logger's form is
described by :class:`CsvForm`. Blank lines and lines that begin with ``#`` are passed
over; a line that cannot be used is named with its number and why.
"""

import csv
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from math import nan
from typing import BinaryIO
from zoneinfo import ZoneInfo

from rules.reading import Quantity

LONGEST = 65_536
"""Longest line that is read (bytes)."""

LONGEST_NAME = 200
"""Longest name of a sensor (characters)."""

RECORDED = (
    Quantity.TEMPERATURE,
    Quantity.HUMIDITY,
    Quantity.CONTACT,
    Quantity.BATTERY,
    Quantity.SIGNAL,
)
"""What can be imported: derived quantities are never recorded."""

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_LATEST = datetime(2200, 1, 1, tzinfo=UTC)
_NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d{1,3})?", re.ASCII)
_CONTACT = {"1": 1.0, "0": 0.0, "1.0": 1.0, "0.0": 0.0, "true": 1.0, "false": 0.0}


class CsvRefused(Exception):  # noqa: N818 - says what happened
    """The file cannot be understood at all: its header is missing or lacks a column."""


@dataclass(frozen=True, slots=True)
class CsvForm:
    """How a file says what it says.

    Attributes:
        time: Column of the instant.
        sensor: Column of the sensor's name.
        quantity: Column of the quantity.
        value: Column of the value.
        arrived: Column of the instant at which it arrived; may be missing in the file.
        sensor_name: Name for all lines of a file without such a column.
        values: (column, quantity) of a file with one column for each quantity; then
            ``quantity`` and ``value`` are not looked for.
        time_format: ``None`` for ISO 8601, "unix" (s), "unix ms", or a format of strptime.
        zone: Time zone of instants without offset, or None: they are bad lines. Of an
            hour that comes twice it is the first.
        fahrenheit: Temperatures are °F.
        no_value: Words that mean that there was no value: the reading is kept without one.
        separator: Between fields.
        decimal: The decimal sign.
    """

    time: str = "time"
    sensor: str = "sensor"
    quantity: str = "quantity"
    value: str = "value"
    arrived: str = "arrived"
    sensor_name: str | None = None
    values: tuple[tuple[str, Quantity], ...] = ()
    time_format: str | None = None
    zone: str | None = None
    fahrenheit: bool = False
    no_value: tuple[str, ...] = ()
    separator: str = ","
    decimal: str = "."


@dataclass(frozen=True, slots=True)
class CsvReading:
    """One reading of a file.

    Attributes:
        number: Line number, from 1.
        wall: Unix ms.
        sensor: The sensor's name.
        quantity: What was measured.
        value: °C, percent or 0/1, rounded to 0.001; NaN where a word for no value stood.
        arrived: Unix ms, or None.
    """

    number: int
    wall: int
    sensor: str
    quantity: Quantity
    value: float
    arrived: int | None = None


@dataclass(frozen=True, slots=True)
class BadLine:
    """A line that was passed over, and why."""

    number: int
    reason: str


class _Bad(ValueError):  # noqa: N818 - never leaves this file
    """Why a line cannot be used."""


def parse(file: BinaryIO, form: CsvForm = CsvForm()) -> Iterator[CsvReading | BadLine]:
    """Read a file line by line.

    Args:
        file: Opened for reading bytes.
        form: How it says what it says.

    Yields:
        Readings and bad lines in the order of the file.

    Raises:
        CsvRefused: There is no header, or it lacks a column.
    """
    columns: Mapping[str, int] | None = None
    zone = _zone(form.zone)
    for number, raw in _lines(file):
        try:
            fields = _fields(raw, form)
        except _Bad as bad:
            if columns is None:
                raise CsvRefused(f"line {number}, where the header should be: {bad}") from bad
            yield BadLine(number, str(bad))
            continue
        if fields is None:
            continue
        if columns is None:
            columns = _header(number, fields, form)
            continue
        yield from _readings(number, fields, columns, (form, zone))
    if columns is None:
        raise CsvRefused("the file has no header (time,sensor,quantity,value)")


def _zone(name: str | None) -> ZoneInfo | None:
    if name is None:
        return None
    try:
        return ZoneInfo(name)
    except (ValueError, OSError, KeyError) as error:
        raise CsvRefused(f"there is no time zone {name!r}") from error


def _lines(file: BinaryIO) -> Iterator[tuple[int, bytes | None]]:
    """Go through (number, line); a line that is too long is None."""
    number = 0
    while line := file.readline(LONGEST + 1):
        number += 1
        if len(line) <= LONGEST or line.endswith(b"\n"):
            yield number, line.removeprefix(b"\xef\xbb\xbf") if number == 1 else line
            continue
        while line and not line.endswith(b"\n"):
            line = file.readline(LONGEST)
        yield number, None


def _fields(raw: bytes | None, form: CsvForm) -> list[str] | None:
    """Split a line; None where it is blank or a comment."""
    if raw is None:
        raise _Bad(f"longer than {LONGEST} bytes")
    if b"\0" in raw:
        raise _Bad("holds a NUL byte")
    try:
        line = raw.decode("utf-8").strip("\r\n")
    except UnicodeDecodeError as error:
        raise _Bad("is not UTF-8 text") from error
    if not line.strip() or line.lstrip().startswith("#"):
        return None
    try:
        rows = list(csv.reader([line], delimiter=form.separator, strict=True))
    except csv.Error as error:
        raise _Bad(f"is not CSV: {error}") from error
    return [field.strip() for field in rows[0]] if len(rows) == 1 else None


def _header(number: int, fields: list[str], form: CsvForm) -> dict[str, int]:
    columns: dict[str, int] = {}
    for index, name in enumerate(fields):
        if name.lower() in columns:
            raise CsvRefused(f"line {number}: column {name!r} stands twice")
        columns[name.lower()] = index
    wanted = [form.time] + ([] if form.sensor_name else [form.sensor])
    wanted += [column for column, _ in form.values] or [form.quantity, form.value]
    missing = [name for name in wanted if name.lower() not in columns]
    if missing:
        has = ", ".join(name[:40] for name in fields[:10])
        raise CsvRefused(f"line {number}: no column {', '.join(map(repr, missing))}; the header has: {has}")
    return columns


def _readings(
    number: int, fields: list[str], columns: Mapping[str, int], how: tuple[CsvForm, ZoneInfo | None]
) -> Iterator[CsvReading | BadLine]:
    form, zone = how
    try:
        wall = _instant(_field(fields, columns, form.time), form, zone)
        sensor = _sensor(form.sensor_name or _field(fields, columns, form.sensor))
        arrived = _arrived(fields, columns, how)
    except _Bad as bad:
        yield BadLine(number, str(bad))
        return
    for column, quantity in form.values or ((form.value, None),):
        try:
            what = quantity or _quantity(_field(fields, columns, form.quantity))
            value = _value(_field(fields, columns, column), what, form)
        except _Bad as bad:
            yield BadLine(number, str(bad))
        else:
            yield CsvReading(number, wall, sensor, what, value, arrived)


def _field(fields: list[str], columns: Mapping[str, int], name: str) -> str:
    index = columns[name.lower()]
    if index >= len(fields):
        raise _Bad(f"has no field for {name!r}")
    return fields[index]


def _arrived(
    fields: list[str], columns: Mapping[str, int], how: tuple[CsvForm, ZoneInfo | None]
) -> int | None:
    form, zone = how
    index = columns.get(form.arrived.lower())
    if index is None or index >= len(fields) or not fields[index]:
        return None
    return _instant(fields[index], form, zone)


def _instant(text: str, form: CsvForm, zone: ZoneInfo | None) -> int:
    """Read an instant; Unix ms."""
    try:
        when = _when(text, form.time_format)
        if when.tzinfo is None:
            if zone is None:
                raise _Bad(f"the time {text[:40]!r} has no offset from UTC")
            when = when.replace(tzinfo=zone)
        when = when.astimezone(UTC)
    except (ValueError, OverflowError) as error:
        raise error if isinstance(error, _Bad) else _Bad(f"{text[:40]!r} is no time") from error
    if not _EPOCH <= when < _LATEST:
        raise _Bad(f"the time {text[:40]!r} is out of reach (1970 to 2200)")
    return (when - _EPOCH) // timedelta(milliseconds=1)


def _when(text: str, time_format: str | None) -> datetime:
    if time_format is None:
        return datetime.fromisoformat(text)
    if time_format in ("unix", "unix ms"):
        if not _NUMBER.fullmatch(text):
            raise ValueError(text)
        return _EPOCH + timedelta(**{"seconds" if time_format == "unix" else "milliseconds": float(text)})
    return datetime.strptime(text, time_format)  # noqa: DTZ007 - the caller gives it its zone


def _sensor(text: str) -> str:
    if not text:
        raise _Bad("has no sensor name")
    if len(text) > LONGEST_NAME or not text.isprintable():
        raise _Bad(f"the sensor name is longer than {LONGEST_NAME} or not printable")
    return text


def _quantity(text: str) -> Quantity:
    for quantity in RECORDED:
        if quantity.value == text.lower():
            return quantity
    allowed = ", ".join(quantity.value for quantity in RECORDED)
    raise _Bad(f"{text[:40]!r} is no quantity (allowed: {allowed})")


def _value(text: str, quantity: Quantity, form: CsvForm) -> float:
    if text in form.no_value:
        return nan
    if quantity is Quantity.CONTACT:
        if text.lower() not in _CONTACT:
            raise _Bad(f"{text[:40]!r} is no contact value (1 or 0)")
        return _CONTACT[text.lower()]
    plain = text.replace(form.decimal, ".") if form.decimal != "." else text
    if not _NUMBER.fullmatch(plain) or (form.decimal != "." and "." in text):
        raise _Bad(f"{text[:40]!r} is no number")
    value = float(plain)
    if abs(value) > 1e9:
        raise _Bad(f"{text[:40]!r} is no value that a sensor gives")
    if form.fahrenheit and quantity is Quantity.TEMPERATURE:
        value = (value - 32) / 1.8
    return round(value, 3)
