"""What the engine knew at an instant of the record: the same engine, looked into.

The recorded nights are replayed under the settings of then up to the instant (with a
silent warm-up before), for one place and what it stands in.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from daemon.logbook import Archive, NoLogbook
from daemon.night import Window
from daemon.record import Entered, Kind
from daemon.rehearsal_judge import look
from daemon.rehearsal_plans import imported_plan
from daemon.rehearsal_values import Task
from daemon.settings import Loaded, SettingsError, load_text
from daemon.standing import basis_of
from daemon.times import iso
from rules.alarms import Alarm
from rules.calendar import Calendar
from rules.engine import Engine
from rules.events import AlarmKey
from rules.plan import Plan
from rules.roster import Place, Sensor
from rules.track import Limits, Track


@dataclass(frozen=True, slots=True)
class Then:
    """The settings that were in force at an instant.

    Attributes:
        loaded: The settings, their text and the places of their keys.
        file: How their file is named, with the date where it is not the present text.
        plan: The plan of then.
        present: It is the text that lies there now.
    """

    loaded: Loaded
    file: str
    plan: Plan
    present: bool


@dataclass(frozen=True, slots=True)
class Seen:
    """One place as the engine knew it at an instant.

    Attributes:
        now: The instant, room time.
        place: The place: in or out of service, when settling began, an open lid.
        sensors: Its sensors, with holds, faults and silence.
        alarms: Open alarms of the places that were looked at, by identity.
        shelved: Until when which alarm was kept quiet.
        calendar: The calendar of its day, or None while the clock is not trusted.
    """

    now: int
    place: Place
    sensors: tuple[Sensor, ...]
    alarms: dict[AlarmKey, Alarm]
    shelved: dict[AlarmKey, int]
    calendar: Calendar | None

    def limits(self, track: Track) -> Limits:
        """Give what a track is judged by at that instant."""
        return self.place.limits(track, self.calendar, self.now)


def then(archive: Archive, loaded: Loaded, now: int, *, imported: bool = False) -> Then:
    """Give the settings that were in force at an instant.

    Raises:
        NoLogbook: The watch had not run yet by then.
    """
    if imported:
        return Then(loaded, str(loaded.path), imported_plan(loaded, archive.labels(), now), present=True)
    plans = archive.journal(until=now + 1, kinds=[Kind.PLAN])
    if not plans:
        raise NoLogbook("the watch had not run yet by then")
    basis = basis_of(plans[-1].body)
    if basis.digest == loaded.digest:
        return Then(loaded, str(loaded.path), basis.plan(loaded.model, now), present=True)
    entry = _text(archive, basis.digest)
    try:
        old = load_text(str(entry.body["text"]), loaded.path) if entry else None
    except SettingsError:
        old = None
    if entry is None or old is None:
        return Then(loaded, str(loaded.path), basis.plan(loaded.model, now), present=True)
    since = iso(archive.labels(), entry.now)[:16]
    return Then(old, f"{loaded.path} as of {since}", basis.plan(old.model, now), present=False)


def _text(archive: Archive, digest: str) -> Entered | None:
    texts = archive.journal(kinds=[Kind.SETTINGS])
    return next((one for one in texts if one.body.get("digest") == digest and "text" in one.body), None)


def seen(
    archive: Archive, loaded: Loaded, folder: Path, which: tuple[str, bool], instants: Iterable[int]
) -> list[Seen]:
    """Look at a place at some instants.

    Args:
        archive: The logbook.
        loaded: The present settings.
        folder: Folder of the logbook.
        which: The place, and whether its nights came out of files.
        instants: Room time, ascending.

    Returns:
        One for each instant at which the place was there.
    """
    name, imported = which
    wanted = tuple(instants)
    found: list[Seen] = []

    def show(instant: int, engine: Engine) -> None:
        one = _seen(then(archive, loaded, instant, imported=imported).plan, name, instant, engine)
        if one is not None:
            found.append(one)

    window = Window(wanted[0], wanted[-1] + 1)
    task = Task(loaded, folder, window, as_it_was=True, places=frozenset({name}))
    look(archive, task, wanted, show, imported=imported)
    return found


def _seen(plan: Plan, name: str, now: int, engine: Engine) -> Seen | None:
    mine = next((place for place in plan.places if place.name == name), None)
    state: Any = engine.state()
    if mine is None or name not in state["places"]:
        return None
    place = Place(mine, now)
    place.restore(state["places"][name])
    calendar = plan.calendars.get(mine.calendar)
    sensors = [Sensor(one, place, now) for one in plan.sensors if one.place == name]
    place.sensors = sensors
    for track in place.tracks():
        track.put(place.limits(track, calendar, now))
    for sensor in sensors:
        if sensor.plan.name in state["sensors"]:
            sensor.restore(state["sensors"][sensor.plan.name])
    shelved = {AlarmKey(*key): int(until) for key, until, *_ in state["book"]["shelves"]}
    alarms = {alarm.key: alarm for alarm in engine.open_alarms()}
    return Seen(now, place, tuple(sensors), alarms, shelved, calendar)
