"""Past readings out of a file: into the pages of their own hours, and judged as if live.

An engine of its own judges everything that was ever imported, in the order in which it
arrived; it has no contacts and sends nothing. Because the whole is judged anew, a second
import changes nothing, and a later file goes on where the earlier one ended.
"""

import time
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from itertools import groupby
from pathlib import Path

from daemon.compile import Overrides, WallOffset
from daemon.compile import compile as make_plan
from daemon.csvfile import BadLine, CsvForm, CsvReading, parse
from daemon.door import LATE_BESIDES, Door
from daemon.judge import Judge
from daemon.ledger import Ledger, Page
from daemon.logbook import Archive, Labels, Logbook
from daemon.record import AlarmRow, Batch, Entered, Entry, Json, Kind
from daemon.recovery import IMPORTED
from daemon.settings import Loaded
from daemon.standing import HORIZON, speaker
from daemon.texts import Speaker
from rules.engine import Engine
from rules.events import AlarmKey
from rules.plan import PlaceKind, Plan, SensorPlan
from rules.plausible import judge_all
from rules.reading import SECOND, Grade, Quality, Quantity

MOST_LISTED = 200
"""So many bad lines are listed; the rest is counted."""


@dataclass(frozen=True, slots=True)
class ImportReport:
    """What became of a file.

    Attributes:
        read: Readings that were understood.
        stored: New in the logbook.
        known: Already there.
        bad: Lines that were passed over, with the reason; at most ``MOST_LISTED``.
        bad_lines: How many there were.
        twice: (line text) of readings whose instant stands twice with another value.
        alarms: Alarms that the judging of the new readings brought.
    """

    read: int
    stored: int
    known: int
    bad: tuple[BadLine, ...]
    bad_lines: int
    twice: tuple[str, ...]
    alarms: int


@dataclass(slots=True)
class _Lines:
    """What a file gave."""

    readings: list[CsvReading]
    bad: list[BadLine]
    bad_lines: int = 0

    def add_bad(self, line: BadLine) -> None:
        self.bad_lines += 1
        if len(self.bad) < MOST_LISTED:
            self.bad.append(line)


def import_file(
    loaded: Loaded, folder: Path, file: Path, form: CsvForm, progress: Callable[[int], None]
) -> ImportReport:
    """Take one file into the logbook.

    Args:
        loaded: The settings; a sensor that they do not name is a bad line.
        folder: Folder of the logbook, made where it is missing.
        file: The CSV file.
        form: How it says what it says.
        progress: Told how many lines were read.

    Raises:
        CsvRefused: The file cannot be understood at all; nothing was stored.
        OSError: It cannot be read.
        CannotRecord: The card did not take it; nothing was stored.
    """
    with Logbook.open(folder) as logbook, Archive.open(folder) as archive:
        labels = archive.labels()
        plan = _plan(loaded, labels, 0)
        lines = _read(file, form, plan, progress)
        entries = list(_entries(lines.readings, plan, labels))
        done = logbook.import_pages(entries)
        alarms = _judge(loaded, logbook, archive) if done.stored else 0
        if done.stored:
            last = _not_ahead(max(entry.now for entry in entries), archive)
            body: dict[str, Json] = {"file": file.name, "stored": done.stored, "bad": lines.bad_lines}
            logbook.commit([Batch(last, journal=(Entered(last, Kind.IMPORTED, body),))])
        return ImportReport(
            len(lines.readings),
            done.stored,
            done.known,
            tuple(lines.bad),
            lines.bad_lines,
            tuple(_twice(entry, labels) for entry in done.twice),
            alarms,
        )


def _plan(loaded: Loaded, labels: Labels, now: int) -> Plan:
    """Make the plan of imported nights as of an instant: the present settings, no contacts."""
    clock = WallOffset(labels.offset_at(now))
    plan = make_plan(loaded.model, now=now, clock=clock, overrides=Overrides())
    return replace(plan, contacts=())


def _read(file: Path, form: CsvForm, plan: Plan, progress: Callable[[int], None]) -> _Lines:
    sensors = {sensor.name: sensor for sensor in plan.sensors if sensor.reader != "watch"}
    lines = _Lines([], [])
    with file.open("rb") as source:
        for line in parse(source, form):
            if isinstance(line, BadLine):
                lines.add_bad(line)
            elif (fault := stranger(line, sensors)) is not None:
                lines.add_bad(BadLine(line.number, fault))
            else:
                lines.readings.append(line)
            progress(line.number)
    if any(line.arrived is not None for line in lines.readings):
        lines.readings.sort(key=lambda line: line.wall if line.arrived is None else line.arrived)
    return lines


def stranger(line: CsvReading, sensors: dict[str, SensorPlan]) -> str | None:
    """Say why a reading does not fit the settings, or None where it does."""
    sensor = sensors.get(line.sensor)
    if sensor is None:
        return f'no sensor "{line.sensor}" in the settings'
    if line.quantity not in sensor.quantities:
        known = ", ".join(quantity.value for quantity in sensor.quantities)
        return f'sensor "{line.sensor}" has no {line.quantity.value} (it has {known})'
    return None


def _entries(lines: Iterable[CsvReading], plan: Plan, labels: Labels) -> Iterator[Entry]:
    """Make entries as the door would: instant, round, quality; in order of arrival."""
    sensors = {sensor.name: sensor for sensor in plan.sensors}
    kinds = {place.name: place.kind for place in plan.places}
    newest: dict[tuple[str, Quantity], int] = {}
    now = -(1 << 60)
    for (name, wall, arrived), group in groupby(lines, lambda line: (line.sensor, line.wall, line.arrived)):
        sensor = sensors[name]
        at = labels.room_instant(wall)
        at -= at % SECOND if sensor.every >= 10 * SECOND else 0
        came = at if arrived is None else max(labels.room_instant(arrived), at)
        now = max(now, came)
        for entry in _measured(list(group), sensor, kinds[sensor.place], (at, now, arrived is not None)):
            key = (name, entry.quantity)
            yield _aged(entry, newest.get(key))
            if entry.quality.grade is Grade.GOOD:
                newest[key] = max(newest.get(key, at), at)


def _measured(
    lines: list[CsvReading], sensor: SensorPlan, kind: PlaceKind, when: tuple[int, int, bool]
) -> Iterator[Entry]:
    """Judge the lines of one instant as one measurement."""
    at, now, has_arrived = when
    by_quantity = {line.quantity: (line.value, Quality.GOOD) for line in lines}
    found = judge_all(by_quantity, sensor, kind)
    late = has_arrived and now - at > 2 * sensor.every + LATE_BESIDES
    for line in lines:
        quality = found[line.quantity]
        if quality.grade is Grade.GOOD:
            quality = Quality.IMPORTED_LATE if late else Quality.IMPORTED
        yield Entry(line.sensor, line.quantity, round(line.value, 3), at, now, quality)


def _aged(entry: Entry, newest: int | None) -> Entry:
    older = newest is not None and entry.at < newest
    if older and entry.quality is Quality.IMPORTED:
        return replace(entry, quality=Quality.IMPORTED_LATE)
    return entry


def _twice(entry: Entry, labels: Labels) -> str:
    from daemon.exporting import iso

    return f"{iso(labels.wall(entry.at))} {entry.sensor} {entry.quantity.value} {entry.raw:g}"


# -- judging ------------------------------------------------------------------------------


def imported(archive: Archive, plan: Plan) -> Iterator[Entry]:
    """Give everything that was ever imported, in the order in which it is judged."""
    only_files = {sensor.name for sensor in plan.sensors if sensor.imported}
    for entry in archive.replay(-(1 << 60), 1 << 60):
        if entry.quality in IMPORTED or entry.sensor in only_files:
            yield entry


def _judge(loaded: Loaded, logbook: Logbook, archive: Archive) -> int:
    """Judge all that was imported anew and write what is new; give how many alarms that is."""
    labels = archive.labels()
    known = {(row.key, row.raised): row for row in archive.alarms() if row.imported}
    page = Page()
    entries = list(imported(archive, _plan(loaded, labels, 0)))
    last = _run(loaded, labels, entries, page)
    found = list(page.alarms.values())
    fresh = [row for row in found if (row.key, row.raised) not in known]
    numbers = dict(zip((row.number for row in fresh), logbook.reserve_numbers(len(fresh)), strict=True))
    rows = [_numbered(row, known, numbers) for row in found]
    changed = tuple(row for row in rows if known.get((row.key, row.raised)) != row)
    journal = tuple(
        replace(
            one,
            now=_not_ahead(one.now, archive),
            body={**one.body, "number": numbers[int(str(one.body["number"]))], "imported": True},
        )
        for one in page.journal
        if one.body.get("number") in numbers
    )
    logbook.commit([Batch(_not_ahead(last, archive), journal=journal, alarms=changed)])
    return len(fresh)


def _not_ahead(now: int, archive: Archive) -> int:
    """Give an instant of a file for the journal: a wrong year in it must not move room time on."""
    here = archive.labels().room_instant(time.time_ns() // 1_000_000)
    return min(now, max(here, archive.last_instant() or here))


def _numbered(
    row: AlarmRow, known: dict[tuple[AlarmKey, int], AlarmRow], numbers: dict[int, int]
) -> AlarmRow:
    """Give a row the number that it has or gets; what people said of it stays."""
    old = known.get((row.key, row.raised))
    if old is not None:
        return replace(row, number=old.number, label=old.label, cause=old.cause)
    cause = numbers.get(row.cause) if row.cause is not None else None
    return replace(row, number=numbers[row.number], cause=cause)


def _run(loaded: Loaded, labels: Labels, entries: list[Entry], page: Page) -> int:
    """Feed an engine of its own; give the last instant."""
    judge: Judge | None = None
    names = frozenset(entry.sensor for entry in entries)
    renewed = now = 0
    for entry in entries:
        now = entry.now
        if judge is None or now - renewed > HORIZON:
            plan, renewed = _only(_plan(loaded, labels, now), names), now
            judge = judge or _judge_of(plan, loaded, labels)
            judge.door.plan(plan)
            judge.step((plan,), page)
        reading = judge.door.again(entry, None)
        if reading is not None:
            judge.step((reading,), page)
    return now


def _only(plan: Plan, names: frozenset[str]) -> Plan:
    """Leave only the sensors that the files tell of; a file that ends is no silence."""
    sensors = (replace(sensor, silence=0) for sensor in plan.sensors if sensor.name in names)
    return replace(plan, sensors=tuple(sensors))


def _judge_of(plan: Plan, loaded: Loaded, labels: Labels) -> Judge:
    numbers = iter(range(1, 1 << 40))

    def speak(now: int) -> Speaker:
        return speaker(loaded.model, labels.offset_at(now), now)

    return Judge(Engine(plan), Door(plan), Ledger(numbers, speak, imported=True))
