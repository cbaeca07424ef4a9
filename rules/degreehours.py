"""Too much heat, or too little, in sum: what short holds never show.

Source: degree-hours as in growing-degree summation. Decision
values are own proposals.
"""

from dataclasses import dataclass

from rules.detector import Detector
from rules.plan import Priority
from rules.reading import HOUR, MINUTE
from rules.verdict import Verdict
from rules.words import Number, Sentence

WARM_SUM, COOL_SUM = "warm for too long", "cool for too long"


@dataclass(frozen=True, slots=True)
class DegreeHoursParams:
    """How much beyond a limit is too much in sum. Own proposals.

    Attributes:
        cover: A reading stands for at most this long, ms.
        limit: K·h beyond the limit within 24 h.
        step: One value per this span, ms.
    """

    cover: int = MINUTE
    limit: float = 10.0
    step: int = 5 * MINUTE


class DegreeHours(Detector[DegreeHoursParams]):
    """Sums K·h above and below ideal over the last 24 h: what short holds never show."""

    __slots__ = ("above", "below", "due", "hour_at", "last", "last_at", "said", "since", "wrong")

    def __init__(self, params: DegreeHoursParams | None = None) -> None:
        """Begin with nothing summed."""
        super().__init__(params or DegreeHoursParams())
        self.above: list[float] = [0.0]
        self.below: list[float] = [0.0]
        self.due = 0
        self.hour_at = 0
        self.last = 0.0
        self.last_at = 0
        self.said = 0
        self.since = 0
        self.wrong = 0

    def see(self, at: int, value: float, low: float | None, high: float | None) -> Verdict | None:
        """Take a good reading, °C, and the ends of the span in force."""
        if at < self.due:
            return None
        params = self.params
        self.due = at + params.step
        span = min(at - self.last_at, params.step + params.cover) / HOUR if self.last_at else 0.0
        last, self.last, self.last_at = self.last, value, at
        if high is not None and last > high:
            self.above[-1] += (last - high) * span
        elif low is not None and last < low:
            self.below[-1] += (low - last) * span
        if not self.hour_at:
            self.hour_at = at
        return self._hour(at, value) if at - self.hour_at >= HOUR else None

    def told(self) -> None:
        """Forget the sums: the range has spoken, and this rule is for what it does not see."""
        self.above, self.below, self.last_at = [0.0], [0.0], 0

    def sums(self) -> tuple[float, float]:
        """Give (above, below) over the last 24 h, K·h."""
        return sum(self.above), sum(self.below)

    def _hour(self, at: int, value: float) -> Verdict | None:
        passed = min(24, (at - self.hour_at) // HOUR)
        self.hour_at = at
        for sums in (self.above, self.below):
            sums.extend([0.0] * passed)
            del sums[:-24]
        above, below = self.sums()
        side = 1 if above >= self.params.limit else -1 if below >= self.params.limit else 0
        if self.wrong:
            return self._over(at, value) if not side and max(above, below) < self.params.limit / 2 else None
        if not side:
            return None
        sums = self.above if side > 0 else self.below
        ago = next(len(sums) - index for index, one in enumerate(sums) if one > 0)
        self.wrong, self.since = side, at - ago * HOUR
        rule, amount = (WARM_SUM, above) if side > 0 else (COOL_SUM, below)
        words = "above" if side > 0 else "below"
        reason: Sentence = (Number(amount, "K·h"), f" {words} ideal within 24 h, in sum.")
        return Verdict(rule, wrong=True, since=self.since, priority=Priority.LOW, value=value, reason=reason)

    def _over(self, at: int, value: float) -> Verdict:
        del at
        rule, self.wrong = (WARM_SUM if self.wrong > 0 else COOL_SUM), 0
        return Verdict(rule, wrong=False, since=self.since, value=value, reason=("The sum has halved.",))
