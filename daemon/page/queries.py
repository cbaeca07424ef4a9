"""What the page asks the logbook: corrected curves, alarms, and how old all of it is."""

import math
import time
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass

from daemon.drawing import Stretch, stretches
from daemon.logbook import Archive, Curve
from daemon.page.room import Room
from daemon.record import AlarmRow, Asked, Entered, Entry, Json, Kind
from rules.plan import Correction, SensorPlan
from rules.reading import HOUR, MINUTE, Grade, Quality, Quantity

PATIENCE = 2.0
"""Whatever one page asks must be answered in this time (s)."""

RUNS = 60_000
"""A newest round that is older than this tells that the watch does not run (ms)."""

_COUNTS = bytes(
    1 if code in {q.code for q in Quality if q.grade in {Grade.GOOD, Grade.LATE}} else 0
    for code in range(256)
)
_PLAIN = Correction()
_ROUNDS = 12
_DONE = (Kind.ORDER, Kind.NOTE, Kind.CHANGED, Kind.EGG_LOG)


@dataclass(frozen=True, slots=True)
class Last:
    """The newest reading of a series, corrected."""

    quantity: Quantity
    at: int
    value: float
    quality: Quality
    note: str


def wall_clock() -> int:
    """Give Unix ms."""
    return time.time_ns() // 1_000_000


class Source:
    """The record as one request sees it. Lives as long as the request; one thread.

    Args:
        archive: The logbook, open for reading.
        room: The settings: corrections are applied here, between record and page.
        clock: Gives Unix ms.

    Attributes:
        newest: Room time of the newest round, or None: nothing was recorded yet.
        offset: Wall minus room (ms) at the newest round, or None: nobody knows.
        running: Whether the watch runs, by the age of the newest round.
        now: The present as far as the record knows it (room time, ms).
    """

    def __init__(self, archive: Archive, room: Room, clock: Callable[[], int] = wall_clock) -> None:
        self._archive = archive
        self._room = room
        self._latest: dict[tuple[str, Quantity], Entry] | None = None
        self._rows: dict[tuple[str, Quantity], Entry] | None = None
        self._shown: Mapping[str, Json] | None = None
        self._fetched: dict[tuple[str, Quantity, int, int], Curve] = {}
        self.newest = archive.last_instant()
        labels = archive.labels()
        known = bool(labels.starts) and self.newest is not None
        self.offset = labels.offset_at(self.newest) if known and self.newest is not None else None
        wall = clock()
        here = wall - (self.offset or 0)
        self.running = self.newest is not None and abs(here - self.newest) <= RUNS
        self.now = here if self.newest is None or self.running else self.newest
        if self.newest is not None:
            self.now = max(self.now, self.newest)
        self.wall = wall

    @property
    def archive(self) -> Archive:
        """The logbook, for questions of more than one answer (clutches, readiness)."""
        return self._archive

    def age(self) -> int | None:
        """Give how old the newest round is (ms), or None: there is none."""
        if self.newest is None:
            return None
        return max(0, self.wall - (self.offset or 0) - self.newest)

    def fetch(self, wanted: Iterable[tuple[SensorPlan, Quantity]], span: tuple[int, int], width: int) -> None:
        """Read many curves of one window at once, for :meth:`curve`: cheaper than one by one."""
        keys = [(s.name, q) for s, q in wanted if _whole(s, span, width)]
        for (name, quantity), curve in self._archive.curves(keys, *span).items():
            self._fetched[name, quantity, *span] = curve

    def curve(
        self, sensor: SensorPlan, quantity: Quantity, span: tuple[int, int], width: int
    ) -> tuple[Stretch, ...]:
        """Give a corrected curve; where there are more readings than columns, with their extremes.

        Args:
            sensor: The sensor.
            quantity: What was measured.
            span: From, to (room time, ms).
            width: Columns that are wanted.
        """
        since, until = span
        correct = sensor.corrections.get(quantity, _PLAIN)
        longest = max(2 * sensor.every + 30_000, sensor.silence if sensor.on_change else 0)
        if _whole(sensor, span, width):
            curve = self._fetched.get((sensor.name, quantity, *span))
            curve = curve or self._archive.curve(sensor.name, quantity, since, until)
            values = [
                correct.gain * raw + correct.offset if _COUNTS[code] else math.nan
                for raw, code in zip(curve.value, curve.quality, strict=True)
            ]
            return stretches(*_spoken(curve.at, values), longest)
        return self._envelope(sensor, quantity, span, width)

    def _envelope(
        self, sensor: SensorPlan, quantity: Quantity, span: tuple[int, int], width: int
    ) -> tuple[Stretch, ...]:
        """Give lowest, mean and highest by column."""
        correct = sensor.corrections.get(quantity, _PLAIN)
        buckets = self._archive.envelope(sensor.name, quantity, *span, width)
        found: list[Stretch] = []
        run: list[tuple[int, float, float, float]] = []
        for bucket in buckets:
            if bucket.low == bucket.low:
                ends = sorted(correct.gain * v + correct.offset for v in (bucket.low, bucket.high))
                mean = correct.gain * bucket.mean + correct.offset
                run.append(((bucket.start + bucket.end) // 2, mean, ends[0], ends[1]))
            elif run:
                found.append(Stretch(*map(list, zip(*run, strict=True))))
                run = []
        if run:
            found.append(Stretch(*map(list, zip(*run, strict=True))))
        return tuple(found)

    def readings(
        self, sensor: SensorPlan, quantity: Quantity, span: tuple[int, int]
    ) -> Iterable[tuple[int, float, Quality]]:
        """Give every reading of a window, corrected."""
        correct = sensor.corrections.get(quantity, _PLAIN)
        for at, raw, code in self._archive.curve(sensor.name, quantity, *span):
            yield at, correct.apply(raw), Quality.of(code)

    def last(self, sensor: SensorPlan, quantity: Quantity) -> Last | None:
        """Give the newest reading of a series, or None."""
        if self._latest is None:
            self._latest = self._archive.latest()
        entry = self._latest.get((sensor.name, quantity))
        return None if entry is None else self._corrected(sensor, entry)

    def just_read(self, sensor: SensorPlan, quantity: Quantity) -> Last | None:
        """Give the newest reading of a series if it is among the last rows, else None: cheap."""
        if self._rows is None:
            rows = _ROUNDS * sum(len(each.quantities) for each in self._room.plan.sensors)
            after = max(0, self._archive.last_row() - rows)
            entries = self._archive.replay_rows(after)
            self._rows = {(entry.sensor, entry.quantity): entry for entry in entries}
        entry = self._rows.get((sensor.name, quantity))
        return None if entry is None else self._corrected(sensor, entry)

    @staticmethod
    def _corrected(sensor: SensorPlan, entry: Entry) -> Last:
        """Apply the correction in force."""
        value = sensor.corrections.get(entry.quantity, _PLAIN).apply(entry.raw)
        return Last(entry.quantity, entry.at, value, entry.quality, entry.note)

    def alarms(self, start: int, until: int) -> list[AlarmRow]:
        """Give the alarms whose life touches a window."""
        return self._archive.alarms(start, until + 1)

    def alarm(self, number: int) -> AlarmRow | None:
        """Give one alarm, or None."""
        return self._archive.alarm(number)

    def wanting(self) -> list[AlarmRow]:
        """Give the open alarms."""
        return self._archive.alarms(open_only=True)

    def done(self, start: int, until: int) -> list[Entered]:
        """Give what was ordered and noted in a window."""
        return self._archive.journal(start, until + 1, _DONE)

    def order(self, number: int) -> Asked | None:
        """Give an order as it was written, or None."""
        return self._archive.order(number)

    def watch(self) -> Mapping[str, Json]:
        """Give the watch's own state as it last said it: ``ails``, ``running`` and figures."""
        said = self._said().get("watch")
        return said if isinstance(said, dict) else {}

    def _said(self) -> Mapping[str, Json]:
        if self._shown is None:
            self._shown = self._archive.shown()
        return self._shown

    def foreseen(self, place: str, sensor: SensorPlan, quantity: Quantity) -> Mapping[str, float] | None:
        """Give the numbers of a forecast that is not older than ten minutes, or None."""
        said = self._said().get(f"{place}/{sensor.spot}/{quantity}/{sensor.name}")
        if not isinstance(said, dict):
            return None
        now = said.get("now")
        if not isinstance(now, int) or self.now - now > 10 * MINUTE:
            return None
        numbers = {name: float(v) for name, v in said.items() if isinstance(v, int | float)}
        return {name: v for name, v in numbers.items() if math.isfinite(v)} | {"at": float(now)}


def _whole(sensor: SensorPlan, span: tuple[int, int], width: int) -> bool:
    """Tell whether every reading of a window is drawn, or lowest and highest of its parts."""
    length = span[1] - span[0]
    return length / max(sensor.every, 1000) <= 4 * width or length <= 36 * HOUR


def _spoken(at: Iterable[int], values: list[float]) -> tuple[list[int], list[float]]:
    """Leave out what does not count; a gap opens only where nothing counts for long."""
    pairs = [(t, v) for t, v in zip(at, values, strict=True) if v == v]
    return [t for t, _ in pairs], [v for _, v in pairs]
