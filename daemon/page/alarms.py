"""Alarms as a keeper reads them: what, since when, who saw it, and what can be answered."""

from collections.abc import Iterable
from dataclasses import dataclass

from daemon.page.night import answers, order, spelt
from daemon.page.room import Room
from daemon.page.strips import Pen
from daemon.page.words import sentence
from daemon.record import AlarmRow, Entered, Json, Kind
from daemon.texts import Speaker, lasting


@dataclass(frozen=True, slots=True)
class AlarmView:
    """One alarm, ready to be written."""

    number: int
    place: str
    rule: str
    priority: str
    words: str
    advice: str
    life: str
    label: str
    open: bool
    answers: frozenset[str]


def view(pen: Pen, alarm: AlarmRow) -> AlarmView:
    """Put one alarm into words."""
    return AlarmView(
        number=alarm.number,
        place=alarm.key.place,
        rule=alarm.key.rule,
        priority=alarm.priority.value,
        words=sentence(alarm.words or alarm.key.rule),
        advice=alarm.advice,
        life=life(pen.speaker, alarm),
        label=alarm.label,
        open=alarm.cleared is None,
        answers=answers(alarm),
    )


def life(speaker: Speaker, alarm: AlarmRow) -> str:
    """Say an alarm's life in one line."""
    parts = [f"Raised {speaker.when(alarm.raised)}"]
    if alarm.since < alarm.raised:
        parts[0] += f", wrong since {speaker.when(alarm.since)}"
    if alarm.acknowledged is not None:
        parts.append(f"seen {speaker.when(alarm.acknowledged)} by {alarm.acknowledged_by or 'a keeper'}")
    if alarm.shelved_until and alarm.cleared is None:
        parts.append(f"quiet until {speaker.when(alarm.shelved_until)}")
    if alarm.cause is not None:
        parts.append(f"explained by alarm {alarm.cause}")
    if alarm.cleared is not None:
        lasted = lasting(alarm.cleared - alarm.raised)
        parts.append(f"right again {speaker.when(alarm.cleared)}, after {lasted}")
    if alarm.imported:
        parts.append("from imported readings")
    return "; ".join(parts) + "."


def groups(pen: Pen, alarms: Iterable[AlarmRow]) -> tuple[tuple[str, tuple[AlarmView, ...]], ...]:
    """Sort alarms into those that want someone, those that were seen, and those that are over."""
    found = sorted(alarms, key=order)
    wants = tuple(view(pen, a) for a in found if a.cleared is None and "acknowledge" in answers(a))
    seen = tuple(view(pen, a) for a in found if a.cleared is None and "acknowledge" not in answers(a))
    over = sorted((a for a in found if a.cleared is not None), key=lambda a: -a.raised)
    return (
        ("Wants you", wants),
        ("Seen, and not over", seen),
        ("Over, in the last seven days", tuple(view(pen, a) for a in over[:200])),
    )


def summary(found: tuple[tuple[str, tuple[AlarmView, ...]], ...]) -> str:
    """Say how many there are."""
    wants, seen = len(found[0][1]), len(found[1][1])
    if not wants and not seen:
        return "Nothing is wrong now."
    say = [f"{spelt(wants)} {'alarm wants' if wants == 1 else 'alarms want'} you"] if wants else []
    say += [f"{spelt(seen)} {'is' if seen == 1 else 'are'} seen and not over"] if seen else []
    return sentence("; ".join(say))


_ORDERS = {
    "acknowledge": "seen",
    "shelve": "made quiet",
    "unshelve": "no longer quiet",
    "note": "noted",
    "label": "said what it was",
    "service": "service changed",
    "undo": "taken back",
    "egg": "egg log",
}


def told(
    speaker: Speaker, entries: Iterable[Entered], *, alarm: int | None = None, place: str = ""
) -> list[str]:
    """Say what was done, newest last, about one alarm or one place."""
    entries = list(entries)
    undone = {entry.body.get("undoes") for entry in entries} - {None}
    found: list[str] = []
    for entry in entries:
        body = entry.body
        asked = body.get("order")
        inner = asked if isinstance(asked, dict) else body
        about = {_text(body.get("alarm")), _text(body.get("number")), _text(inner.get("alarm"))}
        if alarm is not None and str(alarm) not in about:
            continue
        if place and place not in {_text(body.get("place")), _text(inner.get("place"))}:
            continue
        if words := _said(entry.kind, inner):
            by = _text(body.get("by")) or _text(body.get("who")) or "a keeper"
            back = ", taken back" if body.get("order") in undone else ""
            found.append(f"{speaker.when(entry.now)} {words}, by {by}{back}")
    return found


def _said(kind: Kind, body: dict[str, Json] | object) -> str:
    """Say one thing that was done, or nothing where it is said elsewhere."""
    if kind is Kind.CHANGED or not hasattr(body, "get"):
        return ""
    verb = _text(body.get("verb"))
    rest = _text(body.get("text")) or _text(body.get("label")) or _text(body.get("reason"))
    if verb == "service":
        return "put into service" if body.get("in") else "taken out of service"
    words = _ORDERS.get(verb, "noted" if kind is Kind.NOTE else "")
    return f"{words}: {rest}" if words and rest else words


def _text(value: object) -> str:
    return str(value) if isinstance(value, str | int) and not isinstance(value, bool) else ""


@dataclass(frozen=True, slots=True)
class SensorView:
    """One sensor, ready to be written."""

    name: str
    place: str
    known: bool
    spot: str
    reads: str
    seen: str
    quality: str
    wrong: str
    correction: str
    power: str


def sensor_views(pen: Pen) -> list[SensorView]:
    """Put every sensor of the keeper into words; what is wrong first."""
    wrong = {a.key.subject: a.key.rule for a in pen.source.wanting()}
    known = {place.name for place in pen.room.plan.places}
    views = [_sensor(pen, i, wrong, known) for i in range(len(pen.room.plan.sensors))]
    shown = [view for view in views if view.known]
    return sorted(shown, key=lambda view: (not view.wrong, view.place, view.name))


def _sensor(pen: Pen, index: int, wrong: dict[str, str], known: set[str]) -> SensorView:
    """Put one sensor into words."""
    from rules.reading import Quantity

    sensor = pen.room.plan.sensors[index]
    shown = [q for q in sensor.quantities if q not in {Quantity.BATTERY, Quantity.SIGNAL}]
    lasts = [last for q in shown if (last := pen.source.last(sensor, q))]
    newest = max(lasts, key=lambda last: last.at, default=None)
    say = pen.speaker.value
    extra = [
        f"{q} {say(q, last.value)}"
        for q in (Quantity.BATTERY, Quantity.SIGNAL)
        if (last := pen.source.last(sensor, q))
    ]
    corrected = [_corrected(q.value, c.gain, c.offset) for q, c in sensor.corrections.items()]
    silent = newest is not None and bool(sensor.silence) and pen.source.now - newest.at > sensor.silence
    trouble = wrong.get(sensor.name, "silent" if silent else "")
    return SensorView(
        name=sensor.name,
        place=sensor.place,
        known=sensor.place in known,
        spot=sensor.contact.value if sensor.contact else sensor.spot,
        reads=", ".join(say(last.quantity, last.value) for last in lasts) or "–",
        seen=f"{lasting(max(0, pen.source.now - newest.at))} ago" if newest else "never seen",
        quality=(newest.quality.words + (f": {newest.note}" if newest.note else "")) if newest else "–",
        wrong=trouble,
        correction=", ".join(corrected),
        power=", ".join(extra),
    )


def _corrected(name: str, gain: float, offset: float) -> str:
    """Say a correction: "temperature −0.3", "humidity × 1.02 + 1.5"."""
    times = f" × {gain:g}" if gain != 1 else ""
    sign = "+" if offset >= 0 else "\N{MINUS SIGN}"
    return f"{name}{times} {sign} {abs(offset):g}"


def morning(pen: Pen, room: Room) -> int:
    """Give the next beginning of the room's day."""
    from datetime import timedelta

    today = pen.wall.local(pen.source.now).date()
    begins = (pen.wall.instant(today + timedelta(days=n), room.hours("").begin) for n in range(3))
    return next(at for at in begins if at > pen.source.now)
