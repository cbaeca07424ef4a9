"""Types of the config's values: text as a keeper writes it, checked and turned into the program's units."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Annotated, Any

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    StrictInt,
    StrictStr,
    StringConstraints,
)

from daemon import units
from daemon.secrets import is_name
from rules.span import Span


def _plain(text: str) -> str:
    """Refuse what cannot be printed."""
    if not text.isprintable():
        raise ValueError("has characters that cannot be printed; use letters, digits and spaces")
    if text != text.strip():
        raise ValueError("begins or ends with a space")
    return text


def _name(text: str) -> str:
    """Refuse what cannot be a name of a place, sensor, contact or clutch."""
    if "/" in _plain(text):
        raise ValueError(f'"{text}" has a "/"; a name has none')
    return text


def _secret(text: str) -> str:
    """Refuse what cannot be a secret's name."""
    if not is_name(text):
        raise ValueError(
            "must be the name of a secret (a file's name in the credentials folder), not the secret itself"
        )
    return text


def _pointer(text: str) -> str:
    """Refuse what is no JSON pointer (RFC 6901)."""
    if text and not text.startswith("/"):
        raise ValueError(
            f'"{text}" is no pointer; write "/{text}", or "" where the whole payload is the value'
        )
    if "~" in text.replace("~0", "").replace("~1", ""):
        raise ValueError(f'"{text}" is no pointer: "~" is written "~0" and "/" in a name "~1"')
    return text


def _topic(text: str) -> str:
    """Refuse what no broker accepts, and the many-level wildcard."""
    if "#" in text:
        raise ValueError('"#" is not allowed in a topic; "+" stands for one part')
    if any("+" in part and part != "+" for part in text.split("/")):
        raise ValueError('"+" stands for one whole part of a topic ("cellar/+/climate")')
    return text


def _path(text: str) -> str:
    """Refuse an empty path or one with a NUL."""
    return _plain(text)


def _web(text: str) -> str:
    """Refuse what is no web address."""
    if not text.startswith(("http://", "https://")) or len(text.split("://", 1)[1]) < 1:
        raise ValueError('must be a web address ("http://…" or "https://…")')
    return _plain(text)


def as_written(read: Any) -> BeforeValidator:
    """Read what a keeper wrote with one of the functions of :mod:`daemon.units`."""
    return BeforeValidator(lambda value: value if isinstance(value, _READ) else read(value))


_READ = (Span, units.Hours, units.Dates, units.Weekly)
_SHORT = StringConstraints(min_length=1, max_length=200)


@dataclass(frozen=True, slots=True)
class Says:
    """What a type is called in the documentation, and how a value of it is written.

    Attributes:
        words: The type in a keeper's words.
        write: Turns a value back into the text of the config.
        whole: It speaks of a list as a whole, not of its elements.
    """

    words: str
    write: Callable[[Any], str]
    whole: bool = False


def quoted(value: object) -> str:
    """Write text in quotes."""
    return '"' + str(value).replace("\\", "\\\\").replace('"', '\\"') + '"'


def _span_of(write: Callable[[float], str]) -> Callable[[Span], str]:
    """Write both ends of a span; an open side is "none"."""

    def both(span: Span) -> str:
        low, high = ('"none"' if end is None else write(end) for end in (span.low, span.high))
        return f"[{low}, {high}]"

    return both


def _celsius(value: float) -> str:
    """Write a temperature as the config does."""
    return f'"{value:g} C"'


def _number(value: float) -> str:
    """Write a plain number."""
    return f"{value:g}"


Words = Annotated[StrictStr, StringConstraints(max_length=2000), Says("text", quoted)]
Name = Annotated[
    StrictStr, StringConstraints(min_length=1, max_length=80), AfterValidator(_name), Says("name", quoted)
]
Text = Annotated[StrictStr, _SHORT, AfterValidator(_plain), Says("text", quoted)]
SecretName = Annotated[StrictStr, _SHORT, AfterValidator(_secret), Says("name of a secret", quoted)]
Pointer = Annotated[
    StrictStr, StringConstraints(max_length=200), AfterValidator(_pointer), Says("pointer", quoted)
]
Topic = Annotated[StrictStr, _SHORT, AfterValidator(_plain), AfterValidator(_topic), Says("topic", quoted)]
Path = Annotated[
    StrictStr, StringConstraints(min_length=1, max_length=1000), AfterValidator(_path), Says("path", quoted)
]
Web = Annotated[
    StrictStr,
    StringConstraints(min_length=1, max_length=500),
    AfterValidator(_web),
    Says("web address", quoted),
]
Port = Annotated[StrictInt, Field(ge=1, le=65535), Says("port, 1 to 65535", str)]
Lasting = Annotated[
    int, as_written(units.duration), Says("span of time", lambda v: quoted(units.say_duration(v)))
]
Celsius = Annotated[float, as_written(units.temperature), Says("temperature", _celsius)]
Kelvin = Annotated[float, as_written(units.difference), Says("difference of temperature", _celsius)]
Percent = Annotated[float, as_written(units.percent), Says("percent", _number)]
Grams = Annotated[float, as_written(units.mass), Says("mass", lambda v: f'"{v:g} g"')]
Minute = Annotated[
    int, as_written(units.time_of_day), Says("hour of the day", lambda v: quoted(units.say_clock(v)))
]
HoursOfDay = Annotated[units.Hours, as_written(units.hours), Says("hours of the day", quoted)]
Days = Annotated[units.Dates, as_written(units.dates), Says("dates", quoted)]
WeekTime = Annotated[units.Weekly, as_written(units.weekly), Says("weekday and hour", quoted)]
TemperatureSpan = Annotated[
    Span, as_written(units.temperature_span), Says("span of temperature", _span_of(_celsius))
]
HumiditySpan = Annotated[Span, as_written(units.humidity_span), Says("span of percent", _span_of(_number))]


def _interval(value: object) -> int:
    """Read an interval between readings: one second to one day."""
    span = units.duration(value)
    if not 1000 <= span <= 86_400_000:
        raise ValueError('must be "1 s" to "1 d"')
    return span


Every = Annotated[int, as_written(_interval), Says("span of time", lambda v: quoted(units.say_duration(v)))]


DURATION = Says("span of time", lambda v: quoted(units.say_duration(v)))
"""Says it of a span of time with bounds of its own."""


class Table(BaseModel):
    """What all tables have in common: nothing unknown, nothing changed afterwards."""

    model_config = ConfigDict(extra="forbid", frozen=True, arbitrary_types_allowed=True)
