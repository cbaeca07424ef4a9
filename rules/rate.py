"""Erratic: a sensor whose readings leap about faster than air can change.

Source: rate of change test of the IOOS QARTOD manual (v2.1), per second. A single fast
change is a lid; leaps to and fro, over and over, are a loose contact.
"""

from dataclasses import dataclass

from rules.detector import Detector
from rules.plan import Priority
from rules.reading import HOUR, MINUTE, SECOND
from rules.verdict import Verdict
from rules.words import Number

RULE = "erratic"


def rate_of_change(step: float, span: int) -> float:
    """Give the pace of a step over ``span`` ms, per second; 0 for no span."""
    return abs(step) * SECOND / span if span > 0 else 0.0


@dataclass(frozen=True, slots=True)
class RateParams:
    """What leaps. Own proposals.

    Attributes:
        leap: A step of this much from one reading to the next, K or percent.
        cover: Readings further apart say nothing, ms.
        many: So many leaps that turn about, within ``window``, are a fault.
        window: … ms.
        unit: The unit for the words.
    """

    leap: float = 0.8
    cover: int = MINUTE
    many: int = 12
    window: int = HOUR
    unit: str = "K"


class Erratic(Detector[RateParams]):
    """Counts leaps that go against the one before (to and fro)."""

    __slots__ = ("direction", "last", "last_at", "leaps", "window_at", "wrong")

    def __init__(self, params: RateParams | None = None) -> None:
        """Begin without a reading."""
        super().__init__(params or RateParams())
        self.direction = 0
        self.last: float | None = None
        self.last_at = 0
        self.leaps = 0
        self.window_at = 0
        self.wrong = False

    def see(self, at: int, value: float) -> Verdict | None:
        """Take a reading that is neither late nor bad."""
        last, last_at = self.last, self.last_at
        self.last, self.last_at = value, at
        if at - self.window_at >= self.params.window:
            return self._next_window(at)
        if last is None or -self.params.leap < value - last < self.params.leap:
            return None
        return self._leap(value - last, at - last_at)

    def _leap(self, step: float, span: int) -> Verdict | None:
        if span > self.params.cover:
            return None
        direction = 1 if step > 0 else -1
        turned, self.direction = direction != self.direction, direction
        if not turned:
            return None
        self.leaps += 1
        if self.wrong or self.leaps < self.params.many:
            return None
        self.wrong = True
        return Verdict(
            RULE,
            wrong=True,
            since=self.window_at,
            priority=Priority.MEDIUM,
            value=self.last,
            reason=(
                f"{self.leaps} leaps to and fro within an hour, the last by ",
                Number(abs(step), self.params.unit),
                " from one reading to the next.",
            ),
            advice=("A loose contact or a wet sensor leaps like this: look at plug and cable.",),
        )

    def _next_window(self, at: int) -> Verdict | None:
        calm = self.wrong and self.leaps < self.params.many // 4
        since, self.window_at, self.leaps = self.window_at, at, 0
        if not calm:
            return None
        self.wrong = False
        return Verdict(RULE, wrong=False, since=since, value=self.last, reason=("An hour without leaps.",))
