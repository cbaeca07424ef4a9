"""Slow offset: one sensor drifts against another, found by sums of daily medians.

Sources: tabular CUSUM (Page 1954, Biometrika 41:100–115; Montgomery, Introduction to
Statistical Quality Control, ch. 9); EWMA limits (Lucas & Saccucci 1990, Technometrics
32:1–12). Both assume independent values, so they are fed one value a day.
"""

from dataclasses import dataclass
from math import exp, sqrt
from typing import NamedTuple

from rules.detector import Detector
from rules.plan import Priority
from rules.reading import DAY, HOUR
from rules.trend import median
from rules.verdict import Verdict
from rules.words import Number

RULE = "offset drifts"


class Sums(NamedTuple):
    """The two one-sided sums, in standard deviations, and since how many values they grow."""

    up: float = 0.0
    down: float = 0.0
    up_for: int = 0
    down_for: int = 0


def cusum_step(sums: Sums, z: float, k: float = 0.5) -> Sums:
    """Add a standardised value: C⁺ = max(0, z - k + C⁺), C⁻ = max(0, -z - k + C⁻)."""
    up, down = max(0.0, sums.up + z - k), max(0.0, sums.down - z - k)
    return Sums(up, down, sums.up_for + 1 if up else 0, sums.down_for + 1 if down else 0)


def grown(sums: list[float], z: float, limit: float, k: float = 0.5) -> tuple[list[float], float, int]:
    """Add a value to sums as they are remembered.

    None is remembered above the limit: what is beyond it is told already, and without the
    bound a drift of weeks would take months to be over once it is mended (common practice,
    no source).

    Returns:
        The sums to remember, the higher one of them (it may be above the limit), and for how
        many values that one has grown.
    """
    new = cusum_step(Sums(sums[0], sums[1], int(sums[2]), int(sums[3])), z, k)
    kept: list[float] = [min(new.up, limit), min(new.down, limit), new.up_for, new.down_for]
    return (kept, *max((new.up, new.up_for), (new.down, new.down_for)))


def usual(days: list[float], least: float) -> tuple[float, float]:
    """Give mean and standard deviation of the days that were learnt from, the latter at least ``least``."""
    mean = sum(days) / len(days)
    variance = sum((one - mean) ** 2 for one in days) / (len(days) - 1)
    return mean, max(least, sqrt(variance))


def run_length(h: float, k: float = 0.5) -> float:
    """Give the mean number of values until a false alarm of the two-sided CUSUM.

    Source:
        Siegmund's approximation (1985), b = h + 1.166: within 2 % of the exact table.
    """
    b = h + 1.166
    return (exp(2 * k * b) - 2 * k * b - 1) / (2 * k * k) / 2


def decision_limit(curves: int, days: float = 180.0) -> float:
    """Give the h at which a room of ``curves`` has one false alarm in ``days``.

    At one value a day h = 5 means a false alarm in 465 days for one curve, but in 4 days
    in a room of 120.
    """
    h = 4.0
    while run_length(h) < max(1, curves) * days and h < 20:
        h += 0.1
    return round(h, 1)


def ewma_limit(weight: float, width: float, i: int) -> float:
    """Give the half-width of the EWMA's band at its ``i``-th value (from 1), in σ."""
    return width * sqrt(weight / (2 - weight) * (1 - (1 - weight) ** (2 * i)))


@dataclass(frozen=True, slots=True)
class OffsetParams:
    """When a drift is told.

    Attributes:
        limit: h, see ``decision_limit``.
        allowance: k, half the drift that is looked for, in σ.
        days: So many daily medians are learnt from first; at least 20.
        least: σ is taken to be at least this, K or percent (own proposal).
        minimum: A drift smaller than this is not told, K or percent (own proposal).
        unit: The unit for the words.
    """

    limit: float = 8.0
    allowance: float = 0.5
    days: int = 20
    least: float = 0.05
    minimum: float = 0.3
    unit: str = "K"


class Offset(Detector[OffsetParams]):
    """Watches the difference of one sensor to another (or to its siblings' median)."""

    __slots__ = ("day", "days", "due", "mean", "sd", "since", "sums", "today", "wrong")

    def __init__(self, params: OffsetParams | None = None) -> None:
        """Begin without a day."""
        super().__init__(params or OffsetParams())
        self.day = 0
        self.days: list[float] = []
        self.due = 0
        self.mean = 0.0
        self.sd = 0.0
        self.since = 0
        self.sums: list[float] = [0.0, 0.0, 0, 0]
        self.today: list[float] = []
        self.wrong = False

    def see(self, at: int, difference: float) -> Verdict | None:
        """Take this sensor's value less the other's; one an hour is used."""
        if at < self.due:
            return None
        self.due = at + HOUR
        if not self.day:
            self.day = at
        ended = at - self.day >= DAY
        verdict = self._close(at) if ended else None
        self.today.append(round(difference, 4))
        return verdict

    def _close(self, at: int) -> Verdict | None:
        """End the day; one with less than half its hours is none."""
        hours, self.today, self.day = self.today, [], at
        if len(hours) < 12:
            return None
        value = median(hours)
        if len(self.days) < self.params.days:
            self.days.append(value)
            if len(self.days) == self.params.days:
                self.mean, self.sd = usual(self.days, self.params.least)
            return None
        return self._judge(at, value)

    def _judge(self, at: int, value: float) -> Verdict | None:
        params = self.params
        z = (value - self.mean) / self.sd
        self.sums, highest, days = grown(self.sums, z, params.limit, params.allowance)
        signal = highest > params.limit and abs(value - self.mean) >= params.minimum
        if self.wrong:
            if highest > params.limit / 2:
                return None
            self.wrong = False
            return Verdict(RULE, wrong=False, since=self.since, reason=("It is back where it was.",))
        if not signal:
            return None
        self.wrong, self.since = True, at - days * DAY
        return Verdict(
            RULE,
            wrong=True,
            since=self.since,
            priority=Priority.LOW,
            value=round(value, 3),
            reason=(
                "Against its neighbour this sensor has drifted from ",
                Number(self.mean, params.unit, 2),
                " to ",
                Number(value, params.unit, 2),
                f" since {days} days ago.",
            ),
            advice=("Put both side by side for a night and enter a correction.",),
        )
