"""Lines and areas of a strip as SVG path texts: the scale, columns, and what left ideal."""

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

from daemon.drawing_values import CurveDrawing, Size, Step, Stretch
from rules.span import Span

Points = list[tuple[float, float]]
"""Corners in px."""


@dataclass(frozen=True, slots=True)
class Scale:
    """Turns instants and values into px.

    Attributes:
        start: Instant at the left edge.
        per_ms: px a millisecond.
        high: Value at ``top``.
        per_unit: px a unit of value.
        top: px of the upper end of the values.
        bottom: px of their lower end.
        width: px of the whole axis.
    """

    start: int
    per_ms: float
    high: float
    per_unit: float
    top: float
    bottom: float
    width: float

    def x(self, at: float) -> float:
        """Give the px of an instant."""
        return (at - self.start) * self.per_ms

    def y(self, value: float) -> float:
        """Give the px of a value."""
        return self.top + (self.high - value) * self.per_unit


def scale_of(drawing: CurveDrawing, size: Size, width: float) -> Scale:
    """Choose the scale: the spans with a margin, and every value that is drawn."""
    low, high = _reach(drawing)
    top, bottom = size.top, size.height - size.bottom
    return Scale(
        start=drawing.start,
        per_ms=width / (drawing.end - drawing.start),
        high=high,
        per_unit=(bottom - top) / (high - low),
        top=top,
        bottom=bottom,
        width=width,
    )


def _reach(drawing: CurveDrawing) -> tuple[float, float]:
    """Give the lowest and highest value that must have room."""
    ends = [end for step in drawing.steps if step.range for end in _ends(step)]
    margin = 0.12 * (max(ends) - min(ends)) if len(ends) > 1 else 0.5
    lows = [min(stretch.lowest) for curve in drawing.curves for stretch in curve.stretches]
    highs = [max(stretch.highest) for curve in drawing.curves for stretch in curve.stretches]
    lows += [end - margin for end in ends]
    highs += [end + margin for end in ends]
    if drawing.forecast:
        lows.append(drawing.forecast.limit)
        highs.append(drawing.forecast.limit)
    if not lows:
        return 0.0, 1.0
    low, high = min(lows), max(highs)
    room = max(0.03 * (high - low), (1.0 - (high - low)) / 2)
    return low - room, high + room


def _ends(step: Step) -> Iterator[float]:
    """Give every end of the spans of a step."""
    if step.range is None:
        return
    for span in (step.range.ideal, step.range.safe):
        if span is not None:
            yield from (end for end in (span.low, span.high) if end is not None)


@dataclass(slots=True)
class Columns:
    """A stretch as it is drawn: one point a px at most. ``low is mid``: no band."""

    x: list[float]
    mid: list[float]
    low: list[float]
    high: list[float]


def columns(stretch: Stretch, scale: Scale) -> Columns:
    """Put a stretch into px columns; extremes of a column are kept, so no spike is lost."""
    end = scale.start + scale.width / scale.per_ms
    first = max(bisect_left(stretch.at, scale.start) - 1, 0)
    last = min(bisect_right(stretch.at, end) + 1, len(stretch.at))
    at, value = stretch.at[first:last], stretch.value[first:last]
    start, per_ms = scale.start, scale.per_ms
    x = [(t - start) * per_ms for t in at]
    if x and len(x) > 1.3 * (x[-1] - x[0]) + 2:
        return _merged(x, value, stretch.lowest[first:last], stretch.highest[first:last])
    if not stretch.low:
        plain = list(value)
        return Columns(x, plain, plain, plain)
    return Columns(x, list(value), list(stretch.low[first:last]), list(stretch.high[first:last]))


def _merged(
    x: list[float], value: Sequence[float], lowest: Sequence[float], highest: Sequence[float]
) -> Columns:
    """Merge the points that fall on one px."""
    edges = [0]
    column = int(x[0])
    for i, place in enumerate(x):
        if place >= column + 1:
            edges.append(i)
            column = int(place)
    edges.append(len(x))
    out = Columns([], [], [], [])
    for begin, end in pairwise(edges):
        part = value[begin:end]
        out.x.append(x[begin])
        out.mid.append(sum(part) / len(part))
        out.low.append(min(lowest[begin:end]))
        out.high.append(max(highest[begin:end]))
    return out


def line(points: Iterable[tuple[float, float]]) -> str:
    """Write an open line; corners that lie on one height are left out."""
    kept: list[str] = []
    last = before = ""
    skipped = ""
    for x, y in points:
        height = f"{y:.1f}"
        corner = f"{x:.1f} {height}".replace(".0 ", " ").removesuffix(".0")
        if height == last == before:
            skipped = corner
            continue
        if skipped:
            kept.append(skipped)
            skipped = ""
        kept.append(corner)
        before, last = last, height
    if skipped:
        kept.append(skipped)
    if len(kept) == 1:
        kept.append("h1")
    return "M" + " ".join(kept)


def curve_line(part: Columns, scale: Scale) -> str:
    """Write the curve through the means."""
    return line(zip(part.x, (scale.y(v) for v in part.mid), strict=True))


def band_areas(part: Columns, scale: Scale) -> str:
    """Write the areas between lowest and highest, where they are more than a px apart."""
    if part.low is part.mid:
        return ""
    apart = 1.0 / scale.per_unit
    wide = [high - low > apart for low, high in zip(part.low, part.high, strict=True)]
    areas: list[str] = []
    for begin, end in _true_runs(wide):
        a, b = max(begin - 1, 0), min(end + 1, len(wide))
        upper = list(zip(part.x[a:b], (scale.y(v) for v in part.high[a:b]), strict=True))
        lower = list(zip(part.x[a:b], (scale.y(v) for v in part.low[a:b]), strict=True))
        areas.append(_area([*upper, *reversed(lower)]))
    return "".join(areas)


def _true_runs(flags: Sequence[bool]) -> Iterator[tuple[int, int]]:
    """Give [begin, end) of each run of True."""
    begin = None
    for i, flag in enumerate([*flags, False]):
        if flag and begin is None:
            begin = i
        elif not flag and begin is not None:
            yield begin, i
            begin = None


def _area(corners: Points) -> str:
    """Write a closed area."""
    return "M" + " ".join(f"{x:.1f} {y:.1f}" for x, y in corners) + "z"


@dataclass(frozen=True, slots=True)
class Outside:
    """What left ideal on one side: areas towards ideal, and the curve there."""

    areas: str
    lines: str


def outside(part: Columns, steps: Sequence[Step], scale: Scale, *, under: bool) -> Outside:
    """Find where a stretch is below (or above) ideal, span by span in force."""
    values = part.low if under else part.high
    areas: list[str] = []
    lines: list[str] = []
    for step in steps:
        limit = _limit(step, under=under)
        if limit is None or not values or (min(values) >= limit if under else max(values) <= limit):
            continue
        between = (scale.x(step.start), scale.x(step.end))
        for run in _runs(part.x, values, between, limit, 1.0 if under else -1.0):
            corners = [(x, scale.y(v)) for x, v in run]
            level = scale.y(limit)
            areas.append(_area([(corners[0][0], level), *corners, (corners[-1][0], level)]))
            lines.append(line(corners))
    return Outside("".join(areas), "".join(lines))


def _limit(step: Step, *, under: bool) -> float | None:
    """Give the end of the inner span on one side; safe where there is no ideal."""
    ranged = step.range
    span: Span | None = (ranged.ideal or ranged.safe) if ranged else None
    if span is None:
        return None
    return span.low if under else span.high


def _runs(
    x: Sequence[float], values: Sequence[float], between: tuple[float, float], limit: float, sign: float
) -> Iterator[Points]:
    """Give the runs below (sign 1) or above (-1) ``limit``, with the crossings as ends."""
    first = max(bisect_left(x, between[0]) - 1, 0)
    last = min(bisect_right(x, between[1]) + 1, len(x))
    run: Points = []
    for i in range(first, last):
        out = (limit - values[i]) * sign > 0
        if i > first and out != ((limit - values[i - 1]) * sign > 0):
            share = (limit - values[i - 1]) / (values[i] - values[i - 1])
            run.append((x[i - 1] + share * (x[i] - x[i - 1]), limit))
        if out:
            run.append((x[i], values[i]))
        elif run:
            yield from _cut(run, between)
            run = []
    if run:
        yield from _cut(run, between)


def _cut(run: Points, between: tuple[float, float]) -> Iterator[Points]:
    """Give the part of a run that lies between two px, if there is any."""
    left, right = between
    kept: Points = []
    for i, (x, value) in enumerate(run):
        if i and (before := run[i - 1])[0] < x:
            for edge in (left, right):
                if before[0] < edge < x:
                    share = (edge - before[0]) / (x - before[0])
                    kept.append((edge, before[1] + share * (value - before[1])))
        if left <= x <= right:
            kept.append((x, value))
    if kept:
        yield kept
