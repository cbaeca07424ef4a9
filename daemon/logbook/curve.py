"""Curves: readings of one series as columns, for drawing and statistics. Values only."""

import math
from array import array
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class Curve:
    """Readings of one series, ascending by (instant, arrival).

    Attributes:
        at: Instants, room time in ms.
        value: Raw values (uncorrected), NaN where there is none.
        quality: Quality codes (``rules.reading.Quality.of``).
    """

    at: "array[int]" = field(default_factory=lambda: array("q"))
    value: "array[float]" = field(default_factory=lambda: array("d"))
    quality: bytearray = field(default_factory=bytearray)

    def __len__(self) -> int:
        return len(self.at)

    def __iter__(self) -> Iterator[tuple[int, float, int]]:
        """Go through (instant, value, quality code)."""
        return zip(self.at, self.value, self.quality, strict=True)

    def extend(self, rows: Iterable[tuple[int, int | None, int]]) -> None:
        """Append readings as (instant, thousandths or None, quality code)."""
        for at, raw, quality in rows:
            self.at.append(at)
            self.value.append(math.nan if raw is None else raw / 1000)
            self.quality.append(quality)


@dataclass(frozen=True, slots=True)
class Bucket:
    """What lies between two instants of a curve: start <= at < end.

    Attributes:
        start: Room time, ms.
        end: Room time, ms.
        low: Lowest counted raw value (good or late), NaN where none counts.
        high: Highest counted raw value.
        mean: Arithmetic mean of the counted raw values.
        n: Readings, counted or not.
    """

    start: int
    end: int
    low: float
    high: float
    mean: float
    n: int


@dataclass(slots=True)
class Gathering:
    """A bucket while it fills; values in thousandths."""

    n: int = 0
    counted: int = 0
    low: int | None = None
    high: int | None = None
    total: int = 0

    def take(self, n: int, counted: int, low: int | None, high: int | None, total: int) -> None:
        """Add what a page or a reading says."""
        self.n += n
        self.counted += counted
        self.total += total
        if low is not None:
            self.low = low if self.low is None else min(self.low, low)
        if high is not None:
            self.high = high if self.high is None else max(self.high, high)

    def bucket(self, start: int, end: int) -> Bucket:
        """Give the finished bucket."""
        if self.low is None or self.high is None:
            return Bucket(start, end, math.nan, math.nan, math.nan, self.n)
        mean = self.total / self.counted / 1000
        return Bucket(start, end, self.low / 1000, self.high / 1000, mean, self.n)
