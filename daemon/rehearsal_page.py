"""A rehearsal as one page: the curves whose alarms change, with both sets of marks."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime

from daemon.drawing import Size, draw, rehearsed
from daemon.drawing_inks import LIGHT
from daemon.logbook import Archive, Labels
from daemon.page.report import WIDTH, alone, pen_of
from daemon.page.room import Room
from daemon.page.strips import Pen, Subject, strip
from daemon.page.times import Window
from daemon.rehearsal_marks import Marks, Where, marks, where_of
from daemon.rehearsal_values import Rehearsal
from rules.reading import DAY, HOUR, Quantity

LONGEST = DAY
"""A curve shows at most this much at a time (ms)."""

BEFORE = 3 * HOUR
"""So much of the curve is shown before a change (ms)."""


@dataclass(frozen=True, slots=True)
class Drawn:
    """One curve of the page; ``svg`` is "" where the settings in force have none there."""

    place: str
    about: str
    span: str
    svg: str


def rehearsal_page(found: Rehearsal, archive: Archive, room: Room, lines: list[str], labels: Labels) -> str:
    """Write the page; it stands alone and prints.

    Args:
        found: The rehearsal.
        archive: The logbook of the current settings.
        room: The current settings, see ``daemon.page.settings.room_of``.
        lines: The difference in words; the first line says what was judged.
        labels: Room time to UTC.
    """
    pen = pen_of(archive, room)
    both = marks(found)
    changes: dict[Where, list[int]] = {}
    for change in found.changes:
        lives = [life for life in (change.current, change.proposed) if life is not None]
        changes.setdefault(where_of(change.life), []).extend(life.raised for life in lives)
    drawn = [
        _drawn(pen, window, where, both[where], labels)
        for where, instants in changes.items()
        for window in around(found, instants)
    ]
    values = {
        "title": f"{room.name}: what the proposed settings would have said",
        "lead": f"{lines[0]}.{'' if changes else ' Not one alarm would have been another.'}",
        "curves": drawn,
        "lines": lines[1:],
    }
    return alone("rehearsal.html", values)


def _drawn(pen: Pen, window: Window, where: Where, both: Marks, labels: Labels) -> Drawn:
    """Draw one curve around some changes."""
    place, spot, quantity = where
    about = f"{quantity.value} · {spot}" if spot else quantity.value
    span = " to ".join(_dated(pen, labels, at) for at in (window.start, window.end))
    subject = _subject(pen, place, spot, quantity)
    if subject is None:
        return Drawn(place, about, f"{span}; the settings in force have no curve there", "")
    drawing = rehearsed(strip(pen, subject, window, (), WIDTH), both.current, both.proposed)
    return Drawn(place, about, span, draw(drawing, Size.PRINT, width=WIDTH, inks=LIGHT))


def _dated(pen: Pen, labels: Labels, at: int) -> str:
    """Write an instant with its date, in the room's time."""
    local = datetime.fromtimestamp(labels.wall(at) / 1000, pen.room.zone)
    return local.strftime("%Y-%m-%d %H:%M")


def _subject(pen: Pen, place: str, spot: str, quantity: Quantity) -> Subject | None:
    plan = pen.room.place(place)
    sensors = [one for one in pen.room.sensors(place, quantity) if one.spot == spot]
    return Subject(plan, sensors[0], quantity) if plan and sensors else None


def around(found: Rehearsal, instants: list[int]) -> Iterator[Window]:
    """Choose what is shown: all that was judged, or a day around each change."""
    start, end = found.window.start, found.window.end
    if end - start <= LONGEST:
        yield Window(start, end, end)
        return
    shown = start
    for instant in sorted(instants):
        if instant < shown:
            continue
        begin = max(start, min(instant - BEFORE, end - LONGEST))
        shown = min(end, begin + LONGEST)
        yield Window(begin, shown, end)
