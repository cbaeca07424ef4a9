"""Put a rule's sentences into a keeper's words: °C or °F, and local time.

The rules say what is wrong in typed pieces (:mod:`rules.words`). Alerts, page and
commands all speak through one :class:`Speaker`, so that one value never reads
differently in two places.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta, tzinfo
from typing import Literal

from rules.reading import DAY, HOUR, MINUTE, SECOND, Quantity
from rules.span import Span
from rules.words import Degrees, Instant, Kelvin, Lasting, Number, Percent, Piece, Sentence

NEAR = 18 * HOUR
"""Within this of now an instant is told by the clock alone (ms): tonight is never ambiguous."""

UNKNOWN = "unknown"
"""What is said in place of a value that is not a number."""

_WEEKDAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MOST_DIGITS = 3
Day = date
_Measures = type[Degrees] | type[Kelvin] | type[Percent]


@dataclass(frozen=True, slots=True)
class Forms:
    """How hours and dates are written. Morning and afternoon are told apart only in the 12 h form.

    Attributes:
        clock: "24 h" (16:10) or "12 h" (4:10 pm).
        date: Order and marks of a date's numbers.
    """

    clock: Literal["24 h", "12 h"] = "24 h"
    date: Literal["year-month-day", "day.month.year", "month/day/year"] = "year-month-day"

    def time(self, hour: int, minute: int) -> str:
        """Write a time of the day: "04:10", or "4:10 am"."""
        if self.clock == "24 h":
            return f"{hour:02}:{minute:02}"
        return f"{(hour - 1) % 12 + 1}:{minute:02} {'am' if hour < 12 else 'pm'}"

    def day(self, day: Day) -> str:
        """Write a date in numbers: "2026-11-24", "24.11.2026", "11/24/2026"."""
        if self.date == "day.month.year":
            return f"{day.day}.{day.month}.{day.year}"
        if self.date == "month/day/year":
            return f"{day.month}/{day.day}/{day.year}"
        return day.isoformat()


USUAL = Forms()
"""How a room writes that says nothing else."""


@dataclass(frozen=True, slots=True)
class Speaker:
    """One way of speaking, for one instant. Lives as long as what it renders.

    Attributes:
        show: Scale in which temperatures are shown.
        zone: The room's time zone; ``None`` shows UTC and says so.
        offset: Wall clock = room time + offset (Unix ms); ``None`` while the clock is
            not trusted: then instants are told by their age.
        now: Room time, ms.
        forms: How hours and dates are written.
    """

    show: Literal["C", "F"] = "C"
    zone: tzinfo | None = None
    offset: int | None = None
    now: int = 0
    forms: Forms = USUAL

    def say(self, sentence: Iterable[Piece]) -> str:
        """Render ``sentence``; values that differ are shown with enough digits to differ."""
        pieces = tuple(sentence)
        digits = {kind: self._digits(pieces, kind) for kind in (Degrees, Percent, Kelvin)}
        return "".join(self._piece(piece, digits) for piece in pieces)

    def value(self, quantity: Quantity, value: float) -> str:
        """Render one value of ``quantity`` with its unit."""
        return self.say((piece(quantity, value),))

    def span(self, quantity: Quantity, span: Span) -> str:
        """Render a span: "26.0 to 33.0 °C", "at least 60 %", "at most -17.8 °C"."""
        if span.low is None and span.high is not None:
            return "at most " + self.value(quantity, span.high)
        if span.high is None and span.low is not None:
            return "at least " + self.value(quantity, span.low)
        low = self.value(quantity, span.low if span.low is not None else float("nan"))
        high = self.value(quantity, span.high if span.high is not None else float("nan"))
        return f"{low.rpartition(' ')[0]} to {high}"

    def when(self, at: int) -> str:
        """Render an instant: "04:10", "Tue 2026-11-24 04:10", or its age."""
        local = self.local(at)
        if local is None:
            return self.age(at)
        if abs(at - self.now) < NEAR:
            return self.clock(at)
        return f"{self.date(at)} {self.clock(at)}"

    def age(self, at: int) -> str:
        """Render how long ago or how soon: "about 2 h ago", "in about 40 min", "just now"."""
        away = at - self.now
        if abs(away) < 10 * SECOND:
            return "just now"
        return f"in about {lasting(away)}" if away > 0 else f"about {lasting(-away)} ago"

    def local(self, at: int) -> datetime | None:
        """Give the wall clock at ``at`` in the room's zone, or None while it is not trusted."""
        if self.offset is None:
            return None
        try:
            utc = _EPOCH + timedelta(milliseconds=at + self.offset)
            return utc.astimezone(self.zone or UTC)
        except OverflowError:
            return None

    def clock(self, at: int) -> str:
        """Render the time of day: "04:10"; in an hour that comes twice with its zone's name."""
        local = self.local(at)
        if local is None:
            return self.age(at)
        zone = f" {local.tzname()}" if self.zone is None or _comes_twice(local) else ""
        return self.forms.time(local.hour, local.minute) + zone

    def date(self, at: int) -> str:
        """Render the date: "Tue 2026-11-24"."""
        local = self.local(at)
        if local is None:
            return self.age(at)
        return f"{_WEEKDAYS[local.weekday()]} {self.forms.day(local.date())}"

    def utc(self, at: int) -> str | None:
        """Render ISO 8601 UTC for machines: "2026-11-24T04:10:00.000Z"; None without a clock."""
        local = self.local(at)
        if local is None:
            return None
        return local.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")

    def _piece(self, item: Piece, digits: dict[_Measures, int]) -> str:
        match item:
            case str():
                return item
            case Degrees() | Kelvin() | Percent():
                return self._measure(item, digits[type(item)])
            case Number(value, unit, places):
                return _joined(fixed(value, places), unit)
            case Instant(at):
                return self.when(at)
            case Lasting(span):
                return lasting(span)

    def _measure(self, item: Degrees | Kelvin | Percent, digits: int) -> str:
        if isinstance(item, Percent):
            return _joined(fixed(item.value, digits), "%")
        value = item.value * 1.8 if self.show == "F" else item.value
        if isinstance(item, Degrees) and self.show == "F":
            value += 32.0
        return _joined(fixed(value, digits), f"°{self.show}")

    def _digits(self, pieces: Sentence, kind: _Measures) -> int:
        """Decimals at which values of ``kind`` that differ also read differently."""
        values = {
            item for item in pieces if isinstance(item, Degrees | Kelvin | Percent) and type(item) is kind
        }
        least = 0 if kind is Percent else 1
        known = [item for item in values if item.value == item.value]
        for digits in range(least, _MOST_DIGITS):
            shown = {self._measure(item, digits) for item in known}
            vanishes = any(item.value != 0 and float(fixed(item.value, digits)) == 0 for item in known)
            if len(shown) == len(known) and not (vanishes and kind is Kelvin):
                return digits
        return least


def piece(quantity: Quantity, value: float) -> Piece:
    """Give ``value`` as the typed piece that belongs to its quantity."""
    return _PIECES.get(quantity, _bare)(value)


def lasting(span: int) -> str:
    """Render a span of time (ms): "40 s", "20 min", "3 h", "1 h 30 min" as "90 min", "2 days".

    The second unit is shown only where leaving it out would mislead.
    """
    seconds = max(0, round(span / SECOND))
    if seconds < 60 or (seconds < 120 and seconds % 60):
        return f"{seconds} s"
    minutes = round(span / MINUTE)
    if seconds < 300 and seconds % 60:
        return f"{seconds // 60} min {seconds % 60} s"
    if minutes < 60 or (minutes < 120 and minutes % 60):
        return f"{minutes} min"
    hours = round(span / HOUR)
    if minutes < 600 and minutes % 60:
        return f"{minutes // 60} h {minutes % 60} min"
    if hours < 48:
        return f"{hours} h"
    if hours < 168 and hours % 24:
        return f"{hours // 24} days {hours % 24} h"
    return f"{round(span / DAY)} days"


def fixed(value: float, digits: int) -> str:
    """Render a number with ``digits`` decimals; never "-0.0", and NaN is "unknown"."""
    if value != value:
        return UNKNOWN
    text = f"{value:.{digits}f}"
    return text[1:] if text.startswith("-") and not text.strip("-0.") else text


def plural(count: int, one: str, many: str = "") -> str:
    """Render a count with its noun: "1 place", "3 places"."""
    return f"{count} {one if count == 1 else many or one + 's'}"


def listed(names: Iterable[str], most: int = 4) -> str:
    """Render names for a reader in a hurry: "box-1, box-2 and 5 more"."""
    every = tuple(names)
    if len(every) > most + 1:
        return f"{', '.join(every[:most])} and {len(every) - most} more"
    if len(every) < 2:
        return "".join(every)
    return f"{', '.join(every[:-1])} and {every[-1]}"


def _joined(number: str, unit: str) -> str:
    """A number with its unit; nothing is said of the unit of an unknown value."""
    return number if number == UNKNOWN or not unit else f"{number} {unit}"


def _comes_twice(local: datetime) -> bool:
    """Tell whether this wall-clock hour is one of the two that a clock put back gives."""
    return local.replace(fold=0).utcoffset() != local.replace(fold=1).utcoffset()


def _contact(value: float) -> Piece:
    if value != value:
        return UNKNOWN
    return "as it should be" if value >= 0.5 else "not as it should be"


def _bare(value: float) -> Piece:
    return Number(value, "", 0 if value == round(value, 0) else 2)


_PIECES: dict[Quantity, Callable[[float], Piece]] = {
    Quantity.TEMPERATURE: Degrees,
    Quantity.EGG_TEMPERATURE: Degrees,
    Quantity.DEW_POINT: Degrees,
    Quantity.HUMIDITY: Percent,
    Quantity.CONTACT: _contact,
    Quantity.VAPOUR_PRESSURE_DEFICIT: lambda value: Number(value, "kPa", 2),
    Quantity.ABSOLUTE_HUMIDITY: lambda value: Number(value, "g/m³", 1),
}
