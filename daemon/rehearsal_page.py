"""A rehearsal as one page: the curves whose alarms change, with both sets of marks."""

from collections.abc import Iterator
from dataclasses import dataclass

from daemon.drawing import Size, draw, rehearsed
from daemon.drawing_inks import LIGHT
from daemon.logbook import Archive
from daemon.page.report import WIDTH, alone, pen_of
from daemon.page.room import Room
from daemon.page.strips import Pen, Subject, strip
from daemon.page.times import Window
from daemon.rehearsal_marks import Marks, Where, marks
from daemon.rehearsal_values import Rehearsal
from daemon.texts import Speaker
from rules.reading import DAY, HOUR, Quantity

LONGEST = DAY
"""A curve shows at most this much: the stretch around its first mark that differs (ms)."""

BEFORE = 3 * HOUR
"""So much of the curve is shown before that mark (ms)."""


@dataclass(frozen=True, slots=True)
class Drawn:
    """One curve of the page."""

    place: str
    about: str
    span: str
    svg: str


def rehearsal_page(found: Rehearsal, archive: Archive, room: Room, lines: list[str], speaker: Speaker) -> str:
    """Write the page; it stands alone and prints.

    Args:
        found: The rehearsal.
        archive: The logbook of the current settings.
        room: The current settings, see ``daemon.page.settings.room_of``.
        lines: The difference in words, a line each.
        speaker: How instants are written.
    """
    pen = pen_of(archive, room)
    changed = {where: both for where, both in marks(found).items() if both.current != both.proposed}
    drawn = [one for where, both in changed.items() for one in _drawn(pen, found, where, both)]
    span = f"{speaker.when(found.window.start)} to {speaker.when(found.window.end)}"
    nothing = "" if changed else " Not one alarm would have been another."
    values = {
        "title": f"{room.name}: what the proposed settings would have said",
        "lead": f"Judged on the recorded nights from {span}.{nothing}",
        "curves": drawn,
        "lines": lines,
    }
    return alone("rehearsal.html", values)


def _drawn(pen: Pen, found: Rehearsal, where: Where, both: Marks) -> Iterator[Drawn]:
    """Draw one curve around its first mark that differs."""
    place, spot, quantity = where
    subject = _subject(pen, place, spot, quantity)
    if subject is None:
        return
    window = _around(found, both)
    drawing = rehearsed(strip(pen, subject, window, (), WIDTH), both.current, both.proposed)
    span = f"{pen.speaker.when(window.start)} to {pen.speaker.when(window.end)}"
    svg = draw(drawing, Size.PRINT, width=WIDTH, inks=LIGHT)
    yield Drawn(place, f"{quantity.value} · {spot}", span, svg)


def _subject(pen: Pen, place: str, spot: str, quantity: Quantity) -> Subject | None:
    plan = pen.room.place(place)
    sensors = [one for one in pen.room.sensors(place, quantity) if one.spot == spot]
    return Subject(plan, sensors[0], quantity) if plan and sensors else None


def _around(found: Rehearsal, both: Marks) -> Window:
    """Choose what is shown: all that was judged, or a day around the first mark that differs."""
    start, end = found.window.start, found.window.end
    if end - start > LONGEST:
        differing = set(both.current) ^ set(both.proposed)
        first = min(flag.at for flag in differing)
        start = max(start, min(first - BEFORE, end - LONGEST))
        end = min(end, start + LONGEST)
    return Window(start, end, found.window.end)
