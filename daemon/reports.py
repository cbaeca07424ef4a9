"""Reports: the morning's, "all is well" included, and how it stands after a span away.

They are alerts like others: they go through the outbox, and so survive a restart.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path

from daemon.alerting import away_title, damaged_title, morning_title, report_alert
from daemon.history import History
from daemon.morning import open_lines
from daemon.pictures import Pictures
from daemon.present import Present
from daemon.record import AlarmRow, Alert, Entered, Json
from daemon.settings_model import ContactTable
from daemon.sideline import Sideline
from daemon.standing import Standing
from daemon.texts import Speaker
from daemon.timetable import Moment, daily_due
from rules.calendar import next_edge, state_at
from rules.plan import ContactPlan, Plan
from rules.reading import HOUR, MINUTE

AWAY_LONGEST = 10 * MINUTE
"""A span away that is longer than this is reported (ms)."""

FIRST_READINGS = 2 * MINUTE
"""So long after the start the report on a span away waits for every sensor (ms)."""

LOOKING_BACK = 3 * MINUTE
"""The child may take so long for a night and its picture (ms)."""

QUIET_LONGEST = 12 * HOUR
"""A report waits no longer than this for the end of quiet hours (ms)."""

MISSED = 6 * HOUR
"""A morning report that is later than this is left out (ms)."""

STANDS = "How each place stands now:"
WORST = "What the worst was meanwhile is not known."

Standings = tuple[tuple[AlarmRow, ...], Present]
"""The open alarms and the newest readings."""


@dataclass(slots=True)
class Told:
    """What the chores of one second want told and written."""

    alerts: list[Alert] = field(default_factory=list)
    journal: list[Entered] = field(default_factory=list)


class Reports:
    """Makes both kinds. Owned by the judge's thread."""

    def __init__(self, folder: Path, history: History, pictures: Pictures) -> None:
        """Begin with nothing under way."""
        self._folder = folder
        self._started = history.started
        self._away = history.away
        self._restored = history.restored
        self._before = Present()
        self._before.take(history.before)
        self._last = dict(history.morning)
        self._pictures = pictures
        self._child: Sideline | None = None
        self._for: list[str] = []
        self._said: dict[str, Json] = {}

    def poll(self, moment: Moment, standing: Standing, stands: Standings, told: Told) -> None:
        """Begin what is due and add what is ready."""
        if self._away is not None or self._restored is not None:
            told.alerts += self._back(moment.now, standing, stands)
        if self._child is not None:
            self._hear()
            if self._child.ended:
                told.alerts += self._morning(moment.now, standing, stands)
            return
        self._begin(moment, standing)

    @property
    def busy(self) -> bool:
        """Tell whether a child looks back over a night."""
        return self._child is not None and self._child.working

    def stop(self) -> None:
        """End a child under way."""
        if self._child is not None:
            self._child.end()
            self._child = None

    # -- the morning ----------------------------------------------------------------------

    def _begin(self, moment: Moment, standing: Standing) -> None:
        due = [contact.name for contact in standing.loaded.model.contact if self._is_due(contact, moment)]
        for name in due:
            self._last[name] = moment.now
        self._for = [name for name in due if _on_duty(standing.plan, name, moment.now)]
        if not self._for:
            return
        self._said = {}
        try:
            self._child = Sideline(self._job(moment, standing), LOOKING_BACK)
        except OSError:
            self._child = None
            self._last.update(dict.fromkeys(self._for, moment.now - HOUR))

    def _is_due(self, contact: ContactTable, moment: Moment) -> bool:
        if contact.report is None:
            return False
        last = self._last.setdefault(contact.name, self._started)
        return daily_due(contact.report, moment, max(last, moment.now - MISSED))

    def _job(self, moment: Moment, standing: Standing) -> dict[str, Json]:
        loaded = standing.loaded
        wall = moment.now + (moment.offset or 0)
        return {
            "job": "night",
            "text": loaded.text,
            "room": str(loaded.path.absolute()),
            "folder": str(self._folder),
            "wall": wall,
        }

    def _hear(self) -> None:
        if self._child is not None:
            for said in self._child.poll():
                self._said |= said

    def _morning(self, now: int, standing: Standing, stands: Standings) -> Iterator[Alert]:
        """Make the report; where the night could not be looked back at, of what is open now."""
        self._child = None
        lines, concerns = open_lines(stands[0])
        if isinstance(found := self._said.get("lines"), list):
            lines, concerns = tuple(str(line) for line in found), int(str(self._said.get("concerns", 0)))
        if isinstance(picture := self._said.get("picture"), str):
            self._pictures.keep_report(now, picture)
        model = standing.loaded.model
        title = morning_title(model.room.name, concerns, standing.speaker(now))
        for name in self._for:
            yield report_alert(name, lines, now=now, title=title, address=model.page.address or "")

    # -- after a span away ------------------------------------------------------------------

    def _back(self, now: int, standing: Standing, stands: Standings) -> Iterator[Alert]:
        """Say that nobody watched, or that the logbook was damaged, once the first readings are in."""
        rows, present = stands
        if now - self._started < FIRST_READINGS and not present.heard(standing.plan):
            return
        speak = standing.speaker(now)
        model = standing.loaded.model
        title = damaged_title(model.room.name)
        lines = [*restored_lines(self._restored, speak), STANDS]
        lines += present.lines(standing.plan, rows, speak, self._before)
        if self._away is not None:
            title = away_title(model.room.name, self._away, self._started, speak)
            lines.append(WORST)
        self._away = self._restored = None
        for contact in standing.plan.contacts:
            if contact.after == 0 and _on_duty(standing.plan, contact.name, now):
                alert = report_alert(
                    contact.name, lines, now=now, title=title, address=model.page.address or ""
                )
                yield _after_quiet(alert, standing.plan, contact)


def restored_lines(line: Entered | None, speak: Speaker) -> tuple[str, ...]:
    """Say what was done about a damaged logbook; () where none was."""
    if line is None:
        return ()
    copy, last = line.body.get("backup"), line.body.get("from")
    if copy is None or last is None:
        done = "there was no good copy, so it begins anew"
    else:
        done = f"a copy serves in its place, whose last entry is of {speak.when(int(str(last)))}"
    return (f"The logbook was damaged: it was set aside, and {done}.",)


def _on_duty(plan: Plan, name: str, now: int) -> bool:
    contact = next((one for one in plan.contacts if one.name == name), None)
    if contact is None or contact.on_duty is None:
        return contact is not None
    return state_at(plan.calendars.get(contact.on_duty), now) is not False


def _after_quiet(alert: Alert, plan: Plan, contact: ContactPlan) -> Alert:
    """Let a report wait for the end of quiet hours."""
    calendar = plan.calendars.get(contact.quiet) if contact.quiet is not None else None
    if not state_at(calendar, alert.now):
        return alert
    return replace(alert, next_try=min(next_edge(calendar, alert.now), alert.now + QUIET_LONGEST))
