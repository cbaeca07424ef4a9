"""Whether an enclosure is ready for its animals: right for days, by day and by night.

Works on statistics; the shell takes them from the record.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from rules.reading import HOUR, Quantity
from rules.span import Span
from rules.words import Degrees, Instant, Lasting, Number, Percent, Piece, Sentence

LAST = 48 * HOUR
"""An enclosure must have been right for so long, unless the keeper says otherwise."""

COVERED = 0.9
"""At least this share of the time must have readings: missing data is not "right"."""

INSIDE = 0.95
"""At least this share of the covered time must lie in the ideal span."""


@dataclass(frozen=True, slots=True)
class SpotRecord:
    """What one quantity at one spot was like over the window, by day or by night.

    Attributes:
        spot: Where in the place.
        quantity: Temperature or humidity.
        period: "day" or "night".
        ideal: The ideal span asked for, or None.
        safe: The safe span, or None.
        covered: Share of the period's time with readings, 0 to 1; 0 without a sensor.
        inside: Share of the covered time in the ideal span (in safe, where there is no
            ideal), 0 to 1, or None where nothing is covered.
        lowest: Least value, or None.
        highest: Greatest value, or None.
        left_safe: Newest instant outside safe (room time, ms), or None: never.
        right_since: Since when it has been inside without a break, or None: it is not.
    """

    spot: str
    quantity: Quantity
    period: str
    ideal: Span | None
    safe: Span | None
    covered: float
    inside: float | None
    lowest: float | None
    highest: float | None
    left_safe: int | None = None
    right_since: int | None = None


@dataclass(frozen=True, slots=True)
class SensorHealth:
    """One sensor of the place: whether it is sound, and what is wrong where it is not."""

    sensor: str
    healthy: bool
    wrong: str = ""


@dataclass(frozen=True, slots=True)
class Readiness:
    """Whether a place is ready.

    Attributes:
        ready: It is.
        since: Since when everything has been right (room time, ms), or None: not now.
        hours: How long it must have been.
        missing: What is missing, each a sentence; empty where it is ready.
    """

    ready: bool
    since: int | None
    hours: float
    missing: tuple[Sentence, ...]


def readiness(
    spots: Sequence[SpotRecord], sensors: Sequence[SensorHealth], now: int, last: int = LAST
) -> Readiness:
    """Judge whether a place is ready.

    Args:
        spots: One record for each spot, quantity and period that its species and stage ask for.
        sensors: Its sensors.
        now: Room time, ms.
        last: How long it must have been right (ms).

    Returns:
        Ready only where every spot that is asked for has readings for at least 90 % of the
        time, 95 % of them in the ideal span and none outside safe, every sensor is sound,
        and all have been right for ``last``. A place without a range is not ready: nothing
        says what would be right.
    """
    missing: list[Sentence] = []
    if not spots:
        missing.append(("no range is set for this place: give it a species and a stage, or ranges",))
    for record in spots:
        missing += _of_spot(record)
    missing += [(f"sensor {one.sensor}: {one.wrong or 'not sound'}",) for one in sensors if not one.healthy]
    if not sensors:
        missing.append(("no sensor is in this place",))
    since = _since(spots)
    if not missing and since is not None and now - since < last:
        missing.append(("right for ", Lasting(now - since), ", not yet for ", Lasting(last)))
    return Readiness(not missing, since, last / HOUR, tuple(missing))


def _since(spots: Sequence[SpotRecord]) -> int | None:
    """Give since when all have been right."""
    starts = [record.right_since for record in spots]
    known = [start for start in starts if start is not None]
    return max(known) if known and len(known) == len(starts) else None


def _of_spot(record: SpotRecord) -> list[Sentence]:
    """Say what is missing at one spot."""
    where = f"{record.quantity.value} at {record.spot or 'the place'} by {record.period}"
    if record.covered <= 0.0:
        return [(f"{where}: no readings",)]
    found: list[Sentence] = []
    if record.covered < COVERED:
        share = Number(100.0 * record.covered, "%", 0)
        found.append((f"{where}: readings for only ", share, " of the time"))
    if record.left_safe is not None:
        found.append((f"{where}: outside safe, last at ", Instant(record.left_safe), *_was(record)))
    elif record.inside is not None and record.inside < INSIDE:
        share = Number(100.0 * record.inside, "%", 0)
        found.append((f"{where}: in range for only ", share, " of the time", *_was(record)))
    elif record.right_since is None:
        found.append((f"{where}: not in range now", *_was(record)))
    return found


def _was(record: SpotRecord) -> Sentence:
    """Say what it was and what it should be."""
    span = record.ideal or record.safe
    if record.lowest is None or record.highest is None or span is None:
        return ()
    low, high = (_piece(record, value) for value in (record.lowest, record.highest))
    ends = [_piece(record, end) if end is not None else "open" for end in (span.low, span.high)]
    return (": it was ", low, " to ", high, ", and should be ", ends[0], " to ", ends[1])


def _piece(record: SpotRecord, value: float) -> Piece:
    """Give a value its kind."""
    return Degrees(value) if record.quantity is Quantity.TEMPERATURE else Percent(value)
