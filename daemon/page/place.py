"""One place: its curves, what was usual, what was done, and a table for ears."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from daemon.drawing import Curve, CurveDrawing, Ink, Size, Stretch, draw
from daemon.drawing_table import Row, table
from daemon.page.night import about, tells_of
from daemon.page.strips import JUDGED, Pen, Subject, past_nights, range_at, strip
from daemon.page.times import Window
from daemon.record import AlarmRow
from daemon.texts import fixed
from rules.egg import EggLag, EggLagParams, lagged
from rules.plan import PlacePlan, SensorPlan
from rules.psychrometrics import dew_point
from rules.reading import Quantity
from rules.span import Span


@dataclass(frozen=True, slots=True)
class Panel:
    """One curve of a place with everything that is said about it."""

    title: str
    sensor: str
    quantity: str
    present: str
    spans: tuple[str, ...]
    svg: str
    key: tuple[tuple[str, str], ...]
    facts: tuple[tuple[str, str], ...]
    rows: tuple[Row, ...]
    start: int
    end: int


@dataclass(frozen=True, slots=True)
class PlaceView:
    """A place, ready to be written."""

    name: str
    about: str
    advice: str
    out_of_use: bool
    panels: tuple[Panel, ...]
    alarms: tuple[AlarmRow, ...]


def place_view(pen: Pen, place: PlacePlan, window: Window, *, nights: bool = False) -> PlaceView:
    """Make the view of a place over a window.

    Args:
        pen: Record, settings and way of speaking.
        place: Which.
        window: What stretch of time.
        nights: Lay the last seven nights over each other.
    """
    alarms = tuple(a for a in pen.source.alarms(window.start, window.until) if a.key.place == place.name)
    panels = tuple(
        _panel(pen, Subject(place, sensor, quantity), window, alarms, nights=nights)
        for quantity in JUDGED
        for sensor in pen.room.sensors(place.name, quantity)
    )
    return PlaceView(
        place.name, about(place), place.advice, place.name in pen.room.out_of_service, panels, alarms
    )


def _panel(pen: Pen, subject: Subject, window: Window, alarms: Sequence[AlarmRow], *, nights: bool) -> Panel:
    """Make one curve's panel."""
    marked = [alarm for alarm in alarms if tells_of(pen.room, alarm, subject)]
    base = strip(pen, subject, window, marked, Size.FULL.columns)
    before = past_nights(pen, subject, window, Size.FULL.columns // 2) if nights else ()
    beside = () if nights else _derived(pen, subject, window, base.curves[-1].stretches)
    drawing = replace(base, curves=(*before, *beside, *base.curves))
    parts = base.curves[-1].stretches if window.live else ()
    return Panel(
        title=f"{subject.quantity} · {subject.sensor.spot}",
        sensor=subject.sensor.name,
        quantity=subject.quantity.value,
        present=pen.speaker.value(subject.quantity, parts[-1].value[-1]) if parts else "",
        spans=_spans(pen, subject, base),
        svg=draw(drawing, Size.FULL),
        key=_key(drawing),
        facts=facts(pen, subject, base),
        rows=table(base, pen.speaker.when),
        start=window.start,
        end=window.end,
    )


def _key(drawing: CurveDrawing) -> tuple[tuple[str, str], ...]:
    """Give the key: ink and name, earlier nights as one."""
    shown = sorted((curve for curve in drawing.curves if curve.ink is not Ink.PAST), key=_first)
    names = [(curve.ink.value, curve.name) for curve in shown]
    past = sum(curve.ink is Ink.PAST for curve in drawing.curves)
    return (*names, *([(Ink.PAST.value, f"the {past} nights before")] if past else []))


def _first(curve: Curve) -> bool:
    return curve.ink is not Ink.MAIN


def _spans(pen: Pen, subject: Subject, drawing: CurveDrawing) -> tuple[str, ...]:
    """Say the ranges of the window, the present one last."""
    found: list[str] = []
    for step in drawing.steps:
        for name in ("ideal", "safe") if step.range else ():
            span: Span | None = getattr(step.range, name)
            words = f"{name} {pen.speaker.span(subject.quantity, span)}" if span else ""
            if words and words not in found:
                found.append(words)
    return tuple(found)


def _derived(pen: Pen, subject: Subject, window: Window, warm: Sequence[Stretch]) -> tuple[Curve, ...]:
    """Give what follows from a temperature: dew point, and what an egg feels, where they are known."""
    if subject.quantity is not Quantity.TEMPERATURE:
        return ()
    found: list[Curve] = []
    if Quantity.HUMIDITY in subject.sensor.quantities:
        wet = pen.source.curve(
            subject.sensor, Quantity.HUMIDITY, (window.start, window.until), Size.FULL.columns
        )
        damp = {at: value for part in wet for at, value in zip(part.at, part.value, strict=True)}
        found.append(
            Curve("dew point", tuple(p for w in warm if (p := _dew(w, damp)) is not None), Ink.SECOND)
        )
    if subject.place.egg_lag is not None and lagged(subject.sensor.spot):
        found.append(Curve("egg temperature", _felt(warm, subject), Ink.FELT))
    return tuple(curve for curve in found if curve.stretches)


def _felt(warm: Sequence[Stretch], subject: Subject) -> tuple[Stretch, ...]:
    """Give what an egg feels; none where only extremes of many readings are known."""
    if any(part.low for part in warm):
        return ()
    egg = EggLag(EggLagParams(lag=subject.place.egg_lag or 1, cover=2 * subject.sensor.every))
    return tuple(
        Stretch(part.at, [egg.see(at, value) for at, value in zip(part.at, part.value, strict=True)])
        for part in warm
    )


def _dew(stretch: Stretch, damp: dict[int, float]) -> Stretch | None:
    """Give the dew point of a stretch where both were read."""
    pairs = [
        (at, dew_point(value, damp[at]))
        for at, value in zip(stretch.at, stretch.value, strict=True)
        if 0 < damp.get(at, 0) <= 100
    ]
    return Stretch(*map(list, zip(*pairs, strict=True))) if pairs else None


@dataclass(frozen=True, slots=True)
class _Shares:
    """Sums over covered time, ms and value · ms."""

    covered: float
    total: float
    ideal: float
    safe: float


def facts(pen: Pen, subject: Subject, drawing: CurveDrawing) -> tuple[tuple[str, str], ...]:
    """Give the statistics of a window: words and value.

    Notes:
        A reading stands until the next one, at most twice its interval; means and
        shares are over covered time.
    """
    curve = drawing.judged
    parts = curve.stretches if curve else ()
    if not parts:
        return (("readings", "none"),)
    until = min(drawing.end, drawing.now or drawing.end)
    sums = _shares(drawing, subject.sensor, until)
    low, high = min(min(p.lowest) for p in parts), max(max(p.highest) for p in parts)
    say = pen.speaker.value
    share = 100 / sums.covered if sums.covered else 0.0
    found = [("lowest", say(subject.quantity, low))]
    if sums.covered:
        found.append(("mean", say(subject.quantity, sums.total / sums.covered)))
    found.append(("highest", say(subject.quantity, high)))
    if any(step.range and step.range.ideal for step in drawing.steps):
        found.append(("in ideal", f"{fixed(sums.ideal * share, 0)} %"))
    if any(step.range and step.range.safe for step in drawing.steps):
        found.append(("in safe", f"{fixed(sums.safe * share, 0)} %"))
    found.append(("covered", f"{fixed(100 * sums.covered / max(until - drawing.start, 1), 0)} %"))
    return tuple(found)


def _shares(drawing: CurveDrawing, sensor: SensorPlan, until: int) -> _Shares:
    """Add up covered time, and how much of it lay in the spans."""
    covered = total = ideal = safe = 0.0
    for at, end, value in _standing(drawing, sensor, until):
        span = end - at
        covered += span
        total += span * value
        ranged = range_at(drawing.steps, at)
        if ranged is not None:
            ideal += span if ranged.ideal and ranged.ideal.holds(value) else 0
            safe += span if ranged.safe and ranged.safe.holds(value) else 0
    return _Shares(covered, total, ideal, safe)


def _standing(drawing: CurveDrawing, sensor: SensorPlan, until: int) -> Iterator[tuple[int, int, float]]:
    """Give how long each value stood."""
    curve = drawing.judged
    for part in curve.stretches if curve else ():
        for (at, value), (after, _) in pairwise(zip(part.at, part.value, strict=True)):
            yield max(at, drawing.start), max(after, drawing.start), value
        last = int(part.at[-1])
        yield last, max(last, min(last + 2 * sensor.every, until)), part.value[-1]
