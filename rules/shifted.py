"""A set-point that was bumped: the level of an incubator or box settles elsewhere.

Means of hours are compared with those of the day before. Hours that end before a lamp that
switched or a lid that was opened is over do not count; another level that is asked for lets
it forget: where that is so twice a day no level stands for long enough to be told of.
Source: own proposal.
"""

from dataclasses import dataclass

from rules.detector import Detector
from rules.plan import Priority
from rules.reading import HOUR, MINUTE
from rules.trend import median
from rules.verdict import Verdict
from rules.words import Degrees, Kelvin

RULE = "settled elsewhere"


@dataclass(frozen=True, slots=True)
class ShiftParams:
    """When a set-point was bumped. Own proposals.

    Attributes:
        step: One value per this span, ms.
        block: Means over this span are compared, ms.
        blocks: The new level must stand for so many of them.
        past: So many before are what was usual …
        earlier: … and so many before those: what comes back to their level has not moved.
        least: The level must have moved by at least this, K.
        times: … and by so many times the usual spread of a block.
        steady: The new blocks may differ from each other by no more than this, K,
        back: … and the last of them is not nearer to the old level than the first by more, K.
    """

    step: int = 5 * MINUTE
    block: int = HOUR
    blocks: int = 3
    past: int = 24
    earlier: int = 48
    least: float = 0.7
    times: float = 4.0
    steady: float = 0.4
    back: float = 0.1


class Shifted(Detector[ShiftParams]):
    """Watches an incubator or box that settles at another level than it had (bumped)."""

    __slots__ = ("block_at", "due", "means", "n", "quiet", "since", "total", "usual", "wrong")

    def __init__(self, params: ShiftParams | None = None) -> None:
        """Begin without a level."""
        super().__init__(params or ShiftParams())
        self.block_at = 0
        self.due = 0
        self.means: list[float] = []
        self.n = 0
        self.quiet = 0
        self.since = 0
        self.total = 0.0
        self.usual = 0.0
        self.wrong = False

    def see(self, at: int, value: float) -> Verdict | None:
        """Take a good reading, °C."""
        if at < self.due:
            return None
        self.due = at + self.params.step
        if not self.block_at:
            self.block_at = at
        verdict = self._block(at) if at - self.block_at >= self.params.block else None
        self.total += value
        self.n += 1
        return verdict

    def hush(self, until: int) -> None:
        """Hours that end before ``until`` do not count (lamps, an open lid)."""
        self.quiet = max(self.quiet, until)

    def forget(self) -> None:
        """Forget the past: another level is asked for, by day or night too."""
        self.means = []

    def _block(self, at: int) -> Verdict | None:
        params = self.params
        full = 2 * self.n * params.step >= params.block
        mean = self.total / self.n if self.n else 0.0
        self.total, self.n, self.block_at = 0.0, 0, at
        if not full or at < self.quiet:
            return None
        self.means.append(round(mean, 4))
        if self.wrong and len(self.means) == 1:
            return self._over(mean, "Another level is asked for now.")
        del self.means[: -params.earlier - params.past - params.blocks]
        if len(self.means) < 12 + params.blocks:
            return None
        new, past = self.means[-params.blocks :], self._past()
        return self._follow(new) if self.wrong else self._judge(at, new, past)

    def _judge(self, at: int, new: list[float], past: list[float]) -> Verdict | None:
        params = self.params
        usual = median(past)
        spread = 1.4826 * median([abs(mean - usual) for mean in past])
        wanted = max(params.least, params.times * spread)
        moved = [mean - usual for mean in new]
        same_side = min(moved) >= wanted or max(moved) <= -wanted
        comes_back = abs(moved[-1]) < abs(moved[0]) - params.back or self._was_there(new)
        if not same_side or comes_back or max(new) - min(new) > params.steady:
            return None
        self.wrong, self.usual, self.since = True, usual, at - params.blocks * params.block
        return Verdict(
            RULE,
            wrong=True,
            since=self.since,
            priority=Priority.MEDIUM,
            value=round(new[-1], 3),
            reason=(
                "It stood at ",
                Degrees(round(usual, 1)),
                " and has settled at ",
                Degrees(round(new[-1], 1)),
                ", ",
                Kelvin(round(abs(new[-1] - usual), 1)),
                " away.",
            ),
            advice=("Has the thermostat's knob or its sensor been moved?",),
        )

    def _past(self) -> list[float]:
        """Give the means of what was usual, before the new ones."""
        return self.means[-self.params.past - self.params.blocks : -self.params.blocks]

    def _was_there(self, new: list[float]) -> bool:
        """Tell whether it comes back to the level that it had before what was usual lately."""
        before = self.means[: -self.params.past - self.params.blocks]
        return len(before) >= 12 and abs(median(before) - median(new)) < self.params.least / 2

    def _follow(self, new: list[float]) -> Verdict | None:
        """Let it be when it is back, or when the new level has become the usual one."""
        back = max(abs(mean - self.usual) for mean in new) < self.params.least / 2
        past = self._past()
        accepted = abs(median(past) - new[-1]) < self.params.least / 2 and len(past) >= self.params.past
        if not back and not accepted:
            return None
        words = (
            "It is back at its level." if back else "The new level has stood for a day and is taken as usual."
        )
        return self._over(new[-1], words)

    def _over(self, mean: float, words: str) -> Verdict:
        self.wrong = False
        return Verdict(RULE, wrong=False, since=self.since, value=round(mean, 4), reason=(words,))
