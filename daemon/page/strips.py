"""From record and settings to drawings: ranges as steps, marks, darkness, what is foreseen."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from daemon.drawing import Curve, CurveDrawing, Flag, Forecast, Hue, Ink, Mark, Step, Stretch
from daemon.page.queries import Source
from daemon.page.room import Room
from daemon.page.times import Wall, Window, day_edges, notches
from daemon.page.words import typeset
from daemon.record import AlarmRow
from daemon.texts import Speaker
from rules.plan import PlacePlan, SensorPlan
from rules.reading import DAY, Quantity
from rules.span import Range

HUES = {Quantity.TEMPERATURE: Hue.TEMPERATURE, Quantity.HUMIDITY: Hue.HUMIDITY}
"""Which quantities have two colours of being wrong."""

JUDGED = (Quantity.TEMPERATURE, Quantity.HUMIDITY)
"""What ranges are about."""


@dataclass(frozen=True, slots=True)
class Subject:
    """What one strip is about."""

    place: PlacePlan
    sensor: SensorPlan
    quantity: Quantity


@dataclass(frozen=True, slots=True)
class Pen:
    """Everything that a strip is drawn with. Lives as long as one request."""

    room: Room
    source: Source
    wall: Wall
    speaker: Speaker


def steps(pen: Pen, place: PlacePlan, spot: str, quantity: Quantity, window: Window) -> tuple[Step, ...]:
    """Give the ranges of a spot over time: they change over at dawn and dusk."""
    ranged = next((r for r in place.ranges if r.quantity is quantity and r.spot == spot), None)
    ranged = ranged or next((r for r in place.ranges if r.quantity is quantity and not r.spot), None)
    if ranged is None or not place.in_use:
        return ()
    if ranged.day == ranged.night:
        return (Step(window.start, window.end, ranged.day),)
    edges = day_edges(pen.wall, pen.room.hours(place.calendar), window.start, window.end)
    return tuple(Step(start, end, ranged.day if is_day else ranged.night) for start, end, is_day in edges)


def range_at(found: Sequence[Step], at: int) -> Range | None:
    """Give the range in force at an instant."""
    return next((step.range for step in found if step.start <= at <= step.end), None)


def dark(pen: Pen, window: Window) -> tuple[tuple[int, int], ...]:
    """Give the nights of the room; none where a window has too many to tell apart."""
    if window.end - window.start > 10 * DAY:
        return ()
    edges = day_edges(pen.wall, pen.room.hours(""), window.start, window.end)
    return tuple((start, end) for start, end, is_day in edges if not is_day)


def flags(alarms: Iterable[AlarmRow]) -> tuple[Flag, ...]:
    """Give the marks of some alarms: raised, seen, quiet, and right again."""
    found: list[Flag] = []
    for alarm in alarms:
        found.append(Flag(alarm.raised, Mark.RAISED, alarm.key.rule))
        if alarm.acknowledged is not None:
            found.append(
                Flag(alarm.acknowledged, Mark.SEEN, f"seen by {alarm.acknowledged_by or 'a keeper'}")
            )
        if alarm.cleared is not None:
            found.append(Flag(alarm.cleared, Mark.CLEARED, "right again"))
    return tuple(found)


def say_short(speaker: Speaker, quantity: Quantity, value: float) -> str:
    """Say a value as short as a strip allows: "31.2°", "68 %"."""
    words = speaker.value(quantity, value)
    return typeset(words.replace(" °C", "°").replace(" °F", "°"))


def strip(pen: Pen, subject: Subject, window: Window, alarms: Iterable[AlarmRow], width: int) -> CurveDrawing:
    """Make the drawing of one sensor's quantity over a window.

    Args:
        pen: Record, settings and way of speaking.
        subject: What it is about.
        window: The stretch of time.
        alarms: Those that are marked on it.
        width: Columns that are wanted; more readings than these come as extremes.
    """
    sensor, quantity = subject.sensor, subject.quantity
    parts = pen.source.curve(sensor, quantity, (window.start, window.until), width)
    drawing = CurveDrawing(
        start=window.start,
        end=window.end,
        curves=(Curve(f"{sensor.spot} {quantity}", parts),),
        steps=steps(pen, subject.place, sensor.spot, quantity, window),
        hue=HUES.get(quantity, Hue.PLAIN),
        now=window.now if window.live else None,
        flags=flags(alarms),
        forecast=forecast(pen, subject, parts) if window.live else None,
        dark=dark(pen, window),
        notches=notches(pen.wall, window.start, window.end),
        say=lambda value: say_short(pen.speaker, quantity, value),
    )
    return replace(drawing, words=in_words(pen, subject, drawing))


def in_words(pen: Pen, subject: Subject, drawing: CurveDrawing) -> str:
    """Say a strip in one sentence."""
    name = f"{subject.place.name}, {subject.quantity}, {subject.sensor.spot}"
    found = extremes(drawing)
    if found is None:
        return f"{name}: no readings"
    low, high, last = (pen.speaker.value(subject.quantity, value) for value in found)
    words = f"{name}: between {low} and {high}, last {last}"
    gaps = max(0, sum(len(curve.stretches) for curve in drawing.curves[-1:]) - 1)
    return words + (f"; {gaps} gaps without readings" if gaps > 1 else "; one gap" if gaps else "")


def extremes(drawing: CurveDrawing) -> tuple[float, float, float] | None:
    """Give the lowest, highest and last value of the judged curve."""
    parts: Sequence[Stretch] = drawing.judged.stretches if drawing.judged else ()
    if not parts:
        return None
    return min(min(p.lowest) for p in parts), max(max(p.highest) for p in parts), parts[-1].value[-1]


def forecast(pen: Pen, subject: Subject, parts: Sequence[Stretch]) -> Forecast | None:
    """Give when safe will be left, where the engine has foreseen it."""
    said = pen.source.foreseen(subject.place.name, subject.sensor, subject.quantity)
    if said is None or not parts:
        return None
    expected, limit = said.get("expected"), said.get("limit")
    if expected is None or limit is None:
        return None
    early, late = said.get("early", expected), said.get("late")
    at = max(int(parts[-1].at[-1]), int(said.get("at", 0)))
    return Forecast(
        at, parts[-1].value[-1], limit, int(early), int(expected), None if late is None else int(late)
    )


def past_nights(pen: Pen, subject: Subject, window: Window, width: int, nights: int = 7) -> tuple[Curve, ...]:
    """Give the same hours of earlier nights, moved onto this one's axis, oldest first."""
    found: list[Curve] = []
    for back in range(nights, 0, -1):
        away = back * DAY
        span = (window.start - away, window.end - away)
        moved = tuple(
            Stretch([at + away for at in part.at], part.value, part.low, part.high)
            for part in pen.source.curve(subject.sensor, subject.quantity, span, width)
        )
        if moved:
            words = "last night" if back == 1 else f"{back} nights ago"
            found.append(Curve(words, moved, Ink.PAST))
    return tuple(found)
