"""The summary of a curve over a window: what the night was like.

Convention, named wherever these figures are shown: *a reading stands until the next, at
most 2 × every* (a sensor that reports on change: until its next). Only covered time
counts; what is not covered is a gap. The window is half-open, and the reading before it
counts inside while it stands.

Source: the convention is ours; figures by another (a straight line between readings)
differ by up to 9 % where a value cycles at the limit, so it is said with every figure.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from rules.reading import HOUR
from rules.span import Range, Span

CONVENTION = "a reading stands until the next, at most 2 × every"
"""How covered time is counted, in words."""


@dataclass(frozen=True, slots=True)
class InForce:
    """The range that counts from an instant on, or None where nothing is judged."""

    start: int
    range: Range | None


@dataclass(frozen=True, slots=True)
class Gap:
    """A stretch without readings: start included, end not (room time, ms)."""

    start: int
    end: int


@dataclass(frozen=True, slots=True)
class Summary:
    """What a curve was like. Values in the curve's own unit; NaN does not occur.

    Attributes:
        minimum, mean, maximum: Of the covered values; the mean is weighted by time. None
            where nothing is covered.
        covered: Covered share of the window, percent.
        in_ideal, in_safe: Share of the covered time with such a span in which the value
            was inside, percent; None where there never was such a span.
        above, below: Degree-hours (percent-hours) outside ideal, or outside safe where
            there is no ideal span.
        worst_at: Instant of the reading furthest outside (or nearest to the edge of) that
            span; None where there is none.
        gaps: Stretches without readings.
        readings: How many readings lie in the window.
    """

    minimum: float | None
    mean: float | None
    maximum: float | None
    covered: float
    in_ideal: float | None
    in_safe: float | None
    above: float
    below: float
    worst_at: int | None
    gaps: tuple[Gap, ...]
    readings: int


@dataclass(frozen=True, slots=True)
class Piece:
    """A stretch over which one value stands under one range."""

    start: int
    end: int
    value: float
    range: Range | None
    at: int


def summarise(
    readings: Iterable[tuple[int, float]],
    window: tuple[int, int],
    stand: int,
    ranges: Sequence[InForce],
) -> Summary:
    """Summarise a curve.

    Args:
        readings: (instant, value), ascending by instant, corrected, only good and late
            ones; the last before the window may be among them.
        window: Start (included) and end (not included), room time in ms.
        stand: How long a reading stands at most (ms).
        ranges: Ascending; the first holds before its start too. Empty: nothing is judged.

    Raises:
        ValueError: The window is empty or ends before it starts.
    """
    start, end = window
    if end <= start:
        raise ValueError(f"the window ends at {end}, not after its start {start}")
    stretches, gaps, count = _stretches(readings, window, stand)
    pieces = [piece for stretch in stretches for piece in _under(stretch, ranges)]
    covered = sum(piece.end - piece.start for piece in pieces)
    values = [piece.value for piece in pieces]
    total = sum(piece.value * (piece.end - piece.start) for piece in pieces)
    above, below = _outside(pieces)
    return Summary(
        minimum=min(values, default=None),
        mean=total / covered if covered else None,
        maximum=max(values, default=None),
        covered=100 * covered / (end - start),
        in_ideal=_share(pieces, ideal=True),
        in_safe=_share(pieces, ideal=False),
        above=above,
        below=below,
        worst_at=_worst(pieces),
        gaps=gaps,
        readings=count,
    )


Stretch = tuple[int, int, float, int]
"""Start, end, value, instant of the reading."""


def _stretches(
    readings: Iterable[tuple[int, float]], window: tuple[int, int], stand: int
) -> tuple[list[Stretch], tuple[Gap, ...], int]:
    start, end = window
    listed = [(at, value) for at, value in readings if at < end]
    stretches: list[Stretch] = []
    gaps: list[Gap] = []
    reached = start
    for index, (at, value) in enumerate(listed):
        until = min(at + stand, listed[index + 1][0] if index + 1 < len(listed) else end, end)
        begin = max(at, start)
        if until <= begin:
            continue
        if begin > reached:
            gaps.append(Gap(reached, begin))
        stretches.append((begin, until, value, at))
        reached = until
    if reached < end:
        gaps.append(Gap(reached, end))
    return stretches, tuple(gaps), sum(1 for at, _ in listed if at >= start)


def _under(stretch: Stretch, ranges: Sequence[InForce]) -> list[Piece]:
    """Cut a stretch where another range begins to count."""
    start, end, value, at = stretch
    if not ranges:
        return [Piece(start, end, value, None, at)]
    pieces = []
    for index, one in enumerate(ranges):
        begin = start if index == 0 else max(start, one.start)
        until = min(end, ranges[index + 1].start) if index + 1 < len(ranges) else end
        if begin < until:
            pieces.append(Piece(begin, until, value, one.range, at))
    return pieces


def _span(piece: Piece, *, ideal: bool) -> Span | None:
    if piece.range is None:
        return None
    return piece.range.ideal if ideal else piece.range.safe


def _share(pieces: Sequence[Piece], *, ideal: bool) -> float | None:
    spans = [(piece, span) for piece in pieces if (span := _span(piece, ideal=ideal)) is not None]
    whole = sum(piece.end - piece.start for piece, _ in spans)
    inside = sum(piece.end - piece.start for piece, span in spans if span.holds(piece.value))
    return 100 * inside / whole if whole else None


def _judging(piece: Piece) -> Span | None:
    return _span(piece, ideal=True) or _span(piece, ideal=False)


def _outside(pieces: Sequence[Piece]) -> tuple[float, float]:
    above = below = 0.0
    for piece in pieces:
        span = _judging(piece)
        hours = (piece.end - piece.start) / HOUR
        if span is None:
            continue
        if span.high is not None and piece.value > span.high:
            above += (piece.value - span.high) * hours
        if span.low is not None and piece.value < span.low:
            below += (span.low - piece.value) * hours
    return above, below


def _worst(pieces: Sequence[Piece]) -> int | None:
    found = [(_beyond(piece.value, span), piece) for piece in pieces if (span := _judging(piece)) is not None]
    if not found:
        return None
    worst = max(far for far, _ in found)
    return next(max(piece.at, piece.start) for far, piece in found if far == worst)


def _beyond(value: float, span: Span) -> float:
    """Give how far a value lies outside a span (negative: inside)."""
    far = [] if span.low is None else [span.low - value]
    far += [] if span.high is None else [value - span.high]
    return max(far)
