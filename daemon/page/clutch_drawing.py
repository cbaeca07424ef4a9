"""How a clutch grows, as one strip: development so far, the hatch window, today.

A strip of the sheet like the others; all clutches share one calendar axis. The area
rises from laying to full height, where hatching is; the window is a span beside it.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

from daemon.drawing import Notch

COLUMNS = 720
"""Columns of the inner picture; the page stretches it."""

HEIGHT = 40
"""px of a strip."""

_TOP, _BOTTOM = 6.0, 38.0


@dataclass(frozen=True, slots=True)
class Growth:
    """Everything that is on one strip. Instants in room time, ms.

    Attributes:
        start: Left end of the axis.
        end: Right end.
        now: Today (or when it was over); beyond the end: not on it.
        laid: When it was laid or found.
        shares: (instant, share of the development done), ascending.
        earliest: Begin of the hatch window, or None: no forecast.
        expected: The likeliest day, or None.
        latest: Its end, or None: it has none that can be named.
        out: Instants at which some hatched.
        notches: Lines of the axis.
        words: The strip in one sentence.
    """

    start: int
    end: int
    now: int
    laid: int
    shares: Sequence[tuple[int, float]] = ()
    earliest: int | None = None
    expected: int | None = None
    latest: int | None = None
    out: Sequence[int] = ()
    notches: Sequence[Notch] = ()
    words: str = ""


def draw_growth(growth: Growth) -> str:
    """Draw one strip as SVG; colours come from the page's style sheet."""
    inner = "".join(
        [
            _window(growth),
            _path("notch", "".join(f"M{_x(growth, notch.at):.1f} 0V{HEIGHT}" for notch in growth.notches)),
            _path("since", _since(growth)),
            _area(growth),
            _ahead(growth),
            _path("now", f"M{_x(growth, growth.now):.1f} 0V{HEIGHT}" if _on(growth, growth.now) else ""),
        ]
    )
    box = f'<svg width="100%" height="{HEIGHT}" viewBox="0 0 {COLUMNS} {HEIGHT}" preserveAspectRatio="none">'
    label = f'role="img" aria-label="{escape(growth.words)}"'
    marks = "".join(_out(growth, at) for at in growth.out if _on(growth, at))
    return (
        f'<svg class="strip grown plain" width="100%" height="{HEIGHT}" {label}>'
        f"{box}{inner}</svg>{marks}</svg>"
    )


def _x(growth: Growth, at: float) -> float:
    return COLUMNS * (at - growth.start) / (growth.end - growth.start)


def _y(share: float) -> float:
    return _BOTTOM - (_BOTTOM - _TOP) * min(max(share, 0.0), 1.0)


def _on(growth: Growth, at: int) -> bool:
    return growth.start <= at <= growth.end


def _path(kind: str, d: str) -> str:
    return f'<path class="{kind}" d="{d}"/>' if d else ""


def _window(growth: Growth) -> str:
    """Draw the window as a span, and the likeliest day in it."""
    if growth.earliest is None:
        return ""
    left = max(0.0, _x(growth, growth.earliest))
    right = float(COLUMNS) if growth.latest is None else min(COLUMNS, _x(growth, growth.latest))
    if right <= left:
        return ""
    found = _path("ideal", f"M{left:.1f} 0H{right:.1f}V{HEIGHT}H{left:.1f}z")
    if growth.expected is not None and _on(growth, growth.expected):
        found += _path("likely", f"M{_x(growth, growth.expected):.1f} 0V{HEIGHT}")
    return found


def _since(growth: Growth) -> str:
    """Draw the line on which it grows: from laying till now."""
    left, right = max(0.0, _x(growth, growth.laid)), min(float(COLUMNS), _x(growth, growth.now))
    return f"M{left:.1f} {_BOTTOM}H{right:.1f}" if right > left else ""


def _area(growth: Growth) -> str:
    """Draw what has developed: it rises to full height."""
    points = [(_x(growth, at), _y(share)) for at, share in growth.shares if at <= growth.end]
    if len(points) < 2:
        return ""
    line = "L".join(f"{x:.1f} {y:.1f}" for x, y in points)
    return _path("band", f"M{points[0][0]:.1f} {_BOTTOM}L{line}V{_BOTTOM}z")


def _ahead(growth: Growth) -> str:
    """Draw the way to the likeliest day."""
    if not growth.shares or growth.expected is None or growth.expected <= growth.now:
        return ""
    at, share = growth.shares[-1]
    start = f"M{_x(growth, at):.1f} {_y(share):.1f}"
    return _path("toward", f"{start}L{_x(growth, growth.expected):.1f} {_TOP}")


def _out(growth: Growth, at: int) -> str:
    """Mark a hatching."""
    share = 100 * (at - growth.start) / (growth.end - growth.start)
    return f'<svg x="{share:.2f}%" overflow="visible"><path class="flag" d="M-4 0H4L0 7Z"/></svg>'
