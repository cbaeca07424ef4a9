"""What the morning report says: the night in a few lines, "all is well" when it was.

A line for each place that needs a look, gravest first; then one line for each calm
place with its lowest and highest. So a report that does not come means trouble.
"""

from collections.abc import Iterator, Sequence

from daemon.logbook import Archive
from daemon.night import CurveReview, Night, Window, default_window, review
from daemon.record import AlarmRow
from daemon.settings import Loaded
from daemon.standing import speaker
from daemon.texts import Speaker, lasting
from rules.plan import WATCH
from rules.reading import Quantity

COVERED = 90.0
"""A place that was seen for a smaller share of the night needs a look (percent)."""


def looked_back(archive: Archive, loaded: Loaded, wall: int) -> tuple[tuple[str, ...], int]:
    """Look back over the last night.

    Args:
        archive: The logbook.
        loaded: The settings.
        wall: The wall clock, Unix ms.

    Returns:
        The lines of the report, and how many places need a look.
    """
    window, span = default_window(archive, loaded, wall), archive.span()
    if window is None or span is None:
        return ("Nothing was recorded this night.",), 1
    window = Window(min(max(window.start, span[0]), window.end - 1), window.end)
    found = review(archive, loaded, window)
    offset = found.labels.offset_at(window.start)
    return morning_lines(found, speaker(loaded.model, offset, window.end))


def morning_lines(night: Night, speak: Speaker) -> tuple[tuple[str, ...], int]:
    """Put a reviewed night into lines; give them with the number of places that need a look."""
    by_place: dict[str, list[str]] = {}
    for row in sorted(night.alarms, key=_gravest):
        if row.cause is None and not row.imported and row.shelved_until is None:
            by_place.setdefault(row.key.place, []).append(_alarm_words(row, speak))
    for curve in night.curves:
        if words := _unseen(curve):
            by_place.setdefault(curve.place, []).append(words)
    wrong = [f"{_named(place)}: {'; '.join(dict.fromkeys(words))}" for place, words in by_place.items()]
    calm = list(_calm(night.curves, set(by_place), speak))
    return (*wrong, *calm), len(by_place)


def open_lines(rows: Sequence[AlarmRow]) -> tuple[tuple[str, ...], int]:
    """Give the lines where the night could not be looked back at: what is open now."""
    lines = tuple(f"{_named(row.key.place)}: {row.key.rule}, still open (alarm {row.number})" for row in rows)
    said = "The night could not be looked back at; this is what is open now."
    return (said, *(lines or ("No alarm is open.",))), max(1, len({row.key.place for row in rows}))


def _gravest(row: AlarmRow) -> tuple[bool, int, int]:
    return row.cleared is not None, -row.priority.rank, row.raised


def _named(place: str) -> str:
    return "the watch itself" if place == WATCH else place


def _alarm_words(row: AlarmRow, speak: Speaker) -> str:
    spot = f" ({row.key.spot})" if row.key.spot not in ("", "air") else ""
    rule = f"{row.key.rule}{spot}"
    if row.cleared is None:
        seen = "seen" if row.acknowledged else "not seen yet"
        return f"{rule} since {speak.when(row.since)}, still open, {seen} (alarm {row.number})"
    span = f"{speak.when(row.since)} to {speak.when(row.cleared)} ({lasting(row.cleared - row.since)})"
    return f"{rule} {span}, right again"


def _unseen(curve: CurveReview) -> str:
    covered = curve.summary.covered
    if curve.quantity is Quantity.CONTACT:
        return ""
    if covered is None or not curve.summary.readings:
        return f"no {curve.quantity.value} was read by {curve.sensor}"
    if covered < COVERED:
        return f"{curve.sensor} was seen for {covered:.0f} % of the night only"
    return ""


def _calm(curves: Sequence[CurveReview], wrong: set[str], speak: Speaker) -> Iterator[str]:
    """Give one line for each calm place: lowest to highest of what it measures."""
    lines: dict[str, list[str]] = {}
    for curve in curves:
        low, high = curve.summary.minimum, curve.summary.maximum
        if curve.place in wrong or low is None or high is None or curve.quantity is Quantity.CONTACT:
            continue
        spot = f"{curve.spot} " if curve.spot not in ("", "air") else ""
        shown = (speak.value(curve.quantity, value) for value in (low, high))
        bottom, top = shown
        lines.setdefault(curve.place, []).append(f"{spot}{bottom.rpartition(' ')[0]} to {top}")
    yield from (f"{place}: {', '.join(words)}" for place, words in lines.items())
