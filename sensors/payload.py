"""What a device sends, turned into values: JSON by pointer or a bare word.

Any bytes end in one of two ways: a :class:`Measured` with at least one value,
or a :class:`PayloadError` that says what is wrong. A device that says that it
has no value (null, NaN, "ERROR") is a sensor fault, so it is a value of bad
quality and no error; which *numbers* mean a fault is judged by the rules.
"""

import json
import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from functools import partial
from typing import Any

from jsonpointer import JsonPointer, JsonPointerException

from rules.reading import Quality, Quantity
from sensors.reader import Value

LIMIT = 4_096
"""Longest payload that is looked at, bytes; more is refused before it is parsed."""

FAULT_WORDS = frozenset(
    {"", "nan", "null", "none", "error", "err", "fault", "inf", "-inf", "infinity", "n/a"}
)
"""Words (any case) by which a device says that it has no value.

Source: domain notes, section 11 (open logger records): NULL, ERROR, NaN, blank.
"""

LARGEST = 1e9
"""A number beyond this is no measurement of anything here."""

NEWEST = 4_102_444_800_000
"""2100-01-01 as Unix ms: a later stamp is nonsense."""

MILLISECONDS = 100_000_000_000
"""From here on a Unix number counts ms: as seconds it would be the year 5138."""

_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", re.ASCII)
_COMMA = re.compile(r"[+-]?\d+,\d+", re.ASCII)
_WITH_UNIT = re.compile(r"[+-]?\d+([.,]\d+)?\s*[^\d\s.,].*", re.ASCII | re.DOTALL)


class PayloadError(Exception):
    """A sender is wrong: the payload holds no measurement. Counted, never fatal."""

    def __init__(self, reason: str) -> None:
        super().__init__(reason)
        self.reason = reason


class _MalformedError(Exception):
    """One value in an otherwise usable payload is not what it should be."""


@dataclass(frozen=True, slots=True)
class Measured:
    """What one payload says.

    Attributes:
        values: At least one value, by quantity.
        stamp: The device's own stamp, Unix ms, or None.
        counter: The device's own counter, or None.
        problems: What was wrong with the rest (a stamp that is none, a value that is
            no number), in words; to be counted.
    """

    values: Mapping[Quantity, Value]
    stamp: int | None = None
    counter: int | None = None
    problems: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Pick:
    """Where in a payload the values of one sensor stand.

    Attributes:
        pointers: RFC 6901 pointer by quantity; "" is the whole payload.
        time: Pointer of the device's stamp, or None.
        counter: Pointer of the device's counter, or None.
        fahrenheit: Its temperatures are °F.

    Raises:
        ValueError: A pointer is malformed, or there is no quantity. The settings are to blame.
    """

    pointers: Mapping[Quantity, str]
    time: str | None = None
    counter: str | None = None
    fahrenheit: bool = False
    _parts: tuple[tuple[Quantity, tuple[str, ...], Callable[[Any], Value]], ...] = field(
        init=False, repr=False, compare=False
    )
    _time: tuple[str, ...] | None = field(init=False, repr=False, compare=False)
    _counter: tuple[str, ...] | None = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        """Parse the pointers once."""
        if not self.pointers:
            raise ValueError("no quantity is read from the payload")
        parts = tuple(
            (quantity, pointer_parts(text), self._reading_of(quantity))
            for quantity, text in self.pointers.items()
        )
        object.__setattr__(self, "_parts", parts)
        object.__setattr__(self, "_time", None if self.time is None else pointer_parts(self.time))
        object.__setattr__(self, "_counter", None if self.counter is None else pointer_parts(self.counter))

    def _reading_of(self, quantity: Quantity) -> Callable[[Any], Value]:
        """Choose how the values of ``quantity`` are read."""
        if quantity is Quantity.CONTACT:
            return contact
        if quantity is Quantity.TEMPERATURE and self.fahrenheit:
            return partial(number, fahrenheit=True)
        return number

    def take(self, document: Any) -> Measured:
        """Take the values out of a decoded payload.

        Args:
            document: What :func:`decode` gave.

        Returns:
            The values that are there; a missing one is fine beside another.

        Raises:
            PayloadError: Not one usable value.
        """
        values: dict[Quantity, Value] = {}
        problems: list[str] = []
        for quantity, parts, reading in self._parts:
            found = document if document is NO_VALUE else walk(document, parts)
            if found is MISSING:
                continue
            try:
                values[quantity] = reading(found)
            except _MalformedError as error:
                problems.append(f"{quantity.value} {error}")
        if not values:
            raise PayloadError("; ".join(problems) or f"nothing at {self._places()}")
        stamp = self._claim(document, self._time, unix_ms, problems)
        counter = self._claim(document, self._counter, whole, problems)
        return Measured(values, stamp, counter, tuple(problems))

    def _claim(
        self,
        document: Any,
        parts: tuple[str, ...] | None,
        reading: Callable[[Any], int],
        problems: list[str],
    ) -> int | None:
        """Read a stamp or counter; nonsense is None and a problem."""
        if parts is None:
            return None
        found = walk(document, parts)
        if found is MISSING:
            problems.append(f"nothing at {_pointer(parts)}")
            return None
        try:
            return reading(found)
        except _MalformedError as error:
            problems.append(f"{_pointer(parts)} {error}")
            return None

    def _places(self) -> str:
        """Name the pointers, for a message."""
        return ", ".join(f'"{text}"' for text in self.pointers.values())


class _Missing:
    """The type of the marker for "nothing there"."""


MISSING: Any = _Missing()
"""What :func:`walk` gives where the tokens lead nowhere."""

NO_VALUE: Any = object()
"""What :func:`decode` gives when the whole payload is one fault word."""


def decode(payload: bytes | bytearray, limit: int = LIMIT) -> Any:
    """Decode a payload strictly.

    Args:
        payload: Any bytes.
        limit: Longest payload that is looked at, bytes.

    Returns:
        The JSON value; a bare word that is no JSON as text; or ``NO_VALUE`` where the
        payload is a fault word and nothing else.

    Raises:
        PayloadError: Too long, not UTF-8, or broken JSON.

    Notes:
        The standard parser alone would accept UTF-16, a byte-order mark and a key that
        stands twice, and answers deep nesting with RecursionError, which is no ValueError.
    """
    if len(payload) > limit:
        raise PayloadError(f"longer than {limit} bytes")
    try:
        text = payload.decode()
    except UnicodeDecodeError:
        raise PayloadError("not UTF-8" + (", but UTF-16" if _is_utf16(payload) else "")) from None
    try:
        return _DECODER.decode(text)
    except RecursionError:
        raise PayloadError("nested too deeply") from None
    except ValueError:
        return _bare(text)


def _is_utf16(payload: bytes | bytearray) -> bool:
    """Tell whether the bytes begin with a UTF-16 byte-order mark."""
    return payload.startswith((b"\xff\xfe", b"\xfe\xff"))


def _bare(text: str) -> Any:
    """Give a bare word or number that is no JSON, as text.

    Raises:
        PayloadError: It was meant to be JSON, or is too long for a word.
    """
    word = text.strip()
    if word.lower() in FAULT_WORDS:
        return NO_VALUE
    if word.startswith("\ufeff"):
        raise PayloadError("begins with a byte-order mark")
    if "\0" in word:
        raise PayloadError("holds NUL bytes" + (", perhaps UTF-16" if "\0" in word[:2] else ""))
    if word[:1] in '{["' or len(word) > 40:
        raise PayloadError("not JSON")
    return word


def _pairs(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    """Make an object; a key that stands twice is refused."""
    made = dict(pairs)
    if len(made) != len(pairs):
        raise PayloadError("a key stands twice")
    return made


_DECODER = json.JSONDecoder(object_pairs_hook=_pairs)


def pointer_parts(text: str) -> tuple[str, ...]:
    """Split an RFC 6901 pointer into its reference tokens.

    Raises:
        ValueError: It is no pointer. The settings are to blame.
    """
    try:
        return tuple(JsonPointer(text).parts)
    except JsonPointerException as error:
        raise ValueError(f'"{text}" is no JSON pointer (it begins with "/"): {error}') from error


def _pointer(parts: tuple[str, ...]) -> str:
    """Write the tokens as a pointer again, for a message."""
    return f'"{JsonPointer.from_parts(parts).path}"'


def walk(document: Any, parts: tuple[str, ...]) -> Any:
    """Follow the tokens; give the marker for "nothing there" where they lead nowhere.

    Notes:
        Objects and arrays only: the library would also walk into a text, so that
        "/t/0" of "31" would be 3. An index is written without leading zeros.
    """
    for part in parts:
        if isinstance(document, dict):
            document = document.get(part, MISSING)
        elif isinstance(document, list) and part.isdecimal() and part.isascii() and str(int(part)) == part:
            index = int(part)
            document = document[index] if index < len(document) else MISSING
        else:
            return MISSING
    return document


def number(found: Any, *, fahrenheit: bool = False) -> Value:
    """Read a measured number.

    Args:
        found: Any JSON value: a number, or a text with a number or fault word in it.
        fahrenheit: It is in °F.

    Returns:
        The value (°C, percent), or NaN as NOT_A_NUMBER where the device has none.

    Raises:
        _MalformedError: It is no number at all (true, a list, "31,2").
    """
    kind = type(found)
    if kind is not float and kind is not int:
        found = _numeric(found)
    if not -LARGEST <= found <= LARGEST:
        return NOT_A_NUMBER
    if fahrenheit:
        return Value(round((found - 32) / 1.8, 6))
    return Value(float(found))


NOT_A_NUMBER = Value(math.nan, Quality.NOT_A_NUMBER)
"""The value of a device that has none."""


def contact(found: Any) -> Value:
    """Read a two-state value: true and 1 are as it should be.

    Raises:
        _MalformedError: It is neither true, false, 1 nor 0.
    """
    if isinstance(found, bool):
        return Value(1.0 if found else 0.0)
    value = found if isinstance(found, int | float) else _numeric(found)
    if value != value:
        return NOT_A_NUMBER
    if value not in {0, 1}:
        raise _MalformedError("is neither true, false, 1 nor 0")
    return Value(float(value))


def _numeric(found: Any) -> float:
    """Give the number in a text; NaN where the device says that it has none."""
    if found is None or found is NO_VALUE:
        return math.nan
    if isinstance(found, bool):
        raise _MalformedError("is true or false, not a number")
    if not isinstance(found, str):
        raise _MalformedError(f"is {_KINDS[type(found)]}, not a number")
    text = found.strip()
    if _NUMBER.fullmatch(text):
        return float(text)
    if text.lower() in FAULT_WORDS:
        return math.nan
    if _COMMA.fullmatch(text):
        raise _MalformedError("has a decimal comma; a point is needed")
    if _WITH_UNIT.fullmatch(text):
        raise _MalformedError("has more than a number in it")
    raise _MalformedError("is a text, not a number")


_KINDS: Mapping[type, str] = {dict: "an object", list: "a list"}


def unix_ms(found: Any) -> int:
    """Read a stamp: Unix seconds or milliseconds, or ISO 8601 with an offset.

    Returns:
        Unix ms, 0 to 2100.

    Raises:
        _MalformedError: It is no stamp.
    """
    if isinstance(found, str) and not _NUMBER.fullmatch(found.strip()):
        return _iso_ms(found.strip())
    seconds = found if type(found) in {int, float} else _numeric(found)
    if not 0 <= seconds <= NEWEST:
        raise _MalformedError("is no stamp")
    return round(seconds if seconds >= MILLISECONDS else seconds * 1000)


def _iso_ms(text: str) -> int:
    """Read an ISO 8601 stamp with an offset."""
    try:
        instant = datetime.fromisoformat(text)
        if instant.tzinfo is None:
            raise _MalformedError("is a stamp without an offset from UTC")
        stamp = round(instant.timestamp() * 1000)
    except (ValueError, OverflowError):
        raise _MalformedError("is no stamp") from None
    if not 0 <= stamp <= NEWEST:
        raise _MalformedError("is no stamp")
    return stamp


def whole(found: Any) -> int:
    """Read a counter: a whole number, 0 or more, below 2⁶³.

    Raises:
        _MalformedError: It is none.
    """
    value = found if type(found) in {int, float} else _numeric(found)
    if not 0 <= value < 2**63 or value != int(value):
        raise _MalformedError("is no counter")
    return int(value)
