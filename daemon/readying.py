"""Whether a place is ready for its animals, out of the record."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import chain, pairwise
from typing import TYPE_CHECKING

from daemon.counting import corrected, stand_of
from daemon.logbook import Archive
from rules.calendar import next_edge, state_at
from rules.plan import PlacePlan, Plan, SensorPlan, SpotRange
from rules.readiness import LAST, Readiness, SensorHealth, SpotRecord, readiness
from rules.reading import HOUR, MINUTE, Quantity
from rules.roster import in_force
from rules.span import Range, Span

if TYPE_CHECKING:
    from daemon.settings import Loaded

LOOK_BACK = 7 * 24 * HOUR
"""So far back it is looked for since when it has been right (ms)."""

LONG_GAP = 30 * MINUTE
"""A gap of this length ends "right without a break" (ms)."""


class NoPlace(Exception):  # noqa: N818 - says what is missing
    """There is no such place."""


def ready(archive: Archive, loaded: "Loaded", place: str, now: int, last: int = LAST) -> Readiness:
    """Judge a place.

    Args:
        archive: The logbook.
        loaded: The settings.
        place: Its name.
        now: Room time, ms.
        last: How long it must have been right (ms).

    Raises:
        NoPlace: The room has no such place.
    """
    from daemon.night import Window, plan_at  # stands on the settings library

    plan = plan_at(archive, loaded, Window(now - max(last, LOOK_BACK), now))
    known = [one.name for one in loaded.model.place]
    if place not in known:
        raise NoPlace(f'there is no place "{place}" (places: {", ".join(known)})')
    return ready_by(archive, plan, place, (now - max(last, LOOK_BACK), now), last)


def ready_by(
    archive: Archive, plan: Plan, place: str, between: tuple[int, int], last: int = LAST
) -> Readiness:
    """Judge a place by a plan that is at hand.

    Args:
        archive: The logbook.
        plan: Its calendars reach over the window.
        place: Its name; it is in the plan.
        between: From when to look, and now (room time, ms).
        last: How long it must have been right (ms).
    """
    start, now = between
    found = next(one for one in plan.places if one.name == place)
    sensors = [one for one in plan.sensors if one.place == place]
    look = _Look(archive, plan, found, (start, now), now - last)
    spots = [record for asked, sensor in _asked(found, sensors) for record in look.records(asked, sensor)]
    return readiness(spots, _health(archive, place, sensors), now, last)


def _asked(place: PlacePlan, sensors: Sequence[SensorPlan]) -> Iterator[tuple[SpotRange, SensorPlan | None]]:
    """Give each range with each sensor that is judged by it; None where there is none."""
    own = {(one.spot, one.quantity) for one in place.ranges if one.spot}
    for asked in place.ranges:
        mine = [
            one
            for one in sensors
            if asked.quantity in one.quantities
            and (one.spot == asked.spot or (not asked.spot and (one.spot, asked.quantity) not in own))
        ]
        covered = asked.spot or not any(asked.quantity is quantity for _, quantity in own)
        for sensor in mine:
            yield asked, sensor
        if not mine and covered:
            yield asked, None


def _health(archive: Archive, place: str, sensors: Sequence[SensorPlan]) -> list[SensorHealth]:
    """Read off the open alarms which sensors are not sound."""
    wrong: dict[str, list[str]] = {}
    for row in archive.alarms(open_only=True):
        if row.key.place == place:
            wrong.setdefault(row.key.subject, []).append(row.key.rule)
    return [
        SensorHealth(one.name, healthy=one.name not in wrong, wrong=", ".join(wrong.get(one.name, ())))
        for one in sensors
    ]


@dataclass(slots=True)
class _Sum:
    """What one period adds up to."""

    whole: int = 0
    covered: int = 0
    inside: int = 0
    lowest: float | None = None
    highest: float | None = None
    left_safe: int | None = None

    def take(self, start: int, end: int, value: float, both: Range | None) -> None:
        """Add a stretch over which a value stood."""
        self.covered += end - start
        self.lowest = value if self.lowest is None else min(self.lowest, value)
        self.highest = value if self.highest is None else max(self.highest, value)
        if _right(value, both):
            self.inside += end - start
        if both is not None and both.safe is not None and not both.safe.holds(value):
            self.left_safe = end


@dataclass(frozen=True, slots=True)
class _Piece:
    """A stretch of one period under one range."""

    start: int
    end: int
    period: str
    range: Range | None


@dataclass(frozen=True, slots=True)
class _Look:
    """One look at a place."""

    archive: Archive
    plan: Plan
    place: PlacePlan
    window: tuple[int, int]
    since: int

    def records(self, asked: SpotRange, sensor: SensorPlan | None) -> Iterator[SpotRecord]:
        """Give the record by day and by night."""
        pieces = self._pieces(asked)
        sums: dict[str, _Sum] = {}
        for piece in pieces:
            whole = max(0, piece.end - max(piece.start, self.since))
            sums.setdefault(piece.period, _Sum()).whole += whole
        right, before = None, self.window[0]
        for piece, start, end, value in _cut(self._standing(sensor, asked.quantity), pieces):
            good = _right(value, piece.range)
            if start - before > LONG_GAP or not good:
                right = None
            if right is None and good:
                right = start
            before = end
            if end > self.since:
                sums[piece.period].take(max(start, self.since), end, value, piece.range)
        if self.window[1] - before > LONG_GAP:
            right = None
        where = sensor.spot if sensor is not None else asked.spot
        for period, added in sums.items():
            both = _of(asked, period)
            if added.whole and both is not None:
                yield _record(where, asked, (period, both), added, right)

    def _pieces(self, asked: SpotRange) -> list[_Piece]:
        """Cut the window where the period or the range in force changes."""
        calendar = self.plan.calendars.get(self.place.calendar)
        settle = self.place.settle
        found, start = [], self.window[0]
        while start < self.window[1]:
            settled = next_edge(calendar, start - settle) + settle
            end = min(self.window[1], next_edge(calendar, start), settled)
            day = state_at(calendar, start)
            period = "day and night" if day is None else "day" if day else "night"
            found.append(_Piece(start, end, period, in_force(asked, calendar, settle, start)))
            start = end
        return found

    def _standing(self, sensor: SensorPlan | None, quantity: Quantity) -> Iterator[tuple[int, int, float]]:
        """Give (start, end, value): a reading stands until the next, at most 2 × every."""
        if sensor is None:
            return
        stand = stand_of(sensor)
        readings = corrected(self.archive, sensor, quantity, self.window)
        for (at, value), (after, _) in pairwise(chain(readings, [(self.window[1], 0.0)])):
            yield max(at, self.window[0]), min(after, at + stand, self.window[1]), value


def _cut(
    standing: Iterable[tuple[int, int, float]], pieces: Sequence[_Piece]
) -> Iterator[tuple[_Piece, int, int, float]]:
    """Cut ascending stretches by ascending pieces."""
    index = 0
    for first, last, value in standing:
        start = first
        while start < last:
            while pieces[index].end <= start:
                index += 1
            end = min(last, pieces[index].end)
            yield pieces[index], start, end, value
            start = end


def _of(asked: SpotRange, period: str) -> Range | None:
    """Give the range of a period."""
    if period == "day":
        return asked.day
    return asked.night if period == "night" else in_force(asked, None, 0, 0)


def _record(
    where: str, asked: SpotRange, which: tuple[str, Range], added: _Sum, right: int | None
) -> SpotRecord:
    """Make the record of one period."""
    period, both = which
    return SpotRecord(
        spot=where,
        quantity=asked.quantity,
        period=period,
        ideal=both.ideal,
        safe=both.safe,
        covered=min(1.0, added.covered / added.whole),
        inside=added.inside / added.covered if added.covered else None,
        lowest=added.lowest,
        highest=added.highest,
        left_safe=added.left_safe,
        right_since=right,
    )


def _right(value: float, both: Range | None) -> bool:
    """Tell whether a value is where it should be: in ideal, or in safe where there is no ideal."""
    span: Span | None = (both.ideal or both.safe) if both is not None else None
    return span is None or span.holds(value)
