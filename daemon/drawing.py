"""The one function that draws a curve: for the page, an alert's picture and the report.

On the page a strip is as wide as it may be: shapes live in a stretched inner
picture, words and marks stand at shares of the width, colours come from the
style sheet. A picture has a fixed width and carries its colours.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from html import escape

from daemon.drawing_inks import PICTURE_FACE, rules
from daemon.drawing_shapes import Columns, Scale, band_areas, columns, curve_line, line, outside, scale_of
from daemon.drawing_values import (
    Curve,
    CurveDrawing,
    Flag,
    Forecast,
    Hue,
    Ink,
    Mark,
    Notch,
    Size,
    Step,
    Stretch,
    plainly,
    stretches,
)

__all__ = [
    "Curve",
    "CurveDrawing",
    "Flag",
    "Forecast",
    "Hue",
    "Ink",
    "Mark",
    "Notch",
    "Size",
    "Step",
    "Stretch",
    "draw",
    "draw_axis",
    "plainly",
    "rehearsed",
    "stretches",
]

NO_READINGS = "no readings"
"""Said where a curve has a gap."""

_LETTER = 6.2
"""Width of a letter of 11 px, px; on the wide side, so that words never collide."""

_LABELS = 76
"""Width of the words at the left edge that name the spans, px."""

_NARROWEST = 340
"""A strip on the page may be this narrow, px: words are placed for it."""

_GLYPHS = {
    Mark.RAISED: '<path class="flag" d="M0 {foot}V2H9L6.5 5.5L9 9H0"/>',
    Mark.SEEN: '<circle class="order" cx="0" cy="6" r="5"/>'
    '<path class="order" fill="none" d="M-2.6 6L-.6 8.2L2.8 3.8"/>',
    Mark.QUIET: '<circle class="order" cx="0" cy="6" r="5"/><path class="order" d="M-2.4 6H2.4"/>',
    Mark.CLEARED: '<path class="order" d="M0 {foot}V2H9L6.5 5.5L9 9H0"/>',
    Mark.NOTE: '<path class="order" d="M-4 2H4V10H-4Z"/>',
}
"""What a mark looks like, standing at x = 0; ``foot`` is the foot of the strip."""


@dataclass(frozen=True, slots=True)
class _Sheet:
    """How one strip is laid out. ``fluid``: as wide as the page lets it."""

    scale: Scale
    size: Size
    fluid: bool

    def stand(self, at: float, inner: str) -> str:
        """Put something that must not be stretched at an instant."""
        if self.fluid:
            share = 100 * self.scale.x(at) / self.scale.width
            return f'<svg x="{share:.2f}%" overflow="visible">{inner}</svg>'
        return f'<g transform="translate({self.scale.x(at):.1f} 0)">{inner}</g>'

    @property
    def room(self) -> float:
        """Width for which words are placed, px."""
        return _NARROWEST if self.fluid else self.scale.width

    def inside(self, at: int) -> bool:
        """Tell whether an instant is on the axis."""
        return 0 <= self.scale.x(at) <= self.scale.width


def draw(
    drawing: CurveDrawing, size: Size, *, width: int | None = None, inks: Mapping[str, str] | None = None
) -> str:
    """Draw one strip as SVG.

    Args:
        drawing: What is on it.
        size: How much room it has.
        width: px of a picture, or None: as wide as the page lets it.
        inks: Colours to carry along (``drawing_inks.LIGHT`` or ``DARK``), or None: the
            page's style sheet has them.

    Returns:
        An ``svg`` element without links, scripts or style attributes.
    """
    scale = scale_of(drawing, size, width or size.columns)
    sheet = _Sheet(scale, size, width is None)
    parts = [(curve, columns(s, scale)) for curve in drawing.curves for s in curve.stretches]
    parts = [(curve, part) for curve, part in parts if part.x]
    shapes = "".join(
        [
            _grounds(drawing, scale, size),
            _notches(drawing, scale, size),
            _gaps(drawing, scale),
            *(_curve(curve, part, scale) for curve, part in parts),
            *(_leaving(part, drawing, scale) for curve, part in parts if curve is drawing.judged),
            _ahead(drawing, sheet),
        ]
    )
    words = "" if size is Size.THIN else _words(drawing, sheet)
    marks = _flags(drawing, sheet) + _proposed(drawing, sheet)
    return _framed(drawing, sheet, shapes, marks + words, inks)


def _framed(
    drawing: CurveDrawing, sheet: _Sheet, shapes: str, marks: str, inks: Mapping[str, str] | None
) -> str:
    """Put the shapes and the marks into one picture."""
    wide, high = f"{sheet.scale.width:g}", sheet.size.height
    style = f"<style>{rules(inks, PICTURE_FACE)}</style>" if inks else ""
    label = f'role="img" aria-label="{escape(drawing.words)}"' if drawing.words else 'aria-hidden="true"'
    kind = f"strip {sheet.size.name.lower()} {drawing.hue}"
    if not sheet.fluid:
        box = f'xmlns="http://www.w3.org/2000/svg" width="{wide}" height="{high}" viewBox="0 0 {wide} {high}"'
        ground = f'<rect class="paper" width="{wide}" height="{high}"/>'
        return f'<svg class="{kind}" {box} {label}>{style}{ground}{shapes}{marks}</svg>'
    inner = f'<svg width="100%" height="{high}" viewBox="0 0 {wide} {high}" preserveAspectRatio="none">'
    return f'<svg class="{kind}" width="100%" height="{high}" {label}>{inner}{shapes}</svg>{marks}</svg>'


def _box(scale: Scale, between: tuple[float, float], heights: tuple[float, float]) -> str:
    """Write a box, cut to the axis; "" where nothing of it is on it."""
    left, right = (min(max(scale.x(at), 0.0), scale.width) for at in between)
    if right <= left:
        return ""
    top, bottom = heights
    return f"M{left:.1f} {top:.1f}H{right:.1f}V{bottom:.1f}H{left:.1f}z"


def _path(kind: str, d: str) -> str:
    """Write a path element, or nothing."""
    return f'<path class="{kind}" d="{d}"/>' if d else ""


def _grounds(drawing: CurveDrawing, scale: Scale, size: Size) -> str:
    """Draw night, safe and ideal behind the curve."""
    night = "".join(_box(scale, span, (0, size.height)) for span in drawing.dark)
    found = {"safe": "", "ideal": ""}
    for step in drawing.steps:
        for name in found:
            span = step.range and (step.range.safe if name == "safe" else step.range.ideal)
            if not span:
                continue
            top = scale.top if span.high is None else scale.y(span.high)
            bottom = scale.bottom if span.low is None else scale.y(span.low)
            found[name] += _box(scale, (step.start, step.end), (top, bottom))
    return _path("night", night) + "".join(_path(name, d) for name, d in found.items())


def _notches(drawing: CurveDrawing, scale: Scale, size: Size) -> str:
    """Draw the lines of the time axis and the present."""
    lines = {"notch": "", "midnight": "", "now": ""}
    for notch in drawing.notches:
        if notch.strong or size in {Size.FULL, Size.PRINT}:
            lines["midnight" if notch.strong else "notch"] += f"M{scale.x(notch.at):.1f} 0V{scale.bottom}"
    if drawing.now is not None:
        lines["now"] = f"M{scale.x(drawing.now):.1f} 0V{size.height}"
    return "".join(_path(kind, d) for kind, d in lines.items())


def _spoken_gaps(drawing: CurveDrawing) -> Iterable[tuple[int, int, float]]:
    """Give each gap of the judged curve: from, to, and the last value before it."""
    curve = drawing.judged
    if curve is None or not curve.stretches:
        return
    end = min(drawing.end, drawing.end if drawing.now is None else drawing.now)
    starts = [*(int(stretch.at[0]) for stretch in curve.stretches[1:]), end]
    for stretch, until in zip(curve.stretches, starts, strict=True):
        since = int(stretch.at[-1])
        if until - since > (drawing.end - drawing.start) / 150:
            yield since, until, stretch.value[-1]


def _gaps(drawing: CurveDrawing, scale: Scale) -> str:
    """Draw a dotted rest where there were no readings."""
    d = "".join(
        f"M{max(scale.x(since), 0):.1f} {scale.y(value):.1f}H{scale.x(until):.1f}"
        for since, until, value in _spoken_gaps(drawing)
        if until > drawing.start
    )
    return _path("gap", d)


def _curve(curve: Curve, part: Columns, scale: Scale) -> str:
    """Draw one stretch of a curve with its band."""
    band = _path("band", band_areas(part, scale)) if curve.ink is Ink.MAIN else ""
    return band + _path(curve.ink, curve_line(part, scale))


def _leaving(part: Columns, drawing: CurveDrawing, scale: Scale) -> str:
    """Draw where the curve is out of ideal: filled towards it, and thick."""
    found = ""
    for side in ("under", "over"):
        out = outside(part, drawing.steps, scale, under=side == "under")
        found += _path(f"{side} fill", out.areas) + _path(f"{side} out", out.lines)
    return found


def _ahead(drawing: CurveDrawing, sheet: _Sheet) -> str:
    """Draw the forecast: a cone from early to late, a dashed line to the middle of it."""
    ahead, scale = drawing.forecast, sheet.scale
    if ahead is None:
        return ""
    side = "under" if ahead.limit < ahead.value else "over"
    x, y, level = scale.x(ahead.at), scale.y(ahead.value), scale.y(ahead.limit)
    early, expected = scale.x(ahead.early), scale.x(ahead.expected)
    late = scale.width if ahead.late is None else scale.x(ahead.late)
    cone = f"M{x:.1f} {y:.1f}L{early:.1f} {level:.1f}H{late:.1f}z"
    return _path(f"{side} cone", cone) + _path(f"{side} ahead", line([(x, y), (expected, level)]))


def _flags(drawing: CurveDrawing, sheet: _Sheet) -> str:
    """Draw the marks and, where there is room, their words in rows that never meet."""
    rows = {Size.THIN: 0, Size.TALL: 1, Size.FULL: 3, Size.PRINT: 1}[sheet.size]
    share = sheet.room / sheet.scale.width
    marks = [sheet.scale.x(flag.at) * share for flag in drawing.flags]
    placed = [(0, x - 7, x + 11) for x in marks]
    found: list[str] = []
    ring = drawing.forecast
    if ring and sheet.inside(ring.expected):
        side = "under" if ring.limit < ring.value else "over"
        y = sheet.scale.y(ring.limit)
        found.append(sheet.stand(ring.expected, f'<circle class="{side} ring" cx="0" cy="{y:.1f}" r="3.5"/>'))
    for flag in sorted(drawing.flags, key=lambda flag: flag.at):
        if not sheet.inside(flag.at):
            continue
        glyph = _glyph(flag, sheet)
        if flag.words and (spot := _row(flag, sheet, placed, rows)):
            row, after = spot
            y = 10 + 11 * row if rows > 1 else 10
            glyph += _text(flag.words, 13 if after else -8, y, "halo", anchor="start" if after else "end")
        found.append(sheet.stand(flag.at, glyph))
    return "".join(found)


def rehearsed(drawing: CurveDrawing, current: Iterable[Flag], proposed: Iterable[Flag]) -> CurveDrawing:
    """Give a strip with both sets of marks: from above as it is judged, from the foot as proposed.

    Args:
        drawing: The strip; its own marks are replaced.
        current: The alarms by the settings in force.
        proposed: The alarms by the proposed ones.
    """
    return replace(drawing, flags=tuple(current), proposed=tuple(proposed))


def _proposed(drawing: CurveDrawing, sheet: _Sheet) -> str:
    """Draw the marks of other settings: flags that hang from the foot, on dashed masts."""
    if sheet.size is Size.THIN:
        return ""
    foot, found, free = sheet.scale.bottom, "", 0.0
    share = sheet.room / sheet.scale.width
    for flag in sorted(drawing.proposed, key=lambda flag: flag.at):
        if not sheet.inside(flag.at):
            continue
        kind = "flag" if flag.mark is Mark.RAISED else "order"
        glyph = f'<path class="mast" d="M0 {foot:g}V{sheet.scale.top:g}"/>'
        glyph += f'<path class="{kind}" d="M0 {foot:g}H9L6.5 {foot - 3.5:g}L9 {foot - 7:g}H0z"/>'
        x, wide = sheet.scale.x(flag.at) * share, _LETTER * len(flag.words)
        if flag.words and free <= x and x + 12 + wide <= sheet.room:
            glyph += _text(flag.words, 12, foot - 1, "halo")
            free = x + 18 + wide
        found += sheet.stand(flag.at, f"<title>proposed: {escape(flag.words)}</title>{glyph}")
    return found


def _glyph(flag: Flag, sheet: _Sheet) -> str:
    """Draw the mark itself; on a thin strip a plain tick."""
    if sheet.size is Size.THIN:
        kind = "flag" if flag.mark is Mark.RAISED else "order"
        return f'<path class="{kind}" d="M-3 0H3L0 6Z"/>' if flag.mark in {Mark.RAISED, Mark.CLEARED} else ""
    glyph = _GLYPHS[flag.mark].replace("{foot}", f"{sheet.scale.bottom:g}")
    return f"<title>{escape(flag.words)}</title>{glyph}" if flag.words else glyph


def _row(
    flag: Flag, sheet: _Sheet, placed: list[tuple[int, float, float]], rows: int
) -> tuple[int, bool] | None:
    """Find a row in which the words meet no others; say whether they stand after the mark."""
    x = sheet.scale.x(flag.at) * sheet.room / sheet.scale.width
    wide = _LETTER * len(flag.words)
    for row in range(rows):
        for after in (True, False):
            left, right = (x + 12, x + 14 + wide) if after else (x - 10 - wide, x - 8)
            free = all(r != row or right <= a or left >= b for r, a, b in placed)
            if free and left >= 0 and right <= sheet.room:
                placed.append((row, left, right))
                return row, after
    return None


def _text(words: str, x: float, y: float, kind: str = "", *, anchor: str = "start") -> str:
    """Write words at a place."""
    where = f' text-anchor="{anchor}"' if anchor != "start" else ""
    named = f' class="{kind}"' if kind else ""
    return f'<text x="{x:g}" y="{y:.1f}"{named}{where}>{escape(words)}</text>'


def _words(drawing: CurveDrawing, sheet: _Sheet) -> str:
    """Write what stands on the strip: gaps, and on a tall picture hours, limits, extremes."""
    found: list[str] = []
    for since, until, value in _spoken_gaps(drawing):
        if (until - since) * sheet.scale.per_ms * sheet.room / sheet.scale.width > _LETTER * 11.5:
            y = max(sheet.scale.y(value) - 5, sheet.scale.top + 9)
            found.append(sheet.stand(max(since, drawing.start), _text(NO_READINGS, 7, y, "faint halo")))
    if sheet.size in {Size.FULL, Size.PRINT}:
        found.append(_hours_and_now(drawing, sheet, sheet.size.height - 6))
        found.append(_limits(drawing, sheet))
        found.append(_extremes(drawing, sheet))
    return "".join(found)


def _hours(notches: Iterable[Notch], sheet: _Sheet, y: float) -> str:
    """Write the hours under their lines, none cut at an edge or on another; whole hours go first."""
    found: dict[int, str] = {}
    taken: list[tuple[float, float]] = []
    for notch in sorted(notches, key=_roundness):
        if not sheet.inside(notch.at):
            continue
        wide = _LETTER * len(notch.words)
        x = sheet.scale.x(notch.at) * sheet.room / sheet.scale.width
        anchor = "start" if x < wide / 2 else "end" if x > sheet.room - wide / 2 else "middle"
        left = x - {"start": 0, "middle": wide / 2, "end": wide}[anchor]
        if any(left < right and left + wide > begin for begin, right in taken):
            continue
        taken.append((left - 6, left + wide + 6))
        kind = "bold" if notch.strong else "faint"
        found[notch.at] = sheet.stand(notch.at, _text(notch.words, 0, y, kind, anchor=anchor))
    return "".join(found[at] for at in sorted(found))


def _roundness(notch: Notch) -> tuple[bool, bool, int]:
    """Sort lines of the time axis: new days, whole hours, the rest."""
    return not notch.strong, ":" in notch.words and ":00" not in notch.words, notch.at


def _hours_and_now(drawing: CurveDrawing, sheet: _Sheet, y: float) -> str:
    """Write the hours, and "now" in place of those that stand too near to it."""
    now, notches = drawing.now, drawing.notches
    if now is None or not sheet.inside(now):
        return _hours(notches, sheet, y)
    near = 34 * sheet.scale.width / sheet.room / sheet.scale.per_ms
    notches = tuple(notch for notch in notches if abs(notch.at - now) > near)
    x = sheet.scale.x(now) * sheet.room / sheet.scale.width
    anchor = "end" if x > sheet.room - 14 else "middle"
    words = sheet.stand(now, _text("now", 0, y, "bold halo", anchor=anchor))
    return _hours(notches, sheet, y) + words


def _limits(drawing: CurveDrawing, sheet: _Sheet) -> str:
    """Write the ends of the spans at the left edge, the present ones."""
    steps = [step for step in drawing.steps if step.range and step.end > drawing.start]
    ranged = steps[0].range if steps else None
    if ranged is None:
        return ""
    ends: dict[float, str] = {}
    for name, span in (("safe", ranged.safe), ("ideal", ranged.ideal)):
        for end in (span.low, span.high) if span else ():
            if end is not None:
                ends[end] = f"{name} {drawing.say(end)}"
    found, taken = "", -99.0
    for end, words in sorted(ends.items()):
        y = sheet.scale.y(end) - 2
        if abs(y - taken) >= 11:
            found += _text(words, 4, y, "faint halo")
            taken = y
    return found


def _extremes(drawing: CurveDrawing, sheet: _Sheet) -> str:
    """Point at the lowest and the highest value in the window, with numbers."""
    curve = drawing.judged
    points = [
        point
        for stretch in (curve.stretches if curve else ())
        for point in zip(stretch.at, stretch.lowest, stretch.highest, strict=True)
        if drawing.start <= point[0] <= drawing.end
    ]
    if len(points) < 2:
        return ""
    first = drawing.steps[0].range if drawing.steps else None
    spans = (first.ideal, first.safe) if first else ()
    ends = [end for span in spans if span for end in (span.low, span.high) if end is not None]
    low_at, low, _ = min(points, key=lambda point: point[1])
    high_at, _, high = max(points, key=lambda point: point[2])
    found, share = "", sheet.room / sheet.scale.width
    for at, value, below in ((low_at, low, True), (high_at, high, False)):
        y = sheet.scale.y(value)
        x = sheet.scale.x(at) * share
        anchor = "start" if x < _LABELS else "end" if x > sheet.room - 60 else "middle"
        level = min(y + 15, sheet.scale.bottom - 3) if below else max(y - 8, sheet.scale.top + 4)
        beside = any(abs(sheet.scale.y(end) - 2 - level) < 11 for end in ends)
        aside = _LABELS - x if x < _LABELS and beside else 0
        if drawing.now is not None and abs(sheet.scale.x(drawing.now) - sheet.scale.x(at)) * share < 24:
            anchor, aside = "end", -6
        words = _text(drawing.say(value), aside, level, "halo", anchor=anchor)
        found += sheet.stand(at, f'<circle class="dot" cx="0" cy="{y:.1f}" r="3.5"/>{words}')
    return found


def draw_axis(
    drawing: CurveDrawing, *, width: int | None = None, inks: Mapping[str, str] | None = None
) -> str:
    """Draw the hours of a sheet of strips that share one axis.

    Args:
        drawing: Its ``notches`` and ``now`` are written; curves are not drawn.
        width: px of a picture, or None: as wide as the page lets it.
        inks: Colours to carry along, or None: the page's style sheet has them.
    """
    size = Size.THIN
    scale = Scale(
        start=drawing.start,
        per_ms=(width or size.columns) / (drawing.end - drawing.start),
        high=1,
        per_unit=1,
        top=0,
        bottom=size.height,
        width=width or size.columns,
    )
    sheet = _Sheet(scale, size, width is None)
    return _framed(drawing, sheet, "", _hours_and_now(drawing, sheet, 13), inks)
