"""How a keeper writes a value: "30 s", "28.5 C", "0.5 F" of deadband, "07:00-21:00".

Every function takes text as it stands in the config and gives the value in the
unit that the program uses inside (ms, °C, K, g, minutes of the day). What cannot
be read raises ``ValueError`` with a sentence that says what is allowed.
"""

import re
from dataclasses import dataclass
from datetime import date
from math import isfinite

from rules.reading import DAY, HOUR, MINUTE, SECOND
from rules.span import Span

_NUMBER = r"([+-]?\d+(?:\.\d+)?)"
_DURATION = re.compile(rf"{_NUMBER}\s*([a-z]+)", re.ASCII)
_DEGREES = re.compile(rf"{_NUMBER}\s*°?\s*([CFK])", re.ASCII)
_MASS = re.compile(rf"{_NUMBER}\s*(g|kg|mg)", re.ASCII)
_CLOCK = re.compile(r"(\d{1,2}):(\d{2})", re.ASCII)
_DATES = re.compile(r"(\d{4}-\d{2}-\d{2})\s*/\s*(\d{4}-\d{2}-\d{2})", re.ASCII)
_WEEKDAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
_SPANS = {
    "ms": 1, "s": SECOND, "min": MINUTE, "h": HOUR, "d": DAY, "day": DAY, "days": DAY, "week": 7 * DAY,
    "weeks": 7 * DAY,
}  # fmt: skip
_GRAMS = {"mg": 0.001, "g": 1.0, "kg": 1000.0}

LONGEST = 400 * DAY
"""The longest span of time that a setting may have (ms)."""

MIDNIGHT = 24 * 60
"""The end of the day, in minutes."""


@dataclass(frozen=True, slots=True)
class Hours:
    """Hours of the day, half-open, local time; may cross midnight.

    Attributes:
        start: Minute of the day at which they begin, 0 to 1439.
        end: Minute of the day at which they end, 0 to 1440.
    """

    start: int
    end: int

    def __str__(self) -> str:
        """Write them as a keeper does."""
        return f"{say_clock(self.start)}-{say_clock(self.end)}"


@dataclass(frozen=True, slots=True)
class Dates:
    """Days, both included.

    Attributes:
        first: The first day.
        last: The last day.
    """

    first: date
    last: date

    def __str__(self) -> str:
        """Write them as a keeper does."""
        return f"{self.first.isoformat()}/{self.last.isoformat()}"


@dataclass(frozen=True, slots=True)
class Weekly:
    """An instant of each week, local time.

    Attributes:
        weekday: Monday is 0.
        minute: Minute of that day.
    """

    weekday: int
    minute: int

    def __str__(self) -> str:
        """Write it as a keeper does."""
        return f"{_WEEKDAYS[self.weekday]} {say_clock(self.minute)}"


def duration(text: object) -> int:
    """Read a span of time ("30 s", "20 min", "2 h", "3 days").

    Returns:
        Milliseconds, never negative.

    Raises:
        ValueError: It is no span of time, or longer than 400 days.
    """
    match = _DURATION.fullmatch(text.strip()) if isinstance(text, str) else None
    if match is None or match[2] not in _SPANS:
        raise ValueError(
            f'{_quoted(text)} is no span of time; write for example "30 s", "20 min", "2 h", "3 days"'
        )
    span = round(_finite(match[1]) * _SPANS[match[2]])
    if not 0 <= span <= LONGEST:
        raise ValueError(f"{_quoted(text)} is out of bounds; a span of time is 0 to 400 days")
    return span


def temperature(text: object) -> float:
    """Read a temperature ("28.5 C", "83 F").

    Returns:
        °C, rounded to 0.001.

    Raises:
        ValueError: It has no unit, is no temperature or is outside −100 to 200 °C.
    """
    match = _DEGREES.fullmatch(text.strip()) if isinstance(text, str) else None
    if match is None or match[2] == "K":
        raise ValueError(_needs_unit(text, "28.5 C", "83 F"))
    value = _finite(match[1])
    celsius = round(value if match[2] == "C" else (value - 32) / 1.8, 3)
    if not -100 <= celsius <= 200:
        raise ValueError(f"{_quoted(text)} is out of bounds; a temperature is -100 C to 200 C")
    return celsius


def difference(text: object) -> float:
    """Read a difference of temperatures ("0.3 C", "0.5 F", "0.3 K").

    Returns:
        K (0.5 F is 0.278 K), rounded to 0.001.

    Raises:
        ValueError: It has no unit or is outside 0 to 50 K.
    """
    match = _DEGREES.fullmatch(text.strip()) if isinstance(text, str) else None
    if match is None:
        raise ValueError(_needs_unit(text, "0.3 C", "0.5 F"))
    kelvin = round(_finite(match[1]) / (1.8 if match[2] == "F" else 1.0), 3)
    if not 0 <= kelvin <= 50:
        raise ValueError(f"{_quoted(text)} is out of bounds; a difference is 0 C to 50 C")
    return kelvin


def percent(value: object) -> float:
    """Read relative humidity: a plain number of 0 to 100.

    Raises:
        ValueError: It is no number, or outside 0 to 100.
    """
    if isinstance(value, int | float) and not isinstance(value, bool) and 0 <= value <= 100:
        return float(value)
    raise ValueError(f"{_quoted(value)} is no percentage; write a plain number of 0 to 100")


def mass(text: object) -> float:
    """Read a mass ("1.5 g").

    Returns:
        Grams.

    Raises:
        ValueError: It has no unit or is outside 0.01 g to 5 kg.
    """
    match = _MASS.fullmatch(text.strip()) if isinstance(text, str) else None
    if match is None:
        raise ValueError(f'{_quoted(text)} is no mass; write for example "1.5 g"')
    grams = _finite(match[1]) * _GRAMS[match[2]]
    if not 0.01 <= grams <= 5000:
        raise ValueError(f"{_quoted(text)} is out of bounds; an egg weighs 0.01 g to 5 kg")
    return grams


def clock(text: object) -> int:
    """Read an hour of the day ("07:15"), local time.

    Returns:
        Minute of the day, 0 to 1440 ("24:00" is the end of the day).

    Raises:
        ValueError: It is no hour of the day.
    """
    match = _CLOCK.fullmatch(text.strip()) if isinstance(text, str) else None
    minute = int(match[1]) * 60 + int(match[2]) if match is not None and int(match[2]) < 60 else MIDNIGHT + 1
    if minute > MIDNIGHT:
        raise ValueError(f'{_quoted(text)} is no hour of the day; write for example "07:15"')
    return minute


def time_of_day(text: object) -> int:
    """Read an hour of the day at which something is done: "24:00" is not one.

    Raises:
        ValueError: It is no hour of the day.
    """
    minute = clock(text)
    if minute == MIDNIGHT:
        raise ValueError('"24:00" is no hour at which something can be done; write "00:00"')
    return minute


def hours(text: object) -> Hours:
    """Read hours of the day ("07:00-21:00"; "22:30-06:30" crosses midnight).

    Raises:
        ValueError: It is no such pair, or both ends are the same.
    """
    parts = text.split("-") if isinstance(text, str) else []
    if len(parts) != 2:
        raise ValueError(f'{_quoted(text)} are no hours; write for example "07:00-21:00"')
    start, end = clock(parts[0]), clock(parts[1])
    if start in (end, MIDNIGHT):
        raise ValueError(f'{_quoted(text)} are no hours; a whole day is "00:00-24:00"')
    return Hours(start, end)


def dates(text: object) -> Dates:
    """Read days, both included ("2026-12-20/2027-01-03").

    Raises:
        ValueError: It is no such pair, or the last day is before the first.
    """
    match = _DATES.fullmatch(text.strip()) if isinstance(text, str) else None
    if match is None:
        raise ValueError(f'{_quoted(text)} are no dates; write for example "2026-12-20/2027-01-03"')
    try:
        first, last = date.fromisoformat(match[1]), date.fromisoformat(match[2])
    except ValueError:
        raise ValueError(f"{_quoted(text)} are no dates: there is no such day in the calendar") from None
    if last < first:
        raise ValueError(f"{_quoted(text)} ends before it begins")
    return Dates(first, last)


def weekly(text: object) -> Weekly:
    """Read an instant of the week ("sunday 10:00").

    Raises:
        ValueError: It is none.
    """
    parts = text.lower().split() if isinstance(text, str) else []
    if len(parts) != 2 or parts[0] not in _WEEKDAYS:
        raise ValueError(f'{_quoted(text)} is no instant of the week; write for example "sunday 10:00"')
    return Weekly(_WEEKDAYS.index(parts[0]), time_of_day(parts[1]))


def temperature_span(pair: object) -> Span:
    """Read a span of temperatures (["26 C", "33 C"], ["none", "-17.8 C"]).

    Returns:
        °C.

    Raises:
        ValueError: It is no pair, is inside out, or both sides are open.
    """
    low, high = _ends(pair, '["26 C", "33 C"]')
    return _span(
        None if low == "none" else temperature(low), None if high == "none" else temperature(high), pair
    )


def humidity_span(pair: object) -> Span:
    """Read a span of humidity ([60, 98]); 100 is no upper limit.

    Returns:
        Percent.

    Raises:
        ValueError: It is no pair, is inside out, or both sides are open.
    """
    low, high = _ends(pair, "[60, 98]")
    bottom = None if low == "none" else percent(low)
    top = None if high == "none" else percent(high)
    if bottom is not None and top is not None and bottom > top:
        raise ValueError(_inside_out(pair))
    return _span(bottom, None if top == 100 else top, pair)


def _ends(pair: object, example: str) -> tuple[object, object]:
    """Take the two ends of a span."""
    if not isinstance(pair, list | tuple) or len(pair) != 2:
        raise ValueError(f'a span is a pair of lower and upper end: {example}; an open side is "none"')
    return pair[0], pair[1]


def _span(low: float | None, high: float | None, pair: object) -> Span:
    """Make the span, in words of the config where it is none."""
    if low is None and high is None:
        raise ValueError("a span needs a lower or an upper end; both are open")
    if low is not None and high is not None and low > high:
        raise ValueError(_inside_out(pair))
    return Span(low, high)


def _inside_out(pair: object) -> str:
    """Say that a span is inside out."""
    low, high = _ends(pair, "")
    return f"the span is inside out: its lower end {low} is above its upper end {high}"


def _needs_unit(text: object, celsius: str, fahrenheit: str) -> str:
    """Say that a temperature lacks its unit, or that it is none."""
    if isinstance(text, int | float) and not isinstance(text, bool):
        return f'{_quoted(text)} has no unit; write "{text} C" or "{text} F"'
    return f'{_quoted(text)} is no temperature; write for example "{celsius}" or "{fahrenheit}"'


def _finite(digits: str) -> float:
    """Turn digits into a number that is not infinite."""
    if len(digits) > 30 or not isfinite(float(digits)):
        raise ValueError("a number of more than 30 digits is refused")
    return float(digits)


def _quoted(value: object) -> str:
    """Show what was written, cut to 40 characters."""
    if isinstance(value, bool):
        return "true" if value else "false"
    text = f'"{value}"' if isinstance(value, str) else str(value)[:200]
    return text if len(text) <= 40 else text[:37] + '…"'


def say_clock(minute: int) -> str:
    """Write a minute of the day ("07:15")."""
    return f"{minute // 60:02d}:{minute % 60:02d}"


def say_duration(span: int) -> str:
    """Write a span of time in the largest unit that needs no fraction ("20 min")."""
    for word, size in (("days", DAY), ("h", HOUR), ("min", MINUTE), ("s", SECOND)):
        if span and span % size == 0 and (word != "days" or span > DAY):
            return f"{span // size} {word}"
    return f"{span / SECOND:g} s"


def say_temperature(celsius: float, unit: str) -> str:
    """Write a temperature in °C or °F with one decimal where it has one ("28.5 °C")."""
    value = celsius if unit == "C" else celsius * 1.8 + 32
    return f"{_short(value)} °{unit}"


def say_difference(kelvin: float, unit: str) -> str:
    """Write a difference of temperatures ("0.3 K", "0.5 °F")."""
    return f"{_short(kelvin)} K" if unit == "C" else f"{_short(kelvin * 1.8)} °F"


def _short(value: float) -> str:
    """Write a number with at most two decimals; never "-0"."""
    return f"{round(value, 2) + 0.0:g}"
