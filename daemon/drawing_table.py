"""A strip as a table of words: what a screen reader, or a keeper without eyes for curves, gets."""

from bisect import bisect_left
from collections.abc import Callable
from dataclasses import dataclass

from daemon.drawing_values import CurveDrawing, Step
from rules.reading import HOUR

Local = Callable[[int], str]
"""Puts an instant into local time."""


@dataclass(frozen=True, slots=True)
class Row:
    """One line of the table, as words."""

    at: str
    lowest: str
    highest: str
    state: str
    marks: str


def table(drawing: CurveDrawing, local: Local, lines: int = 24) -> tuple[Row, ...]:
    """Say a strip in at most about ``lines`` rows of whole hours.

    Args:
        drawing: The strip; its judged curve is told.
        local: Puts an instant into local time.
        lines: How many rows are enough.

    Returns:
        One row for each span that has begun by ``now``.
    """
    end = drawing.end if drawing.now is None else min(drawing.end, drawing.now)
    hours = max(1, round((end - drawing.start) / HOUR / lines))
    span = hours * HOUR
    return tuple(
        _row(drawing, (start, min(start + span, end)), local) for start in range(drawing.start, end, span)
    )


def _row(drawing: CurveDrawing, between: tuple[int, int], local: Local) -> Row:
    """Say one span."""
    start, end = between
    low, high = _extremes(drawing, start, end)
    marks = "; ".join(f"{local(f.at)} {f.words}" for f in drawing.flags if start <= f.at < end and f.words)
    if low is None or high is None:
        return Row(local(start), "–", "–", "no readings", marks)
    state = _state(drawing.steps, between, low, high)
    return Row(local(start), drawing.say(low), drawing.say(high), state, marks)


def _extremes(drawing: CurveDrawing, start: int, end: int) -> tuple[float | None, float | None]:
    """Give the lowest and highest value in [start, end), or None twice."""
    lows: list[float] = []
    highs: list[float] = []
    for stretch in drawing.judged.stretches if drawing.judged else ():
        first, last = bisect_left(stretch.at, start), bisect_left(stretch.at, end)
        lows += stretch.lowest[first:last]
        highs += stretch.highest[first:last]
    return (min(lows), max(highs)) if lows else (None, None)


def _state(steps: tuple[Step, ...], between: tuple[int, int], low: float, high: float) -> str:
    """Say how far the values of a span were right, by the range at its beginning."""
    ranged = next((step.range for step in steps if step.start <= between[0] < step.end), None)
    if ranged is None:
        return "not judged"
    for name, span in (("safe", ranged.safe), ("ideal", ranged.ideal)):
        under = span is not None and span.low is not None and low < span.low
        over = span is not None and span.high is not None and high > span.high
        if under or over:
            sides = " and ".join(side for side, out in (("below", under), ("above", over)) if out)
            return f"{sides} {name}"
    return "in ideal" if ranged.ideal else "in safe"
