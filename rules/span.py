"""Spans and ranges: where a value should be."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Span:
    """A stretch of values, both ends included; ``None`` is an open side.

    Raises:
        ValueError: low is above high, or both sides are open.
    """

    low: float | None
    high: float | None

    def __post_init__(self) -> None:
        """Refuse a span that is inside out or empty of meaning."""
        if self.low is None and self.high is None:
            raise ValueError("a span needs a lower or an upper end")
        if self.low is not None and self.high is not None and self.low > self.high:
            raise ValueError(f"the lower end {self.low} is above the upper end {self.high}")

    def holds(self, value: float) -> bool:
        """Tell whether ``value`` lies in the span; NaN never does."""
        above = self.low is None or value >= self.low
        below = self.high is None or value <= self.high
        return above and below and value == value

    def wider(self, other: "Span") -> "Span":
        """Give the span that covers both; an open side stays open."""
        low = None if self.low is None or other.low is None else min(self.low, other.low)
        high = None if self.high is None or other.high is None else max(self.high, other.high)
        if low is None and high is None:
            return other
        return Span(low, high)


@dataclass(frozen=True, slots=True)
class Range:
    """Two nested spans: ideal inside safe. Either may be missing, not both.

    Raises:
        ValueError: ideal reaches outside safe, or neither is given.
    """

    ideal: Span | None
    safe: Span | None

    def __post_init__(self) -> None:
        """Refuse a range whose spans are not nested."""
        if self.ideal is None and self.safe is None:
            raise ValueError("a range needs an ideal or a safe span")
        if self.ideal is None or self.safe is None:
            return
        if self.safe.low is not None and self.ideal.low is not None and self.ideal.low < self.safe.low:
            raise ValueError(f"ideal begins at {self.ideal.low}, below safe at {self.safe.low}")
        if self.safe.high is not None and self.ideal.high is not None and self.ideal.high > self.safe.high:
            raise ValueError(f"ideal ends at {self.ideal.high}, above safe at {self.safe.high}")

    def wider(self, other: "Range") -> "Range":
        """Give the range whose spans cover both; a span that one lacks is lacking."""
        ideal = self.ideal.wider(other.ideal) if self.ideal and other.ideal else None
        safe = self.safe.wider(other.safe) if self.safe and other.safe else None
        if ideal is None and safe is None:
            return self
        return Range(ideal, safe)
