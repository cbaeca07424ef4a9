"""A daily mean that creeps: by a slope within days, by sums within weeks.

Minute values in a box hang together for hours, so both look at means of days. What passes
(a lamp that switches, an open lid) does not count for much in them; another level that is
asked for lets them forget. Source: tabular CUSUM of daily means (see ``rules.cusum``), which
needs ≥ 20 days: until then only the slope speaks. Decision values are own proposals.
"""

from dataclasses import dataclass
from itertools import pairwise

from rules.cusum import grown, usual
from rules.detector import Detector
from rules.plan import Priority
from rules.reading import DAY, HOUR, MINUTE
from rules.trend import median
from rules.verdict import Verdict
from rules.words import Degrees, Instant, Number, Sentence

CREEPING, CREPT = "creeping", "crept away"

_COMPARE: Sentence = ("Compare with a second thermometer; then look at set-point, heater and the room.",)


@dataclass(frozen=True, slots=True)
class CreepingParams:
    """When a mean creeps. Own proposals.

    Attributes:
        step: One value per this span, ms.
        block: Means over this span are kept, ms; four make a day.
        daily: Each of the last three days moved the mean by at least this, K.
        total: … and all together by this, K.
        ahead: … and ideal (else safe) will be left within this span, ms, or is left.
    """

    step: int = 5 * MINUTE
    block: int = 6 * HOUR
    daily: float = 0.2
    total: float = 0.8
    ahead: int = 5 * DAY


class Creeping(Detector[CreepingParams]):
    """Watches the daily mean of one curve of temperature in an incubator or box.

    It tells of what creeps towards the end of a range; a curve that nears the middle of
    it is let be.
    """

    __slots__ = ("block_at", "blocks", "due", "n", "said", "since", "total", "wrong")

    def __init__(self, params: CreepingParams | None = None) -> None:
        """Begin without a day."""
        super().__init__(params or CreepingParams())
        self.block_at = 0
        self.blocks: list[float | None] = []
        self.due = 0
        self.n = 0
        self.said = 0
        self.since = 0
        self.total = 0.0
        self.wrong = False

    def see(self, at: int, value: float, low: float | None, high: float | None) -> Verdict | None:
        """Take a good reading, °C, and the ends of ideal (where there is none, of safe)."""
        if at < self.due:
            return None
        self.due = at + self.params.step
        if not self.block_at:
            self.block_at = at
        verdict = self._block(at, low, high) if at - self.block_at >= self.params.block else None
        self.total += value
        self.n += 1
        return verdict

    def forget(self) -> None:
        """Forget the past: another level is asked for."""
        self.blocks, self.block_at = [], 0
        self.total, self.n = 0.0, 0

    def day(self) -> float | None:
        """Give the mean of the last day, °C; None where it is not covered."""
        return self._mean(0)

    def _block(self, at: int, low: float | None, high: float | None) -> Verdict | None:
        missing = (at - self.block_at) // self.params.block - 1
        full = self.n * self.params.step * 2 >= self.params.block
        self.blocks.append(round(self.total / self.n, 4) if full else None)
        self.blocks.extend([None] * min(missing, 16))
        self.total, self.n, self.block_at = 0.0, 0, at
        del self.blocks[:-16]
        if self.wrong and len(self.blocks) == 1:
            return self._over(self.blocks[0], "What is usual is learnt anew.")
        means = [self._mean(back) for back in range(4)]
        now = means[0]
        if now is None:
            return None
        if self.wrong:
            return self._follow(at, now, means)
        moved = self._by_days(means)
        if moved is None or (low is None and high is None):
            return None
        leaves = self._leaves(at, now, moved, low if moved < 0 else high)
        if leaves is None or leaves - at > self.params.ahead:
            return None
        return self._say(at, now, moved, leaves)

    def _mean(self, back: int) -> float | None:
        """Give the mean of the day that ended ``back`` days ago; None without cover.

        The warmest and the coolest quarter do not count: what passes within hours is no creep.
        """
        end = len(self.blocks) - 4 * back
        day = self.blocks[max(0, end - 4) : max(0, end)]
        if len(day) < 4:
            return None
        known = [value for value in day if value is not None]
        return sum(sorted(known)[1:3]) / 2 if len(known) == 4 else None

    def _by_days(self, means: list[float | None]) -> float | None:
        """Give the pace of a creep by its last three days, K per day, or None."""
        known = [mean for mean in reversed(means) if mean is not None]
        if len(known) < len(means):
            return None
        moved = [new - old for old, new in pairwise(known)]
        one_way = min(moved) >= self.params.daily or max(moved) <= -self.params.daily
        return sum(moved) / len(moved) if one_way and abs(sum(moved)) >= self.params.total else None

    def _leaves(self, at: int, now: float, pace: float, limit: float | None) -> int | None:
        if limit is None:
            return None
        away = (limit - now) / pace
        return at if away <= 0 else at + int(away * DAY)

    def _say(self, at: int, now: float, pace: float, leaves: int) -> Verdict:
        self.wrong, self.said, self.since = True, at, at - 3 * DAY
        verb = "falls" if pace < 0 else "rises"
        tail: Sentence = (" It will leave its range at about ", Instant(leaves), ".") if leaves > at else ()
        return Verdict(
            CREEPING,
            wrong=True,
            since=self.since,
            priority=Priority.MEDIUM,
            value=round(now, 3),
            reason=(
                f"The daily mean {verb} by ",
                Number(abs(pace), "K a day", 2),
                ", now ",
                Degrees(round(now, 2)),
                ".",
                *tail,
            ),
            advice=_COMPARE,
        )

    def _follow(self, at: int, now: float, means: list[float | None]) -> Verdict | None:
        one, two = means[1], means[2]
        if one is None or two is None or at - self.said < DAY:
            return None
        if max(abs(now - one), abs(now - two)) >= self.params.daily:
            return None
        return self._over(round(now, 3), "The daily mean stands still.")

    def _over(self, mean: float | None, words: str) -> Verdict:
        self.wrong = False
        return Verdict(CREEPING, wrong=False, since=self.since, value=mean, reason=(words,))


@dataclass(frozen=True, slots=True)
class CreptParams:
    """When the sums of daily means speak. Own proposals.

    Attributes:
        learning: So many days are learnt from first; at least 20.
        limit: h of the sums, see ``rules.cusum.decision_limit``.
        least: σ is taken to be at least this, K.
        minimum: A creep smaller than this is not told, K.
    """

    learning: int = 20
    limit: float = 8.0
    least: float = 0.1
    minimum: float = 0.6


class Crept(Detector[CreptParams]):
    """Watches the daily means of one curve once there are twenty: the sums find what no slope shows.

    A level that has stood for twenty days, and one of which another rule has told, is
    learnt anew.
    """

    __slots__ = ("days", "due", "mean", "sd", "since", "sums", "wrong")

    def __init__(self, params: CreptParams | None = None) -> None:
        """Begin without a day."""
        super().__init__(params or CreptParams())
        self.days: list[float] = []
        self.due = 0
        self.mean = 0.0
        self.sd = 0.0
        self.since = 0
        self.sums: list[float] = [0.0, 0.0, 0, 0]
        self.wrong = False

    def see(self, at: int, mean: float) -> Verdict | None:
        """Take the mean of the last day, °C; one a day is used."""
        if at < self.due:
            return None
        self.due = at + DAY
        if not self.sd:
            self.days.append(round(mean, 4))
            if len(self.days) == self.params.learning:
                self._learn()
            return self._over(mean, "What is usual is learnt anew.") if self.wrong else None
        z = (mean - self.mean) / self.sd
        self.sums, highest, days = grown(self.sums, z, self.params.limit)
        return self._follow(mean, highest) if self.wrong else self._judge(at, mean, highest, days)

    def forget(self) -> None:
        """Learn anew: another level is asked for, or another rule has told of this one."""
        self.days, self.sd, self.sums = [], 0.0, [0.0, 0.0, 0, 0]

    def _learn(self) -> None:
        """Take the days for what is usual."""
        self.mean, self.sd = usual(self.days, self.params.least)
        self.days, self.sums = [], [0.0, 0.0, 0, 0]

    def _judge(self, at: int, mean: float, highest: float, days: int) -> Verdict | None:
        if highest <= self.params.limit or abs(mean - self.mean) < self.params.minimum:
            return None
        self.wrong, self.since = True, at - days * DAY
        return Verdict(
            CREPT,
            wrong=True,
            since=self.since,
            priority=Priority.LOW,
            value=round(mean, 3),
            reason=(
                "The daily mean has crept from ",
                Degrees(round(self.mean, 2)),
                " to ",
                Degrees(round(mean, 2)),
                f" within {days} days.",
            ),
            advice=_COMPARE,
        )

    def _follow(self, mean: float, highest: float) -> Verdict | None:
        """Let it be when it is back, or when the new level has become the usual one."""
        if highest < self.params.limit / 2:
            self.days = []
            return self._over(mean, "It is back where it was.")
        self.days.append(round(mean, 4))
        del self.days[: -self.params.learning]
        if not self._stands():
            return None
        self._learn()
        return self._over(mean, "The new level has stood for weeks and is taken as usual.")

    def _stands(self) -> bool:
        """Tell whether the days since it was told are enough, and level to the last one."""
        quarter, level = self.params.learning // 4, median(self.days)
        ends = (median(self.days[:quarter]), median(self.days[-quarter:]), self.days[-1])
        full = len(self.days) == self.params.learning
        return full and all(abs(end - level) < self.params.minimum / 2 for end in ends)

    def _over(self, mean: float, words: str) -> Verdict:
        self.wrong = False
        return Verdict(CREPT, wrong=False, since=self.since, value=round(mean, 3), reason=(words,))
