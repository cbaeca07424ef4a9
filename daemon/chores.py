"""Chores: what the watch does by the clock beside judging.

Sealing, trimming and the look at the card run on the recorder's thread after a commit;
copies and reports are made by children; a heartbeat is carried by a courier. The judge's
thread looks once a second at what is due and waits for none of them.
"""

import logging
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from queue import Empty, SimpleQueue
from zoneinfo import ZoneInfo

from daemon.backups import Backups
from daemon.delivery import Reach, mark
from daemon.heartbeat import Heartbeat
from daemon.history import History
from daemon.logbook import Logbook
from daemon.pictures import Pictures
from daemon.present import Present, keepers_sensors
from daemon.record import AlarmRow, Alert, Batch, Entered, Json
from daemon.reports import Reports, Told
from daemon.selftest import LOW_WATER
from daemon.settings import Loaded
from daemon.standing import Standing
from daemon.timetable import Moment
from daemon.trial import Trial
from rules.plan import ContactKind
from rules.reading import HOUR, MINUTE, SECOND, Quantity
from sensors.reader import Arrival, Boottime, Reject, organ, says

log = logging.getLogger("ovigil")

SEAL_AFTER = 2 * MINUTE
"""An hour is sealed when it has been over for so long (ms)."""

CARD_EVERY = 10 * MINUTE
"""How often the free space is looked at (ms)."""

FREE_ENOUGH = LOW_WATER // 2
"""With less room than this the logbook gives up what may go (bytes)."""

STEPS = 20
"""So many steps of giving up at a time: the recorder has other work."""

STATE_EVERY = 15 * SECOND
"""How often the watch's own state is written for page and commands (ms)."""

LATE = 10 * SECOND
"""A round that comes so long after the one before means that the judge was held up (ms)."""

LATE_FOR = 2 * MINUTE
"""For so long after such a round the heartbeat is withheld (ms)."""

SILENT_MARK = "nobody-can-be-reached"
"""The file beside the logbook that says that no contact can be reached."""

STATE = "watch"
"""Its key among what is shown."""


@dataclass(frozen=True, slots=True)
class View:
    """What the chores look at, once a second.

    Attributes:
        now: Room time, ms.
        offset: Wall minus room, or None while nobody vouches for the clock.
        standing: The settings in force.
        rows: The open alarms.
        recorder: Why the recorder is not well, or "".
        silent: No contact can be reached.
        waiting: Alerts that wait.
    """

    now: int
    offset: int | None
    standing: Standing
    rows: tuple[AlarmRow, ...]
    recorder: str
    silent: bool
    waiting: int


class Card:
    """What the recorder's thread found out about the card; it puts, the judge's thread takes."""

    def __init__(self) -> None:
        """Begin with nothing known."""
        self.found: SimpleQueue[str] = SimpleQueue()

    def look(self, logbook: Logbook, now: int) -> None:
        """Measure the room; where there is hardly any, let the logbook give up what may go."""
        room = logbook.room_left()
        for _ in range(STEPS):
            if room.card + room.inside >= FREE_ENOUGH or not logbook.trim_full(now).count:
                break
            room = logbook.room_left()
        low = room.card < LOW_WATER
        self.found.put(f"only {room.card / 1024**2:.0f} MiB are free" if low else "")

    def newest(self) -> str | None:
        """Give what was found last, or None where nothing is new."""
        found = None
        try:
            while True:
                found = self.found.get_nowait()
        except Empty:
            return found


class Chores:
    """Says and does what is due. Owned by the judge's thread.

    Args:
        folder: The data folder.
        boottime: The boot-time clock, ms.
        history: What was done before this start.
        pictures: Draws for alerts.
    """

    def __init__(self, folder: Path, boottime: Boottime, history: History, pictures: Pictures) -> None:
        """Begin; the first sealing comes soon after the start."""
        self._folder = folder
        self._boottime = boottime
        self._sealed = 0
        self._looked = history.started - CARD_EVERY + MINUTE
        self._state_at = 0
        self._second_at = boottime()
        self._late_at: int | None = None
        self._card = Card()
        self._troubles: dict[str, str] = {}
        self._said: str | None = None
        self._silent: bool | None = None
        self._readers: dict[str, str] = {}
        self._heartbeat: Heartbeat | None = None
        self._beats: tuple[str | None, int] = (None, 0)
        self.present = Present()
        self.pictures = pictures
        self._backups = Backups(folder, history)
        self._reports = Reports(folder, history, pictures)
        self._trial = Trial(history)

    # -- on the recorder's thread -------------------------------------------------------

    def due(self, now: int, *, uplink: bool) -> Callable[[Logbook], None] | None:
        """Give the work on the logbook that is due, or None."""
        hour = (now - SEAL_AFTER) // HOUR
        seal, look = hour != self._sealed, now - self._looked >= CARD_EVERY
        if not (seal or look):
            return None
        self._sealed = hour
        self._looked = now if look else self._looked

        def work(logbook: Logbook) -> None:
            if seal:
                logbook.seal(hour * HOUR)
                logbook.trim(now, uplink=uplink)
            if look:
                self._card.look(logbook, now)

        return work

    # -- on the judge's thread ----------------------------------------------------------

    def listen(self, arrival: Arrival | Reject) -> None:
        """Hear how the readers are."""
        if isinstance(arrival, Arrival) and arrival.sensor.startswith(_READER):
            well = arrival.values[Quantity.CONTACT].raw >= 0.5
            self._readers[arrival.sensor.removeprefix(_READER)] = "" if well else arrival.note or "ails"

    def settings(self, loaded: Loaded, heartbeat: Reach | None) -> None:
        """Take settings: at the start and whenever they changed."""
        self._readers.clear()
        watch = loaded.model.watch
        beats = (watch.heartbeat, watch.every)
        if beats == self._beats:
            return
        self._beats = beats
        if self._heartbeat is not None:
            self._heartbeat.stop()
        self._heartbeat = Heartbeat(heartbeat, self._boottime, watch.every) if heartbeat else None

    def second(self, view: View) -> Batch | None:
        """Look at everything once a second; give what is to be recorded and told, or None."""
        moment = Moment(view.now, view.offset, ZoneInfo(view.standing.loaded.model.room.time_zone))
        journal: list[Entered] = list(self._backups.poll(moment, view.standing.loaded))
        told = Told()
        self._reports.poll(moment, view.standing, (view.rows, self.present), told)
        self._trial.poll(moment, view.standing, told)
        self._beat(view)
        self._mark(silent=view.silent)
        shown = self._state(view)
        if not (journal or told.journal or told.alerts or shown):
            return None
        return Batch(
            view.now,
            journal=(*journal, *told.journal),
            alerts=tuple(told.alerts),
            shown=shown,
            urgent=bool(told.alerts),
        )

    def organs(self, rows: tuple[AlarmRow, ...]) -> list[Arrival]:
        """Give what the card's organ has to say, if that is news."""
        found = self._card.newest()
        if found is not None:
            self._troubles["card"] = found
        if self._backups.trouble is not None:
            self._troubles["backup"] = self._backups.trouble
        words = "; ".join(filter(None, self._troubles.values()))
        known = self._said
        if known is None:
            if not self._troubles:
                return []
            name = organ(ContactKind.DISK.value)
            known = "?" if any(name in (row.key.subject, *row.sensors) for row in rows) else ""
        self._said = words
        if words == known:
            return []
        return [says(ContactKind.DISK.value, "", well=not words, arrived=self._boottime(), note=words)]

    def outcomes(self, alerts: tuple[Alert, ...]) -> None:
        """Hear what became of alerts: the weekly test waits for its own."""
        self._trial.heard(alerts)

    def ailment(self, view: View) -> str:
        """Say why the watch cannot do its whole job, or ""."""
        if view.recorder:
            return view.recorder
        if view.silent:
            return "no contact can be reached"
        if self._late_at is not None and self._boottime() - self._late_at < LATE_FOR:
            return "the judge was held up"
        readers = {one.reader for one in keepers_sensors(view.standing.plan)}
        if not readers:
            return "nothing is read"
        ails = [self._readers.get(name, "") for name in sorted(readers)]
        return f"no readings can come in ({ails[0]})" if all(ails) else ""

    @property
    def busy(self) -> bool:
        """Tell whether a child works: a simulated clock waits for it."""
        return self._backups.busy or self._reports.busy or self.pictures.busy

    def stop(self) -> None:
        """End whatever is under way."""
        self._backups.stop()
        self._reports.stop()
        self.pictures.stop()
        if self._heartbeat is not None:
            self._heartbeat.stop()

    def last_state(self, now: int) -> dict[str, Json]:
        """Give the state that a good end leaves."""
        return {STATE: {"now": now, "running": False}}

    def _beat(self, view: View) -> None:
        now = self._boottime()
        if now - self._second_at > LATE:
            self._late_at = now
        self._second_at = now
        if self._heartbeat is not None:
            why = self.ailment(view)
            self._heartbeat.poll(well=not why, why=why)

    def _mark(self, *, silent: bool) -> None:
        if silent != self._silent:
            self._silent = silent
            mark(self._folder / SILENT_MARK, silent=silent)

    def _state(self, view: View) -> dict[str, Json]:
        if view.now - self._state_at < STATE_EVERY:
            return {}
        self._state_at = view.now
        return {STATE: state_of(view, self.present, self.ailment(view), self._heartbeat)}


_READER = f"{organ(ContactKind.READER.value)}/"


def state_of(view: View, present: Present, ails: str, heartbeat: Heartbeat | None) -> dict[str, Json]:
    """Give the watch's own state as plain values, for page and commands."""
    plan = view.standing.plan
    last = heartbeat.last if heartbeat is not None else None
    every = list(keepers_sensors(plan))
    sensors: Mapping[str, Json] = {"all": len(every), "silent": present.silent(plan, view.now)}
    return {
        "now": view.now,
        "running": True,
        "offset": view.offset,
        "places": len(plan.places) - 1,
        "alarms": len(view.rows),
        "waiting": view.waiting,
        "sensors": dict(sensors),
        "ails": ails,
        "heartbeat": None if last is None else (last.words or str(last.outcome)),
    }
