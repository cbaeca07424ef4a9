"""Sentences in a keeper's words, with typed values in them.

A rule says *what* is wrong in pieces: plain text and values that know their
kind. The shell puts a sentence into °C or °F and instants into local time, so
that no rule needs to know about either.
"""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Degrees:
    """A temperature, °C."""

    value: float


@dataclass(frozen=True, slots=True)
class Kelvin:
    """A difference of two temperatures, K (0.5 F of difference is 0.278 K)."""

    value: float


@dataclass(frozen=True, slots=True)
class Percent:
    """Relative humidity or a share, percent."""

    value: float


@dataclass(frozen=True, slots=True)
class Number:
    """Any other value with its unit, shown with ``digits`` decimals."""

    value: float
    unit: str
    digits: int = 1


@dataclass(frozen=True, slots=True)
class Instant:
    """An instant in room time, ms; shown as local time."""

    at: int


@dataclass(frozen=True, slots=True)
class Lasting:
    """A span of time, ms; shown as "40 s", "20 min", "3 h" or "2 days"."""

    span: int


Piece = str | Degrees | Kelvin | Percent | Number | Instant | Lasting
"""A part of a sentence."""

Sentence = tuple[Piece, ...]
"""What is said, in order; spaces belong to the text pieces."""
