"""Pictures for people: the morning report as one page, and the picture in an alert."""

from collections.abc import Mapping
from dataclasses import dataclass
from html import escape
from textwrap import shorten, wrap

from jinja2 import Environment, FileSystemLoader, StrictUndefined

from daemon.drawing import Size, draw
from daemon.drawing_inks import LIGHT, PAGE_FACE, PICTURE_FACE, rules
from daemon.drawing_shapes import Points
from daemon.logbook import Archive
from daemon.page import alarms, times
from daemon.page.desk import HERE
from daemon.page.night import Line, Sheet, order, sheet, subject_of, tells_of
from daemon.page.queries import Source
from daemon.page.room import Room
from daemon.page.strips import Pen, strip
from daemon.page.times import Wall, Window
from daemon.page.views import alarm_window
from daemon.page.words import typeset
from daemon.picture import png
from daemon.record import AlarmRow

WIDTH = 720
"""Width of a picture, px before it is doubled."""

_LETTERS = 98
"""Letters of 12 px on a line of a picture."""

_STYLE = """\
body{background:$paper;color:$ink;font:14px/1.4 sans-serif;max-width:60rem;margin:1rem auto;padding:0 1rem}
h1{font:600 1.5em serif;margin:0}h2{font-size:.9em;color:$soft;margin:1em 0 .2em}p{margin:.2em 0}
.lead{font:1.1em/1.4 serif}small,em,.soft,footer{color:$soft}footer{margin-top:1.5em;font-size:.85em}
.row{display:grid;grid-template-columns:12rem minmax(0,1fr) 6rem;gap:.8rem;align-items:center;
border-top:1px solid $rule;padding:2px 0;break-inside:avoid}
.row.tall{align-items:start;padding:.4em 0}.head{border:0}.num{text-align:right}
.strip path{vector-effect:non-scaling-stroke}.strip>svg{overflow:visible}ul{padding:0;list-style:none}
@media print{body{margin:0;max-width:none;font-size:11px}.strip{print-color-adjust:exact}}
@media (max-width:45rem){.row{grid-template-columns:1fr auto}
.row>div:nth-child(2){grid-row:2;grid-column:1/-1}}
"""


@dataclass(frozen=True, slots=True)
class Report:
    """One night on one page. ``picture`` is None where it could not be drawn."""

    title: str
    summary: str
    html: str
    picture: bytes | None


def pen_of(archive: Archive, room: Room) -> Pen:
    """Make the pen of somebody who is not a request: the morning report, an alert."""
    source = Source(archive, room)
    return Pen(
        room, source, Wall(room.zone, source.offset, room.forms), room.speaker(source.offset, source.now)
    )


def night_report(
    archive: Archive, room: Room, between: tuple[int, int] | None = None, *, picture: bool = True
) -> Report:
    """Make the report of a night.

    Args:
        archive: The logbook.
        room: The settings, see ``daemon.page.settings.room_of``.
        between: From, to (room time, ms), or None: the last dusk till now.
        picture: Draw it too.
    """
    pen = pen_of(archive, room)
    window = times.last_night(pen.wall, room.hours(""), pen.source.now)
    if between is not None:
        window = Window(*between, pen.source.now)
    found = sheet(pen, window)
    rows = sorted(pen.source.alarms(window.start, window.until), key=order)
    views = [alarms.view(pen, row) for row in rows]
    html = _html(found, views)
    return Report(found.title, found.summary, html, _picture(pen, found, window) if picture else None)


def _html(found: Sheet, views: list[alarms.AlarmView]) -> str:
    """Write the page of a night."""
    facts = "Nothing was wrong this night." if not views else ""
    return alone("report.html", {"sheet": found, "axis": found.axis, "alarms": views, "facts": facts})


def alone(template: str, values: Mapping[str, object]) -> str:
    """Write a page that stands alone: its style is in it, and it asks for nothing."""
    from string import Template

    loader = FileSystemLoader(HERE / "templates")
    templates = Environment(loader=loader, autoescape=True, undefined=StrictUndefined, trim_blocks=True)
    templates.filters["set"] = typeset
    style = Template(_STYLE).substitute(LIGHT) + rules(LIGHT, PAGE_FACE)
    return templates.get_template(template).render({**values, "style": style})


def _picture(pen: Pen, found: Sheet, window: Window) -> bytes | None:
    """Draw the night as one picture: what is worth a look with its curve, the rest by name."""
    lines = [line for _, group in found.groups for line in group]
    spoken = [line for line in lines if line.sentence][:8]
    parts: list[str] = []
    summary = wrap(found.summary, _LETTERS) or [""]
    y = 42.0 + 16 * len(summary)
    for line in spoken:
        strip_svg = _strip_of(pen, line, window)
        named = f"{line.place}: {line.rule}" if line.rule else line.place
        said = wrap(shorten(line.sentence, 3 * _LETTERS - 20, placeholder=" …"), _LETTERS)
        parts.append(_words([(14, y + 14)], named[:60], bold=True))
        parts.append(_words([(WIDTH - 14, y + 14)], f"{line.value}  {line.beside}".strip(), anchor="end"))
        parts += [_words([(14, y + 31 + 16 * i)], words) for i, words in enumerate(said)]
        y += 26 + 16 * len(said)
        parts.append(f'<svg x="0" y="{y}" width="{WIDTH}" height="{Size.PRINT.height}">{strip_svg}</svg>')
        y += 10 + Size.PRINT.height
    calm = [line for line in lines if not line.sentence]
    for i in range(0, len(calm), 4):
        y += 17
        for k, line in enumerate(calm[i : i + 4]):
            parts.append(_words([(14 + 176 * k, y)], f"{line.place}  {line.value}"[:26]))
    height = int(y + 20)
    head = _words([(14, 24)], found.title, bold=True, size=17) + "".join(
        _words([(14, 44 + 16 * i)], words) for i, words in enumerate(summary)
    )
    style = rules(LIGHT, PICTURE_FACE)
    svg = (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{WIDTH}" height="{height}" class="strip">'
        f'<style>{style}</style><rect width="{WIDTH}" height="{height}" fill="{LIGHT["paper"]}"/>'
        f"{head}{''.join(parts)}</svg>"
    )
    return png(svg)


def _strip_of(pen: Pen, line: Line, window: Window) -> str:
    """Draw the strip of a line once more, for a picture."""
    plan = pen.room.place(line.place)
    row = pen.source.alarm(line.alarm) if line.alarm is not None else None
    own = sorted(
        (a for a in pen.source.alarms(window.start, window.until) if a.key.place == line.place), key=order
    )
    subject = subject_of(pen.room, plan, row or next(iter(own), None)) if plan else None
    if subject is None:
        return ""
    own = [a for a in own if tells_of(pen.room, a, subject)]
    return draw(strip(pen, subject, window, own, WIDTH), Size.PRINT, width=WIDTH, inks=LIGHT)


def _words(at: Points, words: str, *, bold: bool = False, size: int = 12, anchor: str = "start") -> str:
    """Write words into a picture."""
    ((x, y),) = at
    weight = (' font-weight="bold"' if bold else "") + f' text-anchor="{anchor}"'
    face = f'font-family="{PICTURE_FACE}" style="font-size:{size}px" fill="{LIGHT["ink"]}"'
    return f'<text x="{x:g}" y="{y:.1f}" {face}{weight}>{escape(typeset(words))}</text>'


def alarm_picture(archive: Archive, room: Room, number: int) -> bytes | None:
    """Make the picture that goes with an alert.

    Args:
        archive: The logbook.
        room: The settings.
        number: The alarm's number.

    Returns:
        PNG, or None where there is no such alarm or it has no curve.

    Raises:
        NoFaceError: There is no font; the text goes out without it.
    """
    pen = pen_of(archive, room)
    row = pen.source.alarm(number)
    if row is None:
        return None
    svg = _alarm_svg(pen, row)
    return png(svg) if svg else None


def _alarm_svg(pen: Pen, row: AlarmRow) -> str:
    """Draw an alarm's curve with its place and rule over it."""
    plan = pen.room.place(row.key.place)
    subject = subject_of(pen.room, plan, row) if plan else None
    if subject is None:
        return ""
    body = draw(
        strip(pen, subject, alarm_window(pen, row), [row], WIDTH), Size.PRINT, width=WIDTH, inks=LIGHT
    )
    height = Size.PRINT.height + 34
    title = _words([(12, 22)], f"{row.key.place}: {row.key.rule}"[:60], bold=True, size=16)
    about = _words([(WIDTH - 12, 22)], f"{subject.sensor.spot} {subject.quantity}"[:36], anchor="end")
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{WIDTH}" height="{height}">'
        f'<rect width="{WIDTH}" height="{height}" fill="{LIGHT["paper"]}"/>{title}{about}'
        f'<svg x="0" y="34" width="{WIDTH}" height="{Size.PRINT.height}">{body}</svg></svg>'
    )
