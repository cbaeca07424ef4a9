"""The night sheet: every place's night on one time axis, in order of concern."""

from bisect import bisect_left
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import Enum

from daemon.drawing import CurveDrawing, Size, Step, Stretch, draw, draw_axis
from daemon.page.room import Room
from daemon.page.strips import JUDGED, Pen, Subject, dark, extremes, say_short, strip
from daemon.page.times import Window, long_date, notches
from daemon.page.words import sentence
from daemon.record import AlarmRow
from daemon.texts import lasting
from rules.plan import PlacePlan, SensorPlan
from rules.reading import MINUTE, Quantity


class Concern(Enum):
    """How much a place wants someone; in this order down the sheet."""

    WANTS = "Wants you"
    SEEN = "Seen, and not over"
    LOOK = "Worth a look"
    CALM = "In range all night"
    NOT_JUDGED = "Not judged"


@dataclass(frozen=True, slots=True)
class Line:
    """One place on the sheet, ready to be written."""

    concern: Concern
    place: str
    about: str
    value: str
    beside: str
    svg: str
    rule: str = ""
    sentence: str = ""
    advice: str = ""
    alarm: int | None = None
    answers: frozenset[str] = frozenset()
    others: tuple[tuple[int, str], ...] = ()
    rank: int = 0
    since: int = 0
    known: bool = True


@dataclass(frozen=True, slots=True)
class Sheet:
    """The night sheet, ready to be written."""

    title: str
    summary: str
    axis: str
    groups: tuple[tuple[Concern, tuple[Line, ...]], ...]


def subject_of(room: Room, place: PlacePlan, alarm: AlarmRow | None) -> Subject | None:
    """Choose what a place's strip is about: what its alarm is about, else what is judged."""
    named = _sensor_of(room, place, alarm)
    quantity = _quantity_of(alarm)
    over = alarm is not None and alarm.cleared is not None
    if named and not (over and named.contact is not None):
        first = quantity if quantity in named.quantities else None
        return _of_sensor(place, named, first)
    for wanted in (quantity, *JUDGED):
        sensors = room.sensors(place.name, wanted) if wanted else ()
        there = [sensor for sensor in sensors if alarm is not None and sensor.spot == alarm.key.spot]
        for sensor in (*there, *sensors):
            return Subject(place, sensor, wanted) if wanted else None
    return None


def _sensor_of(room: Room, place: PlacePlan, alarm: AlarmRow | None) -> SensorPlan | None:
    """Give the sensor that an alarm names, if it is in this place."""
    if alarm is None:
        return None
    names = (alarm.key.subject, *alarm.sensors)
    return next((s for name in names for s in room.sensors(place.name) if s.name == name), None)


def _of_sensor(place: PlacePlan, sensor: SensorPlan, quantity: Quantity | None) -> Subject | None:
    """Choose a quantity of a sensor."""
    chosen = quantity or next((q for q in JUDGED if q in sensor.quantities), None)
    chosen = chosen or next(iter(sensor.quantities), None)
    return Subject(place, sensor, chosen) if chosen else None


def _quantity_of(alarm: AlarmRow | None) -> Quantity | None:
    """Give the recorded quantity that tells of an alarm; derived ones come from it."""
    if alarm is None:
        return None
    if alarm.key.subject in {"temperature", "egg temperature"}:
        return Quantity.TEMPERATURE
    wet = {"humidity", "dew point", "vapour-pressure deficit", "absolute humidity"}
    return Quantity.HUMIDITY if alarm.key.subject in wet else None


def tells_of(room: Room, alarm: AlarmRow, subject: Subject) -> bool:
    """Tell whether an alarm belongs on the curve of a subject; what a contact says belongs on all."""
    named = _sensor_of(room, subject.place, alarm)
    if named is not None and named.contact is not None:
        return True
    if subject.sensor.name in (alarm.key.subject, *alarm.sensors) and _quantity_of(alarm) is None:
        return True
    same = _quantity_of(alarm) is subject.quantity
    return same and alarm.key.spot in {"", subject.sensor.spot}


def about(place: PlacePlan) -> str:
    """Say what lives in a place, as far as it is known."""
    animals = " ".join(filter(None, (place.species, place.stage and f"· {place.stage}")))
    return animals or place.store or place.kind


def wants_someone(alarm: AlarmRow) -> bool:
    """Tell whether nobody has answered an open alarm yet."""
    return (
        alarm.cleared is None
        and alarm.acknowledged is None
        and not alarm.shelved_until
        and alarm.cause is None
    )


def order(alarm: AlarmRow) -> tuple[bool, bool, int, int]:
    """Sort alarms by concern: open, unanswered, priority, oldest."""
    return alarm.cleared is not None, not wants_someone(alarm), -alarm.priority.rank, alarm.raised


def sheet(pen: Pen, window: Window) -> Sheet:
    """Make the sheet of a window."""
    alarms = pen.source.alarms(window.start, window.until)
    if not window.live:
        alarms = [alarm for alarm in alarms if alarm.raised < window.end]
    known = {place.name for place in pen.room.plan.places}
    _fetch(pen, window, alarms)
    lines = [_line(pen, place, window, alarms) for place in pen.room.plan.places]
    lines += [
        _bare_line(pen, alarm) for alarm in alarms if alarm.key.place not in known and alarm.cleared is None
    ]
    lines.sort(key=lambda line: (list(Concern).index(line.concern), -line.rank, line.since))
    groups = tuple(
        (concern, tuple(line for line in lines if line.concern is concern))
        for concern in Concern
        if any(line.concern is concern for line in lines)
    )
    return Sheet(_title(pen, window), _summary(pen, window, lines), _axis(pen, window), groups)


def _fetch(pen: Pen, window: Window, alarms: Sequence[AlarmRow]) -> None:
    """Read the curves of all strips at once."""
    chosen = (subject_of(pen.room, place, _first(place, alarms)) for place in pen.room.plan.places)
    wanted = [(subject.sensor, subject.quantity) for subject in chosen if subject]
    pen.source.fetch(wanted, (window.start, window.until), Size.TALL.columns)


def _first(place: PlacePlan, alarms: Sequence[AlarmRow]) -> AlarmRow | None:
    """Give the alarm of a place that a strip is about, or None."""
    return min((alarm for alarm in alarms if alarm.key.place == place.name), key=order, default=None)


def _axis(pen: Pen, window: Window) -> str:
    """Draw the hours once for all strips."""
    now = window.now if window.live else None
    lines = notches(pen.wall, window.start, window.end)
    return draw_axis(
        CurveDrawing(window.start, window.end, (), now=now, notches=lines, dark=dark(pen, window))
    )


def _title(pen: Pen, window: Window) -> str:
    """Name the sheet."""
    if window.night is None:
        return f"{pen.room.name} · {pen.speaker.when(window.start)} to {pen.speaker.when(window.until)}"
    return f"{pen.room.name} · the night of {long_date(window.night, pen.room.forms)}"


def _summary(pen: Pen, window: Window, lines: Sequence[Line]) -> str:
    """Say the night in two sentences."""
    count = {concern: sum(line.concern is concern for line in lines) for concern in Concern}
    end = "now, " if window.live else ""
    parts = [f"From {pen.speaker.clock(window.start)} till {end}{pen.speaker.clock(window.until)}."]
    wants, rest = count[Concern.WANTS], count[Concern.SEEN]
    say = [f"{spelt(wants)} {'place wants' if wants == 1 else 'places want'} you"] if wants else []
    say += [f"{spelt(rest)} {'is' if rest == 1 else 'are'} seen and not over"] if rest else []
    say += [f"{spelt(count[Concern.LOOK])} worth a look"] if count[Concern.LOOK] else []
    calm = count[Concern.CALM]
    say += [f"{spelt(calm)} {'was' if calm == 1 else 'were'} in range all night"] if calm else []
    if say:
        words = "; ".join(say)
        parts.append(words[0].upper() + words[1:] + ".")
    if not wants and not rest and not count[Concern.LOOK] and calm:
        parts.append("All is well.")
    return " ".join(parts)


def spelt(count: int) -> str:
    """Spell a small number."""
    return _NUMBERS[count] if count < len(_NUMBERS) else str(count)


_NUMBERS = [
    "no",
    "one",
    "two",
    "three",
    "four",
    "five",
    "six",
    "seven",
    "eight",
    "nine",
    "ten",
    "eleven",
    "twelve",
    "thirteen",
    "fourteen",
    "fifteen",
]


def _line(pen: Pen, place: PlacePlan, window: Window, alarms: Sequence[AlarmRow]) -> Line:
    """Make one place's line."""
    own = sorted((alarm for alarm in alarms if alarm.key.place == place.name), key=order)
    alarm = _first(place, own)
    subject = subject_of(pen.room, place, alarm)
    out = place.name in pen.room.out_of_service
    if subject is None or out or not place.in_use:
        word = "out of service" if out else "no sensor" if place.in_use else "out of use"
        if alarm is None or alarm.cleared is not None:
            return Line(Concern.NOT_JUDGED, place.name, about(place), "–", word, "")
        return _spoken(pen, alarm, Line(Concern.WANTS, place.name, about(place), "–", word, ""), own)
    marked = [
        a for a in own if tells_of(pen.room, a, subject) and (a.cleared is None or a.raised >= window.start)
    ]
    drawing = strip(pen, subject, window, marked, Size.TALL.columns)
    value, beside = _present(pen, subject, window, drawing)
    concern = _concern(alarm, drawing)
    line = Line(concern, place.name, about(place), value, beside, "")
    tall = alarm is not None and alarm.cleared is None
    svg = draw(drawing, Size.TALL if tall else Size.THIN)
    if alarm is not None and tall:
        line = _spoken(pen, alarm, line, own)
    elif concern is Concern.LOOK:
        line = _with(line, sentence=_afterwards(pen, alarm, subject, drawing))
    return _with(line, svg=svg)


def _with(line: Line, **parts: object) -> Line:
    """Give a line with some parts changed."""
    from dataclasses import replace

    return replace(line, **parts)  # type: ignore[arg-type]  # the callers give fields of Line


def _concern(alarm: AlarmRow | None, drawing: CurveDrawing) -> Concern:
    """Say how much a place wants someone."""
    if alarm is not None and alarm.cleared is None:
        return Concern.WANTS if wants_someone(alarm) else Concern.SEEN
    if alarm is not None:
        return Concern.LOOK
    if not drawing.steps:
        return Concern.NOT_JUDGED
    return Concern.LOOK if _left_ideal(drawing) else Concern.CALM


def _left_ideal(drawing: CurveDrawing) -> bool:
    """Tell whether the curve was out of ideal for ten minutes together, or is silent."""
    curve = drawing.judged
    if curve is None or not curve.stretches:
        return True
    return any(_stays_out(part, step) for part in curve.stretches for step in drawing.steps)


def _stays_out(part: Stretch, step: Step) -> bool:
    """Tell whether a stretch was out of the inner span of a step for ten minutes together."""
    span = (step.range.ideal or step.range.safe) if step.range else None
    values = part.value[bisect_left(part.at, step.start) : bisect_left(part.at, step.end)]
    if span is None or not values or (span.holds(min(values)) and span.holds(max(values))):
        return False
    since: int | None = None
    for at, value in zip(part.at[bisect_left(part.at, step.start) :], values, strict=False):
        if span.holds(value):
            since = None
        elif since is None:
            since = at
        elif at - since >= 10 * MINUTE:
            return True
    return False


def _present(pen: Pen, subject: Subject, window: Window, drawing: CurveDrawing) -> tuple[str, str]:
    """Say the present value, and the other quantity of the same sensor beside it."""
    if not window.live:
        return "", ""
    others = (q for q in JUDGED if q is not subject.quantity and q in subject.sensor.quantities)
    other = next((said for q in others if (said := pen.source.just_read(subject.sensor, q))), None)
    beside = "" if other is None else say_short(pen.speaker, other.quantity, other.value)
    curve = drawing.judged
    if curve is None or not curve.stretches:
        return "–", beside
    at, value = curve.stretches[-1].at[-1], curve.stretches[-1].value[-1]
    if window.now - at > max(subject.sensor.silence, 2 * subject.sensor.every):
        return "–", f"silent for {lasting(window.now - at)}"
    return say_short(pen.speaker, subject.quantity, value), beside


def _spoken(pen: Pen, alarm: AlarmRow, line: Line, own: Sequence[AlarmRow]) -> Line:
    """Let a line speak: what is wrong, since when, and how it can be answered."""
    said = sentence(alarm.words or f"since {pen.speaker.when(alarm.since)}")
    if alarm.acknowledged is not None:
        said += f" Seen {pen.speaker.when(alarm.acknowledged)} by {alarm.acknowledged_by or 'a keeper'}."
    if alarm.shelved_until:
        said += f" Quiet until {pen.speaker.when(alarm.shelved_until)}."
    if alarm.cause is not None:
        said += f" Explained by alarm {alarm.cause}."
    return _with(
        line,
        concern=Concern.WANTS if wants_someone(alarm) else Concern.SEEN,
        rule=alarm.key.rule,
        sentence=said,
        advice=alarm.advice,
        alarm=alarm.number,
        answers=answers(alarm),
        others=tuple((a.number, a.key.rule) for a in own if a.cleared is None and a is not alarm),
        rank=alarm.priority.rank,
        since=alarm.since,
        beside=f"for {lasting(pen.source.now - alarm.since)}" if line.value != "–" else line.beside,
    )


def answers(alarm: AlarmRow) -> frozenset[str]:
    """Give what a keeper can answer to an alarm."""
    if alarm.cleared is not None:
        return frozenset({"label", "note"})
    can = {"note", "label"}
    if alarm.acknowledged is None:
        can.add("acknowledge")
    can.add("unshelve" if alarm.shelved_until else "shelve")
    return frozenset(can)


def _bare_line(pen: Pen, alarm: AlarmRow) -> Line:
    """Make the line of an alarm that belongs to no place of the keeper (the watch's own)."""
    line = Line(Concern.WANTS, alarm.key.place, alarm.key.subject, "", "", "", known=False)
    return _spoken(pen, alarm, line, [alarm])


def _afterwards(pen: Pen, alarm: AlarmRow | None, subject: Subject, drawing: CurveDrawing) -> str:
    """Say what was, where it is over."""
    if alarm is not None and alarm.cleared is not None:
        raised = pen.speaker.when(alarm.raised)
        again = pen.speaker.when(alarm.cleared)
        return sentence(f"{alarm.key.rule} from {raised} to {again}, right again")
    found = extremes(drawing)
    if found is None:
        return "No readings."
    low, high, _ = (pen.speaker.value(subject.quantity, value) for value in found)
    return f"Left its range: between {low} and {high}."


def all_lines(found: Sheet) -> Iterable[Line]:
    """Give every line of a sheet."""
    for _, lines in found.groups:
        yield from lines
