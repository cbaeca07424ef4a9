"""Why there was an alarm: rule, numbers, settings and steps from the readings on."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from daemon.counting import corrected
from daemon.explain_rules import RULES, RuleWords, Sort
from daemon.explain_scene import Seen, Then, seen, then
from daemon.explain_settings import Counted, Which, counted
from daemon.folders import data_folder
from daemon.logbook import Archive
from daemon.night import Window, ranges_over
from daemon.record import AlarmRow, Entered, Entry, Kind
from daemon.rehearsal_answer import voice
from daemon.settings import Loaded
from daemon.standing import Basis, basis_of
from daemon.texts import Speaker, lasting
from rules.plan import SensorPlan
from rules.reading import HOUR, MINUTE, Grade, Quantity
from rules.span import Range
from rules.track import Side, Track

AROUND = HOUR
"""So much of the curve is shown before the trouble and after the alarm (ms)."""

_QUANTITIES = {quantity.value: quantity for quantity in Quantity}
_LIFE = (Kind.RAISED, Kind.CHANGED, Kind.CLEARED, Kind.TOLD, Kind.NOTE)


@dataclass(frozen=True, slots=True)
class Step:
    """One step on the way: when (room time, ms) and what."""

    at: int
    words: str


@dataclass(frozen=True, slots=True)
class Explained:
    """Why there was an alarm.

    Attributes:
        row: The alarm.
        rule: Its rule, or None where this program does not know it any more.
        then: The settings that were in force when it was raised.
        settings: Those that counted.
        steps: From the readings to the end, by time.
        curve: Readings around it, corrected: (instant, value).
        quantity: What the curve shows, or None where there is none.
        range: The range in force when it was raised, or None.
    """

    row: AlarmRow
    rule: RuleWords | None
    then: Then
    settings: tuple[Counted, ...]
    steps: tuple[Step, ...]
    curve: tuple[tuple[int, float], ...]
    quantity: Quantity | None
    range: Range | None


def explain(archive: Archive, loaded: Loaded, number: int) -> Explained | None:
    """Explain one alarm; None where there is none of that number.

    Raises:
        NoLogbook: Nothing tells of the settings of then.
    """
    row = archive.alarm(number)
    if row is None:
        return None
    settings = then(archive, loaded, row.raised, imported=row.imported)
    speak = voice(loaded, archive.labels(), row.raised)
    rule = RULES.get(row.key.rule)
    sensor = sensor_of(settings, row)
    quantity = _QUANTITIES.get(row.key.subject) or (sensor.quantities[0] if sensor else None)
    looks = _looks(archive, loaded, row, sensor) if rule and rule.sort is Sort.RANGE else []
    name = sensor.name if sensor else ""
    which = Which(rule, row.key.place, row.key.spot, quantity, name, row.raised) if rule else None
    steps = [*_trouble(row, looks, speak), *_life(archive, row, speak)]
    return Explained(
        row,
        rule,
        settings,
        counted(settings, _basis(archive, row), which, speak) if which else (),
        tuple(sorted(steps, key=lambda step: step.at)),
        _curve(archive, sensor, quantity, row),
        quantity,
        _range(looks, row) or _set_range(settings, row, quantity),
    )


def sensor_of(settings: Then, row: AlarmRow) -> SensorPlan | None:
    """Give the sensor that an alarm is about, as it was set then."""
    names = (row.key.subject, *row.sensors, *row.key.subject.split(" and "))
    sensors = {sensor.name: sensor for sensor in settings.plan.sensors}
    return next((sensors[name] for name in names if name in sensors), None)


def _basis(archive: Archive, row: AlarmRow) -> Basis | None:
    plans = [] if row.imported else archive.journal(until=row.raised + 1, kinds=[Kind.PLAN])
    return basis_of(plans[-1].body) if plans else None


# -- from the readings ------------------------------------------------------------------------


def _looks(archive: Archive, loaded: Loaded, row: AlarmRow, sensor: SensorPlan | None) -> list[Seen]:
    """Look at the engine as the trouble began, was confirmed, and just before the alarm."""
    quantity = _QUANTITIES.get(row.key.subject)
    if sensor is None or quantity is None:
        return []
    entries = _good(archive, sensor, quantity, Window(row.since, row.raised + 1))
    before = [entry for entry in entries if entry.now < row.raised]
    chosen = [*before[:2], *before[-1:]]
    instants = sorted({entry.now for entry in chosen} | {row.raised})
    which = (row.key.place, row.imported)
    return seen(archive, loaded, data_folder(loaded), which, instants)


def _good(archive: Archive, sensor: SensorPlan, quantity: Quantity, window: Window) -> list[Entry]:
    entries = archive.readings(sensor.name, quantity, window.start, window.end)
    return [entry for entry in entries if entry.quality.grade is Grade.GOOD]


def track_of(look: Seen, row: AlarmRow) -> tuple[Track, Side] | None:
    """Give the track and the side that an alarm came from: the one whose delay runs."""
    found = [
        (track, side)
        for track in look.place.tracks()
        for side in (track.lower, track.upper)
        if track.spot == row.key.spot and track.key(side.rule) == row.key
    ]
    busy = [one for one in found if one[1].busy]
    return next(iter(busy or found), None)


def _trouble(row: AlarmRow, looks: Sequence[Seen], speak: Speaker) -> Iterator[Step]:
    """Say how a range was left; of other rules only when the trouble began."""
    if not looks:
        yield Step(row.since, "the trouble began")
        return
    first = track_of(looks[0], row)
    if first is not None:
        yield from _left(looks[0], *first, speak)
    if len(looks) > 2:
        second = track_of(looks[1], row)
        if second is not None and _running(second[1]):
            words = f"a second reading confirms it: {_value(second[0], speak)}"
            yield Step(looks[1].now, words)
    last = track_of(looks[-2], row) if len(looks) > 1 else None
    if last is not None:
        yield from _covered(looks[-2].now, last[1])


def _running(side: Side) -> bool:
    return side.on_ideal.since >= 0 or side.on_safe.since >= 0


def _value(track: Track, speak: Speaker) -> str:
    egg = track.quantity is Quantity.EGG_TEMPERATURE
    return f"{speak.value(track.quantity, track.value)}{' felt by the egg' if egg else ''}"


def _left(look: Seen, track: Track, side: Side, speak: Speaker) -> Iterator[Step]:
    for name, hold, limit in (
        ("ideal", side.on_ideal, side.ideal),
        ("safe", side.on_safe, side.safe),
    ):
        if hold.since >= 0:
            bound = speak.value(track.quantity, limit * side.sign)
            ends = f"{'up to' if side.sign > 0 else 'from'} {bound}"
            words = f"{name} ({ends}) is left, with {_value(track, speak)}"
            yield Step(hold.since, f"{words}; its hold of {lasting(hold.need)} begins")
    if side.active is None and not _running(side):
        yield Step(look.now, f"{_value(track, speak)}: inside")


def _covered(now: int, side: Side) -> Iterator[Step]:
    for name, hold in (("ideal", side.on_ideal), ("safe", side.on_safe)):
        if hold.since >= 0:
            words = f"{lasting(hold.covered)} of the {lasting(hold.need)} are covered by readings"
            yield Step(now, f"{name} still left: {words}")


# -- from the journal ----------------------------------------------------------------------------


def _life(archive: Archive, row: AlarmRow, speak: Speaker) -> Iterator[Step]:
    """Say what became of the alarm, as the journal has it."""
    end = row.raised + 1 if row.cleared is None else row.cleared + 10 * MINUTE
    until = max(end, row.acknowledged or 0) + 1 if row.cleared is not None else 1 << 60
    told = False
    for entered in archive.journal(row.raised, until, _LIFE):
        mine = entered.body.get("number") == row.number or entered.body.get("alarm") == row.number
        if mine and entered.kind is not Kind.TOLD:
            yield Step(entered.now, _event(entered, row, speak))
        alarms = entered.body.get("alarms")
        if entered.kind is Kind.TOLD and isinstance(alarms, list) and row.number in alarms:
            told = True
            yield Step(entered.now, f"told to {entered.body.get('contact')}")
    if not told:
        why = "it came out of a file" if row.imported else "a wider alarm explained it" if row.cause else ""
        yield Step(row.raised, f"nobody was told{': ' + why if why else ''}")
    if row.cleared is None:
        yield Step(max(row.raised, archive.last_instant() or 0), "still open at the end of the record")


def _event(entered: Entered, row: AlarmRow, speak: Speaker) -> str:
    body = entered.body
    if entered.kind is Kind.RAISED:
        cause = f"; alarm {body['cause']} explains it" if body.get("cause") else ""
        return f"alarm {row.number} is raised at {body.get('priority')} priority{cause}"
    if entered.kind is Kind.CLEARED:
        return f"the alarm clears: {body.get('words', '')}"
    if entered.kind is Kind.NOTE:
        return f"{body.get('by', 'somebody')}: {body.get('label') or body.get('text') or 'a note'}"
    by = f" by {body['by']}" if body.get("by") else ""
    until = body.get("until")
    till = f" until {speak.when(until)}" if isinstance(until, int) else ""
    return f"{body.get('change')}{by}{till}"


# -- the curve --------------------------------------------------------------------------------------


def _curve(
    archive: Archive, sensor: SensorPlan | None, quantity: Quantity | None, row: AlarmRow
) -> tuple[tuple[int, float], ...]:
    if sensor is None or quantity is None:
        return ()
    window = around(row, archive.last_instant() or row.raised)
    return tuple(corrected(archive, sensor, quantity, (window.start, window.end)))


def around(row: AlarmRow, last: int) -> Window:
    """Give the stretch of time that is shown of an alarm."""
    end = last if row.cleared is None else row.cleared
    longest = row.raised + 24 * HOUR
    return Window(row.since - AROUND, max(min(end + AROUND, longest), row.raised + AROUND))


def _range(looks: Sequence[Seen], row: AlarmRow) -> Range | None:
    for look in looks:
        found = track_of(look, row)
        if found is not None:
            return look.limits(found[0]).range
    return None


def _set_range(settings: Then, row: AlarmRow, quantity: Quantity | None) -> Range | None:
    """Give the range that is set at the spot, for rules that look beyond it."""
    place = next((one for one in settings.plan.places if one.name == row.key.place), None)
    if place is None or quantity is None:
        return None
    window = Window(row.raised, row.raised + 1)
    found = ranges_over(settings.plan, place, (row.key.spot, quantity), window)
    return found[0].range if found else None
